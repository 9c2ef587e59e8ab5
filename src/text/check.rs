//! What `check` prints for people.

use std::fmt::Write;

use super::table;
use crate::contract::check::CheckOutput;

/// The answer first, then the signals, then what was found.
pub(crate) fn check(output: &CheckOutput) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = match output.ready {
        true => writeln!(text, "ready: {}", output.why),
        false => writeln!(text, "not ready: {}", output.why),
    };
    let _ = match output.coupling_could_work {
        Some(true) => writeln!(text, "coupling: {}", output.coupling_why),
        Some(false) => writeln!(
            text,
            "THE COUPLING CANNOT HAVE WORKED: {}",
            output.coupling_why
        ),
        None => writeln!(text, "coupling not judged: {}", output.coupling_why),
    };
    let header = ["signal", "state", "Hz"].map(str::to_owned).to_vec();
    let rows = output.signals.iter().chain(&output.other_signals).map(|s| {
        let rate = s
            .rate_hz
            .map_or_else(|| "-".to_owned(), |hz| format!("{hz:.0}"));
        vec![s.role.to_owned(), s.state.to_owned(), rate]
    });
    text.push_str(&table(header, rows.collect()));
    for signal in output.signals.iter().chain(&output.other_signals) {
        if let Some(why) = &signal.why {
            let _ = writeln!(text, "  {}: {why}", signal.role);
        }
    }
    for finding in &output.findings {
        let _ = writeln!(
            text,
            "\n{}: {}",
            finding.what.replace('_', " "),
            finding.why
        );
        for line in &finding.evidence {
            let _ = writeln!(text, "  - {line}");
        }
    }
    for unit in output.trouble_codes.iter().flatten() {
        let said = match (&unit.why, unit.codes.is_empty()) {
            (Some(why), _) => why.clone(),
            (None, true) => "no codes".to_owned(),
            (None, false) => unit.codes.join(", "),
        };
        let _ = writeln!(
            text,
            "  trouble codes, {}, {}: {said}",
            unit.unit, unit.list
        );
    }
    for note in &output.notes {
        let _ = writeln!(text, "  note: {note}");
    }
    text
}
