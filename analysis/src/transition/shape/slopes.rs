//! How a shape changes with the time since its onset and with its numbers: what the fit descends by.

use super::{Numbers, Shape, USUAL_SOFT, WAVE_AT_WHOLE, WAVE_SHARE, ramp_then_lag};

/// Value of a shape and how it changes.
#[derive(Clone, Copy, Debug, Default)]
pub(in crate::transition) struct Slopes {
    pub(in crate::transition) value: f64,
    /// By the time since the onset, 1/s.
    pub(in crate::transition) by_s: f64,
    /// By the fitted coordinate of each number: its logarithm where it is positive.
    pub(in crate::transition) by_number: [f64; 3],
}

/// Step of the numerical slopes, in the logarithm of a number or in the curvature.
pub(in crate::transition) const STEP: f64 = 1e-4;

impl Shape {
    /// Value and slopes at `s` seconds after the onset.
    ///
    /// A shape is a function of times alone, so stretching all of them with `s` changes nothing:
    /// the slopes by the logarithms of its times add up to `-s` times the slope by `s` (Euler). That
    /// gives the last of them for nothing, and the only one where there is one time.
    pub(in crate::transition) fn slopes(self, s: f64, p: &Numbers) -> Slopes {
        if s <= 0.0 && self != Self::Logistic {
            return Slopes::default();
        }
        let value = self.value(s, p);
        let by_s = self.by_s(s, p, value);
        let stretch = -s * by_s;
        let by_number = match self {
            Self::FirstOrder
            | Self::Ramp
            | Self::Logistic
            | Self::RaisedCosine
            | Self::UsualStiffeningRamp => [stretch, 0.0, 0.0],
            Self::SecondOrder => [stretch, self.by_difference(s, p, 1), 0.0],
            Self::CutExponential => [stretch, by_curvature((s / p[0]).min(1.0), p[1]), 0.0],
            Self::StiffeningRamp => [stretch, p[1] * by_soft(s / p[0], p[1], value), 0.0],
            Self::RampThenLag => {
                let by_lag = p[1] * ramp_then_lag_by_lag(s, p[0], p[1]);
                [stretch - by_lag, by_lag, 0.0]
            }
            Self::RampThroughLag => {
                let by_lag = lagged_ramp_by_lag(s, p[1]) - lagged_ramp_by_lag(s - p[0], p[1]);
                let by_lag = p[1] * by_lag / p[0];
                [stretch - by_lag, by_lag, 0.0]
            }
            Self::RampThenLagThroughLag => {
                let (by_tau, by_lag) = (self.by_difference(s, p, 1), self.by_difference(s, p, 2));
                [stretch - by_tau - by_lag, by_tau, by_lag]
            }
        };
        Slopes {
            value,
            by_s,
            by_number,
        }
    }

    /// Slope by `s` after the onset, where the value is known, 1/s.
    fn by_s(self, s: f64, p: &Numbers, value: f64) -> f64 {
        let within = |slope: f64| if s < p[0] { slope / p[0] } else { 0.0 };
        match self {
            Self::FirstOrder => (1.0 - value) / p[0],
            Self::Ramp => within(1.0),
            Self::SecondOrder => second_order_slope(s, p[0], p[1]),
            Self::RampThenLag if s <= p[0] => 1.0 / (p[0] + p[1]),
            Self::RampThenLag => (1.0 - value) / p[1],
            // What is seen through a lag moves towards what it is shown.
            Self::RampThroughLag => ((s / p[0]).min(1.0) - value) / p[1],
            Self::RampThenLagThroughLag => (ramp_then_lag(s, p[0], p[1]) - value) / p[2],
            Self::CutExponential => within(cut_exponential_slope(s / p[0], p[1])),
            Self::StiffeningRamp => within(stiffening_slope(value, p[1])),
            Self::UsualStiffeningRamp => within(stiffening_slope(value, USUAL_SOFT)),
            Self::Logistic => value * (1.0 - value) / p[0],
            Self::RaisedCosine => {
                let pi = std::f64::consts::PI;
                within(0.5 * pi * (pi * s / p[0]).sin())
            }
        }
    }

    /// Slope by the fitted coordinate of number `i`, where the closed form is long and loses digits.
    fn by_difference(self, s: f64, p: &Numbers, i: usize) -> f64 {
        let up = self.value(s, &self.moved(p, i, STEP));
        let down = self.value(s, &self.moved(p, i, -STEP));
        (up - down) / (2.0 * STEP)
    }

