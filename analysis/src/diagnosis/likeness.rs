//! Whether two sets of drives were driven alike enough to be compared, feature by feature, and whether one
//! set is like what a reference value holds for.
//!
//! Cold oil is slow in every pump, and an open pack drags in it: what follows temperature is compared only
//! within the healthy drives' range and a little beyond, and the vehicle file's values hold for warm fluid.
//! A pump's holding current is compared at like pressure. A nominal time is that after a step of demand.

use super::change::thickness;
use super::feature::Feature;
use super::record::{DriveRecord, Observation};
use crate::statistics::quantile::{median, quantile};

/// Fluid thicker than in the coldest of the healthy drives by more than this, or thinner than in the
/// hottest, is not compared, as a share of its thickness at 40 °C: below 20 to 60 °C that is 8 K, below 40 to
/// 60 °C 12 K, and above 60 °C more than any coupling bears.
const BEYOND: f64 = 0.45;
/// Below this the vehicle file's values and what is usual say nothing of what follows temperature, °C.
const COLDEST_C: f64 = 0.0;
/// Held pressures are alike within this of the other set's, as a logarithm.
const ALIKE: f64 = 0.1;
/// So few observations that were taken alike tell nothing where others were not.
const LEAST_ALIKE: usize = 2;
/// Steps of demand that differ by less than this factor are alike.
const STEPS_APART: f64 = 1.15;
/// Demand that climbs for so many times the nominal rise is the rise.
const CLIMBS: f64 = 1.5;

/// Observations, each with the number of its drive.
pub(super) type Set = Vec<(usize, Observation)>;

/// Whether a feature follows the fluid's temperature.
fn follows_temperature(feature: Feature) -> bool {
    matches!(
        feature,
        Feature::DeadTime
            | Feature::FillingTime
            | Feature::RiseTime
            | Feature::DeadTimeScatter
            | Feature::Hold
            | Feature::PressureShort
            | Feature::Ripple
            | Feature::FillCurrent
            | Feature::HoldCurrent
            | Feature::TurnDrag
    )
}

/// A feature's observations in a set of drives.
pub(super) fn observations(records: &[DriveRecord], feature: Feature) -> Set {
    let of = |(drive, record): (usize, &DriveRecord)| {
        let all = record.observations.get(&feature);
        let all = all.into_iter().flatten().map(move |o| (drive, *o));
        all.collect::<Vec<_>>()
    };
    records.iter().enumerate().flat_map(of).collect()
}

fn temperatures(records: &[DriveRecord]) -> Vec<f64> {
    let all = records.iter().flat_map(|r| r.observations.values());
    all.flatten().filter_map(|o| o.temperature_c).collect()
}

/// Least and most.
fn range(values: impl IntoIterator<Item = f64>) -> Option<[f64; 2]> {
    values.into_iter().fold(None, |range, v| match range {
        None => Some([v, v]),
        Some([least, most]) => Some([v.min(least), v.max(most)]),
    })
}

fn span([least, most]: [f64; 2], unit: &str) -> String {
    match most - least < 1.0 {
        true => format!("{most:.0} {unit}"),
        false => format!("{least:.0} to {most:.0} {unit}"),
    }
}

/// The observations of both sets that can be compared.
///
/// # Errors
/// In what the sets differ so much that nothing can.
pub(super) fn alike(
    feature: Feature,
    now: &[DriveRecord],
    baseline: &[DriveRecord],
) -> Result<[Set; 2], String> {
    let mut sets = [observations(now, feature), observations(baseline, feature)];
    if is_time(feature)
        && let (Some(here_ms), Some(before_ms)) = (climb_ms(now), climb_ms(baseline))
        && let Some(value) = median(&sets[1].iter().map(|(_, o)| o.value).collect::<Vec<_>>())
        && (here_ms - before_ms).abs() > CLIMBS * value.exp()
        // Counted from its first frame the oil does not know how demand goes on.
        && feature != Feature::FillingTime
    {
        return Err(format!(
            "demand climbs over {here_ms:.0} ms, in the healthy drives over {before_ms:.0} ms"
        ));
    }
    if follows_temperature(feature)
        && let Some([coldest, hottest]) = range(temperatures(baseline))
    {
        let drives: Vec<Option<f64>> = now
            .iter()
            .map(|r| median(&temperatures(std::slice::from_ref(r))))
            .collect();
        let within = |(drive, o): &(usize, Observation)| {
            let own = o.temperature_c.or(drives.get(*drive).copied().flatten());
            // A pack that drags heats its fluid.
            own.is_none_or(|c| {
                !is_colder(c, coldest) && (feature == Feature::TurnDrag || !is_hotter(c, hottest))
            })
        };
        keep(&mut sets[0], within).map_err(|()| {
            let here = range(temperatures(now)).unwrap_or([coldest, hottest]);
            format!(
                "driven with fluid at {}, the healthy drives at {}",
                span(here, "°C"),
                span([coldest, hottest], "°C")
            )
        })?;
    }
    if feature == Feature::HoldCurrent {
        let held = |set: &Set| range(set.iter().filter_map(|(_, o)| o.log_step));
        if let (Some(here), Some(before)) = (held(&sets[0]), held(&sets[1])) {
            let within = |[least, most]: [f64; 2]| {
                move |(_, o): &(usize, Observation)| {
                    o.log_step
                        .is_none_or(|p| p >= least - ALIKE && p <= most + ALIKE)
                }
            };
            let [now, was] = &mut sets;
            keep(now, within(before))
                .and_then(|()| keep(was, within(here)))
                .map_err(|()| "held at other pressures than in the healthy drives".to_owned())?;
        }
    }
    Ok(sets)
}

