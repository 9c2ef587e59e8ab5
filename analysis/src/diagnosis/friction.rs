//! Torque that the pack carries per bar while it slips, and whether that torque swings once per
//! relative turn.
//!
//! While the coupling slips, the car is driven by two forces: the front tyres', which follow from
//! their own slip, and the rear axle's, which is the coupling's torque:
//! `a = f(slip ratio) + k (p - p_touch)`. Samples of alike front slip ratio are compared with each
//! other, so that the unknown tyre curve `f` falls out, and `k` is the slope that is left: m/s² per
//! bar. With mass, radius and rear ratio it is torque per bar, `k m R / (i eta)`.
//!
//! What is left over, against the relative turn of the two shafts (the integral of slip at the
//! coupling), shows a plate that runs out: a swing once per turn, told as a share of the torque.
//! The method is ours; it takes a surface that stays the same within a drive.

use slipwright_decoders::role::Role;

use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::drive::{at_seconds, seconds_between};
use crate::engagement::{Kind, SlipTrace};
use crate::kinematics::slip_rad_s;
use crate::robust::median;

/// Slip counts from this many of its deviations on, and at least this, m/s.
const CLEAR_DEVIATIONS: f64 = 3.0;
const LEAST_SLIP_MPS: f64 = 0.15;
/// Slower than this tyres follow their slip late, m/s.
const LEAST_MPS: f64 = 1.0;
/// Bins of the slip ratio: edges.
const EDGES: [f64; 13] = [
    0.02, 0.03, 0.045, 0.06, 0.08, 0.11, 0.15, 0.20, 0.27, 0.36, 0.48, 0.65, 2.0,
];
/// Half of the span over which acceleration is taken from the rear wheels, s.
const HALF_SPAN_S: f64 = 0.06;
/// Fewest samples of a slope, and least spread of pressure, bar.
const LEAST_SAMPLES: usize = 40;
const LEAST_SPREAD_BAR: f64 = 0.8;
/// A swing needs this much relative turn within an engagement, rad.
const LEAST_TURN_RAD: f64 = 3.5;

/// Swing that the tyre curve alone may leave in an engagement, as a share of the torque.
const LEFT_OVER: f64 = 0.06;
/// Sliding speed over which friction passes from its value at rest to its value in sliding, m/s,
/// and the lining's usual middle radius, m. Common practice, no source.
const FADE_MPS: f64 = 0.2;
const USUAL_LINING_M: f64 = 0.065;
/// The difference between low and high slip is told at most this badly, per cent.
const FALL_TOLD: f64 = 40.0;

struct Sample {
    engagement: usize,
    bin: usize,
    turn_rad: f64,
    bar: f64,
    /// Share of the friction that is not yet faded with sliding speed.
    still: f64,
    accel: f64,
}

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let both = |gathered: &mut Gathered, why: String| {
        gathered.lacks(Feature::TorquePerBar, why.clone());
        gathered.lacks(Feature::FrictionFall, why.clone());
        gathered.lacks(Feature::OncePerTurn, why);
    };
    held_slip(scene, gathered);
    let samples = match samples(scene) {
        Ok(samples) => samples,
        Err(why) => return both(gathered, why),
    };
    let Some(fit) = fit(&samples) else {
        return both(
            gathered,
            "the coupling slipped too little while pressure changed; pull away more firmly, where that is safe".into(),
        );
    };
    if fit.slope > 0.0 && fit.u < 0.5 * fit.slope {
        gathered.add(
            Feature::TorquePerBar,
            Observation::plain((fit.slope * to_torque(scene)).ln(), fit.u / fit.slope),
        );
    } else {
        gathered.lacks(
            Feature::TorquePerBar,
            "the car's acceleration does not tell the coupling's torque in this drive",
        );
    }
    match fall(&samples) {
        Some((percent, u)) if u < FALL_TOLD => {
            gathered.add(Feature::FrictionFall, Observation::plain(percent, u));
        }
        _ => gathered.lacks(
            Feature::FrictionFall,
            "too little slip, low and high, to compare friction at both",
        ),
    }
    match swing(&samples, &fit) {
        Some((percent, u)) => {
            gathered.add(Feature::OncePerTurn, Observation::plain(percent, u));
        }
        None => gathered.lacks(
            Feature::OncePerTurn,
            "no engagement slipped for more than half a relative turn",
        ),
    }
}

