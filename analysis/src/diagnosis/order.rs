//! Once per relative turn: does slip swing with the relative angle of the two shafts?
//!
//! A plate that runs out lets the torque swing once per relative turn, and the slip of the tyres
//! with it. Along each stretch that slips through about a turn or more, slip over speed is fitted
//! with a smooth trend in time and a sine and cosine of the relative angle (order analysis: over the
//! angle, not over time). The feature is the amplitude at order one over that at the next order which
//! does not see it: soft ground swings more at both. It needs neither torque nor a tyre curve. Slow
//! bends with the coupling closed slip steadily and tell it best.

use nalgebra::{SMatrix, SVector};

use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::drive::{at_seconds, seconds_between};
use crate::engagement::Found;
use crate::kinematics::slip_rad_s;

/// The closing itself is over after this, s.
const CLOSES_S: f64 = 0.4;
/// The driveline swings when the pedal is let go; nothing counts this long before the release, s.
const BEFORE_RELEASE_S: f64 = 0.08;
/// Slower than this slip ratios tell nothing, m/s.
const LEAST_MPS: f64 = 0.8;
/// Slip counts as sliding from here on, m/s, and a run ends where it sticks for longer, s.
const SLIDES_MPS: f64 = 0.08;
const STICKS_S: f64 = 1.5;
/// A run of this length is a steady one, s; shorter ones, in which a trend may look like a swing,
/// count only where a drive has none of those.
const STEADY_S: f64 = 2.5;
const SHORTEST_S: f64 = 0.8;
/// Least relative turn of a run, rad: what swings over less cannot be told from a trend.
const LEAST_TURN_RAD: f64 = 5.5;
/// Fewest samples of a run.
const LEAST_SAMPLES: usize = 40;
/// Deviation of the logarithm of one run's amplitude: trends differ from run to run.
const ONE_RUN: f64 = 0.3;
/// Smallest amplitude that is told, per cent.
const LEAST_PERCENT: f64 = 0.02;
/// Parameters of the fit: a cubic in time, sine and cosine.
const PARAMETERS: usize = 6;

#[derive(Clone, Copy, Debug)]
struct Point {
    t_s: f64,
    turn_rad: f64,
    /// Front-rear difference over speed, per cent.
    slip_percent: f64,
}

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let k = scene.kinematics;
    let v = scene.vehicle;
    let (Ok(front), Ok(rear)) = (&k.front_mps, &k.rear_mps) else {
        return gathered.lacks(Feature::SlipSwing, "axle speeds cannot be told");
    };
    let (Some(ratio), Some(radius_m)) = (v.driveline.rear_drive_ratio, v.tyres.rolling_radius_m)
    else {
        return gathered.lacks(
            Feature::SlipSwing,
            "the vehicle file lacks driveline.rear_drive_ratio or tyres.rolling_radius_m",
        );
    };
    let axle = |i: usize| Some((front.get(i)?, rear.get(i)?));
    let (mut steady, mut short) = (Vec::new(), Vec::new());
    for (_, place) in scene.engagements() {
        for run in stretches(scene, place, &axle, ratio / radius_m) {
            if turn_of(&run) >= LEAST_TURN_RAD
                && let (Some(percent), Some(beside)) = (amplitude(&run, 1.0), beside(&run))
            {
                let value = (percent.max(LEAST_PERCENT) / beside.max(LEAST_PERCENT)).ln();
                match lasts_s(&run) >= STEADY_S {
                    true => steady.push(value),
                    false => short.push(value),
                }
            }
        }
    }
    let values = if steady.is_empty() { short } else { steady };
    if values.is_empty() {
        return gathered.lacks(
            Feature::SlipSwing,
            "no engagement slipped through a whole relative turn; hold a slow bend, best uphill and on a loose road, the pedal just past where the coupling closes",
        );
    }
    for value in values {
        gathered.add(Feature::SlipSwing, Observation::plain(value, ONE_RUN));
    }
}

