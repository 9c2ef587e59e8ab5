//! A measured rise: its states and where it crosses shares of its step.

use super::fit::Fit;
use super::levels::StateLevels;

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
    /// A time that is not known to this is not placed within the rise, s.
    pub(crate) widest_u_s: f64,
    pub(super) basis: Basis,
}

#[derive(Clone, Debug)]
pub(super) enum Basis {
    Fitted(Fitted),
    Interpolated { naive_s: [f64; 3], interval_s: f64 },
}

/// Shapes that explain a step.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    /// The best first, with weights.
    pub(super) models: Vec<(Fit, f64)>,
    /// Variance of a sample.
    pub(super) variance: f64,
    /// A shape that leaves a time more uncertain than this does not place it, s.
    pub(super) widest_u_s: f64,
    /// Factor for few samples.
    pub(super) widen: f64,
    /// The samples, where no shape explains them; otherwise empty.
    pub(super) left: Vec<(f64, f64)>,
    /// Share of the residuals that is more than noise; the crossing follows it.
    pub(super) followed: f64,
    /// Variance of a sample in the states.
    pub(super) noise_variance: f64,
    /// Standard uncertainty of the upper state where it is no one level.
    pub(super) u_high: f64,
    /// The states are each model's own, not the histogram's.
    pub(super) own_states: bool,
    /// The waveform may have crept up before it rose.
    pub(super) creeps: bool,
    /// When the samples are, s.
    pub(super) t_s: Vec<f64>,
}

impl Rise {
    /// When it crosses a share of its step.
    #[must_use]
    pub fn crossing(&self, share: f64) -> Option<Timed> {
        match &self.basis {
            Basis::Interpolated {
                naive_s,
                interval_s,
            } => Some(Timed {
                t_s: interpolated_s(naive_s, share),
                u_s: interval_s / 12.0_f64.sqrt(),
            }),
            Basis::Fitted(fitted) => {
                let value = self.levels.reference(share);
                fitted.combined(|fit| {
                    let (t, variance) = if fitted.own_states {
                        fit.crossing(share)?
                    } else {
                        fit.crossing_value(value)?
                    };
                    let (shift, extra) = fitted.correction(fit, t);
                    let by_state = share * fitted.u_high * fit.delay_per_value(t);
                    let by_shape = fitted.u_shape_s(fit, share, t);
                    Some((
                        t + shift,
                        variance,
                        extra + by_state.powi(2) + by_shape.powi(2),
                    ))
                })
            }
        }
    }

    /// Time between the crossings of two shares.
    #[must_use]
    pub fn between(&self, from: f64, to: f64) -> Option<Timed> {
        match &self.basis {
            Basis::Interpolated {
                naive_s,
                interval_s,
            } => Some(Timed {
                t_s: interpolated_s(naive_s, to) - interpolated_s(naive_s, from),
                u_s: interval_s / 6.0_f64.sqrt(),
            }),
            Basis::Fitted(fitted) => {
                let (low, high) = (self.levels.reference(from), self.levels.reference(to));
                fitted.combined(|fit| {
                    let ((t, variance), t_from, t_to) = if fitted.own_states {
                        (
                            fit.interval(from, to)?,
                            fit.crossing(from)?.0,
                            fit.crossing(to)?.0,
                        )
                    } else {
                        let ends = (fit.crossing_value(low)?.0, fit.crossing_value(high)?.0);
                        (fit.interval_values(low, high)?, ends.0, ends.1)
                    };
                    let (early, e_early) = fitted.correction(fit, t_from);
                    let (late, e_late) = fitted.correction(fit, t_to);
                    let by_state = fitted.u_high
                        * (to * fit.delay_per_value(t_to) - from * fit.delay_per_value(t_from));
                    let by_shape = fitted
                        .u_shape_s(fit, from, t_from)
                        .hypot(fitted.u_shape_s(fit, to, t_to));
                    Some((
                        t + late - early,
                        variance,
                        e_early + e_late + by_state.powi(2) + by_shape.powi(2),
                    ))
                })
            }
        }
    }

    /// Whether it is interpolated because no shape could be fitted: too few samples lie within the
    /// step.
    #[must_use]
    pub fn is_interpolated(&self) -> bool {
        matches!(self.basis, Basis::Interpolated { .. })
    }

    /// How it was found, in a few plain words.
    #[must_use]
    pub fn method(&self) -> &'static str {
        match &self.basis {
            Basis::Interpolated { .. } => {
                "interpolated; too few samples lie within the step for a fit"
            }
            Basis::Fitted(fitted) if fitted.left.is_empty() => "fitted rise with dead time",
            Basis::Fitted(_) => {
                "fitted rise with dead time, drawn to interpolation where no shape fits"
            }
        }
    }
}

/// When a share of the step is crossed, s, on the lines between the crossings of 10, 50 and 90 %.
fn interpolated_s(&[t10, t50, t90]: &[f64; 3], share: f64) -> f64 {
    let slope_s = if share < 0.5 { t50 - t10 } else { t90 - t50 } / 0.4;
    t50 + (share - 0.5) * slope_s
}

/// What a real rise differs by from every shape, of its step: at its foot and its shoulder, where plates
/// touch one after the other, the lining is pressed flat and the valve takes over, and half way.
const U_SHAPE_AT_ENDS: f64 = 0.0025;
const U_SHAPE_AT_HALF: f64 = 0.001;

