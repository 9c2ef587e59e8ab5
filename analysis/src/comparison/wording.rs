//! The verdict as an owner reads it.

use super::family::PROOF;
use super::{Comparison, MeasureComparison, Verdict};
use crate::measure::Measure;

/// A number to the digits that its uncertainty leaves: two figures of `uncertainty`, or four
/// figures of the number where there is no uncertainty.
#[must_use]
pub fn digits(value: f64, uncertainty: f64) -> String {
    let scale = if uncertainty.is_finite() && uncertainty > 0.0 {
        uncertainty
    } else {
        value.abs() / 100.0
    };
    let decimals = if scale > 0.0 {
        (1.0 - scale.log10().floor()).clamp(0.0, 9.0)
    } else {
        0.0
    };
    let text = format!("{value:.*}", decimals as usize);
    // No "-0.0".
    if text
        .trim_start_matches('-')
        .chars()
        .all(|c| c == '0' || c == '.')
    {
        return text.trim_start_matches('-').to_owned();
    }
    text.replace('-', "\u{2212}")
}

/// "3 of 4 engagements".
#[must_use]
pub fn of(part: usize, total: usize, noun: &str) -> String {
    format!("{part} of {}", count(total, noun))
}

/// "1 drive", "3 drives".
#[must_use]
pub fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A number with its unit; bare fractions have none.
#[must_use]
pub fn with_unit(text: &str, measure: Measure) -> String {
    match measure.unit() {
        "1" => text.to_owned(),
        unit => format!("{text} {unit}"),
    }
}

/// The verdict in one plain sentence with its numbers.
#[must_use]
pub fn sentence(comparison: &Comparison) -> String {
    let proof = |verdict| {
        comparison
            .measures
            .iter()
            .filter(move |m| PROOF.contains(&m.measure) && m.verdict == verdict)
            .collect::<Vec<_>>()
    };
    let (reduced, increased) = (proof(Verdict::Reduced), proof(Verdict::Increased));
    let extent = extent(comparison);
    match comparison.verdict {
        Verdict::Reduced => format!("Reduced: {}{extent}.", list(&reduced)),
        Verdict::Increased => format!("Increased: {}{extent}.", list(&increased)),
        Verdict::NoChangeShown if !reduced.is_empty() => format!(
            "Mixed, so no improvement is shown: {} reduced, but {} increased{extent}.",
            list(&reduced),
            list(&increased)
        ),
        Verdict::NoChangeShown => format!(
            "No change shown: {}{extent}; a smaller change may still be there.",
            unshown(&proof(Verdict::NoChangeShown))
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
        count(pairs, "matched pair"),
        count(comparison.before.drives, "drive"),
        count(comparison.after.drives, "drive"),
    )
}

fn list(measures: &[&MeasureComparison]) -> String {
    join(&measures.iter().map(|m| moved(m)).collect::<Vec<_>>())
}

/// "a, b and c".
#[must_use]
pub fn join(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// "engagement delay by 15.2 ms (95 % interval 11.8 to 18.6 ms; median 98.0 ms before, 83.1 ms
/// after)".
fn moved(m: &MeasureComparison) -> String {
    let (shift, low, high) = (
        m.shift.unwrap_or(0.0),
        m.ci_low.unwrap_or(0.0),
        m.ci_high.unwrap_or(0.0),
    );
    let half = 0.5 * (high - low);
    let (least, most) = if shift < 0.0 {
        (-high, -low)
    } else {
        (low, high)
    };
    let number = |value: f64| with_unit(&digits(value, half), m.measure);
    let medians = match (m.before_median, m.after_median) {
        (Some(before), Some(after)) => {
            format!(
                "; median {} before, {} after",
                number(before),
                number(after)
            )
        }
        _ => String::new(),
    };
    format!(
        "{} by {} (95 % interval {} to {}{medians})",
        m.measure.label(),
        number(shift.abs()),
        digits(least, half),
        number(most),
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
    let half = 0.5 * (high - low);
    let shift = m.shift.unwrap_or(0.0);
    let mut text = format!(
        "{} moved by {} (95 % interval {} to {})",
        m.measure.label(),
        with_unit(&digits(shift, half), m.measure),
        digits(low, half),
        with_unit(&digits(high, half), m.measure),
    );
    if let Some(smallest) = m.smallest_provable {
        let smallest = with_unit(&digits(smallest, smallest), m.measure);
        text += &format!(
            ", where these drives would have shown a change of {smallest} four times out of five"
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_uncertainty() {
        assert_eq!(digits(15.2345, 3.4), "15.2");
        assert_eq!(digits(152.345, 34.0), "152");
        assert_eq!(digits(0.012_346, 0.000_34), "0.01235");
        assert_eq!(digits(-0.001, 0.3), "0.00");
        assert_eq!(digits(-1.25, 0.3), "\u{2212}1.25");
        assert_eq!(digits(98.76, 0.0), "98.76");
        assert_eq!(digits(0.0, f64::NAN), "0");
        assert_eq!(count(1, "drive"), "1 drive");
    }
}
