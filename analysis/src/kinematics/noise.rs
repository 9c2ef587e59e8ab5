//! Slip where nothing drives it: how large it is, and how it averages out.
//!
//! Road unevenness, wheel hop, pedal and wind move the axles' difference while the coupling is
//! open. What they make is heavy-tailed and correlated, so two things are needed: a deviation of
//! which three are rarely left by chance, and the deviation of a mean over a given time, which
//! falls more slowly than the square root of the number of samples.

use crate::drive::{Column, seconds_between};
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::quantile::quantile_in_place;
use crate::statistics::spread::median_and_sigma;

/// The middle share of samples whose width gives the deviation. The median absolute deviation looks
/// at half of the samples and knows nothing of the tails that a three-deviation threshold lives
/// on; the plain deviation follows every pothole. 98 per cent leaves one sample in a hundred on
/// either side out.
const MIDDLE_SHARE: f64 = 0.98;

/// Width of that share in standard deviations of a normal distribution, 2 Φ⁻¹(0.99).
const MIDDLE_WIDTH: f64 = 4.652_695_748_081_682;

/// Fewest samples for the deviation.
pub(super) const LEAST_SAMPLES: usize = 100;

/// Longest duration of a mean, s; durations double from the sample interval.
const LONGEST_MEAN_S: f64 = 4.0;

/// Deviation of slip, and of its means.
#[derive(Clone, Debug, PartialEq)]
pub struct SlipNoise {
    /// Standard deviation of a sample, m/s, with its uncertainty.
    pub estimate: Estimate,
    /// `(duration in s, standard deviation of a mean over it in m/s)`, durations rising.
    of_mean: Vec<(f64, f64)>,
}

impl SlipNoise {
    /// Standard deviation of one sample, m/s.
    #[must_use]
    pub fn sigma_mps(&self) -> f64 {
        self.estimate.value
    }

    /// Standard deviation of the mean over a duration, m/s, correlation included. Beyond the longest
    /// duration that the drive tells, it falls as for independent stretches.
    #[must_use]
    pub fn of_mean_mps(&self, duration_s: f64) -> f64 {
        let after = self.of_mean.partition_point(|(d, _)| *d <= duration_s);
        let Some(&(d0, s0)) = after.checked_sub(1).and_then(|i| self.of_mean.get(i)) else {
            return self.sigma_mps();
        };
        match self.of_mean.get(after) {
            Some(&(d1, s1)) => {
                let share = (duration_s / d0).ln() / (d1 / d0).ln();
                s0 + share * (s1 - s0)
            }
            None => s0 * (d0 / duration_s).sqrt(),
        }
    }
}

/// Noise of slip over the places where `quiet` says that nothing drives it. Where there are too
/// few, the sample-to-sample part of all slip stands for it, and the method says so.
pub(super) fn slip_noise(
    base_ns: &[i64],
    slip: &Column,
    quiet: impl Fn(usize) -> bool,
) -> Result<SlipNoise, Missing> {
    let mut runs: Vec<Vec<f64>> = vec![Vec::new()];
    let mut intervals = Vec::new();
    for (i, &t) in base_ns.iter().enumerate() {
        let value = slip.get(i).filter(|_| quiet(i));
        match (value, runs.last_mut()) {
            (Some(value), Some(run)) => {
                if !run.is_empty() && i > 0 {
                    intervals.push(seconds_between(base_ns[i - 1], t));
                }
                run.push(value);
            }
            (None, Some(run)) if !run.is_empty() => runs.push(Vec::new()),
            _ => {}
        }
    }
    let mut all: Vec<f64> = runs.iter().flatten().copied().collect();
    let samples = all.len();
    if samples < LEAST_SAMPLES {
        return from_differences(slip);
    }
    let interval_s = quantile_in_place(&mut intervals, 0.5)
        .unwrap_or(0.01)
        .max(1e-4);
    let sigma = middle_width(&mut all).ok_or(Missing::NoSuitableStretch(QUIET))?;
    let mut of_mean = vec![(interval_s, sigma)];
    let mut block = 2;
    while block as f64 * interval_s <= LONGEST_MEAN_S {
        let mut means: Vec<f64> = runs
            .iter()
            .flat_map(|run| run.chunks_exact(block))
            .map(|chunk| chunk.iter().sum::<f64>() / block as f64)
            .collect();
        if means.len() < 8 {
            break;
        }
        let Some(deviation) = deviation(&mut means) else {
            break;
        };
        let previous = of_mean.last().map_or(sigma, |&(_, s)| s);
        // A mean is no noisier than a shorter one, nor better than independence allows.
        let floor = sigma / (block as f64).sqrt();
        of_mean.push((
            block as f64 * interval_s,
            deviation.clamp(floor.min(previous), previous),
        ));
        block *= 2;
    }
    // The samples count by the time in which they forget each other.
    let (longest_s, longest) = of_mean.last().copied().unwrap_or((interval_s, sigma));
    let forget_s = if sigma > 0.0 {
        longest_s * (longest / sigma).powi(2)
    } else {
        interval_s
    };
    let independent = (samples as f64 * interval_s / forget_s.max(interval_s)).max(2.0);
    let estimate = Estimate {
        value: sigma,
        // Quantile width of 98 %: variance 2.2 times the plain deviation's for normal samples.
        u: sigma * (2.2 / (2.0 * independent)).sqrt(),
        method: "width of the middle 98 % of samples with the coupling open",
        samples,
    };
    Ok(SlipNoise { estimate, of_mean })
}