/// Whether fluid at this temperature is too thick to be compared with the coldest.
fn is_colder(celsius: f64, coldest_c: f64) -> bool {
    thickness(celsius) > thickness(coldest_c) + BEYOND
}

/// Whether it is too thin to be compared with the hottest.
fn is_hotter(celsius: f64, hottest_c: f64) -> bool {
    thickness(celsius) < thickness(hottest_c) - BEYOND
}

fn is_time(feature: Feature) -> bool {
    matches!(
        feature,
        Feature::DeadTime | Feature::FillingTime | Feature::RiseTime
    )
}

/// Keeps what is alike; an error where too few of it are left.
fn keep(set: &mut Set, like: impl Fn(&(usize, Observation)) -> bool) -> Result<(), ()> {
    let all = set.len();
    set.retain(|o| like(o));
    match set.len() >= all.min(LEAST_ALIKE) {
        true => Ok(()),
        false => Err(()),
    }
}

/// Why a set is not like what a value of the vehicle file, or of any healthy coupling, holds for.
pub(super) fn unlike_reference(
    feature: Feature,
    now: &[DriveRecord],
    nominal_rise_ms: Option<f64>,
) -> Option<String> {
    if follows_temperature(feature)
        && let Some(celsius) = temperature_c(now).filter(|c| *c < COLDEST_C)
    {
        return Some(format!(
            "driven with fluid at {celsius:.0} °C, and without healthy drives as cold only warm fluid is judged"
        ));
    }
    let climb_ms = climb_ms(now)?;
    let ramps = match feature {
        // Where demand steps, filling time is there and is judged.
        Feature::DeadTime => !now
            .iter()
            .any(|r| r.observations.contains_key(&Feature::FillingTime)),
        Feature::RiseTime => nominal_rise_ms.is_some_and(|ms| climb_ms > CLIMBS * ms),
        _ => false,
    };
    (ramps && climb_ms > 0.0).then(|| {
        format!(
            "demand ramps, over {climb_ms:.0} ms, and the vehicle file's value is that after a step"
        )
    })
}

/// The middle of the drives' fluid temperatures, °C.
pub(super) fn temperature_c(now: &[DriveRecord]) -> Option<f64> {
    median(&temperatures(now))
}

/// Time in which demand climbs, ms.
pub(super) fn climb_ms(now: &[DriveRecord]) -> Option<f64> {
    let climbs: Vec<f64> = now.iter().filter_map(|r| r.demand_climb_ms).collect();
    median(&climbs)
}

/// Without the outer quarters.
fn middle_half(values: &[f64]) -> Option<[f64; 2]> {
    Some([quantile(values, 0.25)?, quantile(values, 0.75)?])
}

/// In what the drives were not driven alike, as sentences.
pub(super) fn warnings(now: &[DriveRecord], baseline: &[DriveRecord]) -> Vec<String> {
    let mut told = Vec::new();
    if baseline.is_empty() {
        if let Some(celsius) = temperature_c(now).filter(|c| *c < COLDEST_C) {
            told.push(format!(
                "the fluid was at {celsius:.0} °C, in the middle: without healthy drives as cold, times, pressure and drag are not judged"
            ));
        }
        return told;
    }
    let sets = [now, baseline];
    let mut apart = |what: &str, unit: &str, here: [f64; 2], before: [f64; 2], so: &str| {
        told.push(format!(
            "{what} {} here, {} in the healthy drives: {so}",
            span(here, unit),
            span(before, unit)
        ));
    };
    if let [Some(here), Some(before)] = sets.map(|set| range(temperatures(set)))
        && (is_colder(here[0], before[0]) || is_hotter(here[1], before[1]))
    {
        let so = "times, pressure and drag are not judged beyond what the healthy drives had";
        apart("fluid at", "°C", here, before, so);
    }
    let so = "the sets hardly overlap, and what moved a little may be the way of driving";
    let accelerator = |set: &[DriveRecord]| {
        let all = set
            .iter()
            .flat_map(|r| r.accelerator_percent.iter().copied());
        middle_half(&all.collect::<Vec<_>>())
    };
    let demand = |set: &[DriveRecord]| {
        let all = observations(set, Feature::RiseTime);
        let steps = all.iter().filter_map(|(_, o)| o.log_step).map(f64::exp);
        middle_half(&steps.collect::<Vec<_>>())
    };
    if let [Some(here), Some(before)] = sets.map(accelerator)
        && (here[1] < before[0] || here[0] > before[1])
    {
        apart("accelerator mostly at", "%", here, before, so);
    }
    if let [Some(here), Some(before)] = sets.map(demand)
        && (here[1] < before[0] / STEPS_APART || here[0] > before[1] * STEPS_APART)
    {
        apart("demand's steps mostly at", "of its unit", here, before, so);
    }
    told
}
