//! Whether the reference's clock is off by more than a lag: a receiver's time counts no leap seconds, a
//! laptop's or a phone's clock was set by hand.
//!
//! `reference_lag` looks at a few seconds, finely. Here the reference is laid beside every field at
//! offsets of up to two minutes, coarsely; where a field then follows so much better that half of what
//! it left unexplained is gone, that is the offset. Asked by `reference`, before the lag.

use super::reference::{FRESH_NS, SpeedReference};
use super::statistics::{correlation, smooth};
use super::timeline::Timeline;

/// Offsets that are tried, in steps either way.
const STEPS: i64 = 240;
const STEP_NS: i64 = 500_000_000;
/// Those within the reach of the lag, which are the same clock.
const LAG_REACH: std::ops::RangeInclusive<i64> = -1..=5;
/// Points of the axis that are looked at, at most.
const MOST_POINTS: usize = 800;
/// Least share of the time that the reference covers without an offset that it must cover with one, and
/// fewest points.
const LEAST_COVERED: f64 = 0.6;
const LEAST_POINTS: usize = 60;
/// Share of the speed's variance that a field must explain at the offset.
const LEAST_R2: f64 = 0.95;
/// Share of what was left unexplained that may be left.
const MOST_LEFT: f64 = 0.5;
/// Window that takes the noise out of both, s.
const WINDOW_S: f64 = 1.0;

/// The offset of the reference's clock, ns, positive where it is ahead of the frames'; 0 where it is the
/// same as far as can be told.
pub(super) fn offset_ns(reference: &SpeedReference, fields: &[&[f64]], axis: &Timeline) -> i64 {
    let window = axis.points(WINDOW_S);
    let stride = axis.len().div_ceil(MOST_POINTS).max(1);
    let fields: Vec<Vec<f64>> = fields
        .iter()
        .map(|raw| {
            let raw = smooth(raw, window);
            raw.iter().copied().step_by(stride).collect()
        })
        .collect();
    // The best that any field explains, and how much of the time is covered.
    let best_at = |step: i64| -> (f64, usize) {
        let offset_ns = step * STEP_NS;
        let t_ns = reference.times_without(offset_ns);
        let covered = axis.covered(&t_ns, FRESH_NS);
        let speed = axis.resample(&t_ns, &reference.speed_mps, 0);
        let speed = smooth(&speed, window);
        let at: Vec<usize> = (0..axis.len())
            .step_by(stride)
            .filter(|&k| covered.get(k) == Some(&true))
            .collect();
        let pick = |values: &[f64], stride: usize| -> Vec<f64> {
            let values = at.iter().filter_map(|k| values.get(k / stride));
            values.copied().collect()
        };
        let wanted = pick(&speed, 1);
        let r2 = fields
            .iter()
            .map(|raw| correlation(&pick(raw, stride), &wanted).powi(2))
            .fold(0.0, f64::max);
        (r2, at.len())
    };
    let mut near = (0.0_f64, 0);
    let mut far = (0.0_f64, 0, 0);
    for step in -STEPS..=STEPS {
        let (r2, points) = best_at(step);
        if LAG_REACH.contains(&step) {
            near = (near.0.max(r2), near.1.max(points));
        } else if r2 > far.0 && points >= LEAST_POINTS {
            far = (r2, points, step);
        }
    }
    let (r2, points, step) = far;
    let enough = points as f64 >= LEAST_COVERED * near.1 as f64;
    if r2 >= LEAST_R2 && enough && 1.0 - r2 < MOST_LEFT * (1.0 - near.0) {
        step * STEP_NS
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::super::made_drive::{Drive, at, put};
    use super::super::{FindOptions, Survey, find};
    use crate::field::BitOrder::Big;

    /// The lag that is told of a reference whose clock is off by so much, s.
    fn told_s(seed: u64, off_s: f64) -> f64 {
        let mut drive = Drive::of_seed(seed);
        let mut survey = Survey::new();
        drive.send_the_rest(&mut survey);
        drive.send(&mut survey, 0x1A0, 0.02, |drive, _, t, data| {
            for (start, wheel) in [0, 16, 32, 48].into_iter().zip(&drive.wheels) {
                put(data, (start, 16), Big, 360.0 * at(wheel, t));
            }
        });
        let mut speed = drive.reference(5.0, 0.0);
        for t in &mut speed.t_ns {
            *t += (off_s * 1e9) as i64;
        }
        let options = FindOptions {
            speed: Some(speed),
            ..FindOptions::default()
        };
        find(survey, &options).reference.unwrap().lag_s
    }

    /// Leap seconds that a receiver does not count, and clocks set by hand.
    #[test]
    fn a_clock_that_is_off_is_put_right() {
        for (seed, off_s) in [(831, 18.0), (832, -18.0), (833, 4.2), (834, -41.3)] {
            let told_s = told_s(seed, off_s);
            assert!(
                (told_s - off_s).abs() < 0.03,
                "{seed}: {told_s} for {off_s}"
            );
        }
    }
}
