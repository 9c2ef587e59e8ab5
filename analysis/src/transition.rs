//! State levels and crossing times of a step (definition 5; terms of IEEE Std 181-2011 and
//! IEC 60469:2013).
//!
//! The standard interpolates between the two samples around a reference level. At 10 or 20 ms a
//! frame that costs several milliseconds where the waveform bends between samples, as it does at
//! the end of the dead time. So shapes with a dead time are fitted to all samples around the
//! step, weighted by how well they explain it (G. Schwarz, Estimating the dimension of a model,
//! Annals of Statistics 6(2), 1978, whose criterion approximates each shape's posterior odds),
//! and the crossing is the fitted waveform's. Where no shape explains the samples, the best one is
//! corrected by the local mean of what it leaves. Where fewer than two samples lie within the
//! step, interpolation is all there is, and the uncertainty says so.

mod crossing;
mod fit;
mod levels;
mod plateau;
mod shape;

pub use self::crossing::{Crossing, first_crossing_after, last_crossing_before, middle_crossing};
use self::fit::{Fit, Sampled, fit};
pub use self::levels::{StateLevels, state_levels};
pub use self::plateau::{Plateau, first_plateau, last_plateau};
use self::shape::Shape;
use crate::robust::quantile_in_place;

/// Why a step has no times.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoRise {
    /// Too few samples.
    TooFewSamples {
        /// How many there were.
        have: usize,
    },
    /// The step is not clear of its noise.
    InNoise,
    /// The waveform never crossed this many per cent of its step.
    NoCrossing(u8),
}

/// Fewest samples that hold a step: two in each state and one between.
pub const LEAST_SAMPLES: usize = 5;

/// A step must be this many deviations high to be one.
const CLEAR_OF_NOISE: f64 = 6.0;

/// A time with its standard uncertainty, s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timed {
    /// Time, in the scale of the given times.
    pub t_s: f64,
    /// Standard uncertainty, widened for few samples so that 1.96 of it cover 95 %.
    pub u_s: f64,
}

/// A rise from a lower to an upper state.
#[derive(Clone, Debug)]
pub struct Rise {
    /// Its states.
    pub levels: StateLevels,
    /// Standard uncertainty of the upper less the lower state.
    pub u_amplitude: f64,
    /// Samples it rests on.
    pub samples: usize,
    basis: Basis,
}

#[derive(Clone, Debug)]
enum Basis {
    Fitted { models: Vec<(Fit, f64)>, variance: f64, widen: f64, left: Vec<(f64, f64)>, reach_s: f64 },
    Interpolated { naive_s: [f64; 3], interval_s: f64 },
}

impl Rise {
    /// When it crosses a share of its step.
    #[must_use]
    pub fn crossing(&self, share: f64) -> Option<Timed> {
        match &self.basis {
            Basis::Interpolated { naive_s: [t10, _, t90], interval_s } => Some(Timed {
                t_s: t10 + (share - 0.1) / 0.8 * (t90 - t10),
                u_s: interval_s / 12.0_f64.sqrt(),
            }),
            Basis::Fitted { .. } => self.combined(|fit| {
                let (t, variance) = fit.crossing(share)?;
                let (shift, extra) = self.correction(fit, t);
                Some((t + shift, variance, extra))
            }),
        }
    }

    /// Time between the crossings of two shares.
    #[must_use]
    pub fn between(&self, from: f64, to: f64) -> Option<Timed> {
        match &self.basis {
            Basis::Interpolated { naive_s: [t10, _, t90], interval_s } => Some(Timed {
                t_s: (to - from) / 0.8 * (t90 - t10),
                u_s: interval_s / 6.0_f64.sqrt(),
            }),
            Basis::Fitted { .. } => self.combined(|fit| {
                let (t, variance) = fit.interval(from, to)?;
                let (t_from, t_to) = (fit.crossing(from)?.0, fit.crossing(to)?.0);
                let ((early, e_early), (late, e_late)) =
                    (self.correction(fit, t_from), self.correction(fit, t_to));
                Some((t + late - early, variance, e_early + e_late))
            }),
        }
    }

    /// Whether it is interpolated because too few samples lie within the step.
    #[must_use]
    pub fn is_interpolated(&self) -> bool {
        matches!(self.basis, Basis::Interpolated { .. })
    }

