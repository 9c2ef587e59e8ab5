//! Once per relative turn: does slip swing with the relative angle of the two shafts?
//!
//! A plate that runs out lets the torque swing once per relative turn, and the slip of the tyres
//! with it. Along each stretch that slips steadily, slip over speed is fitted with a smooth trend in
//! time and a sine and cosine of the relative angle (order analysis: over the angle, not over time).
//! The feature is the power at order one over that at the orders beside it, which do not see it: soft
//! ground swings more at all of them. A healthy pack has about as much at one order as at the next,
//! whatever the car, so that it needs neither torque nor a tyre curve, and no baseline. Slow circles
//! with the coupling closed slip through several turns and tell it best. Launches and
//! other short stretches, in which a trend leaks into the lower order, are a feature of their own, told
//! where a drive has no steady ones and only against the car's own healthy drives.

use nalgebra::{SMatrix, SVector};

use super::feature::Feature;
use super::phases::{BEFORE_RELEASE_S, CLOSES_S};
use super::record::{Gathered, Observation, Scene};
use crate::drive::{Column, at_seconds, seconds_between};
use crate::engagement::Found;
use crate::kinematics::slip_rad_s;
use crate::measure::Missing;
use crate::statistics::spread::mean;

/// Slower than this slip ratios tell nothing, m/s.
const LEAST_MPS: f64 = 0.8;
/// Slip counts as sliding from here on, m/s, and a run ends where it sticks for longer, s.
const SLIDES_MPS: f64 = 0.08;
const STICKS_S: f64 = 1.5;
/// Shortest run, s.
const SHORTEST_S: f64 = 0.8;
/// A run of so many relative turns and so many seconds is steady and tells the orders beside the first
/// one: a launch may slip through as many turns, with a trend that is no swing. Others count only where
/// a drive has none of those, from the least turn on: what swings over less cannot be told from a trend.
const SEVERAL_TURNS: f64 = 2.0;
const STEADY_S: f64 = 5.0;
const LEAST_TURNS: f64 = 0.88;
/// Orders beside the first, in steps of one over the run's turns; none lies below the second step,
/// where the trend is, nor next to order two, where a swing that is no sine shows too.
const BESIDE: [f64; 4] = [1.2, 2.2, 3.2, 4.2];
const FROM_TREND: f64 = 2.0;
const FROM_SECOND: f64 = 0.9;
/// Deviation of the logarithm of a healthy run's amplitude ratio: both orders hold noise of two
/// degrees of freedom, the ones beside many more.
const ONE_RUN: f64 = 0.4;
const NO_TURNS: &str = "no engagement slipped through a whole relative turn; hold a slow circle with the coupling closed, best uphill, the pedal past where it closes and then eased";
/// Fewest samples of a run.
const LEAST_SAMPLES: usize = 40;
/// Smallest amplitude that is told, per cent.
const LEAST_PERCENT: f64 = 0.01;
/// Parameters of the fit: a trend of fourth order in time, or of third over few turns, sine and cosine.
const LONG: usize = 7;
const SHORT: usize = 6;

#[derive(Clone, Copy, Debug)]
struct Point {
    t_s: f64,
    turn_rad: f64,
    /// Front-rear difference over speed, per cent.
    slip_percent: f64,
}

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let (front, rear, rad_per_m) = match needed(scene) {
        Ok(needed) => needed,
        Err(why) => {
            gathered.lacks(Feature::SlipSwing, why.to_string());
            return gathered.lacks(Feature::ShortSwing, why.to_string());
        }
    };
    let axle = |i: usize| {
        let (front, rear) = (front.get(i)?, rear.get(i)?);
        Some((front, rear, scene.shafts_mps(front, rear)))
    };
    let (mut several, mut short) = (Vec::new(), Vec::new());
    for (_, place) in scene.engagements() {
        for run in stretches(scene, place, &axle, rad_per_m) {
            let turns = turns_of(&run);
            if turns < LEAST_TURNS {
                continue;
            }
            let steady = turns >= SEVERAL_TURNS && lasts_s(&run) >= STEADY_S;
            match (steady, over_beside(&run, turns, steady)) {
                (true, Some(ratio)) => several.push(ratio),
                (false, Some(ratio)) => short.push(ratio),
                (_, None) => {}
            }
        }
    }
    // Powers are averaged, not their logarithms: a swing in one of two circles is a swing.
    let mut add = |feature, ratios: &[f64]| {
        let mean = mean(ratios)?;
        let u = ONE_RUN / (ratios.len() as f64).sqrt();
        gathered.add(feature, Observation::plain(0.5 * mean.ln(), u));
        Some(())
    };
    if add(Feature::SlipSwing, &several).is_none() {
        let _ = add(Feature::ShortSwing, &short);
        gathered.lacks(Feature::SlipSwing, NO_TURNS);
        gathered.lacks(Feature::ShortSwing, NO_TURNS);
    }
}