    /// Numbers with the fitted coordinate of one of them moved.
    pub(in crate::transition) fn moved(self, p: &Numbers, i: usize, by: f64) -> Numbers {
        let mut out = *p;
        out[i] = match self.positive(i) {
            true => out[i] * by.exp(),
            false => out[i] + by,
        };
        out
    }
}

/// Slope of the second order's step response: the response to an impulse.
fn second_order_slope(s: f64, sum: f64, q: f64) -> f64 {
    let omega = 1.0 / (sum * q.sqrt());
    let split = 1.0 - 4.0 * q;
    if split.abs() < 1e-9 {
        return omega * omega * s * (-omega * s).exp();
    }
    if split > 0.0 {
        let root = split.sqrt();
        let (slow, fast) = (sum * (1.0 + root) / 2.0, sum * (1.0 - root) / 2.0);
        return ((-s / slow).exp() - (-s / fast).exp()) / (slow - fast);
    }
    let zeta = 0.5 / q.sqrt();
    let damped = omega * (1.0 - zeta * zeta).sqrt();
    (-zeta * omega * s).exp() * omega * omega / damped * (damped * s).sin()
}

/// Slope by its lag of a ramp of unit slope through a lag.
fn lagged_ramp_by_lag(s: f64, tau: f64) -> f64 {
    if s <= 0.0 {
        return 0.0;
    }
    let u = s / tau;
    let decayed = (-u).exp_m1();
    decayed + u * (1.0 + decayed)
}

/// Slope by its lag of a ramp that an exponential approach continues.
fn ramp_then_lag_by_lag(s: f64, ramp: f64, tau: f64) -> f64 {
    let whole = ramp + tau;
    if s <= ramp {
        return -s / (whole * whole);
    }
    let u = (s - ramp) / tau;
    -(ramp / whole + u) / whole * (-u).exp()
}

/// Slope of the cut exponential by the share of its duration.
fn cut_exponential_slope(u: f64, k: f64) -> f64 {
    if k.abs() < 1e-6 {
        1.0
    } else {
        -k * (-k * u).exp() / (-k).exp_m1()
    }
}

/// Slope of the cut exponential by its curvature.
fn by_curvature(u: f64, k: f64) -> f64 {
    // Below this the closed form loses more than the first terms of the series leave out.
    if k.abs() < 1e-3 {
        let series = 0.5 - k * (2.0 * u - 1.0) / 6.0;
        return u * (1.0 - u) * series;
    }
    let (at, whole) = ((-k * u).exp_m1(), (-k).exp_m1());
    (at * (1.0 + whole) - u * (1.0 + at) * whole) / (whole * whole)
}

/// Slope of the stiffening ramp by the share of its duration, at a value.
fn stiffening_slope(value: f64, soft: f64) -> f64 {
    (1.0 + soft * WAVE_AT_WHOLE) / (1.0 + soft / WAVE_SHARE * (-value / WAVE_SHARE).exp())
}

/// Slope of the stiffening ramp's value by the oil that the wave takes.
fn by_soft(time: f64, soft: f64, value: f64) -> f64 {
    if time >= 1.0 {
        return 0.0;
    }
    let wave = (-value / WAVE_SHARE).exp();
    (time * WAVE_AT_WHOLE - (1.0 - wave)) / (1.0 + soft / WAVE_SHARE * wave)
}

#[cfg(test)]
mod tests {
    use super::super::tests::CHECKED;
    use super::*;

    #[test]
    fn slopes_are_those_of_the_value() {
        let flat = [
            (Shape::CutExponential, [0.1, 1e-7, 0.0]),
            (Shape::CutExponential, [0.1, 9e-4, 0.0]),
            (Shape::CutExponential, [0.1, -1.1e-3, 0.0]),
        ];
        for (shape, p) in CHECKED.into_iter().chain(flat) {
            let h = 1e-6;
            for k in 1..60 {
                // Beside the kinks.
                let s = 0.00503 * f64::from(k) - 7e-5;
                let slopes = shape.slopes(s, &p);
                let by_s = (shape.value(s + h, &p) - shape.value(s - h, &p)) / (2.0 * h);
                let said = format!("{shape:?} {p:?} at {s}: {slopes:?}");
                assert_eq!(slopes.value, shape.value(s, &p), "{said}");
                assert!(
                    (slopes.by_s - by_s).abs() < 1e-6 * (1.0 + by_s.abs()),
                    "{said}, {by_s}"
                );
                for i in 0..shape.count() {
                    let by = shape.by_difference(s, &p, i);
                    assert!((slopes.by_number[i] - by).abs() < 2e-6, "{said}, {by}");
                }
            }
            assert_eq!(shape.slopes(-1.0, &p).by_number[2], 0.0);
        }
    }
}
