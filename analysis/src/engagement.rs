//! Engagements: where the coupling closes and opens again, and what drove it.
//!
//! With a demand signal each rise of demand is an engagement; without one each rise of pressure;
//! without either each slip that stays out of its noise for longer than rough road makes it.

mod conditions;
mod onset;
mod reference;

use std::ops::Range;

use serde::{Deserialize, Serialize};
use slipwright_decoders::role::Role;

pub use self::onset::{ONSET_DEVIATIONS, Onset, SlipTrace};
use self::reference::step;
use crate::closing::{ClosedSpan, Closing, Closings, shown};
use crate::drive::{Channel, Drive, at_seconds, at_work_above};
use crate::kinematics::Kinematics;
use crate::measure::Missing;

/// What made the coupling close.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Kind {
    /// Pull-away from rest.
    Launch,
    /// Accelerator applied while rolling.
    TipIn,
    /// Engagement while steering.
    TurnIn,
}

impl Kind {
    /// Word in JSON, tables and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Launch => "launch",
            Self::TipIn => "tip-in",
            Self::TurnIn => "turn-in",
        }
    }

    /// The word for more than one.
    #[must_use]
    pub fn plural(self) -> &'static str {
        match self {
            Self::Launch => "launches",
            Self::TipIn => "tip-ins",
            Self::TurnIn => "turn-ins",
        }
    }
}

/// The event that times are counted from (definition 6); kinds of reference are never mixed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Reference {
    /// The coupling demand crosses half of its own step.
    Demand,
    /// Slip leaves its noise band; the bus carries no demand.
    Slip,
}

impl Reference {
    /// Word in JSON and tables.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Demand => "demand",
            Self::Slip => "slip",
        }
    }

    /// As said to a person.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Demand => "demand",
            Self::Slip => "the onset of slip",
        }
    }
}

/// What drives an engagement; engagements are matched on these before they are compared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Rear-axle speed at the reference, m/s.
    pub speed_mps: Option<f64>,
    /// Size of the demand step, in the demand's own unit.
    pub demand_step: Option<f64>,
    /// Largest accelerator position of the engagement, per cent.
    pub accelerator_percent: Option<f64>,
    /// Largest accelerator rate around the reference, per cent per second.
    pub accelerator_rate_percent_per_s: Option<f64>,
    /// Coupling fluid temperature at the reference, °C.
    pub fluid_temperature_c: Option<f64>,
    /// Largest engine torque of the engagement, N·m.
    pub engine_torque_nm: Option<f64>,
}

/// An engagement found, before anything of it is measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Start, ns since the epoch: the first sample that carries the rise.
    pub start_ns: i64,
    /// End, ns since the epoch: released again. Where nobody saw that, the last sample that shows the
    /// coupling closed.
    pub end_ns: i64,
    /// Why its end was not seen, if it was not: what adds up until the end, or looks for the most, is
    /// missing then.
    pub end_seen: Result<(), Missing>,
    /// Before this the previous engagement was still there, ns since the epoch.
    pub clear_from_ns: i64,
    /// A stage of demand came before the step that is counted from: it had begun to fill the pack.
    pub staged: bool,
    /// End of the plateau that demand, or pressure, stepped to, ns since the epoch.
    pub plateau_end_ns: i64,
    /// The longest stretch in which demand, or pressure, stayed where it was, ns since the epoch.
    pub still_ns: (i64, i64),
    /// Start of the final fall of demand, or of pressure, ns since the epoch. Of a slip alone, its
    /// end.
    pub release_ns: i64,
    /// What made the coupling close.
    pub kind: Kind,
    /// The event that times are counted from.
    pub reference: Reference,
    /// When that event was, ns since the epoch.
    pub reference_ns: i64,
    /// Standard uncertainty of that time, s; or why nothing can be counted from it.
    pub u_reference_s: Result<f64, Missing>,
    /// What drove it.
    pub conditions: Conditions,
}

/// What [`find_engagements`] gives.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Finds {
    /// Engagements in time order.
    pub found: Vec<Found>,
    /// What a reader of the numbers must know, in plain sentences.
    pub warnings: Vec<String>,
}

/// Finds the engagements of a drive. `wheelbase_m` only helps to tell a turn by the steering wheel.
#[must_use]
pub fn find_engagements(drive: &Drive, kinematics: &Kinematics, wheelbase_m: Option<f64>) -> Finds {
    match shown(drive) {
        Some((channel, all)) => by_closings(drive, kinematics, wheelbase_m, channel, &all),
        None => by_slip(drive, kinematics, wheelbase_m),
    }
}

const CAPTURE_ENDS: Missing =
    Missing::NotIdentifiable("the capture ends before the coupling opens again");

/// How far before demand slip may have called for it, s.
const SLIP_LEAD_S: f64 = 0.5;

