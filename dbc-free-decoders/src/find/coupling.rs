//! Coupling demand and coupling pressure: what rests near a floor, rises when the car pulls away or
//! accelerates hard, is never up while coasting, and comes as a pair of which one follows the other.
//!
//! The control unit asks first and the pressure follows after the dead time of the hydraulics, some
//! hundredths to tenths of a second later (order in time); the demand is a calculated number and
//! rests at one code, the pressure is a sensor's and does not. A pump's current goes with both, but
//! only while the pressure rises.

use super::candidate::{Candidate, Source};
use super::delay::{Delay, Edged};
use super::motion::Motion;
use super::ranked::{Ranked, at_floor, best};
use super::statistics::{correlation, mean, pick, quantile, slope, smooth};
use super::timeline::Timeline;
use crate::role::Role;

/// Least likeness of a pair.
const LEAST_PAIR: f64 = 0.75;

/// A field that keeps less than this of its height while the pressure holds is a pump's.
const MOST_KEPT: f64 = 0.45;

struct Riser {
    candidate: usize,
    score: f64,
    off_coasting: f64,
    up_pulling: f64,
    fades: f64,
    rest_share: f64,
}

/// Candidates for demand and pressure. `pedal` is the accelerator, if it was found, and
/// `engine_sources` are the frames in which the engine's own unit sends.
pub(crate) fn coupling(
    sources: &[Source],
    candidates: &[Candidate],
    motion: &Motion,
    pedal: Option<(usize, &Candidate)>,
    engine_sources: &[usize],
    axis: &Timeline,
) -> Vec<Ranked> {
    let risers = risers(candidates, motion, pedal, engine_sources, axis);
    if risers.is_empty() {
        return Vec::new();
    }
    // Where the car never pulls away, much else rises and falls with the pedal alike.
    let launches = motion
        .points(|v, a| (0.5..6.0).contains(&v) && a > 1.0)
        .len()
        > axis.points(1.0);
    let seen = if launches { 1.0 } else { 0.6 };
    let edged: Vec<Edged<'_>> = risers
        .iter()
        .map(|riser| candidates.get(riser.candidate).map_or(&[][..], |c| &c.raw))
        .map(Edged::of)
        .collect();
    // Of each two once; the other order is the same delay the other way.
    let delays: Vec<Vec<Delay>> = edged
        .iter()
        .enumerate()
        .map(|(k, own)| {
            let earlier = edged.iter().take(k);
            earlier
                .map(|other| Delay::between(own, other, axis))
                .collect()
        })
        .collect();
    let delay = |first: usize, second: usize| -> Option<Delay> {
        let of = |a: usize, b: usize| delays.get(a)?.get(b).copied();
        of(first, second).or_else(|| of(second, first).map(Delay::reversed))
    };
    let mut found = Vec::new();
    for (place, riser) in risers.iter().enumerate() {
        let Some(c) = candidates.get(riser.candidate) else {
            continue;
        };
        // The partner that this one follows best, and the one that follows it.
        let mut leads: (f64, f64, Option<usize>) = (0.0, 0.0, None);
        let mut follows: (f64, f64, Option<usize>) = (0.0, 0.0, None);
        for (other_place, other) in risers.iter().enumerate() {
            let (
                Some(o),
                Some(Delay {
                    likeness,
                    seconds: delay_s,
                }),
            ) = (candidates.get(other.candidate), delay(place, other_place))
            else {
                continue;
            };
            if likeness < LEAST_PAIR {
                continue;
            }
            let level = level_after(&c.raw, &o.raw, delay_s, axis).max(0.0);
            let near = match (sources.get(c.source), sources.get(o.source)) {
                (Some(a), Some(b)) if a.bus == b.bus && a.id == b.id => 1.0,
                (Some(a), Some(b)) if a.bus == b.bus => 0.9,
                _ => 0.8,
            };
            // A demand tells the level that the pressure comes to; a pump's current does not.
            let worth = likeness * level * near * other.score.sqrt();
            if delay_s > 0.008 && worth > leads.0 {
                leads = (worth, delay_s, Some(other.candidate));
            }
            if delay_s < -0.008 && worth > follows.0 {
                follows = (worth, -delay_s, Some(other.candidate));
            }
        }
        let rests = riser.rest_share > 0.25;
        let basis = format!(
            "near its floor in {:.0} % of coasting, up in {:.0} % of hard pulling, {:.0} % of its range in steady driving",
            100.0 * riser.off_coasting,
            100.0 * riser.up_pulling,
            100.0 * riser.fades
        );
        let name = |index: Option<usize>| {
            index
                .and_then(|k| candidates.get(k))
                .and_then(|c| Some((sources.get(c.source)?, c)))
                .map_or(String::new(), |(s, c)| {
                    format!("{} at {}", s.id, c.field.start())
                })
        };
        let demand = riser.score * (0.55 + 0.45 * leads.0) * seen * if rests { 1.0 } else { 0.6 };
        let mut evidence = vec![basis.clone()];
        if leads.2.is_some() {
            evidence.push(format!(
                "{} follows it by {:.0} ms",
                name(leads.2),
                1e3 * leads.1
            ));
        }
        found.push(ranked(
            Role::CouplingDemand,
            riser.candidate,
            demand,
            evidence,
        ));
        let pressure =
            riser.score * (0.55 + 0.45 * follows.0) * seen * if rests { 0.75 } else { 1.0 };
        let mut evidence = vec![basis];
        if follows.2.is_some() {
            evidence.push(format!(
                "follows {} by {:.0} ms",
                name(follows.2),
                1e3 * follows.1
            ));
        }
        found.push(ranked(
            Role::CouplingPressure,
            riser.candidate,
            pressure,
            evidence,
        ));
    }
    tell_pump(&mut found, candidates, axis);
    found
}

