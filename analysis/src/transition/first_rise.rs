//! The rise to the first level that lasts: what comes later is another step.

use super::{NoRise, Rise, first_plateau, measure_rise, state_levels};
use crate::statistics::spread::median_and_sigma;

/// A level held shorter than this is on the way to the next, s.
const SHORTEST_PLATEAU_S: f64 = 0.15;

/// Measures a waveform's rise to its first plateau that lasts, or all of it where none does. Times
/// below 0 lie before the rise.
///
/// # Errors
/// As [`measure_rise`].
pub fn measure_first_rise(t_s: &[f64], y: &[f64]) -> Result<Rise, NoRise> {
    let n = t_s.len().min(y.len());
    let end = first_plateau_end(&t_s[..n], &y[..n]);
    measure_rise(&t_s[..end], &y[..end])
}

fn first_plateau_end(t_s: &[f64], y: &[f64]) -> usize {
    let all = y.len();
    let Some(levels) = state_levels(y) else {
        return all;
    };
    let before = t_s.partition_point(|&t| t < 0.0);
    let noise = median_and_sigma(&y[..before]).map_or(levels.sigma, |(_, s)| s);
    let on = levels.low + (0.2 * levels.amplitude()).max(4.0 * noise);
    let Some(onset) = (0..all).find(|&i| y[i] > on && y.get(i + 1).is_none_or(|v| *v > on)) else {
        return all;
    };
    match first_plateau(t_s, y, levels.low, onset, all, noise) {
        Some(p) if t_s[p.range.end - 1] - t_s[p.range.start] >= SHORTEST_PLATEAU_S => p.range.end,
        _ => all,
    }
}
