//! Findings in words: short sentences with numbers, for and against.

use super::NotJudged;
use super::cause::Cause;
use super::change::{Against, Change};
use super::feature::{Feature, Scale};
use super::record::DriveRecord;
use super::signature::shift;
use crate::report::number;

/// A change counts from this many of its uncertainties on.
const CLEAR: f64 = 2.5;
/// Severity at which a cause is asked what it would do.
const ASKED: f64 = 0.4;
/// Supply below this is said first, V. Common practice, no source.
const LOW_V: f64 = 12.5;

fn plain(change: &Change, value: f64) -> String {
    number::rough(change.shown(value))
}

/// One change as a sentence.
fn sentence(change: &Change) -> String {
    let f = change.feature;
    let unit = match f.unit() {
        "1" => String::new(),
        unit => format!(" {unit}"),
    };
    let against = match change.against {
        Against::Baseline => "in the healthy drives",
        Against::Nominal => "by the vehicle file",
        Against::Itself => "usual",
    };
    let told = match f.scale() {
        // The uncertainty is the logarithm's; of the ratio it is as many times more.
        Scale::Ratio => format!(
            "{}{:.0} % ± {:.0} %",
            if change.shift < 0.0 { "−" } else { "+" },
            100.0 * change.shift.exp_m1().abs(),
            100.0 * change.u * change.shift.exp()
        ),
        Scale::Difference => format!(
            "{}{} ± {}",
            if change.shift < 0.0 { "−" } else { "+" },
            number::rough(change.shift.abs()),
            number::rough(change.u)
        ),
    };
    format!(
        "{} {}{unit}, {} {against} ({told})",
        f.label(),
        plain(change, change.now),
        plain(change, change.was),
    )
}

/// What speaks for and against a cause.
pub(super) fn evidence(cause: Cause, changes: &[Change], now: &[DriveRecord]) -> Vec<String> {
    let mut lines = Vec::new();
    if cause == Cause::Healthy {
        return healthy(changes);
    }
    if cause == Cause::InhibitedOrWiring {
        let mut seen = Vec::new();
        for record in now {
            for line in &record.wiring.evidence {
                let text = match now.len() {
                    1 => line.clone(),
                    _ => format!("{}: {line}", record.name),
                };
                if !seen.contains(&text) {
                    seen.push(text);
                }
            }
        }
        if seen.is_empty() {
            lines.push("against: every signal came, and demand answered every call".into());
        }
        lines.extend(seen.into_iter().take(12).map(|line| format!("for: {line}")));
        return lines;
    }
    let mut told: Vec<(f64, String)> = Vec::new();
    for change in changes {
        let expected = shift(cause, change.feature, ASKED);
        let clear = change.shift.abs() > CLEAR * change.u;
        let noticeable = expected.abs() > 1.5 * change.u;
        if expected != 0.0 && clear && change.shift * expected > 0.0 {
            told.push((
                change.shift.abs() / change.u,
                format!("for: {}", sentence(change)),
            ));
        } else if noticeable && (!clear || change.shift * expected < 0.0) {
            told.push((
                1.0,
                format!("against: {}, where this cause moves it", sentence(change)),
            ));
        } else if expected == 0.0 && clear {
            told.push((0.5, format!("not explained by it: {}", sentence(change))));
        }
    }
    told.sort_by(|a, b| b.0.total_cmp(&a.0));
    lines.extend(told.into_iter().map(|(_, line)| line));
    if lines.is_empty() {
        lines.push("no clear change speaks for or against it".into());
    }
    if cause == Cause::WeakPump
        && let Some(volts) = lowest_supply(now).filter(|v| *v < LOW_V)
    {
        lines.push(format!(
            "against: the supply is only {volts:.1} V; a weak supply makes a good pump look weak"
        ));
    }
    lines
}

fn lowest_supply(now: &[DriveRecord]) -> Option<f64> {
    now.iter().filter_map(|r| r.supply_v).reduce(f64::min)
}

fn healthy(changes: &[Change]) -> Vec<String> {
    let (clear, still): (Vec<&Change>, Vec<&Change>) =
        changes.iter().partition(|c| c.shift.abs() > CLEAR * c.u);
    let mut lines: Vec<String> = clear
        .iter()
        .map(|c| format!("against: {}", sentence(c)))
        .collect();
    let important = [
        Feature::DeadTime,
        Feature::RiseTime,
        Feature::TorquePerBar,
        Feature::Hold,
        Feature::TyreRatio,
    ];
    for change in still.iter().filter(|c| important.contains(&c.feature)) {
        lines.push(format!("for: {}", sentence(change)));
    }
    lines
}

pub(super) fn next_check(cause: Cause, now: &[DriveRecord]) -> String {
    let low = lowest_supply(now).filter(|v| *v < LOW_V);
    match (cause, low) {
        (Cause::WeakPump, Some(volts)) => format!(
            "First the supply: {volts:.1} V with the engine running is low; battery, charging, earths. {}",
            cause.next_check()
        ),
        _ => cause.next_check().to_owned(),
    }
}

/// Against what it was judged, and what could not be judged.
pub(super) fn basis(changes: &[Change], baseline: usize, not_judged: &[NotJudged]) -> String {
    let mut text = match baseline {
        0 if changes.iter().any(|c| c.against == Against::Nominal) => {
            "judged against the vehicle file's values and what any healthy coupling does".to_owned()
        }
        0 => "judged only by what is wrong in itself: there is no baseline and the vehicle file tells no healthy values".to_owned(),
        1 => "judged against one healthy drive of this car".to_owned(),
        n => format!("judged against {n} healthy drives of this car"),
    };
    if !not_judged.is_empty() {
        let names: Vec<&str> = not_judged.iter().map(|n| n.cause.text()).collect();
        text.push_str(&format!("; could not be judged: {}", names.join(", ")));
    }
    text
}
