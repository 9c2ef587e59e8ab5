//! Signals that come and do not move: a unit that repeats its last values, a sensor without supply, a
//! decoder file that points beside the signal. A demand that never answers is judged in
//! [`super::coupling_use`], one wheel against the others in the drive's wheel faults.

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::plausible::wheels_at;
use super::signal_state::{SignalState, State, counts, how_long};
use crate::closing::{ClosedSpan, closings};
use crate::drive::{Channel, Drive, seconds_between};
use crate::statistics::quantile::quantile;
use crate::traffic_watch::Span;

/// What cannot keep one value while a car gathers speed.
const DRIVES: [Role; 3] = [
    Role::PedalAccelerator,
    Role::EngineTorque,
    Role::EngineSpeed,
];
/// And what cannot while it turns.
const TURNS: [Role; 2] = [Role::BodyYawRate, Role::SteeringAngle];
/// Of a signal that moves otherwise, one value for shorter than this is nothing to remark, s.
const KEPT_ONE_S: f64 = 20.0;
/// Nor while what should move it happens fewer times than this; of one that keeps its value over this share
/// of the drive, fewer than this.
const AT_LEAST: usize = 3;
const ALL_SHARE: f64 = 0.98;
const AT_ALL: usize = 2;
/// A gain of speed is this much, m/s.
const GAIN_MPS: f64 = 3.0;
/// In a clear turn the rear wheels differ by this share, for so long, s.
const TURNS_SHARE: f64 = 0.05;
const TURNS_S: f64 = 0.4;
/// Pressure may follow what demand did before by so long, s.
const SETTLES_S: f64 = 2.0;
/// Fewest values of a signal that is said not to move.
const LEAST: usize = 50;
/// Wheels roll above this, m/s: at rest they may keep their value for as long as they like.
const ROLLING_MPS: f64 = 3.0;
/// All wheels together keep their values for so long at least, s, and so many times longer than in all
/// but one of a hundred cases on this drive: coarse steps stay for long.
const KEPT_S: f64 = 0.4;
const KEPT_TIMES: f64 = 8.0;
const USUAL_SHARE: f64 = 0.99;

pub(super) fn judge(drive: &Drive, states: &mut [SignalState], total_s: f64) {
    let kept = kept_spans(drive);
    if counts(&kept, total_s) {
        let why = format!(
            "all wheel speeds keep their values while the car rolls: {}",
            how_long(&kept, total_s)
        );
        let share = kept.iter().map(Span::seconds).sum::<f64>() / total_s;
        for state in states.iter_mut().filter(|s| Role::WHEELS.contains(&s.role)) {
            state.frozen_share = (state.frozen_share + share).min(1.0);
            state.outages.extend(kept.iter().copied());
            state.worsen(State::Stale, why.clone());
        }
    }
    let is_pressure = |s: &SignalState| s.role == Role::CouplingPressure && s.state == State::Alive;
    let pressure_tells = states.iter().any(is_pressure);
    for state in states.iter_mut() {
        let (times, what): (fn(&Drive, &Span) -> usize, _) = match state.role {
            role if DRIVES.contains(&role) => (gains, "the car gathers speed"),
            role if TURNS.contains(&role) => (turns, "the car turns"),
            Role::CouplingDemand if pressure_tells => (pressings, "pressure rises"),
            _ => continue,
        };
        let Ok(channel) = drive.channel(state.role) else {
            continue;
        };
        let Some(kept) = longest_kept(channel) else {
            continue;
        };
        let n = times(drive, &kept);
        let whole = kept.seconds() > ALL_SHARE * total_s;
        let least = if whole { AT_ALL } else { AT_LEAST };
        // A cruise control drives with the pedal at rest.
        let rests = state.role == Role::PedalAccelerator && rests(channel, &kept);
        if n < least || !whole && (kept.seconds() < KEPT_ONE_S || rests) {
            continue;
        }
        let from_s = seconds_between(drive.base_ns().first().copied().unwrap_or(0), kept.from_ns);
        let how_long = match whole {
            true => String::new(),
            false => format!(" for {:.0} s from {from_s:.0} s on", kept.seconds()),
        };
        state.frozen_share = (state.frozen_share + kept.seconds() / total_s).min(1.0);
        state.outages.push(kept);
        state.worsen(
            State::Stale,
            format!("it keeps one value{how_long} while {what} {n} times; look at its sensor, and at its place in the decoder file"),
        );
    }
}

/// Whether a signal is at its lowest within a time.
fn rests(channel: &Channel, within: &Span) -> bool {
    let at = channel.t_ns().partition_point(|&t| t < within.from_ns);
    let lowest = channel.value().iter().copied().reduce(f64::min);
    channel.value().get(at).copied() <= lowest
}

