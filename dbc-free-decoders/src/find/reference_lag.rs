//! By how much the reference speed follows the frames, told by the fields that follow the speed.
//!
//! The reference is a straight line of each field with errors of its own, and the lag is the one at
//! which all errors together are likeliest: n points, of whose variance the share u is left
//! unexplained, add -n/2 ln u to the logarithm of the likelihood (normal errors of unknown size). So a
//! field that follows to within a thousandth outweighs many that follow by half, such as engine speed
//! or torque, which come before the speed or after it and would pull the lag with them.
//!
//! A tyre that pulls or brakes creeps: the wheel runs ahead of the ground or behind it by a share c a
//! of the speed, with a the acceleration. The speed itself moves on by a in a second, so creep looks
//! like a lag of c times the speed, some hundredths of a second; it is told from one by its growth
//! with speed, `v_ground = beta raw + alpha - c v a`, with a c of its own for pulling and for braking.
//! Points far off the line, where a wheel slips, are left out.
//!
//! Asked by `reference`, which lays the speed on the axis.

use super::reference::SpeedReference;
use super::statistics::{
    correlation, deviation, far_off, mean, peak_offset, robust_line, slope, smooth, solve,
};
use super::timeline::Timeline;
use super::wheel_speed::LEAST_R2;

/// Lags that are tried, in steps: a reference may be late by filtering, or early by a wrong clock.
const LAGS: std::ops::RangeInclusive<i64> = -20..=60;
const LAG_STEP_NS: i64 = 50_000_000;
/// Every so many of them are tried at first, to see which fields follow at all.
const COARSE_STEP: usize = 8;
/// Steps around the lag that was found so far in which it is sought anew.
const NEAR: usize = 6;
/// Fields that are tried at every lag, and those that settle it.
const NEAREST: usize = 24;
const LEADING: usize = 6;
/// Window that takes the reference's noise out of both, s: without it the fields that follow best
/// hardly differ from those that slip.
const WINDOW_S: f64 = 0.5;
/// How often the lag is sought anew with the creep and without the points far off that it shows.
const ROUNDS: usize = 3;
/// Points far off the line are left out, unless they are more than this share.
const MOST_LEFT_OUT: f64 = 0.3;
/// Share of variance that counts as not explained at least: rounding leaves as much.
const LEAST_UNEXPLAINED: f64 = 1e-9;
/// Creep of tyres, share of the speed per m/s^2, and its usual spread: 1 % of slip for a quarter of the
/// load, on one axle or on both. Common practice, no source.
const USUAL_CREEP: f64 = 0.004;
const CREEP_SPREAD: f64 = 0.004;
/// Fastest change of speed that is believed, m/s^2.
const MOST_ACCEL: f64 = 15.0;

/// A field that follows the speed, at the points where the reference is valid.
struct Follower {
    /// Raw numbers less their mean, over their deviation.
    raw: Vec<f64>,
    /// Points that count.
    at: Vec<usize>,
}

/// What creep adds at each point for a c of 1, m/s: while pulling and while braking.
struct Creep {
    pulling: Vec<f64>,
    braking: Vec<f64>,
    /// Points that one error lasts.
    lasting: f64,
}

impl Follower {
    fn of(raw: &[f64]) -> Self {
        let (centre, size) = (mean(raw), deviation(raw).max(f64::MIN_POSITIVE));
        Self {
            raw: raw.iter().map(|v| (v - centre) / size).collect(),
            at: (0..raw.len()).collect(),
        }
    }

    fn pick(&self, values: &[f64]) -> Vec<f64> {
        let values = self.at.iter().filter_map(|&k| values.get(k));
        values.copied().collect()
    }

    /// Share of the speed's variance that the field explains by a straight line.
    fn r2(&self, speed: &[f64]) -> f64 {
        correlation(&self.pick(&self.raw), &self.pick(speed)).powi(2)
    }

    /// Share of the speed's variance that the field leaves, with creep where some is given.
    fn unexplained(&self, speed: &[f64], creep: Option<&Creep>) -> f64 {
        let by_line = (1.0 - self.r2(speed)).max(LEAST_UNEXPLAINED);
        let by_creep = creep.and_then(|creep| self.left_with_creep(speed, creep, by_line));
        by_creep.unwrap_or(by_line).max(LEAST_UNEXPLAINED)
    }

