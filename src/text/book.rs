//! `book due` in words.

use std::fmt::Write;

use slipwright_analysis::book::Due;
use slipwright_analysis::number;

/// Every reminder, below what another command says; nothing without any.
pub(crate) fn reminders(all: &[Due]) -> String {
    match all {
        [] => String::new(),
        all => format!("\nservice reminders\n{}", due(all)),
    }
}

/// Every reminder.
pub(crate) fn due(all: &[Due]) -> String {
    if all.is_empty() {
        return "no reminders; write your intervals into reminders.toml\n".to_owned();
    }
    let mut text = String::new();
    for reminder in all {
        let since = reminder
            .since
            .as_deref()
            .map_or("the first drive".to_owned(), |work| format!("work {work}"));
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "{}: {} (since {since})",
            reminder.state.text(),
            reminder.what
        );
        for usage in &reminder.usage {
            let every = number::plain(usage.every);
            let _ = match &usage.used {
                Ok(used) => writeln!(text, "  {} of {every} {}", number::plain(*used), usage.unit),
                Err(why) => writeln!(text, "  {every} {}: not known: {why}", usage.unit),
            };
        }
    }
    if all
        .iter()
        .any(|r| r.usage.iter().any(|u| u.unit.starts_with("MJ")))
    {
        text.push_str("Friction work is that of the recorded drives; drives without a recording are not in it.\n");
    }
    text
}
