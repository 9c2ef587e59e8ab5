//! Signals to measures: the one arrow of this crate's first half, and one file a measure.
//!
//! A measure is a pure function of a [`View`]: one engagement with the parts of the drive that
//! belong to it. It gives a value with its standard uncertainty, or the reason why there is none.

mod asked;
mod carried_torque;
mod dead_time;
mod drive_measures;
mod engagement;
mod engagement_delay;
mod friction_work;
mod hold;
mod peak_slip;
mod pulse;
mod resolution;
mod ripple;
mod rise_time;
mod slip_distance;
mod slip_time;
mod steady_slip;
mod tested;
mod transfer;
mod transfer_balance;
mod transfer_hydraulic;
mod transfer_tyre;
mod unseen;
mod view;

use rayon::prelude::*;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Signals;

use self::asked::Asked;
pub use self::drive_measures::DriveMeasures;
pub use self::engagement::{Engagement, RoleTrace, Trace};
use self::view::{View, Whole};
use crate::coupling_model::coupling_model;
use crate::drive::{Drive, at_seconds, seconds_between};
use crate::engagement::{Found, find_engagements};
use crate::kinematics::Kinematics;
use crate::measure::{Measure, Measured, Missing, TransferEstimate};
use crate::traction::{GroundSpeed, Traction};
use crate::vehicle::Vehicle;

/// What the capture says of its own extent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameSpan {
    /// First frame, ns since the epoch.
    pub first_ns: i64,
    /// Last frame, ns since the epoch.
    pub last_ns: i64,
    /// Number of frames.
    pub frames: u64,
}

impl FrameSpan {
    /// First to last frame, s.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        seconds_between(self.first_ns, self.last_ns).max(0.0)
    }
}

/// Measures a drive. Never fails: each value that is missing says why.
#[must_use]
pub fn measure_drive(
    name: &str,
    signals: &Signals,
    span: FrameSpan,
    vehicle: &Vehicle,
) -> DriveMeasures {
    let drive = Drive::from_signals(signals, vehicle);
    let kinematics = Kinematics::of(&drive, vehicle);
    let (finds, ground) = rayon::join(
        || find_engagements(&drive, &kinematics, vehicle.geometry.wheelbase_m),
        || GroundSpeed::of(&drive, &kinematics),
    );
    let traction = Traction::of(&drive, &kinematics, vehicle, ground.as_ref().ok());
    let whole = Whole {
        drive: &drive,
        kinematics: &kinematics,
        vehicle,
        traction: &traction,
        ground: &ground,
        pressure_step_bar: view::pressure_step_bar(&drive),
        asked: Asked::of(&drive, &finds.found, vehicle),
    };
    let slipping = carried_torque::slipping_torque(&whole);
    let (coupling_model, engagements) = rayon::join(
        || coupling_model(&drive, &finds.found, &slipping),
        || measure_all(&whole, &finds.found),
    );
    let tested = tested::of_drive(&whole, &engagements);
    let mut warnings = vehicle.doubts();
    warnings.extend(drive.warnings().iter().cloned());
    warnings.extend(finds.warnings);
    warnings.extend(warnings_of(&drive, &kinematics));
    if tested.most.percent.is_ok()
        && let Some(manoeuvre) = tested.manoeuvre()
    {
        warnings.push(format!("{}; to test more: {manoeuvre}", tested.sentence()));
    }
    DriveMeasures {
        name: name.to_owned(),
        start_ns: span.first_ns,
        duration_s: span.duration_s(),
        frames: span.frames,
        noise_slip_mps: kinematics.noise_slip_mps(),
        radius_ratio: kinematics.radius_ratio.clone(),
        engagements,
        coupling_model,
        tested,
        ground_speed: ground.unwrap_or_else(|why| GroundSpeed::missing(&why)),
        warnings,
    }
}

/// The measures of each engagement alone, without what the drive tells as a whole.
pub(crate) fn measure_engagements(
    drive: &Drive,
    kinematics: &Kinematics,
    found: &[Found],
    vehicle: &Vehicle,
) -> Vec<Engagement> {
    let ground = GroundSpeed::of(drive, kinematics);
    let traction = Traction::of(drive, kinematics, vehicle, ground.as_ref().ok());
    let whole = Whole {
        drive,
        kinematics,
        vehicle,
        traction: &traction,
        ground: &ground,
        pressure_step_bar: view::pressure_step_bar(drive),
        asked: Asked::of(drive, found, vehicle),
    };
    measure_all(&whole, found)
}

fn measure_all(whole: &Whole<'_>, found: &[Found]) -> Vec<Engagement> {
    let found = found.par_iter();
    found.map(|f| measure(&View::of(whole, f))).collect()
}

