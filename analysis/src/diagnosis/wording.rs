//! Findings in words: short sentences with numbers, for and against.

use super::NotJudged;
use super::cause::Cause;
use super::change::{Against, Change};
use super::evidence::{Evidence, Speaks};
use super::feature::{Feature, Scale};
use super::record::DriveRecord;
use super::signature::{shift, towards};
use crate::number;
use crate::words;

/// A change counts from this many of its uncertainties on.
const CLEAR: f64 = 2.5;
/// What a cause would do is to be seen if it is so many of the uncertainties.
const NOTICEABLE: f64 = 1.5;
/// A change of so many of its uncertainties is no chance, whatever the probabilities are.
const STANDS_OUT_FROM: f64 = 5.0;
/// Severity at which a cause is asked what it would do.
const ASKED: f64 = 0.4;
/// Supply below this is said first, V. Common practice, no source.
const LOW_V: f64 = 12.5;
/// Signs of a wiring fault that are told, at most.
const MOST_OF_WIRING: usize = 12;

fn plain(change: &Change, value: f64) -> String {
    number::rough(change.shown(value))
}

/// One change as a sentence.
fn sentence(change: &Change) -> String {
    let f = change.feature;
    let unit = words::behind(f.unit());
    let against = match change.against {
        Against::Baseline => "in the healthy drives",
        Against::Nominal => "by the vehicle file",
        Against::Usual => "usual",
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

/// What speaks for and against a cause, the clearest first.
pub(super) fn evidence(cause: Cause, changes: &[Change], now: &[DriveRecord]) -> Vec<Evidence> {
    match cause {
        Cause::Healthy => healthy(changes),
        Cause::InhibitedOrWiring => wiring(now),
        cause => moved(cause, changes, now),
    }
}

/// Of a wiring fault: what the signals themselves gave.
fn wiring(now: &[DriveRecord]) -> Vec<Evidence> {
    let mut seen: Vec<String> = Vec::new();
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
        let text = "every signal came, and demand answered every call";
        return vec![Evidence::new(Speaks::Against, text)];
    }
    let told = |text| Evidence::new(Speaks::For, text);
    seen.into_iter().take(MOST_OF_WIRING).map(told).collect()
}

/// Of a fault of the clutch or the tyres: what moved, beside what the fault moves.
fn moved(cause: Cause, changes: &[Change], now: &[DriveRecord]) -> Vec<Evidence> {
    let mut told: Vec<(f64, Evidence)> = Vec::new();
    for change in changes {
        let expected = shift(cause, change.feature, ASKED);
        let towards = towards(cause, change.feature, change.shift);
        let clear = change.shift.abs() > CLEAR * change.u;
        let noticeable = expected.abs() > NOTICEABLE * change.u;
        // What went at least half the way is nearer to the cause than to none.
        let agrees = towards > NOTICEABLE * change.u && towards > 0.5 * expected.abs();
        let said = sentence(change);
        if expected != 0.0 && (clear && towards > 0.0 || noticeable && agrees) {
            let clearness = change.shift.abs() / change.u;
            told.push((clearness, Evidence::new(Speaks::For, said)));
        } else if noticeable {
            let text = format!("{said}, where this cause moves it");
            told.push((1.0, Evidence::new(Speaks::Against, text)));
        } else if expected == 0.0 && clear {
            told.push((0.5, Evidence::new(Speaks::Unexplained, said)));
        }
    }
    told.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut found: Vec<Evidence> = told.into_iter().map(|(_, evidence)| evidence).collect();
    if found.is_empty() {
        let text = "no clear change speaks for or against it";
        found.push(Evidence::new(Speaks::Neither, text));
    }
    if cause == Cause::WeakPump
        && let Some(volts) = lowest_supply(now).filter(|v| *v < LOW_V)
    {
        let text =
            format!("the supply is only {volts:.1} V; a weak supply makes a good pump look weak");
        found.push(Evidence::new(Speaks::Against, text));
    }
    found
}

fn lowest_supply(now: &[DriveRecord]) -> Option<f64> {
    now.iter().filter_map(|r| r.supply_v).reduce(f64::min)
}

fn healthy(changes: &[Change]) -> Vec<Evidence> {
    let (clear, still): (Vec<&Change>, Vec<&Change>) =
        changes.iter().partition(|c| c.shift.abs() > CLEAR * c.u);
    let important = [
        Feature::DeadTime,
        Feature::RiseTime,
        Feature::TorquePerBar,
        Feature::Hold,
        Feature::TyreRatio,
    ];
    let still = still
        .into_iter()
        .filter(|c| important.contains(&c.feature))
        .map(|c| Evidence::new(Speaks::For, sentence(c)));
    clear
        .into_iter()
        .map(|c| Evidence::new(Speaks::Against, sentence(c)))
        .chain(still)
        .collect()
}

/// What to do about a car in which none of the causes is likely, and yet something has moved.
const STANDS_OUT: &str = "No cause here explains well what speaks against: drive again the same way, and look at what moved before you repair. Until it is explained, keep these drives out of the baseline.";

pub(super) fn next_check(cause: Cause, changes: &[Change], now: &[DriveRecord]) -> String {
    let stands_out = |c: &Change| c.shift.abs() > STANDS_OUT_FROM * c.u;
    if cause == Cause::Healthy && changes.iter().any(stands_out) {
        return STANDS_OUT.to_owned();
    }
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
