//! Temperatures: candidates that move slowly one way, mostly up, and up while the coupling works.
//!
//! Asked last, as the work is told by the coupling's pressure or demand. What climbs with the time or
//! the distance alone is a clock or an odometer.

use super::candidate::{Candidate, Source};
use super::motion::Motion;
use super::ranked::{Ranked, scaled};
use super::statistics::{correlation, deviation, robust_line, smooth};
use super::timeline::Timeline;
use crate::role::Role;
use crate::unit::Unit;

/// Shortest drive that warms anything, s.
const LEAST_S: f64 = 60.0;
/// Over this time quick changes fade, s.
const SLOW_S: f64 = 5.0;
/// What a clock or an odometer leaves of a straight line, counts: its rounding.
const ROUNDING: f64 = 0.6;
/// Counts that only a clock or an odometer climbs so evenly.
const MOST_STRAIGHT: f64 = 25.0;

/// Slow fields. `work` is the coupling's pressure or demand, if one was found.
pub(crate) fn warming(
    sources: &[Source],
    candidates: &[Candidate],
    motion: &Motion,
    work: Option<(usize, &Candidate)>,
    axis: &Timeline,
) -> Vec<Ranked> {
    if axis.len() as f64 * axis.step_s() < LEAST_S {
        return Vec::new();
    }
    let step = axis.points(SLOW_S);
    let slow =
        |values: &[f64]| -> Vec<f64> { smooth(values, step).into_iter().step_by(step).collect() };
    let time: Vec<f64> = (0..axis.len()).map(|k| k as f64).collect();
    let mut distance = 0.0;
    let travelled: Vec<f64> = motion
        .speed
        .iter()
        .map(|v| {
            distance += v;
            distance
        })
        .collect();
    let (time, travelled) = (slow(&time), slow(&travelled));
    let work_done = work.map(|(_, w)| slow(&w.raw));
    let mut found = Vec::new();
    for (index, c) in candidates.iter().enumerate() {
        let is_work = work.is_some_and(|(own, _)| own == index);
        if c.distinct < 4 || c.field.length() > 16 || is_work {
            continue;
        }
        let Some(source) = sources.get(c.source) else {
            continue;
        };
        let values = slow(&c.raw);
        let moves: Vec<f64> = values.windows(2).filter_map(difference).collect();
        let travel: f64 = moves.iter().map(|m| m.abs()).sum();
        let rise: f64 = moves.iter().sum();
        if travel < 2.0 || rise.abs() < 1.0 {
            continue;
        }
        let straight = [&time, &travelled]
            .iter()
            .any(|line| robust_line(line, &values).residual < ROUNDING);
        // A fluid that cools does so evenly too, but by some degrees only.
        if straight && rise.abs() > MOST_STRAIGHT {
            continue;
        }
        let uneven = if straight && rise.abs() > 8.0 {
            0.8
        } else {
            1.0
        };
        // A few codes are a state as soon as a temperature.
        let codes = (0.4 + 0.1 * c.distinct as f64).min(1.0);
        let quick: Vec<f64> = c
            .raw
            .iter()
            .zip(smooth(&c.raw, step))
            .map(|(a, b)| a - b)
            .collect();
        let span = (c.high - c.low).max(1e-9);
        // Rounding and a little noise are not quick changes.
        let quiet = 1.0 - ((deviation(&quick) - 0.5).max(0.0) / span / 0.1).clamp(0.0, 1.0);
        // A drive may begin with warm fluid, which then cools.
        let way = if rise > 0.0 { 1.0 } else { 0.85 };
        let monotone = way * ((rise.abs() / travel - 0.4) / 0.5).clamp(0.0, 1.0);
        let heated = work_done.as_deref().map_or(0.0, |work| heat(&moves, work));
        let small = if c.field.length() <= 12 && span < 320.0 {
            1.0
        } else {
            0.6
        };
        // Temperatures are sent seldom.
        let seldom = if source.period_ns > 90e6 { 1.0 } else { 0.7 };
        let near = match work.and_then(|(_, w)| sources.get(w.source)) {
            Some(own) if own.bus == source.bus => 1.0,
            Some(_) => 0.85,
            // Warm is much in a car.
            None => 0.7,
        };
        let score = 0.95
            * quiet
            * uneven
            * codes
            * small
            * seldom
            * near
            * (0.5 * monotone + 0.5 * ((heated - 0.1) / 0.5).clamp(0.0, 1.0)).max(0.7 * monotone);
        if score < 0.25 {
            continue;
        }
        let mut evidence = vec![format!(
            "creeps by {rise:+.0} counts with little else ({:.0} % of its travel goes that way)",
            50.0 + 50.0 * rise.abs() / travel
        )];
        if heated > 0.2 {
            evidence.push(format!(
                "rises while and after the coupling works (correlation {heated:.2})"
            ));
        }
        let mut ranked = Ranked::new(Role::CouplingTemperature, index, score, evidence);
        if c.field.length() <= 8 {
            ranked.scaling = scaled(1.0, -40.0, 0.5, Unit::DegreeCelsius);
            ranked.note = Some("scale: a guess, 1 degC a count from -40, as bytes of temperature often have; which part it is the temperature of is not told".to_owned());
        }
        found.push(ranked);
    }
    found
}

fn difference(pair: &[f64]) -> Option<f64> {
    match pair {
        [a, b] => Some(b - a),
        _ => None,
    }
}

/// How the moves go with the work done shortly before: the best correlation over delays of up to four
/// steps, as heat takes its time from the plates to a sensor.
fn heat(moves: &[f64], work: &[f64]) -> f64 {
    (0..=4)
        .map(|delay: usize| {
            let later = moves.get(delay..).unwrap_or_default();
            let before = work.get(..later.len()).unwrap_or_default();
            correlation(later, before)
        })
        .fold(0.0, f64::max)
}
