//! State levels and crossing times of a step (definition 5; terms of IEEE Std 181-2011 and
//! IEC 60469:2013).
//!
//! The standard interpolates between the two samples around a reference level. At 10 or 20 ms a
//! frame that costs several milliseconds where the waveform bends between samples, as it does at
//! the end of the dead time. So shapes with a dead time are fitted to all samples around the
//! step, weighted by how well they explain it (G. Schwarz, Estimating the dimension of a model,
//! Annals of Statistics 6(2), 1978, whose criterion approximates each shape's posterior odds),
//! and the crossing is the fitted waveform's. Where no shape explains the samples, the crossing is
//! drawn to the interpolated one. Where no sample lies within the step, or too few for any shape,
//! interpolation is all there is, and the uncertainty says so.
//!
//! The states are the fit's where it explains the samples on either side. Pressure that creeps up
//! while the oil fills the clearance, or that drifts while it is held, is no state of the fit: then
//! the histogram's state is the reference, and the fit keeps to the samples next to the step.

mod candidates;
mod crossing;
mod first_rise;
mod fit;
mod levels;
mod plateau;
mod rise;
mod shape;

use self::candidates::{Candidates, candidates, with_foot};
pub(crate) use self::crossing::middle_crossing;
use self::crossing::{first_crossing_after, last_crossing_before};
pub use self::first_rise::measure_first_rise;
pub(crate) use self::first_rise::{RoughRise, first_level_lasts, rough_first_rise};
use self::fit::{Fit, Sampled};
pub use self::levels::StateLevels;
use self::levels::{state_levels, step_noise};
pub(crate) use self::plateau::{Plateau, first_plateau, last_plateau};
use self::rise::{Basis, Fitted};
pub use self::rise::{Rise, Timed};
use crate::statistics::quantile::quantile_in_place;

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

/// Measures the rise of a waveform that holds one step up. For a fall, hand in the negative.
///
/// `t_s` and `y` have equal lengths, times rising. The waveform should begin in the lower state and
/// end in the upper one; what lies far from the step only tells its states.
///
/// # Errors
/// [`NoRise`], as named.
pub fn measure_rise(t_s: &[f64], y: &[f64]) -> Result<Rise, NoRise> {
    measure_rise_after(t_s, y, None)
}

/// As [`measure_rise`]; from a given time on the waveform may have crept up before it rose.
fn measure_rise_after(t_s: &[f64], y: &[f64], creeps_from_s: Option<f64>) -> Result<Rise, NoRise> {
    let n = t_s.len().min(y.len());
    let too_few = NoRise::TooFewSamples { have: n };
    if n < LEAST_SAMPLES {
        return Err(too_few);
    }
    let (t_s, y) = (&t_s[..n], &y[..n]);
    let states = state_levels(y).ok_or(NoRise::InNoise)?;
    if states.amplitude() < CLEAR_OF_NOISE * states.sigma {
        return Err(NoRise::InNoise);
    }
    let naive_s = naive_crossings(t_s, y, &states)?;
    let mut intervals: Vec<f64> = t_s.windows(2).map(|w| w[1] - w[0]).collect();
    let interval_s = quantile_in_place(&mut intervals, 0.5).ok_or(too_few)?;
    let whole = Waveform {
        t_s,
        y,
        naive_s,
        interval_s,
        states,
        creeps_from_s,
    };
    let wide = whole.near(Reach::WIDE);
    let within = wide
        .y
        .iter()
        .filter(|v| **v > states.reference(0.05) && **v < states.reference(0.95))
        .count();
    let interpolated = || Rise {
        levels: states,
        u_amplitude: states.sigma,
        samples: wide.t_s.len(),
        widest_u_s: whole.widest_u_s(),
        basis: Basis::Interpolated {
            naive_s,
            interval_s,
        },
    };
    if within < 1 {
        return Ok(interpolated());
    }
    Ok(whole.fitted(within).unwrap_or_else(interpolated))
}

fn naive_crossings(t_s: &[f64], y: &[f64], levels: &StateLevels) -> Result<[f64; 3], NoRise> {
    let middle = middle_crossing(t_s, y, levels.reference(0.5)).ok_or(NoRise::NoCrossing(50))?;
    let low = last_crossing_before(t_s, y, levels.reference(0.1), middle.before + 1)
        .ok_or(NoRise::NoCrossing(10))?;
    let high = first_crossing_after(t_s, y, levels.reference(0.9), middle.before)
        .ok_or(NoRise::NoCrossing(90))?;
    Ok([low.t_s, middle.t_s, high.t_s])
}

