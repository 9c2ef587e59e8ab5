//! By how much the reference speed follows the frames, told by the fields that follow the speed.
//!
//! Each field is a straight line of the speed with errors of its own, and the lag is the one at which
//! all errors together are likeliest: n points of a field, of whose variance the share r2 is
//! explained, add -n/2 ln(1 - r2) to the logarithm of the likelihood (normal errors of unknown size).
//! So a field that follows to within a thousandth outweighs many that follow by half, such as engine
//! speed or torque, which come before the speed or after it and would pull the lag with them. A wheel
//! that slips while the car pulls seems to run ahead in time, so points far off the line are left out.
//!
//! Asked by `reference`, which lays the speed on the axis.

use super::reference::SpeedReference;
use super::statistics::{correlation, peak_offset, quantile, robust_line, smooth};
use super::timeline::Timeline;
use super::wheel_speed::LEAST_R2;

/// Lags that are tried, in steps: a reference may be late by filtering, or early by a wrong clock.
const LAGS: std::ops::RangeInclusive<i64> = -20..=60;
const LAG_STEP_NS: i64 = 50_000_000;
/// Every so many of them are tried at first, to see which fields follow at all.
const COARSE_STEP: usize = 8;
/// Fields that are tried at every lag, and those that settle it.
const NEAREST: usize = 24;
const LEADING: usize = 6;
/// Window that takes the reference's noise out of both, s: without it the fields that follow best
/// hardly differ from those that slip.
const WINDOW_S: f64 = 0.5;
/// How often points are left out anew at the lag that was found without them.
const ROUNDS: usize = 3;
/// Points this many robust deviations off the line are left out, unless they are more than this share.
const FAR_OFF: f64 = 4.0;
const MOST_LEFT_OUT: f64 = 0.3;
/// Share of variance that counts as not explained at least: rounding leaves as much.
const LEAST_UNEXPLAINED: f64 = 1e-9;

/// A field that follows the speed, at the points where the reference is valid.
struct Follower {
    raw: Vec<f64>,
    /// Points that count.
    at: Vec<usize>,
}

impl Follower {
    /// Share of the field's variance that the speed explains.
    fn r2(&self, speed: &[f64]) -> f64 {
        let of = |values: &[f64]| -> Vec<f64> {
            let values = self.at.iter().filter_map(|&k| values.get(k));
            values.copied().collect()
        };
        correlation(&of(&self.raw), &of(speed)).powi(2)
    }

    fn unexplained(&self, speed: &[f64]) -> f64 {
        (1.0 - self.r2(speed)).max(LEAST_UNEXPLAINED)
    }

    fn points(&self) -> f64 {
        self.at.len() as f64
    }

    /// Leaves out the points that lie far off the line.
    fn leave_out(&mut self, speed: &[f64]) {
        let fit = robust_line(speed, &self.raw);
        let off: Vec<f64> = speed
            .iter()
            .zip(&self.raw)
            .map(|(x, y)| (y - fit.slope * x - fit.intercept).abs())
            .collect();
        // 1.4826: from the median of absolute deviations to a normal law's standard deviation.
        let limit = FAR_OFF * 1.4826 * quantile(&off, 0.5);
        let near = (0..off.len()).filter(|&k| off.get(k).is_some_and(|off| *off <= limit));
        let near: Vec<usize> = near.collect();
        self.at = if near.len() as f64 >= (1.0 - MOST_LEFT_OUT) * off.len() as f64 {
            near
        } else {
            (0..off.len()).collect()
        };
    }
}

/// Those that follow best, each at the best of every so many lags.
fn best_of(
    followers: Vec<Follower>,
    count: usize,
    speeds: &[Vec<f64>],
    step: usize,
) -> Vec<Follower> {
    let best = |of: &Follower| {
        let tried = speeds.iter().skip(1).step_by(step);
        tried.map(|speed| of.r2(speed)).fold(0.0, f64::max)
    };
    let mut scored: Vec<(f64, Follower)> =
        followers.into_iter().map(|of| (best(&of), of)).collect();
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    scored.truncate(count);
    scored.into_iter().map(|(_, of)| of).collect()
}