    /// The same with a creep that is drawn to the usual one as far as the errors leave it open.
    fn left_with_creep(&self, speed: &[f64], creep: &Creep, by_line: f64) -> Option<f64> {
        let speed = self.pick(speed);
        let variance = deviation(&speed).powi(2);
        let columns = [
            vec![1.0; speed.len()],
            self.pick(&self.raw),
            self.pick(&creep.pulling),
            self.pick(&creep.braking),
        ];
        let mut matrix = vec![vec![0.0; columns.len() + 1]; columns.len()];
        for (sums, a) in matrix.iter_mut().zip(&columns) {
            for (sum, b) in sums.iter_mut().zip(columns.iter().chain([&speed])) {
                *sum = a.iter().zip(b).map(|(a, b)| a * b).sum();
            }
        }
        // What is known of tyres counts as so many points more.
        let known = creep.lasting * by_line * variance / CREEP_SPREAD.powi(2);
        for (k, sums) in matrix.iter_mut().enumerate().skip(2) {
            if let Some(sum) = sums.get_mut(k) {
                *sum += known;
            }
            if let Some(right) = sums.last_mut() {
                *right -= known * USUAL_CREEP;
            }
        }
        let fit = solve(matrix)?;
        let mut left: f64 = (0..speed.len())
            .filter_map(|k| {
                let columns = fit.iter().zip(&columns);
                let told: f64 = columns.map(|(c, x)| c * x.get(k).unwrap_or(&0.0)).sum();
                Some((speed.get(k)? - told).powi(2))
            })
            .sum();
        left += fit
            .iter()
            .skip(2)
            .map(|c| known * (c + USUAL_CREEP).powi(2))
            .sum::<f64>();
        (variance > 0.0).then(|| left / (variance * speed.len() as f64))
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
        let limit = far_off(&off);
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
        let pairs = values.iter().zip(valid);
        let kept = pairs.filter(|(_, valid)| **valid);
        kept.map(|(v, _)| *v).collect()
    };
    let speed_at = |lag_ns: i64| {
        let speed = axis.resample(&reference.t_ns, &reference.speed_mps, lag_ns);
        smooth(&speed, window)
    };
    // One more on either side, for the parabola.
    let speeds: Vec<Vec<f64>> = (LAGS.start() - 1..=LAGS.end() + 1)
        .map(|lag| kept(&speed_at(lag * LAG_STEP_NS)))
        .collect();
    let followers = fields
        .iter()
        .map(|raw| Follower::of(&kept(&smooth(raw, window))));
    // Between coarse lags a field may follow best whose own lag happens to lie near one of them.
    let nearest = best_of(followers.collect(), NEAREST, &speeds, COARSE_STEP);
    let mut leading = best_of(nearest, LEADING, &speeds, 1);
    let tried: Vec<(i64, &[Vec<f64>])> = LAGS.zip(speeds.windows(3)).collect();
    let Some((mut place, mut lag_ns)) = likeliest(&leading, &tried, None) else {
        return 0;
    };
    for _ in 0..ROUNDS {
        let speed = speed_at(lag_ns);
        let creep_of = |wanted: fn(f64) -> bool| -> Vec<f64> {
            let accel = slope(&speed).into_iter().map(|s| s / axis.step_s());
            let creep = accel.zip(&speed).map(|(a, v)| match wanted(a) {
                true => v * a.clamp(-MOST_ACCEL, MOST_ACCEL),
                false => 0.0,
            });
            kept(&creep.collect::<Vec<f64>>())
        };
        let creep = Creep {
            pulling: creep_of(|a| a > 0.0),
            braking: creep_of(|a| a < 0.0),
            lasting: window as f64,
        };
        let speed = kept(&speed);
        if !leading.iter().any(|of| of.r2(&speed) >= LEAST_R2) {
            return 0;
        }
        leading.iter_mut().for_each(|of| of.leave_out(&speed));
        let around = place.saturating_sub(NEAR)..(place + NEAR + 1).min(tried.len());
        let from = around.start;
        let Some(around) = tried.get(around) else {
            return lag_ns;
        };
        let Some((found, found_ns)) = likeliest(&leading, around, Some(&creep)) else {
            return lag_ns;
        };
        (place, lag_ns) = (from + found, found_ns);
    }
    lag_ns
}

/// The likeliest of the lags, each with the speeds before, at and after it: its place among them, and
/// the lag itself, ns, between the steps.
fn likeliest(
    leading: &[Follower],
    tried: &[(i64, &[Vec<f64>])],
    creep: Option<&Creep>,
) -> Option<(usize, i64)> {
    let left = |speed: &Vec<f64>| -> Vec<f64> {
        let each = leading.iter().map(|of| of.unexplained(speed, creep));
        each.collect()
    };
    let likelihood = |speed: &Vec<f64>| -> f64 {
        let each = leading.iter().zip(left(speed));
        each.map(|(of, left)| -0.5 * of.points() * left.ln()).sum()
    };
    let best = tried
        .iter()
        .enumerate()
        .filter_map(|(place, (lag, near))| Some((place, lag, <&[_; 3]>::try_from(*near).ok()?)))
        .map(|(place, lag, near)| (likelihood(&near[1]), place, lag, near))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let (_, place, lag, near) = best?;
    // What is left grows as the square of the lag's error, with the weights held.
    let weights = leading.iter().zip(left(&near[1]));
    let weights: Vec<f64> = weights.map(|(of, left)| of.points() / left).collect();
    let explained = near.each_ref().map(|speed| -> f64 {
        let each = left(speed).into_iter().zip(&weights);
        each.map(|(left, weight)| -weight * left).sum()
    });
    let lag = *lag as f64 + peak_offset(explained);
    Some((place, (lag * LAG_STEP_NS as f64) as i64))
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