/// The axles' speeds, m/s, and how far the shafts turn for each metre of them, rad/m.
fn needed<'a>(scene: &Scene<'a>) -> Result<(&'a Column, &'a Column, f64), Missing> {
    let (k, v) = (scene.kinematics, scene.vehicle);
    let front = k.front_mps.as_ref().map_err(Clone::clone)?;
    let rear = k.rear_mps.as_ref().map_err(Clone::clone)?;
    let ratio = v.rear_drive_ratio()?;
    let radius_m = v.rolling_radius_m()?;
    Ok((front, rear, ratio / radius_m))
}

/// Stretches of an engagement that slide without sticking for long. `axle` gives the speeds of the
/// front and the rear axle, and how much faster the front shaft turns, as a speed of the rear wheels;
/// all m/s.
fn stretches(
    scene: &Scene<'_>,
    found: &Found,
    axle: &dyn Fn(usize) -> Option<(f64, f64, f64)>,
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
        let seen = axle(i).filter(|(_, rear, _)| *rear > LEAST_MPS);
        if let Some((_, _, shafts_mps)) = seen
            && shafts_mps.abs() > SLIDES_MPS
        {
            slid_ns = t;
        }
        let Some((front, rear, shafts_mps)) =
            seen.filter(|_| seconds_between(slid_ns, t) < STICKS_S)
        else {
            done.push(std::mem::take(&mut run));
            last = None;
            if seen.is_none() {
                slid_ns = t;
            }
            continue;
        };
        let speed = slip_rad_s(shafts_mps, rad_per_m, 1.0);
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

fn turns_of(run: &[Point]) -> f64 {
    match (run.first(), run.last()) {
        (Some(first), Some(last)) => (last.turn_rad - first.turn_rad) / std::f64::consts::TAU,
        _ => 0.0,
    }
}

/// Power at order one over the mean of those beside it; of a run that is not steady, over the next one.
fn over_beside(run: &[Point], turns: f64, steady: bool) -> Option<f64> {
    let step = 1.0 / turns;
    let orders: Vec<f64> = match steady {
        true => BESIDE
            .iter()
            .flat_map(|k| [1.0 - k * step, 1.0 + k * step])
            .filter(|o| *o >= FROM_TREND * step && (o - 2.0).abs() > FROM_SECOND * step)
            .collect(),
        false => vec![1.0 + step],
    };
    let least = LEAST_PERCENT * LEAST_PERCENT;
    let power = |order| {
        let amplitude = match steady {
            true => amplitude::<LONG>(run, order),
            false => amplitude::<SHORT>(run, order),
        };
        amplitude.map(|a| (a * a).max(least))
    };
    let beside: Vec<f64> = orders.into_iter().filter_map(power).collect();
    Some(power(1.0)? / mean(&beside)?)
}

/// Amplitude of slip at an order of the relative turn, beside a smooth trend in time, per cent: `N`
/// parameters, the last two sine and cosine.
fn amplitude<const N: usize>(run: &[Point], order: f64) -> Option<f64> {
    let (from, to) = (run.first()?.t_s, run.last()?.t_s);
    let half = 0.5 * (to - from);
    let mut normal = SMatrix::<f64, N, N>::zeros();
    let mut right = SVector::<f64, N>::zeros();
    for p in run {
        let x = (p.t_s - from) / half - 1.0;
        let (sine, cosine) = (order * p.turn_rad).sin_cos();
        let row = SVector::<f64, N>::from_fn(|i, _| match N - i {
            1 => cosine,
            2 => sine,
            _ => x.powi(i as i32),
        });
        normal += row * row.transpose();
        right += row * p.slip_percent;
    }
    let solved = normal.cholesky()?.solve(&right);
    let found = solved[N - 2].hypot(solved[N - 1]);
    found.is_finite().then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    /// Slip over three and a half turns at an uneven pace, with a swing of some order.
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
        let one = amplitude::<LONG>(&run(1.0, 0.5, &mut random), 1.0).unwrap();
        assert!((one - 0.5).abs() < 0.1, "{one}");
        let other = amplitude::<LONG>(&run(1.8, 0.5, &mut random), 1.0).unwrap();
        assert!(other < 0.2, "{other}");
        let none = amplitude::<LONG>(&run(1.0, 0.0, &mut random), 1.0).unwrap();
        assert!(none < 0.15, "{none}");
    }

    #[test]
    fn the_orders_beside_tell_a_swing_from_a_restless_road() {
        let mut random = Random::new(6);
        let mut ratio = |order: f64, swing: f64| {
            let ratios: Vec<f64> = (0..40)
                .map(|_| {
                    let run = run(order, swing, &mut random);
                    over_beside(&run, turns_of(&run), true).unwrap()
                })
                .collect();
            0.5 * mean(&ratios).unwrap().ln()
        };
        // Without a swing both powers are those of the same noise.
        let none = ratio(1.0, 0.0);
        assert!(none.abs() < 0.25, "{none}");
        let one = ratio(1.0, 0.3);
        assert!(one > 0.8, "{one}");
        // A swing that does not go with the relative turn is not one of a plate.
        let other = ratio(1.9, 0.3);
        assert!(other < 0.1, "{other}");
    }
}
