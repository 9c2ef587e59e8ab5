//! Shudder: quick swings of slip while the closed coupling slips little, against the same swings
//! with the coupling open.
//!
//! A moving mean over 30 ms less one over 110 ms passes about 5 to 20 Hz: the upper part of the band
//! of shudder, because the closing itself swings below. The sample rate limits it further (wheel
//! speeds at 100 Hz tell up to 50 Hz, at 20 Hz up to 10 Hz).

use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::drive::{at_seconds, seconds_between};
use crate::engagement::closed_spans;
use crate::robust::quantile;

/// Means that bound the band, s.
const SHORT_S: f64 = 0.03;
const LONG_S: f64 = 0.11;
/// Length of a piece whose swing is told, s.
const PIECE_S: f64 = 0.3;
/// Shudder shows at low slip, m/s.
const LOW_SLIP_MPS: f64 = 1.0;
/// The closing's own swing is over after this, s.
const CLOSES_S: f64 = 0.4;
/// Slower than this the sensors' own steps swing, m/s.
const LEAST_MPS: f64 = 1.0;
/// Fewest pieces on either side.
const LEAST: usize = 4;

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let k = scene.kinematics;
    let (Ok(slip), Ok(rear)) = (&k.slip_mps, &k.rear_mps) else {
        gathered.lacks(Feature::Shudder, "slip cannot be told");
        return;
    };
    let base = scene.drive.base_ns();
    let closed = closed_spans(scene.drive);
    // Running sums over the present samples give every mean in constant time.
    let mut sum = vec![0.0; base.len() + 1];
    let mut present = vec![0_usize; base.len() + 1];
    for i in 0..base.len() {
        let v = slip.get(i);
        sum[i + 1] = sum[i] + v.unwrap_or(0.0);
        present[i + 1] = present[i] + usize::from(v.is_some());
    }
    let mean = |from: usize, to: usize| {
        let n = present[to] - present[from];
        (n > 0 && n == to - from).then(|| (sum[to] - sum[from]) / n as f64)
    };
    let around = |t: i64, width_s: f64| {
        let from = base.partition_point(|&b| b < at_seconds(t, -0.5 * width_s));
        let to = base.partition_point(|&b| b <= at_seconds(t, 0.5 * width_s));
        (from, to)
    };
    let mut open = Vec::new();
    let mut closing = Vec::new();
    let (mut squares, mut count, mut begun) = (0.0, 0_u32, 0_i64);
    let mut state = None;
    let mut next = 0;
    for (i, &t) in base.iter().enumerate() {
        while closed
            .get(next)
            .is_some_and(|span| at_seconds(span.end_ns, 1.0) < t)
        {
            next += 1;
        }
        let now = match closed.get(next) {
            Some(span) if t >= at_seconds(span.start_ns, CLOSES_S) && t <= span.end_ns => {
                slip.get(i).filter(|s| s.abs() < LOW_SLIP_MPS).map(|_| true)
            }
            Some(span) if t >= at_seconds(span.start_ns, -0.2) => None,
            _ => Some(false),
        }
        .filter(|_| rear.get(i).is_some_and(|v| v > LEAST_MPS) && scene.clean(t, t));
        let swing = now.and_then(|_| {
            let (a, b) = around(t, SHORT_S);
            let (c, d) = around(t, LONG_S);
            Some(mean(a, b)? - mean(c, d)?)
        });
        let ended = state != now || seconds_between(begun, t) > PIECE_S || swing.is_none();
        if count > 0 && ended {
            if count >= 4 {
                let rms = (squares / f64::from(count)).sqrt();
                match state {
                    Some(true) => closing.push(rms),
                    Some(false) => open.push(rms),
                    None => {}
                }
            }
            (squares, count) = (0.0, 0);
        }
        state = now;
        if let Some(swing) = swing {
            if count == 0 {
                begun = t;
            }
            squares += swing * swing;
            count += 1;
        }
    }
    if closing.len() < LEAST || open.len() < LEAST {
        gathered.lacks(Feature::Shudder, "too little slip to tell its swings");
        return;
    }
    // The quarter of the time that swings most, over what the open coupling swings by itself.
    let (Some(most), Some(still)) = (quantile(&closing, 0.75), quantile(&open, 0.5)) else {
        return;
    };
    if still > 0.0 {
        gathered.add(
            Feature::Shudder,
            Observation::plain((most / still).max(0.1).ln(), 0.1),
        );
    }
}