/// Between two samples the waveform is not seen: of the time between them, and of the share of the step
/// that it takes there, so much is uncertain at the foot and the shoulder, where it bends, and half way.
/// From rises of seven forms, with feet and without, seen every 5 to 100 ms.
const U_UNSEEN_AT_ENDS: f64 = 0.09;
const U_UNSEEN_AT_HALF: f64 = 0.03;

/// Where the waveform may creep up before, the foot is uncertain by this factor more,
const CREEPING: f64 = 2.6;

/// and by how much later or sooner a level so much of the step higher or lower is crossed: close to the
/// knee, that is far.
const U_FOOT: f64 = 0.008;

impl Fitted {
    /// Standard uncertainty of a crossing from the shape, s: what no shape tells, and what the samples
    /// on either side of it do not.
    fn u_shape_s(&self, fit: &Fit, share: f64, t_s: f64) -> f64 {
        let from_middle = (1.25 * (1.0 - 2.0 * share)).abs().min(1.0);
        let between = |half: f64, ends: f64| half + from_middle * (ends - half);
        let of_step = between(U_SHAPE_AT_HALF, U_SHAPE_AT_ENDS);
        let by_form = of_step * fit.amplitude.abs() * fit.delay_per_value(t_s);
        let next = self.t_s.partition_point(|&t| t <= t_s);
        let beside = next.checked_sub(1).and_then(|i| self.t_s.get(i..i + 2));
        let unseen = match beside {
            Some(&[from, to]) => (to - from) * (fit.share(to) - fit.share(from)),
            _ => 0.0,
        };
        let by_unseen = between(U_UNSEEN_AT_HALF, U_UNSEEN_AT_ENDS) * unseen;
        if !self.creeps || share > 0.5 {
            return by_form.hypot(by_unseen);
        }
        let crosses_s = |by: f64| fit.crosses_s(fit.share(t_s) + by).unwrap_or(t_s);
        let known = U_FOOT * (1.0 - share);
        let by_knee = 0.5 * (crosses_s(known) - crosses_s(-known)).max(0.0);
        let by_unseen = by_unseen * (1.0 + (CREEPING - 1.0) * from_middle);
        by_form.max(by_knee).hypot(by_unseen)
    }

    /// Weighted over models: `value` gives time, variance per unit sample variance, and extra
    /// variance in s².
    fn combined(&self, value: impl Fn(&Fit) -> Option<(f64, f64, f64)>) -> Option<Timed> {
        let mut found: Vec<(f64, f64, f64)> = self
            .models
            .iter()
            .filter_map(|(fit, weight)| {
                let (t, v, extra) = value(fit)?;
                Some((t, v * self.variance + extra, *weight))
            })
            .collect();
        // A shape with numbers that the samples do not tell may put the time anywhere; beside one
        // that places it, it says nothing.
        let placed = |v: f64| v.sqrt() <= self.widest_u_s;
        if found.iter().any(|(_, v, _)| placed(*v)) {
            found.retain(|(_, v, _)| placed(*v));
        }
        let total: f64 = found.iter().map(|(_, _, w)| w).sum();
        if total <= 0.0 {
            return None;
        }
        let t_s = found.iter().map(|(t, _, w)| w * t).sum::<f64>() / total;
        // Within and between the models.
        let u2 = found
            .iter()
            .map(|(t, v, w)| w * (v + (t - t_s).powi(2)))
            .sum::<f64>()
            / total;
        let u_s = u2.sqrt() * self.widen;
        (t_s.is_finite() && u_s.is_finite()).then_some(Timed { t_s, u_s })
    }

    /// Shift and extra variance where no shape explains the samples: towards the crossing between
    /// the two samples on either side, as the standard takes it, as far as what the model leaves is
    /// more than noise. The waveform between two samples is not seen, so a third of the shift stays
    /// as uncertainty.
    fn correction(&self, fit: &Fit, t_s: f64) -> (f64, f64) {
        let value = fit.value(t_s);
        let crossed = self
            .left
            .windows(2)
            .filter(|w| w[0].1 < value && w[1].1 >= value)
            .map(|w| {
                let slope = (w[1].1 - w[0].1) / (w[1].0 - w[0].0);
                (w[0].0 + (value - w[0].1) / slope, slope)
            })
            .min_by(|a, b| (a.0 - t_s).abs().total_cmp(&(b.0 - t_s).abs()));
        let Some((between_s, slope)) = crossed else {
            return (0.0, 0.0);
        };
        let shift = self.followed * (between_s - t_s);
        let noise = self.followed * self.noise_variance / slope.powi(2);
        (shift, noise + (shift / 3.0).powi(2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A foot that creeps and a steep top: each crossing is the one that was interpolated, and not
    /// a place on the line from the first to the last.
    #[test]
    fn each_interpolated_crossing_is_its_own() {
        let naive_s = [0.10, 0.19, 0.20];
        let rise = Rise {
            levels: StateLevels {
                low: 0.0,
                high: 1.0,
                sigma: 0.01,
            },
            u_amplitude: 0.01,
            samples: 6,
            widest_u_s: 0.11,
            basis: Basis::Interpolated {
                naive_s,
                interval_s: 0.01,
            },
        };
        for (share, t_s) in [0.1, 0.5, 0.9].into_iter().zip(naive_s) {
            assert!((rise.crossing(share).unwrap().t_s - t_s).abs() < 1e-12);
        }
        assert!((rise.between(0.1, 0.9).unwrap().t_s - 0.10).abs() < 1e-12);
        assert!((rise.between(0.1, 0.5).unwrap().t_s - 0.09).abs() < 1e-12);
        assert!(rise.method().contains("too few samples"));
    }
}