/// The lag, ns, positive where the reference comes after the frames; 0 where no field follows it.
pub(super) fn lag_ns(
    reference: &SpeedReference,
    valid: &[bool],
    fields: &[&[f64]],
    axis: &Timeline,
) -> i64 {
    let window = axis.points(WINDOW_S);
    let kept = |values: &[f64]| -> Vec<f64> {
        let smoothed = smooth(values, window);
        let pairs = smoothed.into_iter().zip(valid);
        pairs.filter(|(_, valid)| **valid).map(|(v, _)| v).collect()
    };
    // One more on either side, for the parabola.
    let speeds: Vec<Vec<f64>> = (LAGS.start() - 1..=LAGS.end() + 1)
        .map(|lag| kept(&axis.resample(&reference.t_ns, &reference.speed_mps, lag * LAG_STEP_NS)))
        .collect();
    let all: Vec<Follower> = fields
        .iter()
        .map(|raw| {
            let raw = kept(raw);
            let at = (0..raw.len()).collect();
            Follower { raw, at }
        })
        .collect();
    // Between coarse lags a field may follow best whose own lag happens to lie near one of them.
    let nearest = best_of(all, NEAREST, &speeds, COARSE_STEP);
    let mut leading = best_of(nearest, LEADING, &speeds, 1);
    let likelihood = |leading: &[Follower], speed: &[f64]| -> f64 {
        let each = leading
            .iter()
            .map(|of| -0.5 * of.points() * of.unexplained(speed).ln());
        each.sum()
    };
    let mut lag_ns = 0;
    for _ in 0..ROUNDS {
        let best = speeds
            .windows(3)
            .zip(LAGS)
            .filter_map(|(near, lag)| Some((<&[Vec<f64>; 3]>::try_from(near).ok()?, lag)))
            .map(|(near, lag)| (likelihood(&leading, &near[1]), near, lag))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, near, lag)) = best else {
            return 0;
        };
        if !leading.iter().any(|of| of.r2(&near[1]) >= LEAST_R2) {
            return 0;
        }
        // What is explained falls off as the square of the lag, with the weights held.
        let weights = leading
            .iter()
            .map(|of| of.points() / of.unexplained(&near[1]));
        let weights: Vec<f64> = weights.collect();
        let explained = near.each_ref().map(|speed| -> f64 {
            let each = leading.iter().zip(&weights);
            each.map(|(of, weight)| weight * of.r2(speed)).sum()
        });
        lag_ns = ((lag as f64 + peak_offset(explained)) * LAG_STEP_NS as f64) as i64;
        let speed = axis.resample(&reference.t_ns, &reference.speed_mps, lag_ns);
        let speed = kept(&speed);
        leading.iter_mut().for_each(|of| of.leave_out(&speed));
    }
    lag_ns
}

#[cfg(test)]
mod tests {
    use super::super::made_drive::{Drive, at, put};
    use super::super::{FindOptions, SpeedReference, Survey, find};
    use crate::field::BitOrder::Big;

    /// What `find` makes of it, s.
    fn found(survey: Survey, speed: SpeedReference) -> f64 {
        let options = FindOptions {
            speed: Some(speed),
            ..FindOptions::default()
        };
        find(survey, &options).reference.unwrap().lag_s
    }

    fn check(seed: u64, times_a_second: f64, true_s: f64, within_s: f64, wheels: f64) {
        let mut drive = Drive::of_seed(seed);
        let mut survey = Survey::new();
        drive.send_the_rest(&mut survey);
        if wheels != 0.0 {
            let zero = if wheels < 0.0 { 60_000.0 } else { 0.0 };
            drive.send(&mut survey, 0x1A0, 0.02, |drive, _, t, data| {
                for (start, wheel) in [0, 16, 32, 48].into_iter().zip(&drive.wheels) {
                    put(data, (start, 16), Big, zero + 360.0 * wheels * at(wheel, t));
                }
            });
        }
        let told_s = found(survey, drive.reference(times_a_second, true_s));
        assert!(
            (told_s - true_s).abs() < within_s,
            "seed {seed}, {times_a_second} Hz, wheels {wheels}: {told_s} for {true_s}"
        );
    }

    /// The front wheels slip while the car pulls, and engine, pedal and torque come before the speed.
    #[test]
    fn neither_slip_nor_what_moves_the_car_shifts_the_lag() {
        for (seed, true_s) in [(811, 0.0), (812, 0.18), (813, -0.34), (814, 1.27)] {
            check(seed, 10.0, true_s, 0.015, 1.0);
        }
        check(815, 1.0, 0.6, 0.05, 1.0);
    }

    #[test]
    fn one_field_that_follows_or_codes_that_descend_tell_the_lag() {
        for (seed, true_s) in [(821, 0.0), (822, 0.41), (823, -0.22)] {
            check(seed, 10.0, true_s, 0.015, 0.0);
            check(seed, 5.0, true_s, 0.02, -1.0);
        }
    }
}
