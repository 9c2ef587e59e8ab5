//! Engine speed and torque, gear, pedals: candidates, ranked, each with its reasons.
//!
//! Each is asked what only it does: an engine idles while the car stands and runs at a few fixed
//! ratios to the wheels while it moves; an accelerator rests at one code whenever the car brakes; a
//! brake is off whenever the car pulls; a gear code goes with one ratio.

use super::candidate::Candidate;
use super::coupling::delay;
use super::motion::{Motion, pick};
use super::obd::{self, Told};
use super::proposal::Scaling;
use super::statistics::{correlation, deviation, mean, quantile, regress, robust_line, smooth};
use super::timeline::Timeline;
use crate::role::Role;
use crate::unit::Unit;

/// A candidate for a role.
#[derive(Clone, Debug)]
pub(crate) struct Ranked {
    pub(crate) role: Role,
    pub(crate) candidate: usize,
    pub(crate) score: f64,
    pub(crate) scaling: Option<Scaling>,
    pub(crate) note: Option<String>,
    pub(crate) evidence: Vec<String>,
}

impl Ranked {
    pub(crate) fn new(role: Role, candidate: usize, score: f64, evidence: Vec<String>) -> Self {
        Self {
            role,
            candidate,
            score,
            scaling: None,
            note: None,
            evidence,
        }
    }
}

pub(crate) fn scaled(scale: f64, offset: f64, u: f64, unit: Unit) -> Option<Scaling> {
    (scale.is_finite() && scale != 0.0).then_some(Scaling {
        scale,
        offset,
        u_scale: u * scale.abs(),
        u_offset: u * offset.abs(),
        unit,
    })
}

/// Share of points at which a value lies in the lowest part of its range.
pub(crate) fn at_floor(c: &Candidate, at: &[usize], part: f64) -> f64 {
    let limit = c.low + part * (c.high - c.low);
    let low = at
        .iter()
        .filter(|&&k| c.raw.get(k).is_some_and(|v| *v <= limit))
        .count();
    low as f64 / at.len().max(1) as f64
}

/// Compares every field with every value told by OBD-II and gives those that are the same number.
pub(crate) fn told_by_obd(candidates: &[Candidate], told: &[Told], axis: &Timeline) -> Vec<Ranked> {
    const NAMES: [(&str, Role); 5] = [
        ("engine_speed", Role::EngineSpeed),
        ("accelerator_pedal_d", Role::PedalAccelerator),
        ("relative_accelerator_pedal", Role::PedalAccelerator),
        ("actual_engine_torque", Role::EngineTorque),
        ("ambient_air_temperature", Role::AmbientTemperature),
    ];
    let mut found = Vec::new();
    for (name, role) in NAMES {
        let Some(value) = obd::of(told, name) else {
            continue;
        };
        let valid = axis.covered(&value.t_ns, 1_000_000_000);
        let at: Vec<usize> = (0..axis.len())
            .filter(|&k| valid.get(k) == Some(&true))
            .collect();
        let y = pick(&axis.resample(&value.t_ns, &value.values, 100_000_000), &at);
        if deviation(&y) <= 0.0 || at.len() < 50 {
            continue;
        }
        for (index, c) in candidates
            .iter()
            .enumerate()
            .filter(|(_, c)| c.distinct >= 8)
        {
            let x = pick(&c.raw, &at);
            let fit = robust_line(&x, &y);
            if fit.r2 > 0.9 && fit.slope > 0.0 {
                let mut ranked = Ranked::new(
                    role,
                    index,
                    0.7 + 0.3 * ((fit.r2 - 0.9) / 0.099).clamp(0.0, 1.0),
                    vec![format!("is what OBD-II tells as {name} (r2 {:.3})", fit.r2)],
                );
                ranked.scaling = scaled(fit.slope, fit.intercept, 0.01, value.unit)
                    .filter(|s| role.accepts(s.unit));
                ranked.note = Some(format!("scale from OBD-II {name}"));
                found.push(ranked);
            }
        }
    }
    found
}

