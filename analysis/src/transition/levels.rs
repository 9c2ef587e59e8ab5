//! State levels by histogram (IEEE Std 181-2011, 5.2.1; the same method in IEC 60469:2013): the
//! range of the values is cut into bins, the bins into a lower and an upper half, and the fullest
//! part of each half is its state. It is then sharpened to the median of the values there, because a
//! bin is coarser than the noise of a mean.

use std::ops::Range;

use crate::statistics::spread::median_and_sigma;

/// Bins of the histogram. A hundred is customary with the method.
const BINS: usize = 100;

/// Bins are counted together with so many on either side: noise spreads a state over neighbouring
/// bins, and drift does; single bins would hop.
const WINDOW_HALF_BINS: usize = 3;

/// Values around a window's fullest bin within so many deviations of the noise are its peak;
const PEAK_DEVIATIONS: f64 = 2.0;

/// and a peak that holds this share of the window is the state, without what creeps up beside it.
const PEAK_SHARE: f64 = 0.6;

/// The two states of a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StateLevels {
    /// Lower state.
    pub low: f64,
    /// Upper state.
    pub high: f64,
    /// Standard deviation within the states.
    pub sigma: f64,
}

impl StateLevels {
    /// Upper less lower state.
    #[must_use]
    pub fn amplitude(&self) -> f64 {
        self.high - self.low
    }

    /// The value at a share of the step, 0 the lower and 1 the upper state.
    #[must_use]
    pub fn reference(&self, share: f64) -> f64 {
        self.low + share * self.amplitude()
    }
}

/// The states of a waveform that holds one step. `None` if it has fewer than two values or no
/// spread.
#[must_use]
pub(super) fn state_levels(values: &[f64]) -> Option<StateLevels> {
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let range = most - least;
    if values.len() < 2 || !range.is_finite() || range <= 0.0 {
        return None;
    }
    let width = range / BINS as f64;
    let bin_of = |value: f64| (((value - least) / width) as usize).min(BINS - 1);
    let mut counts = [0_usize; BINS];
    for value in values {
        counts[bin_of(*value)] += 1;
    }
    let noise = step_noise(values);
    let state = |half: Range<usize>, outermost_first: bool| -> Option<(f64, f64)> {
        let window = |bin: usize| {
            let from = bin.saturating_sub(WINDOW_HALF_BINS).max(half.start);
            from..(bin + WINDOW_HALF_BINS + 1).min(half.end)
        };
        let together = |bin: usize| counts[window(bin)].iter().sum::<usize>();
        // Among equally full windows the outermost is the state: a ramp visits all bins alike.
        let fuller = |best: usize, bin: usize| {
            if together(bin) > together(best) {
                bin
            } else {
                best
            }
        };
        let centre = if outermost_first {
            half.clone().rev().reduce(fuller)?
        } else {
            half.clone().reduce(fuller)?
        };
        let peak = window(centre).max_by_key(|bin| counts[*bin])?;
        let around = |bin: usize, half_width: f64| -> Vec<f64> {
            let middle = least + (bin as f64 + 0.5) * width;
            let near = |v: &f64| (v - middle).abs() <= half_width;
            values.iter().copied().filter(near).collect()
        };
        let wide = around(centre, (WINDOW_HALF_BINS as f64 + 0.5) * width);
        let narrow = around(peak, (1.5 * width).max(PEAK_DEVIATIONS * noise));
        let sharp = narrow.len() as f64 >= PEAK_SHARE * wide.len() as f64;
        let members = if sharp { narrow } else { wide };
        let (level, sigma) = median_and_sigma(&members)?;
        Some((level, sigma))
    };
    let (low, sigma_low) = state(0..BINS / 2, false)?;
    let (high, sigma_high) = state(BINS / 2..BINS, true)?;
    Some(StateLevels {
        low,
        high,
        sigma: sigma_low.max(sigma_high),
    })
}

/// Standard deviation of neighbouring values from each other, as of independent noise.
pub(super) fn step_noise(values: &[f64]) -> f64 {
    let steps: Vec<f64> = values.windows(2).map(|w| w[1] - w[0]).collect();
    median_and_sigma(&steps).map_or(0.0, |(_, sigma)| sigma / 2.0_f64.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_states_are_found_whatever_lies_between() {
        let mut values = vec![1.0; 200];
        values.extend((0..50).map(|i| 1.0 + 4.0 * f64::from(i) / 50.0));
        values.extend(vec![5.0; 80]);
        let levels = state_levels(&values).unwrap();
        assert_eq!((levels.low, levels.high), (1.0, 5.0));
        assert_eq!(levels.reference(0.5), 3.0);
    }

    #[test]
    fn an_overshoot_is_not_the_state() {
        let mut values = vec![0.0; 50];
        values.extend([3.0, 9.0, 12.0, 11.0, 10.4]);
        values.extend(vec![10.0; 100]);
        let levels = state_levels(&values).unwrap();
        assert!((levels.high - 10.0).abs() < 0.01, "{levels:?}");
    }

    /// Reference levels of the published clock example (state levels 0.0138 and 5.1848 by a
    /// histogram of 100 bins; 10 % at 0.5309, 90 % at 4.6677), MathWorks documentation of the
    /// state-level method. Its data are not public, so only the arithmetic is checked.
    #[test]
    fn reference_levels_follow_the_published_example() {
        let levels = StateLevels {
            low: 0.0138,
            high: 5.1848,
            sigma: 0.0,
        };
        assert!((levels.reference(0.1) - 0.5309).abs() < 5e-5);
        assert!((levels.reference(0.9) - 4.6677).abs() < 5e-5);
    }

    #[test]
    fn nothing_comes_of_nothing() {
        assert_eq!(state_levels(&[]), None);
        assert_eq!(state_levels(&[1.0]), None);
        assert_eq!(state_levels(&[2.0; 50]), None);
    }
}
