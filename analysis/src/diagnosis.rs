//! Drives to ranked causes, with the evidence for and against each.
//!
//! [`observe`] turns one drive into observations of features; [`diagnose`] tells the changes of
//! those features against the car's own healthy drives, or against what is known or usual of a
//! healthy car, and weighs every cause and pair of causes by what it would do to them. Nothing in
//! it is learnt by a machine: the features, the expected shifts ([`signature`]), the prior and the
//! likelihood ([`posterior`]) can be read.

pub mod cause;
pub mod change;
mod drag;
mod evidence;
pub mod feature;
mod filling;
mod friction;
mod likelihood;
mod likeness;
mod order;
mod phases;
pub mod posterior;
mod pressure_path;
pub mod record;
mod reference;
mod shudder;
pub mod signature;
mod wiring;
mod wording;

pub use self::cause::Cause;
pub use self::change::{Against, Change};
pub use self::evidence::{Evidence, Speaks};
pub use self::feature::Feature;
pub use self::record::{DriveRecord, Observation, observe};
pub use self::wiring::{Wiring, WiringSign};
use std::collections::BTreeMap;

use crate::number;
use crate::readiness::mostly_without_pressure;
use crate::vehicle::Vehicle;

/// One ranked cause.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What.
    pub cause: Cause,
    /// How probable, 0 to 1; how often findings of a stated probability are true is tabled in
    /// DEVELOPERS.md.
    pub probability: f64,
    /// For and against, with numbers.
    pub evidence: Vec<Evidence>,
    /// What to look at next.
    pub next_check: String,
}

/// A cause that these drives cannot judge.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotJudged {
    /// Which.
    pub cause: Cause,
    /// What is missing.
    pub why: String,
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnosis {
    /// Whether anything can be said of the clutch.
    pub judgeable: bool,
    /// Why not, or against what it was judged.
    pub why: String,
    /// Causes, most probable first.
    pub findings: Vec<Finding>,
    /// Causes that could not be judged.
    pub not_judged: Vec<NotJudged>,
    /// What changed, feature by feature.
    pub changes: Vec<Change>,
    /// Whether demand, messages or wires gave a sign of trouble.
    pub wiring_sign: bool,
    /// In what the drives were not driven alike, as sentences.
    pub warnings: Vec<String>,
}

/// A finding less probable than this is left out.
pub(crate) const SHOWN_FROM: f64 = 0.02;
/// A car in which something moved far is healthy with no more than this probability, its prior, whatever
/// the causes make of it.
const HEALTHY_AND_MOVED: f64 = posterior::PRIOR_HEALTHY;
/// The clutch is not judged when more than this share of the calls went unanswered.
const MOST_UNANSWERED: f64 = 0.6;
/// Nor when in every drive a wheel's or the coupling's signal fails for more than this share of the time.
const MOST_FAILING: f64 = 0.5;
/// Fewest engagements over all drives.
const LEAST_ENGAGEMENTS: usize = 3;

/// Judges drives. `baseline` are drives of the same car while it was healthy, or none.
#[must_use]
pub fn diagnose(now: &[DriveRecord], baseline: &[DriveRecord], vehicle: &Vehicle) -> Diagnosis {
    let (changes, unlike) = changes(now, baseline, vehicle);
    let (causes, not_judged) = judged(&changes, &unlike, now, baseline);
    let told = WiringSign::of(&wirings(now), &wirings(baseline));
    let sign = told != WiringSign::None;
    let hypotheses = posterior::hypotheses(&changes, &causes, told);
    let mut marginals = posterior::marginals(&hypotheses, &causes);
    if wording::stands_out(&changes) {
        for (_, probability) in marginals.iter_mut().filter(|m| m.0 == Cause::Healthy) {
            *probability = probability.min(HEALTHY_AND_MOVED);
        }
        marginals.sort_by(|a, b| b.1.total_cmp(&a.1));
    }
    let blocked = blocked(now, sign).or_else(|| nothing_judged(&causes, &not_judged));
    let judgeable = blocked.is_none();
    let findings = marginals
        .iter()
        .filter(|(cause, p)| {
            *p >= SHOWN_FROM && (judgeable || sign && *cause == Cause::InhibitedOrWiring)
        })
        .map(|&(cause, probability)| Finding {
            cause,
            probability,
            evidence: wording::evidence(cause, &changes, now),
            next_check: wording::next_check(cause, &changes, &not_judged, now),
        })
        .collect();
    let why = match blocked {
        Some(why) => why,
        None => {
            let unexplained = hypotheses
                .iter()
                .filter(|h| h.beyond == Some(posterior::Beyond::Unexplained))
                .map(|h| h.probability)
                .sum();
            wording::basis(&changes, baseline.len(), &not_judged, unexplained)
        }
    };
    Diagnosis {
        judgeable,
        why,
        findings,
        not_judged,
        changes,
        wiring_sign: sign,
        warnings: likeness::warnings(now, baseline),
    }
}