/// Steps, revolutions a minute a count, of engine speeds. Common practice, no source.
const ENGINE_STEPS_RPM: [f64; 9] = [0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 32.0];
/// A warm or cold engine's idle, rpm. Common practice, no source.
const IDLE_RPM: std::ops::RangeInclusive<f64> = 550.0..=1250.0;

/// Fields that idle while the car stands and keep fixed ratios to the wheels while it moves.
pub(crate) fn engine_speed(
    candidates: &[Candidate],
    motion: &Motion,
    axis: &Timeline,
) -> Vec<Ranked> {
    let second = axis.points(1.0);
    let moving: Vec<usize> = motion
        .points(|v, _| v > 3.0)
        .into_iter()
        .filter(|k| k + second < motion.speed.len() && motion.speed(k + second) > 3.0)
        .collect();
    // Where the speed changes, so that a fixed ratio shows.
    let changing: Vec<usize> = moving
        .into_iter()
        .filter(|&k| (motion.speed(k + second) / motion.speed(k)).ln().abs() > 0.03)
        .collect();
    let standing = motion.points(|v, _| v < 0.2);
    if changing.len() < axis.points(5.0) {
        return Vec::new();
    }
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        if c.distinct < 40 || c.field.length() < 7 || c.low < 0.0 || c.high <= 0.0 {
            continue;
        }
        let x = smooth(&c.raw, axis.points(0.2));
        let at = |k: usize| x.get(k).copied().unwrap_or(0.0).max(1e-3);
        let steps: Vec<(f64, f64)> = changing
            .iter()
            .map(|&k| {
                (
                    (at(k + second) / at(k)).ln(),
                    (motion.speed(k + second) / motion.speed(k)).ln(),
                )
            })
            .collect();
        let locked = steps
            .iter()
            .filter(|(x, v)| (x - v).abs() < 0.015 + 0.15 * v.abs())
            .count() as f64
            / steps.len() as f64;
        let (xs, vs) = (pick(&c.raw, &changing), pick(&motion.speed, &changing));
        let as_speed = correlation(&xs, &vs).powi(2);
        let ratios: Vec<f64> = changing
            .iter()
            .map(|&k| (at(k) / motion.speed(k)).ln())
            .collect();
        let spread = deviation(&ratios);
        let idle = if standing.len() > axis.points(2.0) {
            quantile(&pick(&c.raw, &standing), 0.5) / c.high
        } else {
            0.2
        };
        let idles = (0.07..=0.45).contains(&idle);
        // One ratio for all is a speed, not an engine.
        let several = (0.08..0.9).contains(&spread) && as_speed < 0.985;
        let score = ((locked - 0.2) / 0.5).clamp(0.0, 1.0)
            * if idles { 1.0 } else { 0.35 }
            * if several { 1.0 } else { 0.2 };
        if score < 0.25 {
            continue;
        }
        let mut ranked = Ranked::new(
            Role::EngineSpeed,
            index,
            0.9 * score,
            vec![format!(
                "keeps a fixed ratio to the wheels in {:.0} % of all seconds that change speed, at ratios {:.1} times apart; stands at {:.0} % of its highest while the car stands",
                100.0 * locked,
                (2.0 * spread).exp(),
                100.0 * idle
            )],
        );
        if standing.len() > axis.points(2.0) {
            let stand = quantile(&pick(&c.raw, &standing), 0.5);
            let fitting: Vec<f64> = ENGINE_STEPS_RPM
                .iter()
                .copied()
                .filter(|s| IDLE_RPM.contains(&(s * stand)))
                .collect();
            if let &[step] = fitting.as_slice() {
                ranked.scaling = scaled(step, 0.0, 0.1, Unit::RevolutionPerMinute);
                ranked.note = Some(format!(
                    "scale: a guess, the one usual step that makes its idle {:.0} rpm",
                    step * stand
                ));
            }
        }
        found.push(ranked);
    }
    found
}

