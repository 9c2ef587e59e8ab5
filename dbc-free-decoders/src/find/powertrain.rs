//! Engine speed, brake, gear: candidates, ranked, each with its reasons; accelerator and torque are in
//! `pulling`.
//!
//! Each is asked what only it does: an engine idles while the car stands and runs at a few fixed
//! ratios to the wheels while it moves; a brake is off whenever the car pulls; a gear code goes with
//! one ratio.

use super::candidate::Candidate;
use super::motion::Motion;
use super::obd::{self, Told};
use super::ranked::{Ranked, at_floor, scaled};
use super::statistics::{correlation, deviation, mean, pick, quantile, robust_line, smooth};
use super::timeline::Timeline;
use crate::role::Role;
use crate::unit::Unit;

/// How long after the frame with the same value an answer comes, ns: a unit measures, then answers.
/// Common practice, no source.
const ANSWER_LAG_NS: i64 = 100_000_000;

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
        let later = axis.resample(&value.t_ns, &value.values, ANSWER_LAG_NS);
        let y = pick(&later, &at);
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