fn wirings(records: &[DriveRecord]) -> Vec<&Wiring> {
    records.iter().map(|r| &r.wiring).collect()
}

/// What changed, and why a feature that the drives tell was not compared.
fn changes(
    now: &[DriveRecord],
    baseline: &[DriveRecord],
    vehicle: &Vehicle,
) -> (Vec<Change>, BTreeMap<Feature, String>) {
    let mut found: Vec<Change> = Vec::new();
    let mut unlike = BTreeMap::new();
    for &feature in Feature::ALL {
        let change = change_of(feature, now, baseline, vehicle).unwrap_or_else(|why| {
            unlike.insert(feature, why);
            None
        });
        found.extend(change);
    }
    // They are one quantity, counted in two ways: one of them tells.
    if found.iter().any(|c| c.feature == Feature::FillingTime) {
        found.retain(|c| c.feature != Feature::DeadTime);
    }
    (found, unlike)
}

/// Against the car's own healthy drives, or where these do not tell the feature, against a reference.
fn change_of(
    feature: Feature,
    now: &[DriveRecord],
    baseline: &[DriveRecord],
    vehicle: &Vehicle,
) -> Result<Option<Change>, String> {
    if !baseline.is_empty()
        && let Some(own) = change::against_baseline(feature, now, baseline)?
    {
        return Ok(Some(own));
    }
    let Some(reference) = reference::reference(feature, vehicle, now) else {
        return Ok(None);
    };
    let observed = now.iter().any(|r| r.observations.contains_key(&feature));
    let rise_ms = vehicle.coupling.nominal_rise_time_ms;
    if let Some(why) = likeness::unlike_reference(feature, now, rise_ms).filter(|_| observed) {
        return Err(why);
    }
    Ok(change::against_reference(feature, now, reference))
}

/// The causes that can be judged, and why the others cannot.
fn judged(
    changes: &[Change],
    unlike: &BTreeMap<Feature, String>,
    now: &[DriveRecord],
    baseline: &[DriveRecord],
) -> (Vec<Cause>, Vec<NotJudged>) {
    let mut causes = Vec::new();
    let mut not_judged = Vec::new();
    for cause in Cause::faults() {
        let needed = signature::rests_on(cause);
        let has = |feature: &Feature| changes.iter().any(|c| c.feature == *feature);
        if needed.is_empty() || needed.iter().any(has) {
            causes.push(cause);
            continue;
        }
        let reasons: Vec<String> = needed
            .iter()
            .filter(|&&f| f != Feature::FillingTime || unlike.contains_key(&f))
            .map(|&feature| match unlike.get(&feature) {
                Some(why) => format!("{}: {why}", feature.label()),
                None => why_missing(feature, now, baseline),
            })
            .collect();
        not_judged.push(NotJudged {
            cause,
            why: reasons.join("; "),
        });
    }
    (causes, not_judged)
}