/// Stretches of an engagement that slide without sticking for long.
fn stretches(
    scene: &Scene<'_>,
    found: &Found,
    axle: &dyn Fn(usize) -> Option<(f64, f64)>,
    rad_per_m: f64,
) -> Vec<Vec<Point>> {
    let base = scene.drive.base_ns();
    let from_ns = at_seconds(found.start_ns, CLOSES_S);
    let to_ns = at_seconds(found.release_ns, -BEFORE_RELEASE_S);
    let first = base.partition_point(|&t| t < from_ns);
    let mut done = Vec::new();
    let mut run: Vec<Point> = Vec::new();
    let mut last: Option<(i64, f64)> = None;
    let mut turn_rad = 0.0;
    let mut slid_ns = from_ns;
    for (i, &t) in base.iter().enumerate().skip(first) {
        if t > to_ns {
            break;
        }
        let seen = axle(i).filter(|(_, rear)| *rear > LEAST_MPS);
        if let Some((front, rear)) = seen
            && front - rear > SLIDES_MPS
        {
            slid_ns = t;
        }
        let Some((front, rear)) = seen.filter(|_| seconds_between(slid_ns, t) < STICKS_S) else {
            done.push(std::mem::take(&mut run));
            last = None;
            slid_ns = slid_ns.max(if seen.is_none() { t } else { slid_ns });
            continue;
        };
        let speed = slip_rad_s(front - rear, rad_per_m, 1.0);
        if let Some((before, was)) = last {
            turn_rad += 0.5 * (was + speed) * seconds_between(before, t);
        }
        last = Some((t, speed));
        run.push(Point {
            t_s: seconds_between(from_ns, t),
            turn_rad,
            slip_percent: 100.0 * (front - rear) / rear,
        });
    }
    done.push(run);
    done.retain(|run| run.len() >= LEAST_SAMPLES && lasts_s(run) >= SHORTEST_S);
    done
}

fn lasts_s(run: &[Point]) -> f64 {
    match (run.first(), run.last()) {
        (Some(first), Some(last)) => last.t_s - first.t_s,
        _ => 0.0,
    }
}

fn turn_of(run: &[Point]) -> f64 {
    match (run.first(), run.last()) {
        (Some(first), Some(last)) => last.turn_rad - first.turn_rad,
        _ => 0.0,
    }
}

/// Amplitude of slip at the next order that does not see order one over this run, per cent: what
/// road, tyres and sensors leave beside it.
fn beside(run: &[Point]) -> Option<f64> {
    amplitude(run, 1.0 + std::f64::consts::TAU / turn_of(run))
}

/// Amplitude of slip at an order of the relative turn, beside a cubic trend in time, per cent.
fn amplitude(run: &[Point], order: f64) -> Option<f64> {
    let (from, to) = (run.first()?.t_s, run.last()?.t_s);
    let half = 0.5 * (to - from);
    let mut normal = SMatrix::<f64, PARAMETERS, PARAMETERS>::zeros();
    let mut right = SVector::<f64, PARAMETERS>::zeros();
    for p in run {
        let x = (p.t_s - from) / half - 1.0;
        let (sine, cosine) = (order * p.turn_rad).sin_cos();
        let row = SVector::from([1.0, x, x * x, x * x * x, sine, cosine]);
        normal += row * row.transpose();
        right += row * p.slip_percent;
    }
    let solved = normal.cholesky()?.solve(&right);
    let found = solved[4].hypot(solved[5]);
    found.is_finite().then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    /// Slip over two and a half turns at an uneven pace, with a swing of some order.
    fn run(order: f64, swing_percent: f64, random: &mut Random) -> Vec<Point> {
        let mut turn_rad = 0.0;
        (0..600)
            .map(|i| {
                let t_s = 0.01 * f64::from(i);
                turn_rad += 0.01 * (2.0 + 0.8 * t_s - 0.08 * t_s * t_s);
                let trend = 6.0 + 1.5 * t_s - 0.15 * t_s * t_s;
                let swing = swing_percent * (order * turn_rad + 0.7).sin();
                Point {
                    t_s,
                    turn_rad,
                    slip_percent: trend + swing + 0.6 * random.normal(),
                }
            })
            .collect()
    }

    #[test]
    fn a_swing_of_order_one_is_told_in_its_size_and_others_are_not_taken_for_it() {
        let mut random = Random::new(4);
        let one = amplitude(&run(1.0, 0.5, &mut random), 1.0).unwrap();
        assert!((one - 0.5).abs() < 0.1, "{one}");
        let other = amplitude(&run(1.8, 0.5, &mut random), 1.0).unwrap();
        assert!(other < 0.2, "{other}");
        let none = amplitude(&run(1.0, 0.0, &mut random), 1.0).unwrap();
        assert!(none < 0.15, "{none}");
    }
}