/// Correlation of the first, so much later, with the second.
fn level_after(first: &[f64], second: &[f64], delay_s: f64, axis: &Timeline) -> f64 {
    let lag = (delay_s / axis.step_s()).round() as i64;
    let shift = lag.unsigned_abs() as usize;
    let (early, late) = if lag >= 0 {
        (first, second)
    } else {
        (second, first)
    };
    let n = early.len().saturating_sub(shift);
    match (early.get(..n), late.get(shift..)) {
        (Some(early), Some(late)) => correlation(early, late),
        _ => 0.0,
    }
}

/// A pump that fills the pressure works while it rises and rests, or does little, while it holds.
fn tell_pump(found: &mut Vec<Ranked>, candidates: &[Candidate], axis: &Timeline) {
    let Some((index, pressure)) = best(found.iter(), Role::CouplingPressure)
        .and_then(|of| Some((of.candidate, candidates.get(of.candidate)?)))
    else {
        return;
    };
    let span = (pressure.high - pressure.low).max(1e-9);
    let level: Vec<f64> = pressure
        .raw
        .iter()
        .map(|v| (v - pressure.low) / span)
        .collect();
    let rate: Vec<f64> = slope(&smooth(&level, 3))
        .iter()
        .map(|s| s / axis.step_s())
        .collect();
    let points = |holds: &dyn Fn(f64, f64) -> bool| -> Vec<usize> {
        level
            .iter()
            .zip(&rate)
            .enumerate()
            .filter(|(_, (l, r))| holds(**l, **r))
            .map(|(k, _)| k)
            .collect()
    };
    let rising = points(&|_, rate| rate > 0.8);
    let held = points(&|level, rate| level > 0.3 && rate.abs() < 0.25);
    if rising.len() < axis.points(0.5) || held.len() < axis.points(1.0) {
        return;
    }
    let pressure_held = mean(&pick(&level, &held)) / mean(&pick(&level, &rising)).max(0.05);
    let mut pumps = Vec::new();
    for r in found.iter_mut().filter(|r| r.candidate != index) {
        let Some(c) = candidates.get(r.candidate) else {
            continue;
        };
        let of = |at: &[usize]| (mean(&pick(&c.raw, at)) - c.low) / (c.high - c.low).max(1e-9);
        let kept = of(&held) / of(&rising).max(0.05) / pressure_held.max(0.2);
        if kept > MOST_KEPT {
            continue;
        }
        r.score *= 0.75;
        let evidence = vec![format!(
            "works while the pressure rises and keeps {:.0} % of that while it holds",
            100.0 * kept
        )];
        r.evidence.extend(evidence.iter().cloned());
        let score = 0.9 * (1.0 - kept / MOST_KEPT).clamp(0.0, 1.0).sqrt();
        pumps.push(ranked(
            Role::CouplingPumpCurrent,
            r.candidate,
            score,
            evidence,
        ));
    }
    found.extend(pumps);
}

