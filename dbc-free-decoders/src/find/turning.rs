//! The fields that follow the turn: steering angle and yaw rate, ranked, each with its reasons.

use super::candidate::Candidate;
use super::corner::Geometry;
use super::motion::Motion;
use super::proposal::Scaling;
use super::ranked::Ranked;
use super::statistics::{correlation, deviation, mean, pick, quantile, robust_line, smooth};
use super::timeline::Timeline;
use crate::role::Role;
use crate::unit::Unit;

/// Least turning, rad/s, that tells fields apart.
const LEAST_TURNING_RAD_S: f64 = 0.001;
/// Slowest speed at which a steering angle makes a turn, m/s.
const LEAST_SPEED_MPS: f64 = 2.5;
const LEAST_CORRELATION: f64 = 0.6;
/// Steps, degrees a count, of steering angles. Common practice, no source.
const STEERING_SPAN_DEG: std::ops::RangeInclusive<f64> = 200.0..=1700.0;
const STEERING_STEPS_DEG: [f64; 8] = [0.1, 0.0625, 0.05, 0.04375, 0.5, 1.0, 1.5, 0.01];
/// Steering wheel to road wheels. Common practice, no source.
const STEERING_RATIO: f64 = 15.0;
/// Wheelbase of a car whose size is not known, m. Common practice, no source.
const USUAL_WHEELBASE_M: f64 = 2.7;

/// What a score loses for each part over a half that another number tells better: of one that is wholly
/// another's less is left than is accepted.
const MISTAKEN: f64 = 1.4;
/// Two numbers that leave each other less than this share of their squares are the same.
const SAME: f64 = 1e-3;

/// Steering and yaw candidates, each role's best first.
pub(crate) fn turning(
    candidates: &[Candidate],
    motion: &Motion,
    geometry: Geometry,
    axis: &Timeline,
) -> Vec<Ranked> {
    let wheelbase_m = geometry.wheelbase_m.unwrap_or(USUAL_WHEELBASE_M);
    if motion.yaw.is_empty() {
        return Vec::new();
    }
    let rolling = motion.points(|v, _| v > LEAST_SPEED_MPS);
    // Wide bends need a long look: a receiver's course is rough.
    let bends = deviation(&pick(&motion.yaw, &rolling)) > 0.02;
    let window = axis.points(if bends { 0.8 } else { 2.0 });
    let yaw = smooth(&motion.yaw, window);
    let at_speed = pick(&yaw, &rolling);
    if rolling.len() < 100 || deviation(&at_speed) < LEAST_TURNING_RAD_S {
        return Vec::new();
    }
    let speed = pick(&motion.speed, &rolling);
    let curvature: Vec<f64> = at_speed
        .iter()
        .zip(&speed)
        .map(|(r, v)| r / v.max(1.0))
        .collect();
    let lateral: Vec<f64> = at_speed.iter().zip(&speed).map(|(r, v)| r * v).collect();
    let standing = motion.points(|v, _| v < 0.2);
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        if c.distinct < 6 || c.field.length() < 5 {
            continue;
        }
        let x = pick(&smooth(&c.raw, window), &rolling);
        let of_rate = correlation(&x, &at_speed);
        let of_curvature = correlation(&x, &curvature);
        let of_lateral = correlation(&x, &lateral);
        let best = of_rate.abs().max(of_curvature.abs());
        if best < LEAST_CORRELATION || of_lateral.abs() > best + 0.02 {
            continue;
        }
        let score = |r: f64, other: f64| {
            let fit = ((r.abs() - 0.5) / 0.48).clamp(0.0, 1.0);
            // Of two roles the one that fits better.
            fit * (1.0 - 2.0 * (other.abs() - r.abs()).clamp(0.0, 0.5))
        };
        // A steering wheel moves in a standing car; a yaw rate does not.
        let span = c.high - c.low;
        let moved = deviation(&pick(&c.raw, &standing));
        let turns_standing = standing.len() > axis.points(2.0) && moved > 0.02 * span;
        let smoothness = roughness(&c.raw) / deviation(&c.raw).max(1e-9);
        // Curvature, rate and lateral acceleration are much alike where turns are taken at one speed: whether
        // it is the rate says what each of two adds to the other. Not so of the curvature, which the wheels
        // tell badly of a slow car.
        let rather = |this: &[f64], that: &[f64]| {
            1.0 - MISTAKEN * (share_of_second(&x, this, that) - 0.5).clamp(0.0, 0.5)
        };
        let mut steering = score(of_curvature, of_rate);
        let mut yaw_rate = score(of_rate, of_curvature)
            * rather(&at_speed, &curvature)
            * rather(&at_speed, &lateral);
        // A gyro shows the road's noise, a steering wheel steps through its codes.
        if smoothness > 0.04 {
            steering *= 0.85
        } else {
            yaw_rate *= 0.96
        }
        // An accelerometer across the car follows rate times speed.
        yaw_rate *= 1.0 - 3.0 * (of_lateral.abs() - of_rate.abs()).clamp(0.0, 0.2);
        if turns_standing {
            yaw_rate *= 0.5;
        }
        let sign_note = |r: f64| match (motion.yaw_signed, r > 0.0) {
            (true, true) => "; positive to the left",
            (true, false) => "; positive to the right",
            (false, _) => "",
        };
        found.push(Ranked {
            role: Role::SteeringAngle,
            candidate: index,
            score: steering,
            scaling: steering_scale(c, &x, &curvature, wheelbase_m),
            note: Some("scale: a guess, the usual step nearest to a ratio of 15 to 1 between steering wheel and road wheels".to_owned()),
            evidence: vec![format!("follows the curvature of the path (correlation {:.2}){}", of_curvature.abs(), sign_note(of_curvature))],
        });
        found.push(Ranked {
            role: Role::BodyYawRate,
            candidate: index,
            score: yaw_rate,
            scaling: yaw_scale(&x, &at_speed),
            note: Some("scale from the wheels' own turn rate, whose track is taken as 1.55 m where no vehicle file says it".to_owned()),
            evidence: vec![format!("follows the turn rate (correlation {:.2}){}", of_rate.abs(), sign_note(of_rate))],
        });
    }
    found
}