/// A slip of this size cannot be told from none, m/s.
const NO_SLIP_MPS: f64 = 0.05;
/// From this long after the demand a sound coupling has closed and holds; looked at for so long, s.
const HELD_FROM_S: f64 = 0.45;
const HELD_TO_S: f64 = 1.5;

/// Slip that is left while the coupling holds, straight on.
fn held_slip(scene: &Scene<'_>, gathered: &mut Gathered) {
    let Ok(trace) = SlipTrace::of(scene.drive, scene.kinematics) else {
        gathered.lacks(Feature::HeldSlip, "slip cannot be told");
        return;
    };
    for (engagement, found) in scene.engagements() {
        if engagement.kind == Kind::TurnIn {
            continue;
        }
        let from = at_seconds(found.start_ns, HELD_FROM_S);
        let to = at_seconds(found.start_ns, HELD_TO_S).min(found.release_ns);
        let values: Vec<f64> = trace
            .range(from, to)
            .filter_map(|i| trace.slip_mps(i))
            .collect();
        if values.len() >= 10
            && let Some(middle) = median(&values)
        {
            let value = (middle.max(0.0) + NO_SLIP_MPS).ln();
            gathered.add(Feature::HeldSlip, Observation::plain(value, 0.1));
        }
    }
}

/// N·m per bar of each m/s² per bar; 1 where the vehicle file does not tell, and changes still
/// show.
fn to_torque(scene: &Scene<'_>) -> f64 {
    let v = scene.vehicle;
    match (
        v.mass.kg,
        v.tyres.rolling_radius_m,
        v.driveline.rear_drive_ratio,
    ) {
        (Some(kg), Some(radius_m), Some(ratio)) => kg * radius_m / ratio,
        _ => 1.0,
    }
}

fn samples(scene: &Scene<'_>) -> Result<Vec<Sample>, String> {
    let (drive, k, vehicle) = (scene.drive, scene.kinematics, scene.vehicle);
    let text = |why: crate::measure::Missing| why.to_string();
    let pressure = drive.channel(Role::CouplingPressure).map_err(text)?;
    let trace = SlipTrace::of(drive, k).map_err(text)?;
    let front = k.front_mps.as_ref().map_err(|e| e.to_string())?;
    let rear = k.rear_mps.as_ref().map_err(|e| e.to_string())?;
    let accel = drive.channel(Role::BodyAccelLong).ok();
    let c = &vehicle.coupling;
    let touch_bar = match (c.return_force_n, c.piston_area_m2) {
        (Some(force), Some(area)) => force / area * 1e-5,
        _ => 0.0,
    };
    let ratio = vehicle.driveline.rear_drive_ratio.unwrap_or(2.5);
    let radius_m = vehicle.tyres.rolling_radius_m.unwrap_or(0.31);
    let lining_m = match (c.outer_radius_m, c.inner_radius_m) {
        (Some(outer), Some(inner)) => 0.5 * (outer + inner),
        _ => USUAL_LINING_M,
    };
    let base = drive.base_ns();
    let half_ns = (HALF_SPAN_S * 1e9) as i64;
    let mut samples = Vec::new();
    for (engagement, (_, found)) in scene.engagements().enumerate() {
        let mut turn_rad = 0.0;
        let mut last: Option<(i64, f64)> = None;
        for i in trace.range(at_seconds(found.start_ns, -0.2), found.release_ns) {
            let (Some(slip), Some(v_f), Some(v_r)) = (trace.slip_mps(i), front.get(i), rear.get(i))
            else {
                last = None;
                continue;
            };
            let t = base[i];
            let slip_ratio = slip / v_f.max(LEAST_MPS);
            let speed = slip_rad_s(v_f - v_r, ratio, radius_m);
            if let Some((before, was)) = last {
                turn_rad += 0.5 * (was + speed) * seconds_between(before, t);
            }
            last = Some((t, speed));
            let clear = slip > LEAST_SLIP_MPS.max(CLEAR_DEVIATIONS * trace.noise().sigma_mps());
            if !clear || v_r < LEAST_MPS {
                continue;
            }
            let bin = EDGES.partition_point(|&edge| edge <= slip_ratio);
            let (Some(bar), true) = (pressure.at(t), (1..EDGES.len()).contains(&bin)) else {
                continue;
            };
            let by_wheels = || {
                let from = drive.column_at(rear, t.saturating_sub(half_ns))?;
                let to = drive.column_at(rear, t.saturating_add(half_ns))?;
                Some((to - from) / (2.0 * HALF_SPAN_S))
            };
            let accel = match accel {
                Some(sensor) => sensor.at(t),
                None => by_wheels(),
            };
            if let Some(accel) = accel {
                samples.push(Sample {
                    engagement,
                    bin,
                    turn_rad,
                    bar: (bar - touch_bar).max(0.0),
                    still: (-speed.abs() * lining_m / FADE_MPS).exp(),
                    accel,
                });
            }
        }
    }
    Ok(samples)
}