    /// How it was found, in a few plain words.
    #[must_use]
    pub fn method(&self) -> &'static str {
        match &self.basis {
            Basis::Interpolated { .. } => "interpolated; the step is shorter than two samples",
            Basis::Fitted { left, .. } if left.is_empty() => "fitted rise with dead time",
            Basis::Fitted { .. } => "fitted rise with dead time, corrected by its local residuals",
        }
    }

    /// Weighted over models: `value` gives time, variance per unit sample variance, and extra
    /// variance in s².
    fn combined(&self, value: impl Fn(&Fit) -> Option<(f64, f64, f64)>) -> Option<Timed> {
        let Basis::Fitted { models, variance, widen, .. } = &self.basis else { return None };
        let found: Vec<(f64, f64, f64)> = models
            .iter()
            .filter_map(|(fit, weight)| {
                let (t, v, extra) = value(fit)?;
                Some((t, v * variance + extra, *weight))
            })
            .collect();
        let total: f64 = found.iter().map(|(_, _, w)| w).sum();
        if total <= 0.0 {
            return None;
        }
        let t_s = found.iter().map(|(t, _, w)| w * t).sum::<f64>() / total;
        // Within and between the models.
        let u2 = found.iter().map(|(t, v, w)| w * (v + (t - t_s).powi(2))).sum::<f64>() / total;
        let u_s = u2.sqrt() * widen;
        (t_s.is_finite() && u_s.is_finite()).then_some(Timed { t_s, u_s })
    }

    /// Shift and extra variance from what the model leaves near a time; nothing where it leaves only
    /// noise.
    fn correction(&self, fit: &Fit, t_s: f64) -> (f64, f64) {
        let Basis::Fitted { variance, left, reach_s, .. } = &self.basis else { return (0.0, 0.0) };
        if left.is_empty() {
            return (0.0, 0.0);
        }
        let h = 1e-3 * reach_s;
        let slope = (fit.value(t_s + h) - fit.value(t_s - h)) / (2.0 * h);
        let (mut weights, mut squares, mut sum) = (0.0, 0.0, 0.0);
        for &(t, y) in left {
            let x = (t - t_s).abs() / reach_s;
            if x < 1.0 {
                let w = (1.0 - x.powi(3)).powi(3);
                weights += w;
                squares += w * w;
                sum += w * (y - fit.value(t));
            }
        }
        if weights <= 0.0 || slope <= 0.0 {
            return (0.0, 0.0);
        }
        let shift = -(sum / weights) / slope;
        let noise = variance * squares / weights.powi(2) / slope.powi(2);
        (shift, noise + (0.5 * shift).powi(2))
    }
}

/// Measures the rise of a waveform that holds one step up. For a fall, hand in the negative.
///
/// `t_s` and `y` have equal lengths, times rising. The waveform should begin in the lower state and
/// end in the upper one; what lies far from the step is not used.
///
/// # Errors
/// [`NoRise`], as named.
pub fn measure_rise(t_s: &[f64], y: &[f64]) -> Result<Rise, NoRise> {
    let n = t_s.len().min(y.len());
    let too_few = NoRise::TooFewSamples { have: n };
    if n < LEAST_SAMPLES {
        return Err(too_few);
    }
    let (t_s, y) = (&t_s[..n], &y[..n]);
    let levels = state_levels(y).ok_or(NoRise::InNoise)?;
    if levels.amplitude() < CLEAR_OF_NOISE * levels.sigma {
        return Err(NoRise::InNoise);
    }
    let naive_s = naive_crossings(t_s, y, &levels)?;
    let mut intervals: Vec<f64> = t_s.windows(2).map(|w| w[1] - w[0]).collect();
    let interval_s = quantile_in_place(&mut intervals, 0.5).ok_or(too_few)?;
    let window = around_step(t_s, naive_s, interval_s);
    let (t_near, y_near) = (&t_s[window.clone()], &y[window]);
    let data = Sampled { t_s: t_near, y: y_near, naive_s, interval_s };
    let within = y_near
        .iter()
        .filter(|v| **v > levels.reference(0.05) && **v < levels.reference(0.95))
        .count();
    let interpolated = || Rise {
        levels,
        u_amplitude: levels.sigma,
        samples: t_near.len(),
        basis: Basis::Interpolated { naive_s, interval_s },
    };
    if within < 2 {
        return Ok(interpolated());
    }
    Ok(fitted(&data, within).unwrap_or_else(interpolated))
}

