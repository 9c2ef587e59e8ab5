//! Whether the coupling was called for, allowed to work, and did: without that no measure says
//! anything of the clutch.
//!
//! The driver calls for it with the accelerator. How far the pedal must go is learnt from the drive
//! itself, from the calls that were answered; where none was, a firm pull-away counts.

use slipwright_decoders::role::Role;

use super::ReadinessFinding;
use super::pressure_follows::{drawn_a, pressure_follows};
use super::signal_state::{SignalState, State};
use crate::closing::{ClosedSpan, lost_after};
use crate::drive::{Channel, Drive, at_seconds, percent_factor, seconds_between};
use crate::kinematics::Kinematics;
use crate::number;
use crate::statistics::quantile::quantile;
use crate::traffic_watch::Span;
use crate::vehicle::Vehicle;

/// Whether the coupling can have worked in this recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CouldWork {
    /// It was demanded, and nothing held it open all the time.
    Yes,
    /// It cannot have carried torque.
    No,
    /// Nobody called for it, or the bus does not tell.
    NotKnown,
}

/// What became of the coupling's calls.
#[derive(Clone, Debug, PartialEq)]
pub struct CouplingUse {
    /// The verdict.
    pub could_work: CouldWork,
    /// Why.
    pub why: String,
    /// Share of the recording in which the control unit held it open, where the bus tells.
    pub inhibited_share: Option<f64>,
    /// Times of that.
    pub inhibited: Vec<Span>,
    /// Times when the driver called for torque.
    pub calls: usize,
    /// Of these, the ones to which demand did not rise; `None` without a demand signal.
    pub unanswered: Option<usize>,
    /// Demands that stood at a clear level for long enough, where pressure is on the bus.
    pub demands: usize,
    /// Of these, the ones that pressure did not follow at all.
    pub without_pressure: Vec<Span>,
    /// What the pump drew in these, and in those that pressure followed, A: medians, where both are known.
    pub pump_a: Option<[f64; 2]>,
}

/// A pull-away is firm from this acceleration on, m/s².
const FIRM_MPS2: f64 = 1.2;
/// Pedal that calls for the coupling where no answered call tells, per cent.
const CALL_PERCENT: f64 = 45.0;
/// Demand gets this long to answer, s.
const ANSWER_S: f64 = 0.6;
/// Two calls are this far apart at least, s.
const BETWEEN_CALLS_S: f64 = 1.0;
/// Inhibited for less than this share of the time is a moment of brake control.
const INHIBITED_SHARE: f64 = 0.002;
/// From this share of unanswered calls on the demand is at fault.
const UNANSWERED_SHARE: f64 = 0.15;

/// `recorded_s` is the length of the recording: wheel speeds may be missing from all of it.
pub(super) fn coupling_use(
    drive: &Drive,
    kinematics: &Kinematics,
    vehicle: &Vehicle,
    recorded_s: f64,
) -> CouplingUse {
    let all_demand = drive.channel(Role::CouplingDemand).ok();
    let seldom = all_demand.is_some_and(mostly_lost);
    let demand = all_demand.filter(|_| !seldom);
    let closed = &kinematics.closed;
    let inhibited = inhibited_spans(drive);
    let inhibited_share = inhibited
        .as_ref()
        .filter(|_| recorded_s > 0.0)
        .map(|spans| (spans.iter().map(Span::seconds).sum::<f64>() / recorded_s).min(1.0));
    let calls = calls(drive, kinematics, closed);
    let answered = |&t: &i64| {
        let until = at_seconds(t, ANSWER_S);
        closed
            .iter()
            .any(|span| span.start_ns <= until && span.end_ns >= at_seconds(t, -ANSWER_S))
    };
    let known = |t: &i64| {
        demand.is_some_and(|d| d.held_at(*t).is_some() || d.at(at_seconds(*t, ANSWER_S)).is_some())
    };
    let unanswered = demand.map(|_| calls.iter().filter(|t| known(t) && !answered(t)).count());
    let [with, without_pressure] = pressure_follows(drive, demand, closed, vehicle);
    let demands = with.len() + without_pressure.len();
    let (could_work, why) = verdict(
        (all_demand.is_some(), seldom),
        closed,
        inhibited_share,
        calls.len(),
        (demands, without_pressure.len()),
    );
    let drawn = |spans: &[Span]| drawn_a(drive, spans);
    let pump_a = drawn(&without_pressure).zip(drawn(&with));
    CouplingUse {
        could_work,
        why,
        inhibited_share,
        inhibited: inhibited.unwrap_or_default(),
        calls: calls.len(),
        unanswered,
        demands,
        without_pressure,
        pump_a: pump_a.map(Into::into),
    }
}

