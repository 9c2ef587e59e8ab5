//! Which roles the chosen measures need, and what a car without one of them cannot prove.

use std::collections::BTreeSet;

use slipwright_decoders::role::Role;

use crate::measure::Measure;

/// What is needed, and what a reader must know about it.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Needed {
    /// The roles.
    pub(super) roles: BTreeSet<Role>,
    /// Plain sentences on what is done without.
    pub(super) notes: Vec<String>,
}

/// Roles that a measure cannot do without.
fn roles_of(measure: Measure) -> &'static [Role] {
    const WHEELS: &[Role] = &Role::WHEELS;
    const PRESSURE: &[Role] = &[Role::CouplingPressure];
    const WHEELS_AND_PRESSURE: &[Role] = &[
        Role::WheelSpeedFrontLeft,
        Role::WheelSpeedFrontRight,
        Role::WheelSpeedRearLeft,
        Role::WheelSpeedRearRight,
        Role::CouplingPressure,
    ];
    match measure {
        Measure::PeakSlip
        | Measure::SlipTime
        | Measure::SlipDistance
        | Measure::SteadySlip
        | Measure::TransferFraction => WHEELS,
        Measure::DeadTime
        | Measure::RiseTime
        | Measure::EngagementDelay
        | Measure::Hold
        | Measure::Ripple => PRESSURE,
        Measure::FrictionWork | Measure::FrictionWorkPerArea => WHEELS_AND_PRESSURE,
    }
}

/// Roles that times count from, that engagements are matched on, or that tell when the numbers say
/// nothing of the clutch. A car need not have them; if its decoder file has them they must work.
const HELPFUL: &[Role] = &[
    Role::CouplingDemand,
    Role::CouplingInhibited,
    Role::CouplingTemperature,
    Role::PedalAccelerator,
    Role::BodyYawRate,
];

/// Roles that the transfer fraction is told better with, by one more method each.
const SHARPEN_TRANSFER: &[Role] = &[Role::CouplingPressure, Role::EngineTorque];

/// A signal of the car, and what its absence costs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignalLine {
    /// The role.
    pub role: Role,
    /// Whether the decoder file has it.
    pub is_there: bool,
    /// What cannot be proven without it.
    pub cost: &'static str,
}

const NO_SLIP: &str = "no slip can be measured";
const FROM_SLIP: &str = "times count from the onset of slip and compare only with such";
const BY_ACCELERATION: &str = "the transfer fraction rests on acceleration alone";

/// The roles that matter for a proof, and what the absence of each costs.
const COSTS: [(Role, &str); 9] = [
    (Role::WheelSpeedFrontLeft, NO_SLIP),
    (Role::WheelSpeedFrontRight, NO_SLIP),
    (Role::WheelSpeedRearLeft, NO_SLIP),
    (Role::WheelSpeedRearRight, NO_SLIP),
    (Role::CouplingDemand, FROM_SLIP),
    (
        Role::CouplingPressure,
        "no delay, dead time, rise time or hold",
    ),
    (
        Role::PedalAccelerator,
        "launches cannot be matched by accelerator: press it alike every time",
    ),
    (
        Role::CouplingTemperature,
        "drives cannot be matched by fluid temperature: warm up alike",
    ),
    (Role::EngineTorque, BY_ACCELERATION),
];

/// The signals that matter for a proof, of those that a decoder file names.
#[must_use]
pub fn signals(there: &[Role]) -> Vec<SignalLine> {
    COSTS
        .into_iter()
        .map(|(role, cost)| SignalLine {
            role,
            is_there: there.contains(&role),
            cost,
        })
        .collect()
}

/// The roles that the measures need of a car that has these.
pub(super) fn needed(known: &BTreeSet<Role>, chosen: &[Measure]) -> Needed {
    let mut needed = Needed::default();
    for &measure in chosen {
        needed.roles.extend(roles_of(measure));
        if measure == Measure::TransferFraction {
            let sharpen = SHARPEN_TRANSFER.iter().filter(|role| known.contains(role));
            needed.roles.extend(sharpen);
            if known.contains(&Role::EngineTorque) {
                let gear = [Role::Gear, Role::EngineSpeed]
                    .into_iter()
                    .find(|role| known.contains(role));
                needed.roles.insert(gear.unwrap_or(Role::Gear));
            } else {
                needed.notes.push(format!(
                    "the decoder file has no engine.torque; {BY_ACCELERATION}"
                ));
            }
        }
    }
    needed
        .roles
        .extend(HELPFUL.iter().filter(|role| known.contains(role)));
    if !known.contains(&Role::CouplingDemand) {
        needed.notes.push(format!(
            "the decoder file has no coupling.demand; {FROM_SLIP}"
        ));
    }
    if !known.contains(&Role::CouplingInhibited) {
        needed.notes.push(
            "the decoder file has no coupling.inhibited; whether the control unit holds the coupling open shows only in the demand"
                .into(),
        );
    }
    needed
}