struct Fit {
    slope: f64,
    u: f64,
    /// Left over of each sample.
    left: Vec<f64>,
}

/// The slope within bins; its uncertainty from engagement to engagement, because samples of one
/// engagement share its errors.
fn fit(samples: &[Sample]) -> Option<Fit> {
    if samples.len() < LEAST_SAMPLES {
        return None;
    }
    let mut sums = [(0.0, 0.0, 0.0); EDGES.len()];
    for s in samples {
        let sum = &mut sums[s.bin];
        sum.0 += 1.0;
        sum.1 += s.bar;
        sum.2 += s.accel;
    }
    let centred = |s: &Sample| {
        let (n, bar, accel) = sums[s.bin];
        (s.bar - bar / n, s.accel - accel / n)
    };
    let (mut s_pp, mut s_pa) = (0.0, 0.0);
    for s in samples {
        let (p, a) = centred(s);
        s_pp += p * p;
        s_pa += p * a;
    }
    if (s_pp / samples.len() as f64).sqrt() < LEAST_SPREAD_BAR {
        return None;
    }
    let slope = s_pa / s_pp;
    let left: Vec<f64> = samples
        .iter()
        .map(|s| {
            let (p, a) = centred(s);
            a - slope * p
        })
        .collect();
    let last = samples.iter().map(|s| s.engagement).max()?;
    let mut scores = vec![0.0; last + 1];
    for (s, r) in samples.iter().zip(&left) {
        scores[s.engagement] += centred(s).0 * r;
    }
    let clusters = samples
        .iter()
        .fold(Vec::new(), |mut seen: Vec<usize>, s| {
            if seen.last() != Some(&s.engagement) {
                seen.push(s.engagement);
            }
            seen
        })
        .len() as f64;
    if clusters < 2.0 {
        return None;
    }
    let spread: f64 = scores.iter().map(|s| s * s).sum();
    let u = (clusters / (clusters - 1.0) * spread).sqrt() / s_pp;
    Some(Fit { slope, u, left })
}

/// Friction at low slip over that at high slip, less one, per cent, and its uncertainty: the slope
/// within bins again, with a second term for the share of friction that sliding has not faded.
fn fall(samples: &[Sample]) -> Option<(f64, f64)> {
    let mut sums = [(0.0, [0.0; 3]); EDGES.len()];
    let row = |s: &Sample| [s.bar, s.bar * s.still, s.accel];
    for s in samples {
        let sum = &mut sums[s.bin];
        sum.0 += 1.0;
        for (to, value) in sum.1.iter_mut().zip(row(s)) {
            *to += value;
        }
    }
    let centred = |s: &Sample| {
        let (n, sum) = sums[s.bin];
        let [p, q, a] = row(s);
        [p - sum[0] / n, q - sum[1] / n, a - sum[2] / n]
    };
    let (mut pp, mut pq, mut qq, mut pa, mut qa) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for s in samples {
        let [p, q, a] = centred(s);
        pp += p * p;
        pq += p * q;
        qq += q * q;
        pa += p * a;
        qa += q * a;
    }
    let determinant = pp * qq - pq * pq;
    if determinant <= 1e-3 * pp * qq {
        return None;
    }
    let slope = (qq * pa - pq * qa) / determinant;
    let extra = (pp * qa - pq * pa) / determinant;
    if slope <= 0.0 {
        return None;
    }
    let last = samples.iter().map(|s| s.engagement).max()?;
    let mut scores = vec![[0.0; 2]; last + 1];
    for s in samples {
        let [p, q, a] = centred(s);
        let r = a - slope * p - extra * q;
        scores[s.engagement][0] += p * r;
        scores[s.engagement][1] += q * r;
    }
    let ratio = extra / slope;
    // Derivative of the ratio by the two slopes, through the inverse of the normal matrix.
    let by_p = (-pq - ratio * qq) / determinant / slope;
    let by_q = (pp + ratio * pq) / determinant / slope;
    let variance: f64 = scores
        .iter()
        .map(|[p, q]| (by_p * p + by_q * q).powi(2))
        .sum();
    Some((100.0 * ratio, 100.0 * variance.sqrt()))
}

