//! The words of the page: units as printed, verdicts, and each measure in a plain sentence.

use slipwright_decoders::unit::Unit;

use super::page::visible;
use crate::comparison::{MeasureComparison, Verdict};
use crate::measure::{Better, Measure};
use crate::number;
use crate::words;

/// Standard uncertainty that the interval of the shift leaves, if there is one.
pub(super) fn u_of_shift(row: &MeasureComparison) -> f64 {
    match (row.ci_low, row.ci_high) {
        (Some(low), Some(high)) => number::u_of_interval(low, high),
        _ => f64::NAN,
    }
}

/// A unit behind its number: nothing for a bare number, a space that does not break before others.
pub(super) fn behind(unit: &str) -> String {
    words::behind(unit).replace(' ', "\u{a0}")
}

/// A unit over an axis or in a heading.
pub(super) fn heading_unit(measure: Measure) -> &'static str {
    match measure.unit() {
        "1" => "share",
        unit => unit,
    }
}

/// A demand's unit as printed.
pub(super) fn demand_unit(unit: Option<Unit>) -> &'static str {
    match unit {
        None | Some(Unit::Bare) => "1",
        Some(unit) => self::unit(unit),
    }
}

/// A unit as printed; decoder files write some without special characters.
pub(super) fn unit(unit: Unit) -> &'static str {
    match unit {
        Unit::NewtonMetre => "N·m",
        Unit::DegreeCelsius => "°C",
        Unit::MetrePerSecondSquared => "m/s²",
        unit => unit.text(),
    }
}

/// A sign beside the verdict; it only repeats the word.
pub(super) fn sign(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Reduced => "↓",
        Verdict::Increased => "↑",
        Verdict::NoChangeShown => "?",
        Verdict::NotEnoughData => "–",
    }
}

/// The verdict on one measure, and whether that is good.
pub(super) fn verdict(row: &MeasureComparison) -> String {
    let judged = match (row.verdict, row.measure.better()) {
        (Verdict::Reduced, Better::Lower) | (Verdict::Increased, Better::Higher) => ", better",
        (Verdict::Reduced, Better::Higher) | (Verdict::Increased, Better::Lower) => ", worse",
        (Verdict::NoChangeShown | Verdict::NotEnoughData, _) => "",
    };
    format!("{}{judged}", row.verdict.text())
}

/// What "no change shown" leaves open.
pub(super) fn open_question(row: &MeasureComparison) -> Option<String> {
    if row.verdict != Verdict::NoChangeShown {
        return None;
    }
    Some(match row.smallest_provable.filter(|s| s.is_finite()) {
        Some(smallest) => format!(
            "a change smaller than {}{} could be there unseen",
            number::rough(smallest),
            behind(row.measure.unit())
        ),
        None => "a change could be there unseen".to_owned(),
    })
}

/// Why there is no number or no verdict, without a full stop.
pub(super) fn why(row: &MeasureComparison) -> Option<String> {
    row.why
        .as_deref()
        .map(|why| visible(why.trim_end_matches('.')))
}

/// Shift with its interval, in words.
pub(super) fn shift(row: &MeasureComparison) -> Option<String> {
    let shift = row.shift.filter(|s| s.is_finite())?;
    let u = u_of_shift(row);
    let unit = behind(row.measure.unit());
    Some(match (row.ci_low, row.ci_high) {
        (Some(low), Some(high)) => format!(
            "{}{unit} (95 % interval {}{unit})",
            number::signed(shift, u),
            number::interval(low, high, u)
        ),
        _ => format!("{}{unit}", number::signed(shift, u)),
    })
}

/// A median with its unit, at the digits that the shift's interval allows.
pub(super) fn median(row: &MeasureComparison, value: Option<f64>) -> Option<String> {
    value.filter(|v| v.is_finite()).map(|v| {
        format!(
            "{}{}",
            number::rounded_to(v, u_of_shift(row)),
            behind(row.measure.unit())
        )
    })
}
