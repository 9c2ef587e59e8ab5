//! One drive as the diagnosis sees it: observations of features, with what they depend on.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use slipwright_decoders::role::Role;

use super::feature::Feature;
use super::wiring::Wiring;
use super::{drag, friction, order, pressure_path, shudder};
use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::engagement::{Found, Reference, find_engagements};
use crate::kinematics::Kinematics;
use crate::measure::{Estimate, Measure, Measured};
use crate::measures::{Engagement, measure_engagements};
use crate::readiness::{Readiness, Recording, assess_drive};
use crate::statistics::quantile::median;
use crate::traffic_watch::Span;
use crate::vehicle::Vehicle;

/// One observation of a feature.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Value on the feature's scale.
    pub value: f64,
    /// Its own standard uncertainty on that scale; 0 where only the scatter tells.
    pub u: f64,
    /// Fluid temperature, °C.
    pub temperature_c: Option<f64>,
    /// Natural logarithm of the demand step; of the held pressure where that is what it depends on.
    pub log_step: Option<f64>,
    /// The value is a bound: the feature is this or less.
    pub at_most: bool,
}

impl Observation {
    /// A value that depends on nothing.
    #[must_use]
    pub fn plain(value: f64, u: f64) -> Self {
        Self {
            value,
            u,
            temperature_c: None,
            log_step: None,
            at_most: false,
        }
    }

    /// A bound from above, known so well, that depends on nothing.
    pub(super) fn at_most(value: f64, u: f64) -> Self {
        Self {
            at_most: true,
            ..Self::plain(value, u)
        }
    }

    /// A value of an engagement, with what it depends on.
    pub(super) fn of(engagement: &Engagement, value: f64, u: f64) -> Self {
        let c = &engagement.conditions;
        Self {
            value,
            u,
            temperature_c: c.fluid_temperature_c,
            log_step: c.demand_step.filter(|s| *s > 0.0).map(f64::ln),
            at_most: false,
        }
    }
}

/// One drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveRecord {
    /// Its name.
    pub name: String,
    /// Engagements found.
    pub engagements: usize,
    /// Observations by feature.
    pub observations: BTreeMap<Feature, Vec<Observation>>,
    /// Why a feature has none.
    pub missing: BTreeMap<Feature, String>,
    /// What is known of demand, messages and wires.
    pub wiring: Wiring,
    /// Median supply voltage with the engine running, V.
    pub supply_v: Option<f64>,
    /// Median time between frames of the coupling demand, s.
    #[serde(default)]
    pub demand_period_s: Option<f64>,
    /// Time in which demand climbs, ms: twice that from its first frame to half of its step, the median
    /// of the engagements.
    #[serde(default)]
    pub demand_climb_ms: Option<f64>,
    /// Smallest step of the pressure signal, bar.
    #[serde(default)]
    pub pressure_step_bar: Option<f64>,
    /// How far the accelerator goes in each engagement, per cent.
    #[serde(default)]
    pub accelerator_percent: Vec<f64>,
}

impl DriveRecord {
    /// Whether another record is of the same recording: two drives never give the same numbers to the
    /// last digit.
    #[must_use]
    pub fn is_of_same_recording(&self, other: &Self) -> bool {
        !self.observations.is_empty() && self.observations == other.observations
    }
}

/// What every look at the drive needs.
pub(super) struct Scene<'a> {
    pub(super) drive: &'a Drive,
    pub(super) kinematics: &'a Kinematics,
    pub(super) vehicle: &'a Vehicle,
    pub(super) found: &'a [Found],
    engagements: &'a [Engagement],
    /// When a wheel speed or one of the coupling's own signals failed, or it was held open: in order,
    /// and none meets the next.
    outages: Vec<Span>,
    /// Whether the coupling's own signals come and change: otherwise whether it is open is not known.
    pub(super) state_told: bool,
    /// Front over rear rolling radius.
    front_radius: Measured,
}

/// Share of the time for which the coupling's own signals may fail before nobody knows when it is open.
const STATE_TOLD: f64 = 0.01;
/// A signal is not to be trusted this long before its failure is told, s.
const BEFORE_OUTAGE_S: f64 = 0.6;

impl Scene<'_> {
    /// Whether nothing failed between two times.
    pub(super) fn clean(&self, from_ns: i64, to_ns: i64) -> bool {
        let until_ns = at_seconds(to_ns, BEFORE_OUTAGE_S);
        let next = self.outages.partition_point(|o| o.to_ns < from_ns);
        self.outages.get(next).is_none_or(|o| o.from_ns > until_ns)
    }

    /// How much faster the front shaft of the coupling turns than the rear one, as a speed of the rear
    /// wheels, m/s, from the axles' speeds. The shafts turn with the wheels' own radii: tyres that
    /// differ turn the pack without any slip of theirs.
    pub(super) fn shafts_mps(&self, front_mps: f64, rear_mps: f64) -> f64 {
        // Where coasting does not tell them the radii count as alike.
        front_mps / self.front_radius.as_ref().map_or(1.0, |r| r.value) - rear_mps
    }

    /// Engagements in which nothing failed.
    pub(super) fn engagements(&self) -> impl Iterator<Item = (&Engagement, &Found)> {
        let all = self.engagements.iter().zip(self.found);
        all.filter(|(_, found)| self.clean(found.start_ns, found.release_ns))
    }
}

fn outages(readiness: &Readiness) -> Vec<Span> {
    let coupling = [
        Role::CouplingPressure,
        Role::CouplingDemand,
        Role::CouplingPumpCurrent,
    ];
    let all = Role::WHEELS
        .into_iter()
        .chain(coupling)
        .filter_map(|role| readiness.signal(role))
        .flat_map(|state| state.outages.iter().copied())
        .chain(readiness.coupling.inhibited.iter().copied())
        // What a clutch does that nothing presses says nothing of it.
        .chain(readiness.coupling.without_pressure.iter().copied());
    joined(all.collect())
}