/// Measures one engagement.
fn measure(view: &View<'_>) -> Engagement {
    let found = view.found;
    let transfer = transfer::estimates(view);
    let friction_work_j = friction_work::friction_work_j(view);
    let measures = Measure::each(|m| value(m, view, &transfer, &friction_work_j));
    Engagement {
        start_ns: found.start_ns,
        end_ns: found.end_ns,
        kind: found.kind,
        reference: found.reference,
        reference_ns: found.reference_ns,
        conditions: found.conditions,
        measures,
        transfer,
        tested: tested::of_engagement(view),
        trace: trace(view.drive, view.kinematics, found),
    }
}

/// One measure; `transfer` and `friction_work_j` are what several of them rest on.
fn value(
    measure: Measure,
    view: &View<'_>,
    transfer: &[TransferEstimate],
    friction_work_j: &Measured,
) -> Measured {
    if let (true, Err(why)) = (needs_the_end(measure), &view.found.end_seen) {
        return Err(why.clone());
    }
    match measure {
        Measure::DeadTime => dead_time::dead_time_ms(view),
        Measure::RiseTime => rise_time::rise_time_ms(view),
        Measure::EngagementDelay => engagement_delay::engagement_delay_ms(view),
        Measure::PeakSlip => peak_slip::peak_slip_mps(view),
        Measure::SlipTime => slip_time::slip_time_ms(view),
        Measure::SlipDistance => slip_distance::slip_distance_m(view),
        Measure::SteadySlip => steady_slip::steady_slip_mps(view),
        Measure::FrictionWork => friction_work_j.clone(),
        Measure::FrictionWorkPerArea => {
            friction_work::friction_work_j_per_m2(view.vehicle, friction_work_j)
        }
        Measure::TransferFraction => transfer::combined(transfer),
        Measure::Hold => hold::hold_percent_per_s(view),
        Measure::Ripple => ripple::ripple_bar(view),
    }
}

/// Whether a measure adds up until the coupling opens, or looks for the most until then.
fn needs_the_end(measure: Measure) -> bool {
    matches!(
        measure,
        Measure::PeakSlip
            | Measure::SlipTime
            | Measure::SlipDistance
            | Measure::FrictionWork
            | Measure::FrictionWorkPerArea
    )
}

/// Traces begin this long before the reference, s.
const TRACE_BEFORE_S: f64 = 0.5;
/// Traces end at most this long after it, s.
const TRACE_AFTER_S: f64 = 4.0;

fn trace(drive: &Drive, kinematics: &Kinematics, found: &Found) -> Trace {
    let reference_ns = found.reference_ns;
    let from_ns = at_seconds(reference_ns, -TRACE_BEFORE_S);
    let to_ns =
        at_seconds(found.end_ns, TRACE_BEFORE_S).min(at_seconds(reference_ns, TRACE_AFTER_S));
    let window = |role: Role| {
        drive.channel(role).map_or_else(
            |_| (Vec::new(), Vec::new()),
            |c| c.window(from_ns, to_ns, reference_ns),
        )
    };
    let (pressure_t_s, pressure_bar) = window(Role::CouplingPressure);
    let (demand_t_s, demand) = window(Role::CouplingDemand);
    let (slip_t_s, slip_mps) = kinematics.slip_mps.as_ref().map_or_else(
        |_| (Vec::new(), Vec::new()),
        |slip| {
            let base = drive.base_ns();
            drive
                .base_range(from_ns, to_ns)
                .filter_map(|i| Some((seconds_between(reference_ns, base[i]), slip.get(i)?)))
                .unzip()
        },
    );
    Trace {
        slip_t_s,
        slip_mps,
        pressure_t_s,
        pressure_bar,
        demand_t_s,
        demand,
        others: drive
            .channels()
            .iter()
            .filter(|c| !matches!(c.role, Role::CouplingPressure | Role::CouplingDemand))
            .map(|c| {
                let (t_s, values) = c.window(from_ns, to_ns, reference_ns);
                RoleTrace {
                    role: c.role,
                    t_s,
                    values,
                }
            })
            .filter(|trace| !trace.t_s.is_empty())
            .collect(),
    }
}

fn warnings_of(drive: &Drive, kinematics: &Kinematics) -> Vec<String> {
    let mut warnings = Vec::new();
    if let Err(why) = &kinematics.slip_mps {
        warnings.push(format!("slip cannot be told: {why}"));
    }
    if let Err(why @ Missing::NotIdentifiable(_)) = &kinematics.radius_ratio.front_left {
        warnings.push(format!("radius ratios cannot be told: {why}"));
    }
    if let Err(why) = drive.channel(Role::CouplingPressure)
        && drive.channel(Role::CouplingDemand).is_ok()
    {
        warnings.push(format!("times of pressure cannot be told: {why}"));
    }
    let inhibited = drive.channel(Role::CouplingInhibited);
    if inhibited.is_ok_and(|c| c.value().iter().any(|&v| v >= 0.5)) {
        warnings.push(
            "the control unit inhibited the coupling for some of the drive; what was measured then says nothing of the clutch"
                .into(),
        );
    }
    warnings
}

#[cfg(test)]
mod tests;
