//! Signals that come and do not move: a unit that repeats its last values, a sensor without supply, a
//! decoder file that points beside the signal. What the coupling's own signals do is judged in
//! [`super::coupling_use`], one wheel against the others in the drive's wheel faults.

use slipwright_decoders::role::Role;

use super::plausible::wheels_at;
use super::signal_state::{SignalState, State, counts, how_long};
use crate::drive::{Channel, Drive, seconds_between};
use crate::statistics::quantile::quantile;
use crate::traffic_watch::Span;

/// What cannot keep one value while a car gathers speed.
const DRIVES: [Role; 3] = [
    Role::PedalAccelerator,
    Role::EngineTorque,
    Role::EngineSpeed,
];
/// A car that has gained this much speed so often was driven, m/s.
const GAIN_MPS: f64 = 3.0;
const GAINS: usize = 2;
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
    if gains(drive) < GAINS {
        return;
    }
    for state in states.iter_mut().filter(|s| DRIVES.contains(&s.role)) {
        let value = drive.channel(state.role).map_or(&[][..], Channel::value);
        let moves = value.windows(2).any(|pair| pair[0] != pair[1]);
        if value.len() >= LEAST && !moves {
            state.frozen_share = 1.0;
            state.worsen(
                State::Stale,
                "it keeps one value while the car gathers speed; look at its sensor, and at its place in the decoder file".into(),
            );
        }
    }
}

/// How often the car gained speed.
fn gains(drive: &Drive) -> usize {
    let (mut gains, mut lowest) = (0, f64::INFINITY);
    let mut gained = false;
    for i in 0..drive.base_ns().len() {
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
