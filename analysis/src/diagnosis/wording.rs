//! Findings in words: short sentences with numbers, for and against.

use super::NotJudged;
use super::cause::Cause;
use super::change::{Against, CLEAR, Change};
use super::evidence::{Evidence, Speaks};
use super::feature::{Feature, Scale};
use super::record::DriveRecord;
use super::signature::{leaves, shift, towards};
use crate::number;
use crate::words;

/// What a cause would do is to be seen if it is so many of the uncertainties.
const NOTICEABLE: f64 = 1.5;
/// A change of so many of its uncertainties is no chance, whatever the probabilities are.
const STANDS_OUT_FROM: f64 = 4.0;
/// A feature that is told worse than this says nothing by staying where it was, as a logarithm.
const TOLD: f64 = 0.1;
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
        "{}{} {}{unit}, {} {against} ({told}{})",
        f.label(),
        if change.at_most { " at most" } else { "" },
        plain(change, change.now),
        plain(change, change.was),
        if change.at_most { " or further" } else { "" },
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
        if leaves(cause, change.feature) && !clear && change.u < TOLD {
            let text = format!("{said}, unchanged as this cause leaves it");
            told.push((1.5, Evidence::new(Speaks::For, text)));
        } else if expected != 0.0 && (clear && towards > 0.0 || noticeable && agrees) {
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

/// Whether a feature is told so well that a fault would show, and stays nearer to where it was than to
/// where the fault would move it.
fn would_show(change: &Change) -> bool {
    Cause::faults().any(|cause| {
        let expected = shift(cause, change.feature, ASKED).abs();
        expected > NOTICEABLE * change.u && change.shift.abs() < 0.5 * expected
    })
}

fn healthy(changes: &[Change]) -> Vec<Evidence> {
    let (clear, still): (Vec<&Change>, Vec<&Change>) =
        changes.iter().partition(|c| c.shift.abs() > CLEAR * c.u);
    let important = [
        Feature::DeadTime,
        Feature::FillingTime,
        Feature::RiseTime,
        Feature::TorquePerBar,
        Feature::Hold,
        Feature::TyreRatio,
    ];
    let still = still
        .into_iter()
        .filter(|c| important.contains(&c.feature) && would_show(c))
        .map(|c| Evidence::new(Speaks::For, sentence(c)));
    clear
        .into_iter()
        .map(|c| Evidence::new(Speaks::Against, sentence(c)))
        .chain(still)
        .collect()
}

/// What to do about a car in which none of the causes is likely, and yet something has moved.
const STANDS_OUT: &str = "Something is wrong that no cause here explains: drive again the same way, and look at what moved before you repair. Until it is explained, keep these drives out of the baseline.";
/// And where it moved a little.
const MOVED_A_LITTLE: &str = "Nothing here calls for a repair yet. Drive again the same way: if what speaks against comes back, look there; if not, these drives may be kept as a baseline.";

/// And where the drives show nothing of most of what a coupling does.
const LITTLE_SEEN: &str = "Nothing that could be judged calls for a repair, but little could be: see what could not, and why. Log what is named there before you keep these drives as a baseline.";
/// So many causes not judged are most of what a coupling does; plates and shudder show in slow circles only.
const MOST_NOT_JUDGED: usize = 4;

/// Whether something moved so far that the car is not called healthy.
pub(super) fn stands_out(changes: &[Change]) -> bool {
    let far = |c: &Change| c.shift.abs() > STANDS_OUT_FROM * c.u;
    changes.iter().any(far)
}

pub(super) fn next_check(
    cause: Cause,
    changes: &[Change],
    not_judged: &[NotJudged],
    now: &[DriveRecord],
) -> String {
    if cause == Cause::Healthy && stands_out(changes) {
        return STANDS_OUT.to_owned();
    }
    if cause == Cause::Healthy && changes.iter().any(|c| c.shift.abs() > CLEAR * c.u) {
        return MOVED_A_LITTLE.to_owned();
    }
    if cause == Cause::Healthy && not_judged.len() >= MOST_NOT_JUDGED {
        return LITTLE_SEEN.to_owned();
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
pub(super) fn basis(
    changes: &[Change],
    baseline: usize,
    not_judged: &[NotJudged],
    unexplained: f64,
) -> String {
    let mut text = match baseline {
        0 if changes.iter().any(|c| c.against == Against::Nominal) => {
            "judged against the vehicle file's values and what any healthy coupling does".to_owned()
        }
        0 => "judged only by what is wrong in itself: there is no baseline and the vehicle file tells no healthy values".to_owned(),
        1 => "judged against one healthy drive of this car".to_owned(),
        n => format!("judged against {n} healthy drives of this car"),
    };
    if unexplained > 0.5 {
        text.push_str("; what moved fits none of the causes known here, nor a healthy car: see what speaks against each");
    }
    if !not_judged.is_empty() {
        let names: Vec<&str> = not_judged.iter().map(|n| n.cause.text()).collect();
        text.push_str(&format!("; could not be judged: {}", names.join(", ")));
    }
    text
}