fn naive_crossings(t_s: &[f64], y: &[f64], levels: &StateLevels) -> Result<[f64; 3], NoRise> {
    let middle =
        middle_crossing(t_s, y, levels.reference(0.5)).ok_or(NoRise::NoCrossing(50))?;
    let low = last_crossing_before(t_s, y, levels.reference(0.1), middle.before + 1)
        .ok_or(NoRise::NoCrossing(10))?;
    let high = first_crossing_after(t_s, y, levels.reference(0.9), middle.before)
        .ok_or(NoRise::NoCrossing(90))?;
    Ok([low.t_s, middle.t_s, high.t_s])
}

/// The samples that tell of the step: enough of either state to know its level, no more, so that a
/// slow drift of the state does not pull on the step.
fn around_step(t_s: &[f64], naive_s: [f64; 3], interval_s: f64) -> std::ops::Range<usize> {
    let [t10, _, t90] = naive_s;
    let rise = t90 - t10;
    let before = (0.15_f64).max(rise).max(12.0 * interval_s);
    let after = (0.2_f64).max(3.0 * rise).max(15.0 * interval_s);
    let from = t_s.partition_point(|&t| t < t10 - before);
    let to = t_s.partition_point(|&t| t <= t90 + after);
    from..to.max(from)
}

/// Weights below this do not matter.
const LEAST_WEIGHT: f64 = 1e-3;

fn fitted(data: &Sampled<'_>, within: usize) -> Option<Rise> {
    let n = data.t_s.len();
    let resolution = resolution(data.y);
    let floor = (resolution * resolution / 12.0).max(f64::MIN_POSITIVE);
    let mut scored: Vec<(Fit, f64)> = Shape::ALL
        .iter()
        // A shape needs more samples within the step than it has numbers to place there.
        .filter(|shape| within > shape.count())
        .filter_map(|&shape| {
            let fit = fit(shape, data)?;
            let count = n as f64;
            let mean_square = fit.squares / count + floor;
            let score = count * mean_square.ln() + count.ln() * fit.parameters as f64;
            Some((fit, score))
        })
        .collect();
    let best = scored.iter().map(|(_, s)| *s).reduce(f64::min)?;
    for (_, score) in &mut scored {
        *score = (-0.5 * (*score - best)).exp();
    }
    scored.retain(|(_, weight)| *weight >= LEAST_WEIGHT);
    scored.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (leader, _) = scored.first()?;
    let freedom = n as f64 - leader.parameters as f64;
    let variance = (leader.squares / freedom).max(floor);
    // How the samples within the step scatter, against all: where clearly more, no shape is right,
    // or the stamps jitter.
    let (mut inside, mut count) = (0.0, 0.0);
    for (&t, &y) in data.t_s.iter().zip(data.y) {
        if (0.02..0.98).contains(&leader.share(t)) {
            inside += (y - leader.value(t)).powi(2);
            count += 1.0;
        }
    }
    let inside_variance = inside / f64::max(count - leader.shape.count() as f64, 1.0);
    let excess = count >= 4.0 && inside_variance > variance * (1.0 + 3.0 * (2.0 / count).sqrt());
    let [t10, _, t90] = data.naive_s;
    let v_amplitude = leader.amplitude_variance();
    let levels = StateLevels {
        low: leader.low,
        high: leader.low + leader.amplitude,
        sigma: variance.sqrt(),
    };
    Some(Rise {
        levels,
        u_amplitude: (variance * v_amplitude).sqrt(),
        samples: n,
        basis: Basis::Fitted {
            variance: if excess { inside_variance } else { variance },
            widen: student_over_normal(freedom),
            left: if excess {
                data.t_s.iter().copied().zip(data.y.iter().copied()).collect()
            } else {
                Vec::new()
            },
            reach_s: (2.5 * data.interval_s).max(0.25 * (t90 - t10)),
            models: scored,
        },
    })
}

/// The smallest step between two values: what the code resolves. Quantisation counts as noise.
fn resolution(y: &[f64]) -> f64 {
    let mut sorted = y.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let span = sorted.last().copied().unwrap_or(0.0) - sorted.first().copied().unwrap_or(0.0);
    sorted
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 1e-9 * span)
        .reduce(f64::min)
        .unwrap_or(0.0)
}

/// 97.5 % quantile of Student's distribution over the normal one's, to second order in 1/freedom
/// (Cornish-Fisher; Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5).
fn student_over_normal(freedom: f64) -> f64 {
    const Z: f64 = 1.959_963_985;
    let nu = freedom.max(2.0);
    let (z2, z4) = (Z * Z, Z.powi(4));
    1.0 + (z2 + 1.0) / (4.0 * nu) + (5.0 * z4 + 16.0 * z2 + 3.0) / (96.0 * nu * nu)
}

#[cfg(test)]
mod tests;