/// How much of what two numbers tell of a third is the second's, 0 to 1: the products of slope and deviation
/// of a plane through all three. One half where the two are the same.
fn share_of_second(told: &[f64], first: &[f64], second: &[f64]) -> f64 {
    let (t0, p0, q0) = (mean(told), mean(first), mean(second));
    let mut sums = [0.0; 5];
    for ((t, p), q) in told.iter().zip(first).zip(second) {
        let (t, p, q) = (t - t0, p - p0, q - q0);
        for (sum, product) in sums.iter_mut().zip([p * p, q * q, p * q, t * p, t * q]) {
            *sum += product;
        }
    }
    let [pp, qq, pq, tp, tq] = sums;
    let alike = pp * qq - pq * pq < SAME * pp * qq;
    let of_first = (tp * qq - tq * pq).abs() * pp.sqrt();
    let of_second = (tq * pp - tp * pq).abs() * qq.sqrt();
    match alike || of_first + of_second <= 0.0 {
        true => 0.5,
        false => of_second / (of_first + of_second),
    }
}

/// Median size of the second difference.
fn roughness(values: &[f64]) -> f64 {
    let second: Vec<f64> = values
        .windows(3)
        .map(|w| match w {
            [a, b, c] => (a - 2.0 * b + c).abs(),
            _ => 0.0,
        })
        .collect();
    quantile(&second, 0.7)
}

fn yaw_scale(x: &[f64], yaw_rad_s: &[f64]) -> Option<Scaling> {
    let fit = robust_line(x, yaw_rad_s);
    let scale = fit.slope.to_degrees();
    let offset = fit.intercept.to_degrees();
    (scale != 0.0 && scale.is_finite()).then_some(Scaling {
        scale,
        offset,
        u_scale: 0.1 * scale.abs(),
        u_offset: 0.3,
        unit: Unit::DegreePerSecond,
    })
}

fn steering_scale(
    c: &Candidate,
    x: &[f64],
    curvature: &[f64],
    wheelbase_m: f64,
) -> Option<Scaling> {
    // Ackermann: curvature = tan(angle / ratio) / wheelbase, for small angles.
    let fit = robust_line(x, curvature);
    let measured = (fit.slope * wheelbase_m * STEERING_RATIO).to_degrees();
    let step = STEERING_STEPS_DEG.iter().copied().min_by(|a, b| {
        (a / measured.abs())
            .ln()
            .abs()
            .total_cmp(&(b / measured.abs()).ln().abs())
    })?;
    let reach = step * f64::from(c.field.length().min(31)).exp2();
    let step = if STEERING_SPAN_DEG.contains(&reach) {
        step
    } else {
        measured.abs()
    };
    let sign = measured.signum();
    let zero = if fit.slope == 0.0 {
        0.0
    } else {
        -fit.intercept / fit.slope
    };
    // A signed number is 0 straight ahead; an unsigned one has its own middle.
    let zero = if c.low < 0.0 { 0.0 } else { zero.round() };
    let scale = sign * step;
    (scale != 0.0 && scale.is_finite()).then_some(Scaling {
        scale,
        offset: -scale * zero,
        u_scale: 0.3 * step,
        u_offset: 5.0,
        unit: Unit::Degree,
    })
}
