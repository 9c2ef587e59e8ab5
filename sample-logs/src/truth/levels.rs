//! Levels of steps without noise: histogram states, first plateaus, medians.

/// Low and high state of a step by the histogram method (IEEE Std 181; IEC 60469): of the range
/// between the extremes, the most frequent value of the lower and of the upper half.
#[must_use]
pub fn histogram_states(values: impl Iterator<Item = f64> + Clone) -> Option<[f64; 2]> {
    const BINS: usize = 256;
    let low = values.clone().fold(f64::INFINITY, f64::min);
    let high = values.clone().fold(f64::NEG_INFINITY, f64::max);
    let width = (high - low) / BINS as f64;
    if width.is_nan() || width <= 0.0 {
        return None;
    }
    // Count and sum: the mean within the bin is closer to the state than the bin's middle.
    let mut bins = [(0_u32, 0.0_f64); BINS];
    for value in values {
        let k = (((value - low) / width) as usize).min(BINS - 1);
        if let Some(bin) = bins.get_mut(k) {
            bin.0 += 1;
            bin.1 += value;
        }
    }
    let mode = |half: &[(u32, f64)]| {
        let best = half.iter().max_by_key(|(count, _)| *count)?;
        (best.0 > 0).then(|| best.1 / f64::from(best.0))
    };
    let (lower, upper) = bins.split_at(BINS / 2);
    Some([mode(lower)?, mode(upper)?])
}

/// Rows over which a plateau may not rise.
const PLATEAU_ROWS: usize = 100;
/// By more than this share of the step.
const PLATEAU_RISE: f64 = 0.05;
/// A plateau reaches as far as the value stays within this share of the step.
const PLATEAU_BAND: f64 = 0.15;
/// Shortest plateau that is a state of its own, rows.
const SHORTEST_PLATEAU_ROWS: usize = 150;

/// A stretch in which a value stays at one level.
pub(super) struct Plateau {
    /// First row behind it.
    pub(super) end: usize,
    /// Its level.
    pub(super) level: f64,
}

/// The first plateau of values that rise from `low` at index `from`.
pub(super) fn first_plateau(values: &[f64], low: f64, from: usize) -> Option<Plateau> {
    let still = |k: usize| {
        let value = values.get(k).copied().unwrap_or(low);
        let ahead = values.iter().skip(k + 1).take(PLATEAU_ROWS);
        value > low
            && ahead
                .copied()
                .all(|v| v - value <= PLATEAU_RISE * (value - low))
    };
    let start = (from..values.len()).find(|&k| still(k))?;
    let level = median(
        values
            .iter()
            .skip(start)
            .take(PLATEAU_ROWS)
            .copied()
            .collect(),
    )?;
    let near = |v: &f64| (v - level).abs() <= PLATEAU_BAND * (level - low).abs();
    let end = start + values.iter().skip(start).take_while(|v| near(v)).count();
    Some(Plateau { end, level })
}

/// Low and high state of pressure: of its rise to its first plateau that lasts, else of the whole.
pub(super) fn pressure_states(pressure: &[f64]) -> Option<[f64; 2]> {
    let [low, high] = histogram_states(pressure.iter().copied())?;
    let onset = pressure
        .iter()
        .position(|p| *p > low + 0.2 * (high - low))?;
    match first_plateau(pressure, low, onset) {
        Some(plateau) if plateau.end - onset >= SHORTEST_PLATEAU_ROWS => {
            histogram_states(pressure.iter().take(plateau.end).copied())
        }
        _ => Some([low, high]),
    }
}

/// Median; `None` of nothing.
pub(super) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    values.get(middle - 1).map(|lower| 0.5 * (lower + upper))
}