/// Fields that go with acceleration: accelerator (rests at one code) and torque (does not).
pub(crate) fn pulling(
    candidates: &[Candidate],
    motion: &Motion,
    engine: Option<&[f64]>,
    axis: &Timeline,
) -> Vec<Ranked> {
    let braking = motion.points(|v, a| v > 1.5 && a < -1.2);
    let pulls = motion.points(|v, a| v > 1.0 && a > 0.8);
    let normal = motion.points(|v, a| v > 2.0 && a > -0.8);
    if pulls.len() < axis.points(2.0) || normal.len() < axis.points(10.0) {
        return Vec::new();
    }
    let accel = pick(&smooth(&motion.accel, axis.points(0.3)), &normal);
    let speed = pick(&motion.speed, &normal);
    let drag: Vec<f64> = speed.iter().map(|v| v * v).collect();
    let ones = vec![1.0; normal.len()];
    // Overall gear ratio in engine counts a m/s; 1 where no engine speed is known.
    let ratio: Vec<f64> = match engine {
        Some(engine) => {
            let raw: Vec<f64> = pick(engine, &normal)
                .iter()
                .zip(&speed)
                .map(|(n, v)| n / v.max(1.0))
                .collect();
            let top = quantile(&raw, 0.5).max(1e-9);
            raw.iter().map(|r| (r / top).min(4.0)).collect()
        }
        None => ones.clone(),
    };
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        if c.distinct < 12 || c.field.length() < 5 || c.high - c.low < 8.0 {
            continue;
        }
        let x = pick(&smooth(&c.raw, axis.points(0.2)), &normal);
        let pull: Vec<f64> = x
            .iter()
            .zip(&ratio)
            .map(|(x, r)| (x - c.low) * r / (c.high - c.low))
            .collect();
        let explained = |columns: &[&[f64]]| -> f64 {
            let Some(fit) = regress(columns, &accel, &|_| true) else {
                return 0.0;
            };
            let rest: Vec<f64> = (0..accel.len())
                .map(|k| {
                    let sum: f64 = fit
                        .iter()
                        .zip(columns)
                        .map(|(c, col)| c * col.get(k).copied().unwrap_or(0.0))
                        .sum();
                    accel.get(k).copied().unwrap_or(0.0) - sum
                })
                .collect();
            let positive = fit.first().is_some_and(|first| *first > 0.0);
            if positive {
                1.0 - (deviation(&rest) / deviation(&accel).max(1e-9)).powi(2)
            } else {
                0.0
            }
        };
        let r2 = explained(&[&pull, &ratio, &drag, &ones]).max(explained(&[&pull, &drag, &ones]));
        if r2 < 0.25 {
            continue;
        }
        let off_braking = if braking.len() > axis.points(1.0) {
            at_floor(c, &braking, 0.04)
        } else {
            0.8
        };
        let on_pulling = 1.0 - at_floor(c, &pulls, 0.06);
        let rests = c.rest_share > 0.05 && (c.rest - c.low).abs() <= 0.03 * (c.high - c.low);
        let fit = ((r2 - 0.2) / 0.6).clamp(0.0, 1.0);
        let mut pedal = Ranked::new(
            Role::PedalAccelerator,
            index,
            (0.35 + 0.65 * fit)
                * off_braking
                * on_pulling
                * if rests && c.low >= 0.0 { 1.0 } else { 0.45 },
            vec![format!(
                "explains {:.0} % of the acceleration; rests at code {} in {:.0} % of frames and in {:.0} % of braking",
                100.0 * r2,
                c.rest,
                100.0 * c.rest_share,
                100.0 * off_braking
            )],
        );
        let span = c.high - c.low;
        let step = [
            0.1, 0.2, 0.25, 0.390_625, 0.4, 0.5, 1.0, 0.05, 0.025, 0.0244, 0.01,
        ]
        .into_iter()
        .filter(|s| s * span <= 103.0)
        .max_by(f64::total_cmp);
        if let Some(step) = step {
            pedal.scaling = scaled(step, -step * c.rest, 0.3, Unit::Percent);
            pedal.note = Some(
                "scale: a guess, the largest usual step that keeps it within 100 %".to_owned(),
            );
        }
        found.push(pedal);
        // An engine brakes little; an accelerometer follows the brakes as it follows the engine.
        let of_brakes = if braking.len() > axis.points(2.0) {
            correlation(&pick(&c.raw, &braking), &pick(&motion.accel, &braking))
        } else {
            0.0
        };
        let engines = 1.0 - 0.7 * ((of_brakes - 0.5) / 0.3).clamp(0.0, 1.0);
        let negative = (c.rest - c.low) > 0.02 * span || c.rest_share < 0.2;
        found.push(Ranked::new(
            Role::EngineTorque,
            index,
            fit * engines * if negative { 1.0 } else { 0.5 } * (0.5 + 0.5 * (1.0 - c.rest_share)) * if engine.is_some() { 1.0 } else { 0.8 },
            vec![format!(
                "with the gear's ratio explains {:.0} % of the acceleration and does not rest at one code ({:.0} % of frames)",
                100.0 * r2, 100.0 * c.rest_share
            )],
        ));
    }
    found
}