/// Spans in order, those that meet made one.
fn joined(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_by_key(|span| (span.from_ns, span.to_ns));
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.from_ns <= last.to_ns => last.to_ns = last.to_ns.max(span.to_ns),
            _ => joined.push(span),
        }
    }
    joined
}

/// Takes one feature's observations.
#[derive(Default)]
pub(super) struct Gathered {
    observations: BTreeMap<Feature, Vec<Observation>>,
    missing: BTreeMap<Feature, String>,
}

impl Gathered {
    pub(super) fn add(&mut self, feature: Feature, observation: Observation) {
        if observation.value.is_finite() && observation.u.is_finite() {
            self.observations
                .entry(feature)
                .or_default()
                .push(observation);
        }
    }

    #[cfg(test)]
    pub(super) fn of(&self, feature: Feature) -> &[Observation] {
        self.observations.get(&feature).map_or(&[], Vec::as_slice)
    }

    pub(super) fn lacks(&mut self, feature: Feature, why: impl Into<String>) {
        self.missing.entry(feature).or_insert(why.into());
    }
}

/// Looks at one drive.
#[must_use]
pub fn observe(name: &str, recording: &Recording<'_>, vehicle: &Vehicle) -> DriveRecord {
    let drive = Drive::from_signals(recording.signals, vehicle);
    let kinematics = Kinematics::of(&drive, vehicle);
    let finds = find_engagements(&drive, &kinematics, vehicle.geometry.wheelbase_m);
    let engagements = measure_engagements(&drive, &kinematics, &finds.found, vehicle);
    let readiness = assess_drive(recording, vehicle, Measure::ALL, &drive, &kinematics);
    let wiring = Wiring::of(&readiness);
    let scene = Scene {
        drive: &drive,
        kinematics: &kinematics,
        vehicle,
        found: &finds.found,
        engagements: &engagements,
        outages: outages(&readiness),
        state_told: wiring.lost_share + wiring.frozen_share + wiring.invalid_share < STATE_TOLD,
        front_radius: front_radius(&kinematics),
    };
    let mut gathered = Gathered::default();
    pressure_path::gather(&scene, &mut gathered);
    friction::gather(&scene, &mut gathered);
    order::gather(&scene, &mut gathered);
    shudder::gather(&scene, &mut gathered);
    drag::gather(&scene, &mut gathered);
    tyres(&scene, &mut gathered);
    let Gathered {
        observations,
        mut missing,
    } = gathered;
    missing.retain(|feature, _| !observations.contains_key(feature));
    DriveRecord {
        name: name.to_owned(),
        engagements: engagements.len(),
        observations,
        missing,
        wiring,
        supply_v: supply_v(&drive),
        demand_period_s: drive
            .channel(Role::CouplingDemand)
            .ok()
            .and_then(Channel::period_s),
        demand_climb_ms: demand_climb_ms(&finds.found),
        pressure_step_bar: pressure_step_bar(&drive),
        accelerator_percent: engagements
            .iter()
            .filter_map(|e| e.conditions.accelerator_percent)
            .collect(),
    }
}

fn demand_climb_ms(found: &[Found]) -> Option<f64> {
    let by_demand = found.iter().filter(|f| f.reference == Reference::Demand);
    let climbs: Vec<f64> = by_demand
        .map(|f| 2e3 * seconds_between(f.start_ns, f.reference_ns).max(0.0))
        .collect();
    median(&climbs)
}

fn pressure_step_bar(drive: &Drive) -> Option<f64> {
    /// Closer values are one, told with rounding errors, bar.
    const ALIKE: f64 = 1e-6;
    let pressure = drive.channel(Role::CouplingPressure).ok()?;
    let steps = pressure.value().windows(2).filter_map(|pair| {
        let step = (pair.last()? - pair.first()?).abs();
        (step > ALIKE).then_some(step)
    });
    steps.reduce(f64::min)
}

/// Front over rear rolling radius.
fn front_radius(kinematics: &Kinematics) -> Measured {
    let ratio = &kinematics.radius_ratio;
    let (left, right) = (ratio.front_left.clone()?, ratio.front_right.clone()?);
    Ok(Estimate {
        value: 0.5 * (left.value + right.value),
        u: 0.5 * left.u.hypot(right.u),
        ..left
    })
}

/// How far the front tyres' rolling radius is off the rear ones', per cent.
fn tyres(scene: &Scene<'_>, gathered: &mut Gathered) {
    match &scene.front_radius {
        Ok(ratio) => gathered.add(
            Feature::TyreRatio,
            Observation::plain(100.0 * (ratio.value - 1.0), 100.0 * ratio.u),
        ),
        Err(why) => gathered.lacks(Feature::TyreRatio, why.to_string()),
    }
}

fn supply_v(drive: &Drive) -> Option<f64> {
    let supply = drive.channel(Role::SupplyVoltage).ok()?;
    median(supply.value())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outages_that_meet_are_one_and_the_others_stay_apart() {
        let spans = |of: &[(i64, i64)]| -> Vec<Span> {
            of.iter()
                .map(|&(from_ns, to_ns)| Span { from_ns, to_ns })
                .collect()
        };
        let given = spans(&[(50, 60), (0, 10), (20, 45), (30, 40), (45, 50), (70, 80)]);
        assert_eq!(joined(given), spans(&[(0, 10), (20, 60), (70, 80)]));
        assert_eq!(joined(Vec::new()), Vec::new());
    }
}