fn why_missing(feature: Feature, now: &[DriveRecord], baseline: &[DriveRecord]) -> String {
    let observed = |records: &[DriveRecord]| {
        records
            .iter()
            .any(|r| r.observations.contains_key(&feature))
    };
    let reason = |records: &[DriveRecord]| {
        records
            .iter()
            .find_map(|r| r.missing.get(&feature).cloned())
            .unwrap_or_else(|| "no engagement tells it".into())
    };
    if !observed(now) {
        format!("{}: {}", feature.label(), reason(now))
    } else if baseline.is_empty() {
        format!(
            "{}: neither a baseline nor the vehicle file tells the healthy value",
            feature.label()
        )
    } else {
        format!("{}: in the baseline {}", feature.label(), reason(baseline))
    }
}

/// Why nothing can be said where no cause but wiring could be judged: a car of which nothing was seen is not
/// healthy.
fn nothing_judged(causes: &[Cause], not_judged: &[NotJudged]) -> Option<String> {
    if causes.iter().any(|c| *c != Cause::InhibitedOrWiring) {
        return None;
    }
    let first = not_judged.first()?;
    Some(format!(
        "nothing in these drives tells of the clutch or the tyres; {}: {}",
        first.cause.label(),
        first.why
    ))
}

/// Why nothing can be said of the clutch, if so.
fn blocked(now: &[DriveRecord], sign: bool) -> Option<String> {
    let engagements: usize = now.iter().map(|r| r.engagements).sum();
    let calls: usize = now.iter().map(|r| r.wiring.calls).sum();
    let unanswered: usize = now.iter().map(|r| r.wiring.unanswered).sum();
    let all_blocked: Vec<&String> = now
        .iter()
        .filter_map(|r| r.wiring.could_not_work.as_ref())
        .collect();
    if all_blocked.len() == now.len()
        && let Some(first) = all_blocked.first()
    {
        return Some(format!(
            "the coupling cannot have worked: {first}; nothing can be said of the clutch"
        ));
    }
    let absent: Vec<&String> = now.iter().filter_map(|r| r.wiring.absent.first()).collect();
    if absent.len() == now.len()
        && let Some(first) = absent.first()
    {
        return Some(format!(
            "{first} never came, though the decoder file describes it; mend that first, nothing can be said of the clutch"
        ));
    }
    let failing = now.iter().map(|r| r.wiring.failing_share());
    if sign && failing.clone().all(|share| share > MOST_FAILING) {
        return Some(format!(
            "a signal fails for {:.0} % of the time; mend that first, nothing can be said of the clutch",
            100.0 * failing.fold(0.0, f64::max)
        ));
    }
    if engagements < LEAST_ENGAGEMENTS {
        return Some(match sign {
            true => format!(
                "only {}, and the coupling's signals or its wiring fail; mend that first, nothing can be said of the clutch",
                number::count(engagements, "engagement", "engagements")
            ),
            false => format!(
                "only {} in {}; drive some launches and tip-ins and record again",
                number::count(engagements, "engagement", "engagements"),
                number::count(now.len(), "drive", "drives")
            ),
        });
    }
    let of_pressure = [Feature::RiseTime, Feature::DeadTime, Feature::FillingTime];
    let heard = now
        .iter()
        .any(|r| of_pressure.iter().any(|f| r.observations.contains_key(f)));
    if sign && !heard {
        return Some(format!(
            "the coupling's signals or its wiring fail, and none of {} is whole; mend that first, nothing can be said of the clutch",
            number::count(engagements, "engagement", "engagements")
        ));
    }
    let (demands, without) = wiring::without_pressure(&wirings(now));
    if sign && mostly_without_pressure(demands, without) {
        return Some(format!(
            "pressure stayed away in {without} of {demands} demands; mend that first, nothing can be said of the clutch"
        ));
    }
    if calls > 0 && unanswered as f64 > MOST_UNANSWERED * calls as f64 {
        return Some(format!(
            "the control unit did not answer {unanswered} of {calls} calls for torque; mend that first, nothing can be said of the clutch"
        ));
    }
    None
}

#[cfg(test)]
mod tests;