fn ranked(role: Role, candidate: usize, score: f64, evidence: Vec<String>) -> Ranked {
    Ranked {
        role,
        candidate,
        score: 0.95 * score,
        scaling: None,
        note: Some("in counts; nothing on the bus measures its unit".to_owned()),
        evidence,
    }
}

fn risers(
    candidates: &[Candidate],
    motion: &Motion,
    pedal: Option<(usize, &Candidate)>,
    engine_sources: &[usize],
    axis: &Timeline,
) -> Vec<Riser> {
    let released = |k: usize| {
        pedal.is_none_or(|(_, p)| {
            p.raw
                .get(k)
                .is_some_and(|v| *v <= p.low + 0.03 * (p.high - p.low))
        })
    };
    // Coasting for a while: pressure needs time to fall.
    let settle = axis.points(1.0);
    let is_coasting = |k: usize| motion.speed(k) > 3.0 && motion.accel(k) < -0.05 && released(k);
    let coasting: Vec<usize> = (settle..motion.speed.len())
        .filter(|&k| is_coasting(k) && is_coasting(k - settle / 2) && is_coasting(k - settle))
        .collect();
    let pulling = motion.points(|v, a| v > 0.5 && a > 1.5);
    let pulling = if pulling.len() < axis.points(1.5) {
        motion.points(|v, a| v > 0.5 && a > 0.9)
    } else {
        pulling
    };
    let steady = motion.points(|v, a| v > 8.0 && a.abs() < 0.25);
    if coasting.len() < axis.points(2.0) || pulling.len() < axis.points(1.0) {
        return Vec::new();
    }
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        let span = c.high - c.low;
        if c.distinct < 16 || c.field.length() < 6 || span < 12.0 {
            continue;
        }
        // Steps in the front-rear slip go with it too, but what it is asked is when it is down.
        let low = quantile(&c.raw, 0.05);
        let limit = low + 0.12 * (c.high - low);
        let share = |at: &[usize], down: bool| {
            let values = pick(&c.raw, at);
            let n = values.iter().filter(|v| (**v <= limit) == down).count();
            n as f64 / values.len().max(1) as f64
        };
        let off_coasting = share(&coasting, true);
        let up_pulling = share(&pulling, false);
        let floor = at_floor(c, &(0..c.raw.len()).collect::<Vec<_>>(), 0.12);
        let steady_part = if steady.len() > axis.points(2.0) {
            ((quantile(&pick(&c.raw, &steady), 0.6) - low) / span).max(0.0)
        } else {
            0.1
        };
        let fades = 1.0 - ((steady_part - 0.08) / 0.25).clamp(0.0, 1.0);
        // The pedal itself and copies of it; and what the engine's own unit sends beside it.
        let like_pedal = pedal.map_or(0.0, |(_, p)| correlation(&c.raw, &p.raw));
        let beside = engine_sources.contains(&c.source);
        let own = match pedal {
            Some((own, _)) if own == index => 0.0,
            _ => {
                (1.0 - ((like_pedal - 0.96) / 0.05).clamp(0.0, 0.6))
                    * if beside { 0.5 } else { 1.0 }
            }
        };
        let score = ((off_coasting - 0.7) / 0.28).clamp(0.0, 1.0)
            * ((up_pulling - 0.25) / 0.45).clamp(0.0, 1.0)
            * ((floor - 0.1) / 0.25).clamp(0.1, 1.0)
            * (0.55 + 0.45 * fades)
            * own;
        if score > 0.1 {
            found.push(Riser {
                candidate: index,
                score,
                off_coasting,
                up_pulling,
                fades: steady_part,
                rest_share: c.rest_share,
            });
        }
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found.truncate(40);
    found
}
