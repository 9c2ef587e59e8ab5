//! The verdict as an owner reads it.

use super::family::{PROOF, beside_proof, grown, of_proof};
use super::{Comparison, MeasureComparison, Verdict};
use crate::number;
use crate::words;

/// The verdict in one plain sentence with its numbers.
#[must_use]
pub fn sentence(comparison: &Comparison) -> String {
    let proof = |verdict| of_proof(&comparison.measures, verdict);
    let (reduced, increased) = (proof(Verdict::Reduced), grown(&comparison.measures));
    let extent = extent(comparison);
    match comparison.verdict {
        Verdict::Reduced => format!(
            "Reduced: {}{extent}.{}",
            list(&reduced),
            if proof(Verdict::Increased).is_empty() {
                ""
            } else {
                " Slip time is longer, because it ends at a tenth of a peak that is smaller now."
            }
        ),
        Verdict::Increased => format!("Increased: {}{extent}.", list(&increased)),
        Verdict::NoChangeShown if !reduced.is_empty() => format!(
            "Mixed, so no improvement is shown: {} reduced, but {} increased{extent}.",
            list(&reduced),
            list(&increased)
        ),
        Verdict::NoChangeShown => format!(
            "No change shown: {}{extent}; a smaller change may still be there.{}",
            unshown(&proof(Verdict::NoChangeShown)),
            beside(comparison)
        ),
        Verdict::NotEnoughData => format!("Not enough data: {}.", lacking(comparison)),
    }
}

fn extent(comparison: &Comparison) -> String {
    let pairs = comparison
        .measures
        .iter()
        .filter(|m| PROOF.contains(&m.measure))
        .map(|m| m.pairs)
        .max()
        .unwrap_or(0);
    format!(
        ", over {} of engagements from {} before and {} after",
        number::count(pairs, "matched pair", "matched pairs"),
        number::count(comparison.before.drives, "drive", "drives"),
        number::count(comparison.after.drives, "drive", "drives"),
    )
}

/// What was shown of the measures that only explain, where slip and delay show nothing.
fn beside(comparison: &Comparison) -> String {
    let shown: Vec<String> = [
        (Verdict::Reduced, "reduced"),
        (Verdict::Increased, "increased"),
    ]
    .into_iter()
    .flat_map(|(verdict, word)| {
        let found = beside_proof(&comparison.measures, verdict);
        found
            .into_iter()
            .map(move |m| format!("{} {word}", moved(m)))
    })
    .collect();
    if shown.is_empty() {
        return String::new();
    }
    format!(" Shown beside that: {}.", words::listed(&shown))
}

fn list(measures: &[&MeasureComparison]) -> String {
    words::listed(&measures.iter().map(|m| moved(m)).collect::<Vec<_>>())
}

/// "engagement delay by 15.2 ms (95 % interval 11.8 to 18.6 ms; median 98.0 ms before, 83.1 ms
/// after)".
fn moved(m: &MeasureComparison) -> String {
    let (shift, low, high) = (
        m.shift.unwrap_or(0.0),
        m.ci_low.unwrap_or(0.0),
        m.ci_high.unwrap_or(0.0),
    );
    let (least, most) = if shift < 0.0 {
        (-high, -low)
    } else {
        (low, high)
    };
    let u = number::u_of_interval(low, high);
    let digits = |value: f64| number::rounded_to(value, u);
    let unit = words::behind(m.measure.unit());
    let medians = match (m.before_median, m.after_median) {
        // A measure that falls by more than its middle: what shifted is not what lies in the middle.
        (Some(before), Some(_)) if shift < 0.0 && before >= 0.0 && -shift > before => {
            "; the engagements differ too much for one middle value to tell of them".to_owned()
        }
        (Some(before), Some(after)) => {
            format!(
                "; median {}{unit} before, {}{unit} after",
                digits(before),
                digits(after)
            )
        }
        _ => String::new(),
    };
    format!(
        "{} by {}{unit} (95 % interval {} to {}{unit}{medians})",
        m.measure.label(),
        digits(shift.abs()),
        digits(least),
        digits(most),
    )
}

/// What was not shown, and what would have been: the measure that comes first among slip and
/// delay speaks for the rest.
fn unshown(measures: &[&MeasureComparison]) -> String {
    let first = PROOF
        .iter()
        .find_map(|p| measures.iter().find(|m| m.measure == *p));
    let Some(m) = first else {
        return "no measure moved clearly".to_owned();
    };
    let (low, high) = (m.ci_low.unwrap_or(0.0), m.ci_high.unwrap_or(0.0));
    let u = number::u_of_interval(low, high);
    let unit = words::behind(m.measure.unit());
    let mut text = format!(
        "{} moved by {}{unit} (95 % interval {} to {}{unit})",
        m.measure.label(),
        number::rounded_to(m.shift.unwrap_or(0.0), u),
        number::rounded_to(low, u),
        number::rounded_to(high, u),
    );
    if let Some(smallest) = m.smallest_provable {
        text += &format!(
            ", where these drives would have shown a change of {}{unit} four times out of five",
            number::rough(smallest)
        );
    }
    text
}

fn lacking(comparison: &Comparison) -> String {
    let first = PROOF.iter().find_map(|p| {
        let m = comparison.measures.iter().find(|m| m.measure == *p)?;
        Some((m, m.why.as_ref()?))
    });
    match first {
        Some((m, why)) => format!("{}: {why}", m.measure.label()),
        None => "no measure of slip or delay can be judged".to_owned(),
    }
}