fn by_closings(
    drive: &Drive,
    kinematics: &Kinematics,
    wheelbase_m: Option<f64>,
    channel: &Channel,
    all: &Closings,
) -> Finds {
    let demanded = channel.role == Role::CouplingDemand;
    let mut finds = Finds::default();
    if !demanded {
        finds.warnings.push(
            "the bus carries no coupling demand; engagements are rises of pressure, and times count from the onset of slip"
                .into(),
        );
    }
    let trace = SlipTrace::of(drive, kinematics);
    let mut clear_from_ns = i64::MIN;
    let (mut lost, mut cut) = (all.lost, 0);
    for (closing, span) in all.found.iter().zip(all.spans(channel)) {
        let start_ns = span.start_ns;
        let (end_ns, end_seen) = end(channel, closing, span);
        let Some(step) = step(drive, channel, all, closing, clear_from_ns) else {
            lost += 1;
            clear_from_ns = span.end_ns;
            continue;
        };
        cut += usize::from(matches!(end_seen, Err(Missing::Gap(_))));
        let (reference, reference_ns, u_reference_s) = if demanded {
            (Reference::Demand, step.half_ns, step.u_s)
        } else {
            let from_ns = clear_from_ns.max(at_seconds(start_ns, -SLIP_LEAD_S));
            let onset = trace.as_ref().map_err(Clone::clone).and_then(|trace| {
                let onset = trace.first_onset(trace.range(from_ns, end_ns));
                let onset = onset.ok_or(Missing::SlipInNoise)?;
                Ok((onset, trace.began_at(&onset)))
            });
            match onset {
                Ok((onset, began)) => (Reference::Slip, onset.t_ns, began.map(|()| onset.u_s)),
                Err(why) => (Reference::Slip, start_ns, Err(why)),
            }
        };
        let demand_step = demanded.then_some(step.high - step.low);
        finds.found.push(Found {
            start_ns,
            end_ns,
            end_seen,
            clear_from_ns,
            staged: step.staged,
            plateau_end_ns: step.plateau_end_ns,
            still_ns: step.still_ns,
            release_ns: step.release_ns,
            kind: conditions::kind(drive, kinematics, wheelbase_m, start_ns),
            reference,
            reference_ns,
            u_reference_s,
            conditions: conditions::conditions(
                drive,
                kinematics,
                (start_ns, end_ns),
                reference_ns,
                demand_step,
            ),
        });
        clear_from_ns = span.end_ns;
    }
    if all.closed_until.is_some() {
        finds.warnings.push(format!(
            "{} is up when the capture begins; that engagement is left out, because nobody saw when it began",
            channel.role
        ));
    }
    if cut > 0 {
        finds.warnings.push(match cut {
            1 => format!(
                "one engagement was still there when {} was lost; it ends there, and what needs its true end is missing",
                channel.role
            ),
            _ => format!(
                "{cut} engagements were still there when {} was lost; they end there, and what needs their true end is missing",
                channel.role
            ),
        });
    }
    if lost > 0 {
        finds.warnings.push(match lost {
            1 => format!(
                "one engagement began while {} was lost; it is left out",
                channel.role
            ),
            _ => format!(
                "{lost} engagements began while {} was lost; they are left out",
                channel.role
            ),
        });
    }
    if finds.found.is_empty() {
        finds.warnings.push(format!(
            "{} never rose clear of its released level; the coupling was not tested",
            channel.role
        ));
    }
    finds
}

/// When a closing ended, and why nobody knows, if nobody does.
fn end(channel: &Channel, closing: &Closing, span: ClosedSpan) -> (i64, Result<(), Missing>) {
    let t = channel.t_ns();
    let Range { end, .. } = closing.range;
    let last_ns = end.checked_sub(1).and_then(|i| t.get(i)).copied();
    match (closing.cut, last_ns) {
        (true, Some(last_ns)) if end < t.len() => (last_ns, Err(Missing::Gap(channel.role))),
        (true, Some(last_ns)) => (last_ns, Err(CAPTURE_ENDS)),
        _ => (span.end_ns, Ok(())),
    }
}

fn by_slip(drive: &Drive, kinematics: &Kinematics, wheelbase_m: Option<f64>) -> Finds {
    let mut finds = Finds::default();
    finds.warnings.push(
        "the bus carries neither coupling demand nor pressure; engagements are slips that stand out, and times count from the onset of slip"
            .into(),
    );
    let Ok(trace) = SlipTrace::of(drive, kinematics) else {
        return finds;
    };
    let base = trace.base_ns();
    let braking = at_work_above(drive, &[Role::PedalBrake, Role::AbsActive]);
    let disturbed = |i: usize| {
        braking
            .iter()
            .any(|(channel, limit)| channel.held_at(base[i]).is_some_and(|v| v > *limit))
    };
    let mut clear_from_ns = i64::MIN;
    for span in trace.spans(disturbed) {
        let start_ns = span.onset.t_ns;
        let end_ns = base[span.end.min(base.len() - 1)];
        finds.found.push(Found {
            start_ns,
            end_ns,
            end_seen: Ok(()),
            clear_from_ns,
            staged: false,
            plateau_end_ns: end_ns,
            still_ns: (start_ns, end_ns),
            release_ns: end_ns,
            kind: conditions::kind(drive, kinematics, wheelbase_m, start_ns),
            reference: Reference::Slip,
            reference_ns: start_ns,
            u_reference_s: Ok(span.onset.u_s),
            conditions: conditions::conditions(
                drive,
                kinematics,
                (start_ns, end_ns),
                start_ns,
                None,
            ),
        });
        clear_from_ns = end_ns;
    }
    finds
}

#[cfg(test)]
mod tests;