/// The swing once per relative turn as a share of the coupling's torque, per cent, and its
/// uncertainty: the root of the mean square over engagements, noise taken off.
fn swing(samples: &[Sample], fit: &Fit) -> Option<(f64, f64)> {
    if fit.slope <= 0.0 {
        return None;
    }
    let mut squares = Vec::new();
    let mut from = 0;
    while from < samples.len() {
        let engagement = samples[from].engagement;
        let to = from
            + samples[from..]
                .iter()
                .take_while(|s| s.engagement == engagement)
                .count();
        if let Some(square) = swing_of(&samples[from..to], &fit.left[from..to], fit.slope) {
            squares.push(square);
        }
        from = to;
    }
    // What the tyre curve leaves unexplained counts as noise of each engagement too.
    let weights: Vec<f64> = squares
        .iter()
        .map(|(_, noise)| 1.0 / (noise + LEFT_OVER * LEFT_OVER).powi(2))
        .collect();
    let total: f64 = weights.iter().sum();
    if squares.is_empty() || total <= 0.0 {
        return None;
    }
    let mean = squares
        .iter()
        .zip(&weights)
        .map(|((square, _), w)| square * w)
        .sum::<f64>()
        / total;
    let u_square = (1.0 / total).sqrt();
    let amplitude = mean.abs().sqrt();
    Some((
        100.0 * amplitude * mean.signum(),
        100.0 * u_square / (2.0 * amplitude.max(u_square.sqrt()).max(0.02)),
    ))
}

/// Square of the swing's share in one engagement, less what noise brings; and that noise.
fn swing_of(samples: &[Sample], left: &[f64], slope: f64) -> Option<(f64, f64)> {
    let carrying: Vec<(f64, f64)> = samples
        .iter()
        .zip(left)
        .filter(|(s, _)| s.bar > 1.0)
        .map(|(s, r)| (s.turn_rad, r / (slope * s.bar)))
        .collect();
    let (first, last) = (carrying.first()?.0, carrying.last()?.0);
    if carrying.len() < 12 || (last - first).abs() < LEAST_TURN_RAD {
        return None;
    }
    // Least squares on level, trend, sine and cosine of the relative turn.
    let rows = carrying.len();
    let design = nalgebra::DMatrix::from_fn(rows, 4, |i, j| {
        let turn = carrying[i].0;
        match j {
            0 => 1.0,
            1 => (turn - first) / (last - first) - 0.5,
            2 => turn.sin(),
            _ => turn.cos(),
        }
    });
    let wanted = nalgebra::DVector::from_fn(rows, |i, _| carrying[i].1);
    let normal = (design.transpose() * &design).try_inverse()?;
    let found = &normal * design.transpose() * &wanted;
    let rest = &wanted - &design * &found;
    let freedom = (rows - 4) as f64;
    let variance = rest.norm_squared() / freedom;
    // Neighbouring samples share their errors.
    let widen = crate::robust::neighbour_widening(rest.as_slice()).powi(2);
    let noise = variance * widen * (normal[(2, 2)] + normal[(3, 3)]);
    Some((found[2] * found[2] + found[3] * found[3] - noise, noise))
}