/// Whether a signal is lost after most of its samples.
fn mostly_lost(channel: &Channel) -> bool {
    let samples = channel.t_ns().len();
    let lost = (0..samples.saturating_sub(1)).filter(|&i| lost_after(channel, i));
    2 * lost.count() > samples
}

/// `demanded`: whether the bus carries a demand, and whether it comes too seldom.
fn verdict(
    (demanded, seldom): (bool, bool),
    closed: &[ClosedSpan],
    inhibited_share: Option<f64>,
    calls: usize,
    (demands, without_pressure): (usize, usize),
) -> (CouldWork, String) {
    if inhibited_share.is_some_and(|share| share > 0.95) {
        return (
            CouldWork::No,
            "the control unit held the coupling open all the time".into(),
        );
    }
    if closed.is_empty() && seldom {
        return (
            CouldWork::NotKnown,
            "demand comes so seldom that nobody knows whether the coupling was asked to close"
                .into(),
        );
    }
    if demanded && closed.is_empty() && calls > 0 {
        return (
            CouldWork::No,
            format!(
                "the driver called for torque {calls} times and demand never left its resting level"
            ),
        );
    }
    if demands > 0 && without_pressure == demands {
        return (
            CouldWork::No,
            format!("demand rose {demands} times and pressure never followed"),
        );
    }
    if closed.is_empty() {
        let why = match demanded {
            true => "nobody called for the coupling in this recording",
            false => "the bus tells nothing of the coupling, or it was never closed",
        };
        return (CouldWork::NotKnown, why.into());
    }
    (
        CouldWork::Yes,
        "the coupling was demanded and closed".into(),
    )
}

fn inhibited_spans(drive: &Drive) -> Option<Vec<Span>> {
    let channel = drive.channel(Role::CouplingInhibited).ok()?;
    let mut spans: Vec<Span> = Vec::new();
    let mut on = false;
    for (i, (&t, &v)) in channel.t_ns().iter().zip(channel.value()).enumerate() {
        let now = v >= 0.5;
        match (on && channel.joined(i.saturating_sub(1)), now) {
            (true, _) => {
                if let Some(span) = spans.last_mut() {
                    span.to_ns = t;
                }
            }
            (false, true) => spans.push(Span {
                from_ns: t,
                to_ns: t,
            }),
            (false, false) => {}
        }
        on = now;
    }
    Some(spans)
}

/// When the driver called for torque.
fn calls(drive: &Drive, kinematics: &Kinematics, closed: &[ClosedSpan]) -> Vec<i64> {
    let mut calls: Vec<i64> = match drive.channel(Role::PedalAccelerator) {
        Ok(pedal) => pedal_calls(drive, pedal, closed),
        Err(_) => pull_aways(drive, kinematics),
    };
    calls.sort_unstable();
    let mut kept: Vec<i64> = Vec::new();
    for t in calls {
        if kept
            .last()
            .is_none_or(|&last| seconds_between(last, t) > BETWEEN_CALLS_S)
        {
            kept.push(t);
        }
    }
    kept
}

fn pedal_calls(drive: &Drive, pedal: &Channel, closed: &[ClosedSpan]) -> Vec<i64> {
    let to_percent = percent_factor(pedal);
    let percent = |v: f64| v * to_percent;
    let top_within = |from_ns: i64, to_ns: i64| {
        pedal.value()[pedal.range(from_ns, to_ns)]
            .iter()
            .map(|&v| percent(v))
            .fold(0.0, f64::max)
    };
    // Of the answered calls nearly all lie above this pedal.
    let answered: Vec<f64> = closed
        .iter()
        .map(|span| {
            top_within(
                at_seconds(span.start_ns, -0.2),
                at_seconds(span.start_ns, ANSWER_S),
            )
        })
        .filter(|&top| top > 5.0)
        .collect();
    let needed = match quantile(&answered, 0.75) {
        Some(usual) if answered.len() >= 3 => usual.clamp(20.0, 90.0),
        _ => CALL_PERCENT,
    };
    let mut found = Vec::new();
    let values = pedal.value();
    for i in 1..values.len() {
        let (before, now) = (percent(values[i - 1]), percent(values[i]));
        if before < needed && now >= needed && !is_tight(drive, pedal.t_ns()[i]) {
            found.push(pedal.t_ns()[i]);
        }
    }
    found
}

