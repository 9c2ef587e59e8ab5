//! Temperatures: candidates that creep upwards with little else.

use super::candidate::{Candidate, Source};
use super::powertrain::{Ranked, scaled};
use super::statistics::{deviation, smooth};
use super::timeline::Timeline;
use crate::role::Role;
use crate::unit::Unit;

/// Slow, nearly monotone rises.
pub(crate) fn warming(
    sources: &[Source],
    candidates: &[Candidate],
    axis: &Timeline,
) -> Vec<Ranked> {
    let mut found = Vec::new();
    if axis.len() as f64 * axis.step_s() < 60.0 {
        return found;
    }
    for (index, c) in candidates.iter().enumerate() {
        if c.distinct < 3 || c.field.length() < 5 || c.field.length() > 16 {
            continue;
        }
        let Some(source) = sources.get(c.source) else {
            continue;
        };
        let step = axis.points(5.0);
        let slow: Vec<f64> = smooth(&c.raw, step).into_iter().step_by(step).collect();
        let travel: f64 = slow
            .windows(2)
            .map(|w| match w {
                [a, b] => (b - a).abs(),
                _ => 0.0,
            })
            .sum();
        let rise = slow.last().zip(slow.first()).map_or(0.0, |(b, a)| b - a);
        let quick: Vec<f64> = c
            .raw
            .iter()
            .zip(smooth(&c.raw, step))
            .map(|(a, b)| a - b)
            .collect();
        let quiet = 1.0 - (deviation(&quick) / (c.high - c.low).max(1e-9) / 0.1).clamp(0.0, 1.0);
        if rise < 2.0 || travel <= 0.0 {
            continue;
        }
        let monotone = rise / travel;
        // A clock or a distance climbs without ever slowing; heat levels off or falls again.
        let mid =
            slow.get(slow.len() / 2).copied().unwrap_or(0.0) - slow.first().copied().unwrap_or(0.0);
        let straight = (mid / rise - 0.5).abs() < 0.02 && monotone > 0.999;
        let small = if c.field.length() <= 12 && c.high - c.low < 160.0 {
            1.0
        } else {
            0.6
        };
        let slow_frame = if source.period_ns > 90e6 { 1.0 } else { 0.8 };
        let score = 0.75
            * ((monotone - 0.4) / 0.5).clamp(0.0, 1.0)
            * quiet
            * small
            * slow_frame
            * if straight { 0.4 } else { 1.0 };
        if score < 0.25 {
            continue;
        }
        let mut ranked = Ranked::new(
            Role::CouplingTemperature,
            index,
            score,
            vec![format!(
                "climbs by {rise:.0} counts with little else ({:.0} % of its travel)",
                100.0 * monotone
            )],
        );
        if c.field.length() <= 8 {
            ranked.scaling = scaled(1.0, -40.0, 0.5, Unit::DegreeCelsius);
            ranked.note = Some("scale: a guess, 1 degC a count from -40, as bytes of temperature often have; which part it is the temperature of is not told".to_owned());
        }
        found.push(ranked);
    }
    found
}
