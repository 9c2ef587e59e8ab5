//! What makes the car pull: accelerator and engine torque, ranked, each with its reasons.
//!
//! Both explain the acceleration; the accelerator rests at one code whenever the car brakes, and it
//! comes before all that it causes.

use super::candidate::Candidate;
use super::delay::{Delay, Edged};
use super::motion::Motion;
use super::ranked::{Ranked, at_floor, scaled};
use super::statistics::{correlation, deviation, pick, quantile, regress, smooth};
use super::timeline::Timeline;
use crate::role::Role;
use crate::unit::Unit;

/// Steps, per cent a count, of accelerators. Common practice, no source.
const PEDAL_STEPS_PERCENT: [f64; 11] = [
    0.1, 0.2, 0.25, 0.390_625, 0.4, 0.5, 1.0, 0.05, 0.025, 0.0244, 0.01,
];
/// Most that a pedal's field reaches, per cent: 100 and what rounding and an end stop add.
const MOST_PERCENT: f64 = 103.0;

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
        let step = PEDAL_STEPS_PERCENT
            .into_iter()
            .filter(|step| step * span <= MOST_PERCENT)
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
    let edged: Vec<(usize, Edged<'_>)> = leading
        .iter()
        .filter_map(|&k| Some((k, Edged::of(&candidates.get(k)?.raw))))
        .collect();
    let later = |k: usize, own: &Edged<'_>| {
        let others = edged.iter().filter(|(other, _)| *other != k);
        others
            .map(|(_, other)| Delay::between(other, own, axis))
            .find(|delay| delay.likeness > 0.8 && delay.seconds > LEAST_LATER_S)
            .map(|delay| delay.seconds)
    };
    let follows: Vec<(usize, f64)> = edged
        .iter()
        .filter_map(|(k, own)| Some((*k, later(*k, own)?)))
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