/// A waveform with one step in it.
struct Waveform<'a> {
    t_s: &'a [f64],
    y: &'a [f64],
    naive_s: [f64; 3],
    interval_s: f64,
    states: StateLevels,
    /// From when on a foot may be there, s.
    creeps_from_s: Option<f64>,
}

/// How far from the step samples are fitted, on either side: the longest of a time, a multiple of
/// the rise and a number of intervals.
#[derive(Clone, Copy)]
struct Side {
    time_s: f64,
    rises: f64,
    intervals: f64,
}

#[derive(Clone, Copy)]
struct Reach {
    before: Side,
    after: Side,
}

impl Reach {
    /// Enough of either state to know its level.
    const WIDE: Self = Self {
        before: Side {
            time_s: 0.15,
            rises: 1.0,
            intervals: 12.0,
        },
        after: Side {
            time_s: 0.2,
            rises: 3.0,
            intervals: 15.0,
        },
    };
    /// Only what is next to the step, where a state is none.
    const CLOSE: Self = Self {
        before: Side {
            time_s: 0.0,
            rises: 0.5,
            intervals: 6.0,
        },
        after: Side {
            time_s: 0.0,
            rises: 1.0,
            intervals: 8.0,
        },
    };
}

/// With fewer samples than this while the oil fills the clearance, a foot does not show.
const FEW_FILLING: usize = 6;

/// A state that the fit misses by this share of the step is not the fit's.
const MISSED_SHARE: f64 = 0.005;