/// Candidates for the accelerator that are looked at for their order in time.
const ORDERED: usize = 6;
/// A field that follows another by more than this is not what the driver moves first, s.
const LEAST_LATER_S: f64 = 0.015;

/// The accelerator comes before all that it causes, and is sent beside the engine's speed: demand and
/// pressure of a coupling, which may explain the acceleration as well, come later and elsewhere.
pub(crate) fn heed_order(
    ranked: &mut [Ranked],
    candidates: &[Candidate],
    engine: Option<&Candidate>,
    axis: &Timeline,
) {
    ranked.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut leading: Vec<usize> = ranked
        .iter()
        .filter(|r| r.role == Role::PedalAccelerator)
        .map(|r| r.candidate)
        .collect();
    leading.truncate(ORDERED);
    let raw = |k: usize| candidates.get(k).map(|c| c.raw.as_slice());
    let later = |k: usize| {
        leading
            .iter()
            .filter(|other| **other != k)
            .find_map(|&other| {
                let (likeness, delay_s) = delay(raw(other)?, raw(k)?, axis);
                (likeness > 0.8 && delay_s > LEAST_LATER_S).then_some(delay_s)
            })
    };
    let follows: Vec<(usize, f64)> = leading
        .iter()
        .filter_map(|&k| Some((k, later(k)?)))
        .collect();
    for r in ranked
        .iter_mut()
        .filter(|r| r.role == Role::PedalAccelerator)
    {
        let source = candidates.get(r.candidate).map(|c| c.source);
        if engine.is_some() && engine.map(|e| e.source) == source {
            r.evidence
                .push("sent in the frame of the engine speed".to_owned());
        } else if engine.is_some() {
            r.score *= 0.85;
        }
        if let Some((_, delay_s)) = follows.iter().find(|(k, _)| *k == r.candidate) {
            r.score *= 0.8;
            r.evidence.push(format!(
                "comes {:.0} ms after another candidate",
                1e3 * delay_s
            ));
        }
    }
}

