//! Drag of the open coupling: in a bend the front axle runs ahead of the rear one, unless the
//! coupling holds it back.
//!
//! Over stretches with nothing demanded, `slip = -x (v_free - v_r)`: `x` is 0 where the coupling
//! lets the axles turn as the bend wants, 1 where it ties them together. `v_free` is the speed of a
//! front axle that does not slip.

use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::drive::seconds_between;
use crate::robust::median_and_sigma;

/// The coupling needs this long to let go, s.
const LET_GO_S: f64 = 0.6;
/// A bend is tight where the front axle runs ahead by this share.
const TIGHT: f64 = 0.04;
/// Length of one piece, s: the wheel sensors' steps average out.
const PIECE_S: f64 = 0.5;

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let k = scene.kinematics;
    let (Ok(slip), Ok(free), Ok(rear)) = (&k.slip_mps, &k.free_mps, &k.rear_mps) else {
        gathered.lacks(Feature::TurnDrag, "slip cannot be told");
        return;
    };
    if !scene.state_told {
        return gathered.lacks(
            Feature::TurnDrag,
            "the coupling's own signals fail, so that nobody knows when it is open",
        );
    }
    let base = scene.drive.base_ns();
    let closed = &scene.kinematics.closed;
    let mut next = 0;
    let mut pieces: Vec<f64> = Vec::new();
    let (mut slips, mut aheads, mut count, mut begun) = (0.0, 0.0, 0_u32, 0_i64);
    for (i, &t) in base.iter().enumerate() {
        while closed
            .get(next)
            .is_some_and(|span| seconds_between(span.end_ns, t) > LET_GO_S)
        {
            next += 1;
        }
        let released = closed.get(next).is_none_or(|span| t < span.start_ns);
        let row = match (slip.get(i), free.get(i), rear.get(i)) {
            (Some(s), Some(f), Some(r))
                if released && f - r > TIGHT * r && r > 0.3 && scene.clean(t, t) =>
            {
                Some((s, f - r))
            }
            _ => None,
        };
        if count > 0 && (row.is_none() || seconds_between(begun, t) > PIECE_S) {
            if count >= 10 {
                pieces.push(-100.0 * slips / aheads);
            }
            (slips, aheads, count) = (0.0, 0.0, 0);
        }
        if let Some((s, ahead)) = row {
            if count == 0 {
                begun = t;
            }
            slips += s;
            aheads += ahead;
            count += 1;
        }
    }
    match median_and_sigma(&pieces) {
        Some((percent, sigma)) if pieces.len() >= 3 => {
            let u = 1.25 * sigma / (pieces.len() as f64).sqrt();
            gathered.add(Feature::TurnDrag, Observation::plain(percent, u));
        }
        _ => gathered.lacks(
            Feature::TurnDrag,
            "no tight bend with the coupling open; drive a slow full circle",
        ),
    }
}
