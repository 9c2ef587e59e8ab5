//! Which roles the chosen measures need.

use std::collections::BTreeSet;

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::role::Role;

use crate::measure::Measure;

/// What is needed, and what a reader must know about it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Needed {
    /// The roles.
    pub roles: BTreeSet<Role>,
    /// Plain sentences on what is done without.
    pub notes: Vec<String>,
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
    const TRANSFER: &[Role] = &[Role::CouplingPressure, Role::EngineTorque];
    match measure {
        Measure::PeakSlip | Measure::SlipTime | Measure::SlipDistance | Measure::SteadySlip => {
            WHEELS
        }
        Measure::DeadTime
        | Measure::RiseTime
        | Measure::EngagementDelay
        | Measure::Hold
        | Measure::Ripple => PRESSURE,
        Measure::FrictionWork | Measure::FrictionWorkPerArea => WHEELS_AND_PRESSURE,
        Measure::TransferFraction => TRANSFER,
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

/// The roles that the measures need of a car with this decoder file.
#[must_use]
pub fn needed(described: &DecoderFile, chosen: &[Measure]) -> Needed {
    let known = described.roles();
    let mut needed = Needed::default();
    for &measure in chosen {
        let roles = roles_of(measure);
        // Of a car that tells no engine torque nobody can ask for its share.
        if measure == Measure::TransferFraction && !known.contains(&Role::EngineTorque) {
            needed.notes.push(
                "transfer_fraction is left out: the decoder file has no engine.torque".into(),
            );
            continue;
        }
        needed.roles.extend(roles);
        if measure == Measure::TransferFraction {
            let gear = [Role::Gear, Role::EngineSpeed]
                .into_iter()
                .find(|role| known.contains(role));
            needed.roles.insert(gear.unwrap_or(Role::Gear));
        }
    }
    needed
        .roles
        .extend(HELPFUL.iter().filter(|role| known.contains(role)));
    if !known.contains(&Role::CouplingDemand) {
        needed.notes.push(
            "the decoder file has no coupling.demand; times will count from the onset of slip"
                .into(),
        );
    }
    if !known.contains(&Role::CouplingInhibited) {
        needed.notes.push(
            "the decoder file has no coupling.inhibited; whether the control unit holds the coupling open shows only in the demand"
                .into(),
        );
    }
    needed
}