/// Full lock, where control units keep the coupling open on purpose.
fn is_tight(drive: &Drive, t_ns: i64) -> bool {
    const TIGHT_RAD: f64 = 4.5;
    drive
        .channel(Role::SteeringAngle)
        .ok()
        .and_then(|c| c.at(t_ns))
        .is_some_and(|rad| rad.abs() > TIGHT_RAD)
}

/// Firm pull-aways, where there is no pedal on the bus.
fn pull_aways(drive: &Drive, kinematics: &Kinematics) -> Vec<i64> {
    let Ok(rear) = &kinematics.rear_mps else {
        return Vec::new();
    };
    let base = drive.base_ns();
    let mut found = Vec::new();
    let mut rest_ns: Option<i64> = None;
    for (i, &t) in base.iter().enumerate() {
        let Some(v) = rear.get(i) else { continue };
        if v < 0.6 {
            rest_ns = Some(t);
        } else if v > 4.0
            && let Some(from) = rest_ns.take()
            && 4.0 / seconds_between(from, t).max(1e-3) > FIRM_MPS2
        {
            found.push(from);
        }
    }
    found
}

pub(super) fn findings(coupling: &CouplingUse, drive: &Drive) -> Vec<ReadinessFinding> {
    let mut findings = Vec::new();
    if let Some(share) = coupling.inhibited_share.filter(|&s| s > INHIBITED_SHARE) {
        let hot = drive
            .channel(Role::CouplingTemperature)
            .ok()
            .and_then(|c| quantile(c.value(), 0.98));
        let mut evidence = vec![format!(
            "coupling.inhibited is set {} for {:.1} s, {:.0} % of the time",
            number::times(coupling.inhibited.len()),
            coupling.inhibited.iter().map(Span::seconds).sum::<f64>(),
            100.0 * share
        )];
        if let Some(hot) = hot {
            evidence.push(format!("fluid temperature up to {hot:.0} °C"));
        }
        findings.push(ReadinessFinding {
            what: "inhibited",
            why: "The control unit holds the coupling open. While it does, nothing says anything of the clutch. Read the trouble codes first; let a hot coupling cool.".into(),
            evidence,
            blocking: true,
        });
    }
    if let Some(unanswered) = coupling.unanswered
        && unanswered > 0
        && unanswered as f64 >= UNANSWERED_SHARE * coupling.calls as f64
    {
        findings.push(ReadinessFinding {
            what: "no_demand",
            why: "The driver calls for torque and the control unit demands none. The clutch is not asked to work; look for what the control unit waits for: trouble codes, a missing message, a switch.".into(),
            evidence: vec![format!(
                "{unanswered} of {} calls of the accelerator without a rise of demand",
                coupling.calls
            )],
            blocking: true,
        });
    }
    if coupling.mostly_without_pressure() {
        findings.push(ReadinessFinding {
            what: "no_pressure",
            why: "Demand rises and pressure does not. Pump, its supply, valve or pressure sensor fail: check fuse, connector and pump current before the clutch.".into(),
            evidence: coupling.told_without_pressure().into_iter().collect(),
            blocking: true,
        });
    }
    findings
}

/// A demand that never answers is not alive.
pub(super) fn mark_stuck(coupling: &CouplingUse, states: &mut [SignalState]) {
    let all_unanswered = coupling
        .unanswered
        .is_some_and(|n| n > 0 && n == coupling.calls);
    if !all_unanswered || coupling.could_work != CouldWork::No {
        return;
    }
    if let Some(state) = states.iter_mut().find(|s| s.role == Role::CouplingDemand) {
        state.worsen(
            State::Stale,
            format!(
                "it stays at its resting level through {} calls of the accelerator",
                coupling.calls
            ),
        );
    }
}
