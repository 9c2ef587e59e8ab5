//! What `diagnose` prints for people.

use std::fmt::Write;

use crate::contract::diagnose::DiagnoseOutput;

/// The answer first, then each cause with its evidence.
pub(crate) fn diagnosis(output: &DiagnoseOutput) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = match output.judgeable {
        true => writeln!(text, "{}", output.why),
        false => writeln!(text, "NOT JUDGEABLE: {}", output.why),
    };
    for finding in &output.findings {
        let _ = writeln!(
            text,
            "\n{:.0} %  {}",
            100.0 * finding.probability,
            finding.cause.replace('_', " ")
        );
        for line in &finding.evidence {
            let _ = writeln!(text, "  - {line}");
        }
        let _ = writeln!(text, "  next: {}", finding.next_check);
    }
    if !output.not_judged.is_empty() {
        text.push('\n');
    }
    for (cause, why) in &output.not_judged {
        let _ = writeln!(text, "not judged: {}: {why}", cause.replace('_', " "));
    }
    for warning in &output.warnings {
        let _ = writeln!(text, "note: {warning}");
    }
    text.push_str(
        "\nLook before you replace: these are probabilities of the causes that this program knows.\n\
         Let hot fluid and pressure go before you open anything.\n",
    );
    text
}
