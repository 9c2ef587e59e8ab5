//! What `diagnose` prints for people.

use std::fmt::Write;

use slipwright_analysis::diagnosis::Diagnosis;
use slipwright_analysis::number;

/// The answer first, then each cause with its evidence.
pub(crate) fn diagnosis(diagnosis: &Diagnosis, warnings: &[String]) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = match diagnosis.judgeable {
        true => writeln!(text, "{}", diagnosis.why),
        false => writeln!(text, "NOT JUDGEABLE: {}", diagnosis.why),
    };
    for finding in &diagnosis.findings {
        let chance = number::chance(finding.probability).replace('\u{a0}', " ");
        let _ = writeln!(text, "\n{chance}  {}", finding.cause.label());
        for evidence in &finding.evidence {
            let _ = writeln!(text, "  - {evidence}");
        }
        let _ = writeln!(text, "  next: {}", finding.next_check);
    }
    if !diagnosis.not_judged.is_empty() {
        text.push('\n');
    }
    for n in &diagnosis.not_judged {
        let _ = writeln!(text, "not judged: {}: {}", n.cause.label(), n.why);
    }
    for warning in warnings {
        let _ = writeln!(text, "note: {warning}");
    }
    text.push_str(
        "\nLook before you replace: these are probabilities of the causes that this program knows.\n\
         Let hot fluid and pressure go before you open anything.\n",
    );
    text
}