/// The longest time in which a signal has one and the same value, without a gap.
pub(super) fn longest_kept(channel: &Channel) -> Option<Span> {
    let (t_ns, value) = (channel.t_ns(), channel.value());
    if value.len() < LEAST {
        return None;
    }
    let mut longest: Option<Span> = None;
    let mut from = 0;
    for i in 1..=value.len() {
        let goes_on = i < value.len() && value[i] == value[i - 1] && channel.joined(i - 1);
        if goes_on {
            continue;
        }
        let span = Span {
            from_ns: t_ns[from],
            to_ns: t_ns[i - 1],
        };
        if longest.is_none_or(|longest| span.seconds() > longest.seconds()) {
            longest = Some(span);
        }
        from = i;
    }
    longest
}

/// How often the car gained speed within a time.
fn gains(drive: &Drive, within: &Span) -> usize {
    let (mut gains, mut lowest) = (0, f64::INFINITY);
    let mut gained = false;
    for i in samples(drive, within) {
        let Some(v) = slowest(drive, i) else {
            continue;
        };
        if gained {
            // Slow again before the next one counts.
            if v < lowest + 0.5 * GAIN_MPS {
                (gained, lowest) = (false, v);
            }
        } else if v - lowest > GAIN_MPS {
            (gained, gains) = (true, gains + 1);
        } else {
            lowest = lowest.min(v);
        }
    }
    gains
}

/// How often the car turned clearly: the rear wheels differed by more than tyres do, for a while.
fn turns(drive: &Drive, within: &Span) -> usize {
    let (mut turns, mut since_ns, mut counted) = (0, None, false);
    for i in samples(drive, within) {
        let [_, _, Some(left), Some(right)] = wheels_at(drive, i) else {
            continue;
        };
        let middle = 0.5 * (left + right);
        if middle < ROLLING_MPS || (left - right).abs() < TURNS_SHARE * middle {
            (since_ns, counted) = (None, false);
            continue;
        }
        let t_ns = drive.base_ns()[i];
        let since_ns = *since_ns.get_or_insert(t_ns);
        if !counted && seconds_between(since_ns, t_ns) > TURNS_S {
            (turns, counted) = (turns + 1, true);
        }
    }
    turns
}

/// How often pressure rose.
fn pressings(drive: &Drive, within: &Span) -> usize {
    let Ok(pressure) = drive.channel(Role::CouplingPressure) else {
        return 0;
    };
    let rose = |span: &ClosedSpan| {
        let begins = seconds_between(within.from_ns, span.start_ns);
        begins > SETTLES_S && span.start_ns <= within.to_ns
    };
    let spans = closings(pressure).spans(pressure);
    spans.iter().filter(|span| rose(span)).count()
}

/// The samples of the time base within a time.
fn samples(drive: &Drive, within: &Span) -> Range<usize> {
    let base = drive.base_ns();
    let from = base.partition_point(|&t| t < within.from_ns);
    from..base.partition_point(|&t| t <= within.to_ns)
}

/// The slowest wheel: none that spins.
fn slowest(drive: &Drive, i: usize) -> Option<f64> {
    wheels_at(drive, i).into_iter().flatten().reduce(f64::min)
}

/// When all wheels kept their values for longer than wheels do.
fn kept_spans(drive: &Drive) -> Vec<Span> {
    let base = drive.base_ns();
    let mut spans: Vec<Span> = Vec::new();
    let mut last: Option<[Option<f64>; 4]> = None;
    for (i, &t) in base.iter().enumerate() {
        let rolls = |v: &Option<f64>| v.is_some_and(|v| v > ROLLING_MPS);
        let here = Some(wheels_at(drive, i)).filter(|wheels| wheels.iter().all(rolls));
        let joined = i > 0 && drive.base_joined(i - 1);
        match (here, spans.last_mut()) {
            (Some(now), Some(span)) if joined && last == Some(now) => span.to_ns = t,
            (Some(_), _) => spans.push(Span {
                from_ns: t,
                to_ns: t,
            }),
            (None, _) => {}
        }
        last = here;
    }
    let lengths: Vec<f64> = spans.iter().map(Span::seconds).collect();
    let frame_s = base
        .windows(2)
        .map(|w| seconds_between(w[0], w[1]))
        .fold(f64::INFINITY, f64::min);
    let Some(usual_s) = quantile(&lengths, USUAL_SHARE) else {
        return Vec::new();
    };
    let least_s = KEPT_S.max(KEPT_TIMES * usual_s.max(frame_s));
    spans.retain(|span| span.seconds() > least_s);
    spans
}