/// Fields that are off whenever the car pulls and on when it slows hard.
pub(crate) fn brake(candidates: &[Candidate], motion: &Motion, axis: &Timeline) -> Vec<Ranked> {
    let hard = motion.points(|v, a| v > 2.0 && a < -1.6);
    let pulls = motion.points(|v, a| v > 2.0 && a > 0.4);
    if hard.len() < axis.points(1.0) || pulls.len() < axis.points(2.0) {
        return Vec::new();
    }
    let slowing = motion.points(|v, a| v > 2.0 && a < -0.3);
    let deceleration: Vec<f64> = pick(&motion.accel, &slowing).iter().map(|a| -a).collect();
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        let span = c.high - c.low;
        if span < 1.0 || c.field.length() > 16 || c.rest_share < 0.3 {
            continue;
        }
        let off = at_floor(c, &pulls, 0.03);
        let on = 1.0 - at_floor(c, &hard, 0.03);
        let r = if c.distinct > 4 {
            correlation(&pick(&c.raw, &slowing), &deceleration)
        } else {
            0.6
        };
        let score = ((off - 0.8) / 0.2).clamp(0.0, 1.0)
            * ((on - 0.5) / 0.45).clamp(0.0, 1.0)
            * (0.4 + 0.6 * ((r - 0.2) / 0.6).clamp(0.0, 1.0));
        if score < 0.2 {
            continue;
        }
        let mut ranked = Ranked::new(
            Role::PedalBrake,
            index,
            0.9 * score,
            vec![format!(
                "off in {:.0} % of pulling, on in {:.0} % of hard slowing{}",
                100.0 * off,
                100.0 * on,
                if c.distinct > 4 {
                    format!(", follows the deceleration (correlation {r:.2})")
                } else {
                    ", a switch".to_owned()
                }
            )],
        );
        ranked.scaling = scaled(1.0, -c.low, 1.0, Unit::Bare);
        ranked.note = Some("in counts; nothing tells its unit".to_owned());
        found.push(ranked);
    }
    found
}

/// Codes that each go with one ratio of engine to wheels.
pub(crate) fn gear(
    candidates: &[Candidate],
    motion: &Motion,
    engine: Option<&[f64]>,
    axis: &Timeline,
) -> Vec<Ranked> {
    let Some(engine) = engine else {
        return Vec::new();
    };
    let moving = motion.points(|v, _| v > 3.0);
    if moving.len() < axis.points(10.0) {
        return Vec::new();
    }
    let ratio: Vec<f64> = pick(engine, &moving)
        .iter()
        .zip(pick(&motion.speed, &moving))
        .map(|(n, v)| (n.max(1e-3) / v).ln())
        .collect();
    let total = deviation(&ratio).powi(2);
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        if !(3..=16).contains(&c.distinct) || c.field.length() > 8 {
            continue;
        }
        let codes = pick(&c.raw, &moving);
        let mut by_code: std::collections::BTreeMap<i64, Vec<f64>> =
            std::collections::BTreeMap::new();
        for (code, ratio) in codes.iter().zip(&ratio) {
            // Between two codes the axis holds neither.
            if code.fract() == 0.0 {
                by_code.entry(*code as i64).or_default().push(*ratio);
            }
        }
        let points: usize = by_code.values().map(Vec::len).sum();
        let within: f64 = by_code
            .values()
            .map(|r| deviation(r).powi(2) * r.len() as f64)
            .sum::<f64>()
            / points.max(1) as f64;
        let share = 1.0 - within / total.max(1e-12);
        let means: Vec<f64> = by_code
            .values()
            .filter(|r| r.len() > axis.points(1.0))
            .map(|r| mean(r))
            .collect();
        if means.len() < 2 {
            continue;
        }
        let falls = means
            .windows(2)
            .filter(|w| matches!(w, [a, b] if b < a))
            .count();
        let ordered = falls as f64 / means.len().saturating_sub(1).max(1) as f64;
        let score = ((share - 0.5) / 0.4).clamp(0.0, 1.0)
            * if means.len() >= 3 { 1.0 } else { 0.5 }
            * (0.6 + 0.4 * ordered);
        if score < 0.3 {
            continue;
        }
        let mut ranked = Ranked::new(
            Role::Gear,
            index,
            0.95 * score,
            vec![format!(
                "{} codes, each with one ratio of engine to wheels ({:.0} % of its variance)",
                means.len(),
                100.0 * share
            )],
        );
        ranked.scaling = scaled(1.0, 0.0, 0.0, Unit::Bare);
        ranked.note = Some("the code as sent; which code is which gear is not told".to_owned());
        found.push(ranked);
    }
    found
}