const QUIET: &str = "moving stretch with the coupling open";

fn deviation(values: &mut [f64]) -> Option<f64> {
    if values.len() >= LEAST_SAMPLES {
        return middle_width(values);
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (n > 1.0).then(|| (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

fn middle_width(values: &mut [f64]) -> Option<f64> {
    let tail = (1.0 - MIDDLE_SHARE) / 2.0;
    let low = quantile_in_place(values, tail)?;
    let high = quantile_in_place(values, 1.0 - tail)?;
    Some((high - low) / MIDDLE_WIDTH)
}

/// From second differences, which a smooth slip pulse hardly moves: `var = 6 sigma²` for
/// independent samples.
fn from_differences(slip: &Column) -> Result<SlipNoise, Missing> {
    let mut second = Vec::new();
    for i in 2..slip.len() {
        if let (Some(a), Some(b), Some(c)) = (slip.get(i - 2), slip.get(i - 1), slip.get(i)) {
            second.push(a - 2.0 * b + c);
        }
    }
    let samples = second.len();
    if samples < LEAST_SAMPLES / 2 {
        return Err(Missing::NoSuitableStretch(QUIET));
    }
    let (_, sigma) = median_and_sigma(&second).ok_or(Missing::NoSuitableStretch(QUIET))?;
    let sigma = sigma / 6.0_f64.sqrt();
    let estimate = Estimate {
        value: sigma,
        u: sigma * 0.5,
        method: "sample-to-sample part of all slip; the coupling was never open long enough",
        samples,
    };
    Ok(SlipNoise {
        estimate,
        of_mean: Vec::new(),
    })
}

/// The noise as a measured value.
pub(super) fn measured(noise: &Result<SlipNoise, Missing>) -> Measured {
    noise
        .as_ref()
        .map(|n| n.estimate.clone())
        .map_err(Clone::clone)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    fn base(n: usize) -> Vec<i64> {
        (0..n as i64).map(|i| i * 10_000_000).collect()
    }

    fn white(n: usize, sigma: f64) -> Vec<f64> {
        let mut random = Random::new(1);
        (0..n).map(|_| sigma * random.normal()).collect()
    }

    #[test]
    fn white_noise_averages_with_the_square_root() {
        let slip: Column = white(20_000, 0.05).into_iter().map(Some).collect();
        let noise = slip_noise(&base(20_000), &slip, |_| true).unwrap();
        assert!((noise.sigma_mps() / 0.05 - 1.0).abs() < 0.05, "{noise:?}");
        assert!(
            (noise.of_mean_mps(0.16) / (0.05 / 4.0) - 1.0).abs() < 0.15,
            "{noise:?}"
        );
        assert!(noise.of_mean_mps(1000.0) < noise.of_mean_mps(1.0));
    }

    #[test]
    fn correlated_noise_averages_slower() {
        let mut level = 0.0;
        let values = white(20_000, 0.05).into_iter().map(|w| {
            level = 0.95 * level + w * (1.0_f64 - 0.95 * 0.95).sqrt();
            Some(level)
        });
        let slip: Column = values.collect();
        let noise = slip_noise(&base(20_000), &slip, |_| true).unwrap();
        assert!(
            noise.of_mean_mps(0.16) > 0.8 * noise.sigma_mps(),
            "{noise:?}"
        );
    }

    #[test]
    fn what_is_driven_does_not_count() {
        let slip: Column = (0..2000)
            .map(|i| Some(if i < 1000 { 5.0 } else { 0.0 }))
            .collect();
        let noise = slip_noise(&base(2000), &slip, |i| i >= 1000).unwrap();
        assert_eq!(noise.sigma_mps(), 0.0);
        assert!(slip_noise(&base(10), &slip, |_| false).is_ok());
        assert!(slip_noise(&[], &Column::default(), |_| true).is_err());
    }
}