impl Waveform<'_> {
    fn near(&self, reach: Reach) -> Sampled<'_> {
        let [t10, _, t90] = self.naive_s;
        let length = |side: Side| {
            side.time_s
                .max(side.rises * (t90 - t10))
                .max(side.intervals * self.interval_s)
        };
        let from = self
            .t_s
            .partition_point(|&t| t < t10 - length(reach.before));
        let to = self
            .t_s
            .partition_point(|&t| t <= t90 + length(reach.after))
            .max(from);
        Sampled {
            t_s: &self.t_s[from..to],
            y: &self.y[from..to],
            naive_s: self.naive_s,
            interval_s: self.interval_s,
        }
    }

    /// The rise and a sample: a crossing that is not known to this is not placed.
    fn widest_u_s(&self) -> f64 {
        let [t10, _, t90] = self.naive_s;
        t90 - t10 + self.interval_s
    }

    fn fitted(&self, within: usize) -> Option<Rise> {
        let mut reach = Reach::WIDE;
        let mut data = self.near(reach);
        let mut candidates = candidates(&data, within)?;
        let (mut low_missed, mut high_missed) = self.missed_states(&candidates, &data);
        if high_missed {
            reach.after = Reach::CLOSE.after;
        }
        let mut foot_from_s = None;
        if let Some(from_s) = self.creeps_from_s {
            let first = data.t_s.partition_point(|&t| t <= from_s);
            let last = data.t_s.partition_point(|&t| t < data.naive_s[0]);
            let few = last.saturating_sub(first) < FEW_FILLING;
            foot_from_s = (few || low_missed).then_some(from_s);
            // Few samples show the foot, if any: those of the state before it are needed.
            if few {
                if high_missed {
                    data = self.near(reach);
                    candidates = self::candidates(&data, within)?;
                }
                candidates = with_foot(candidates, &data, within, from_s)?;
                let (low, high) = self.missed_states(&candidates, &data);
                low_missed = low;
                if high && !high_missed {
                    high_missed = true;
                    reach.after = Reach::CLOSE.after;
                }
            }
        }
        if low_missed {
            reach.before = Reach::CLOSE.before;
        }
        let near = self.near(reach);
        if near.t_s.len() != data.t_s.len() {
            data = near;
            candidates = self::candidates(&data, within)?;
            if let Some(from_s) = foot_from_s {
                candidates = with_foot(candidates, &data, within, from_s)?;
            }
        }
        let Candidates {
            models,
            variance,
            freedom,
            ..
        } = candidates;
        let (leader, _) = models.first()?;
        let low = if low_missed {
            self.states.low
        } else {
            leader.low
        };
        let high = if high_missed {
            self.states.high
        } else {
            leader.low + leader.amplitude
        };
        // How the samples within the step scatter, against the states: where clearly more, no shape
        // is right, or the stamps jitter.
        let (mut inside, mut count) = (0.0, 0.0);
        for (&t, &y) in data.t_s.iter().zip(data.y) {
            if (0.02..0.98).contains(&leader.share(t)) {
                inside += (y - leader.value(t)).powi(2);
                count += 1.0;
            }
        }
        let freedom_inside = f64::max(count - leader.shape.count() as f64, 1.0);
        let inside_variance = inside / freedom_inside;
        let noise_variance = state_noise(&data, leader).powi(2);
        let excess = count >= 3.0
            && inside_variance > noise_variance * (1.0 + 3.0 * (2.0 / freedom_inside).sqrt());
        let left = if excess {
            data.t_s
                .iter()
                .copied()
                .zip(data.y.iter().copied())
                .collect()
        } else {
            Vec::new()
        };
        Some(Rise {
            levels: StateLevels {
                low,
                high,
                sigma: variance.sqrt(),
            },
            u_amplitude: (variance * leader.amplitude_variance()).sqrt(),
            samples: data.t_s.len(),
            widest_u_s: self.widest_u_s(),
            basis: Basis::Fitted(Fitted {
                variance,
                widest_u_s: self.widest_u_s(),
                widen: student_over_normal(freedom),
                left,
                // What of the residuals is more than noise.
                followed: if excess {
                    1.0 - noise_variance / inside_variance
                } else {
                    0.0
                },
                noise_variance,
                own_states: !(low_missed || high_missed),
                creeps: low_missed || foot_from_s.is_some(),
                t_s: data.t_s.to_vec(),
                // A state that drifts has no one level; the two that it could have tell how much.
                u_high: if high_missed {
                    0.5 * (high - leader.low - leader.amplitude).abs()
                } else {
                    0.0
                },
                models,
            }),
        })
    }

    /// Whether the best shape fails to explain the samples before and after the step, or gives them
    /// another level than the histogram does.
    fn missed_states(&self, candidates: &Candidates, data: &Sampled<'_>) -> (bool, bool) {
        let Some((leader, _)) = candidates.models.first() else {
            return (false, false);
        };
        let step = self.states.amplitude();
        let missed = |side: &dyn Fn(f64) -> bool, fitted: f64, state: f64| {
            let values: Vec<(f64, f64)> = data
                .t_s
                .iter()
                .zip(data.y)
                .filter(|(t, _)| side(leader.share(**t)))
                .map(|(&t, &y)| (y, y - leader.value(t)))
                .collect();
            if values.len() < 4 {
                return false;
            }
            let count = values.len() as f64;
            let noise = step_noise(&values.iter().map(|(y, _)| *y).collect::<Vec<f64>>());
            let left = (values.iter().map(|(_, r)| r * r).sum::<f64>() / count).sqrt();
            let scatters = left > 1.5 * noise + MISSED_SHARE * step;
            let apart = 3.0 * noise / count.sqrt() + 2.0 * MISSED_SHARE * step;
            scatters || (fitted - state).abs() > apart
        };
        let high = leader.low + leader.amplitude;
        (
            missed(&|share| share < 0.02, leader.low, self.states.low),
            missed(&|share| share > 0.98, high, self.states.high),
        )
    }
}

/// Noise in the states, not less than the code's resolution makes.
fn state_noise(data: &Sampled<'_>, fit: &Fit) -> f64 {
    let state = |side: &dyn Fn(f64) -> bool| {
        let within = data
            .t_s
            .iter()
            .zip(data.y)
            .filter(|(t, _)| side(fit.share(**t)));
        step_noise(&within.map(|(_, y)| *y).collect::<Vec<f64>>())
    };
    let noise = 0.5 * (state(&|share| share < 0.02) + state(&|share| share > 0.98));
    noise.max(resolution(data.y) / 12.0_f64.sqrt())
}

/// The smallest step between two values: what the code resolves. Quantisation counts as noise.
pub(crate) fn resolution(y: &[f64]) -> f64 {
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
