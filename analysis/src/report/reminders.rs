//! Service reminders on a page: what is due, and how much of each interval is used.

use maud::{Markup, html};

use super::page::{literal, visible};
use crate::book::{Due, DueState, Usage};
use crate::number;

/// A section of its own; nothing without reminders. What is due comes first.
pub(super) fn section(all: &[Due]) -> Markup {
    let mut sorted: Vec<&Due> = all.iter().collect();
    sorted.sort_by_key(|due| std::cmp::Reverse(due.state));
    let due = all.iter().filter(|due| due.state == DueState::Due).count();
    html! {
        @if !all.is_empty() {
            section.reminders aria-labelledby="reminders-heading" {
                h2 #reminders-heading { "Service reminders" }
                p {
                    @match due {
                        0 => { "Nothing is due." }
                        n => { (number::count(n, "is due", "are due")) "." }
                    }
                    " The intervals are the owner's own; friction work is that of the recorded drives."
                }
                ul { @for due in sorted { (line(due)) } }
            }
        }
    }
}

fn line(due: &Due) -> Markup {
    html! {
        li {
            @if due.state == DueState::Due {
                strong { (due.state.text()) }
            } @else {
                (due.state.text())
            }
            ": " (literal(&due.what))
            @for usage in &due.usage { "; " (used(usage)) }
        }
    }
}

fn used(usage: &Usage) -> Markup {
    let every = number::plain(usage.every);
    html! {
        @match &usage.used {
            Ok(used) => { (number::plain(*used)) " of " (every) " " (usage.unit) }
            Err(why) => { (every) " " (usage.unit) ": not known: " (visible(why)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn due(what: &str, state: DueState, used: Result<f64, String>) -> Due {
        Due {
            what: what.to_owned(),
            state,
            since: None,
            usage: vec![Usage {
                unit: "km",
                every: 40_000.0,
                used,
            }],
        }
    }

    #[test]
    fn what_is_due_comes_first_and_names_stay_text() {
        let all = [
            due(
                "<b>oil</b>",
                DueState::NotYet,
                Err("no odometer".to_owned()),
            ),
            due("fluid", DueState::Due, Ok(41_000.0)),
        ];
        let page = section(&all).into_string();
        assert!(page.contains("1 is due."), "{page}");
        let (fluid, oil) = (page.find("fluid").unwrap(), page.find("oil").unwrap());
        assert!(fluid < oil && !page.contains("<b>"), "{page}");
        assert!(page.contains("not known: no odometer"), "{page}");
        assert_eq!(section(&[]).into_string(), "");
    }
}
