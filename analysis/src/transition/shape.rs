//! Shapes of a rise from 0 to 1, with a dead time: what a hydraulic actuator's pressure can look
//! like. A shape knows its value and where it crosses a level; the fit knows nothing else of it.
//!
//! `s` is the time since the onset. Times are in seconds.
//!
//! | shape | value for `s > 0` | what makes it |
//! | --- | --- | --- |
//! | first order | `1 - exp(-s/τ)` | a valve feeding a compliant pack |
//! | ramp | `s/ρ`, at most 1 | constant flow into it |
//! | second order | step response of `1/(q T² p² + T p + 1)` | two lags, or oil mass and compliance |
//! | ramp, then lag | ramp at constant rate, then the exponential approach that continues it | flow limit, then pressure control |
//! | ramp through a lag | ramp seen through `1/(τ p + 1)` | flow limit and a filtered sensor |
//! | cut exponential | `(1 - exp(-k s/D)) / (1 - exp(-k))`, at most 1 | compliance that stiffens (`k < 0`) or flow that tires (`k > 0`), then the relief |
//! | ramp, then lag, through a lag | | flow limit, control and a filtered sensor |
//! | stiffening ramp | `s/D = (g + a (1 - exp(-g/w))) / (1 + a (1 - exp(-1/w)))` for the value `g`, at most 1 | constant flow into a pack whose wavy lining is pressed flat first, then the relief; `w` is the usual one, and `a` too where few samples lie within the step |
//! | logistic | `1/(1 + exp(-s/τ))`, all `s` | a smooth symmetric rise |
//! | raised cosine | `(1 - cos(π s/D))/2` | a profiled command followed closely |

use crate::statistics::root;

mod slopes;

pub(super) use self::slopes::STEP;

/// Family of shapes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    FirstOrder,
    Ramp,
    SecondOrder,
    RampThenLag,
    RampThroughLag,
    CutExponential,
    RampThenLagThroughLag,
    StiffeningRamp,
    UsualStiffeningRamp,
    Logistic,
    RaisedCosine,
}

/// A shape's numbers, all positive but the cut exponential's curvature. As many as
/// [`Shape::count`] says, the rest ignored.
pub(super) type Numbers = [f64; 3];

impl Shape {
    pub(super) const ALL: [Self; 11] = [
        Self::FirstOrder,
        Self::Ramp,
        Self::Logistic,
        Self::RaisedCosine,
        Self::SecondOrder,
        Self::RampThenLag,
        Self::RampThroughLag,
        Self::CutExponential,
        Self::RampThenLagThroughLag,
        Self::StiffeningRamp,
        Self::UsualStiffeningRamp,
    ];

    /// How many numbers it has beside its onset.
    pub(super) fn count(self) -> usize {
        match self {
            Self::FirstOrder
            | Self::Ramp
            | Self::Logistic
            | Self::RaisedCosine
            | Self::UsualStiffeningRamp => 1,
            Self::SecondOrder
            | Self::RampThenLag
            | Self::RampThroughLag
            | Self::CutExponential
            | Self::StiffeningRamp => 2,
            Self::RampThenLagThroughLag => 3,
        }
    }

    /// Whether it begins at its onset, and a foot beside its own numbers is no number too many.
    pub(super) fn takes_foot(self) -> bool {
        !matches!(self, Self::Logistic | Self::RampThenLagThroughLag)
    }

    /// Whether number `i` is positive and fitted by its logarithm.
    pub(super) fn positive(self, i: usize) -> bool {
        !(self == Self::CutExponential && i == 1)
    }

    /// Whether number `i` is one of several times.
    pub(super) fn one_of_times(self, i: usize) -> bool {
        let several = matches!(
            self,
            Self::RampThenLag | Self::RampThroughLag | Self::RampThenLagThroughLag
        );
        several && i < self.count()
    }

    /// Value at `s` seconds after the onset.
    pub(super) fn value(self, s: f64, p: &Numbers) -> f64 {
        if self == Self::Logistic {
            return 1.0 / (1.0 + (-s / p[0]).exp());
        }
        if s <= 0.0 {
            return 0.0;
        }
        match self {
            Self::FirstOrder => -(-s / p[0]).exp_m1(),
            Self::Ramp => (s / p[0]).min(1.0),
            Self::SecondOrder => second_order(s, p[0], p[1]),
            Self::RampThenLag => ramp_then_lag(s, p[0], p[1]),
            Self::RampThroughLag => (lagged_ramp(s, p[1]) - lagged_ramp(s - p[0], p[1])) / p[0],
            Self::CutExponential => cut_exponential(s / p[0], p[1]),
            Self::RampThenLagThroughLag => ramp_then_lag_lagged(s, p[0], p[1], p[2]),
            Self::StiffeningRamp => stiffening_value(s / p[0], p[1]),
            Self::UsualStiffeningRamp => stiffening_value(s / p[0], USUAL_SOFT),
            Self::RaisedCosine => {
                let u = (s / p[0]).min(1.0);
                0.5 * (1.0 - (std::f64::consts::PI * u).cos())
            }
            Self::Logistic => 0.0,
        }
    }

    /// Seconds from the onset to the first crossing of `level`, which lies between 0 and 1.
    pub(super) fn crossing_s(self, level: f64, p: &Numbers) -> Option<f64> {
        let s = match self {
            Self::FirstOrder => -p[0] * (-level).ln_1p(),
            Self::Ramp => level * p[0],
            Self::Logistic => p[0] * (level / (1.0 - level)).ln(),
            Self::StiffeningRamp => p[0] * stiffening_time(level, p[1]),
            Self::UsualStiffeningRamp => p[0] * stiffening_time(level, USUAL_SOFT),
            Self::RaisedCosine => p[0] * (1.0 - 2.0 * level).acos() / std::f64::consts::PI,
            _ => self.crossing_by_search(level, p)?,
        };
        s.is_finite().then_some(s)
    }

    fn crossing_by_search(self, level: f64, p: &Numbers) -> Option<f64> {
        let scale: f64 = match self {
            // Up to its first peak an oscillating response only rises.
            Self::SecondOrder if p[1] > 0.25 => {
                let omega = 1.0 / (p[0] * p[1].sqrt());
                let zeta = 0.5 / p[1].sqrt();
                std::f64::consts::PI / (omega * (1.0 - zeta * zeta).sqrt())
            }
            Self::SecondOrder | Self::CutExponential => p[0],
            _ => p[..self.count()].iter().sum(),
        };
        let mut high = scale;
        for _ in 0..60 {
            if self.value(high, p) >= level {
                break;
            }
            high *= 2.0;
        }
        if !high.is_finite() || self.value(high, p) < level {
            return None;
        }
        // To the last digits but a few.
        let over = |s: f64| self.value(s, p) - level;
        let is_close = |s: f64, before: f64, _| (s - before).abs() <= 1e-15 * high;
        let crossing = root::crossing((0.0, -level), (high, over(high)), over, is_close);
        Some(crossing)
    }
}

/// Step response of `1/(q T² p² + T p + 1)`: damping `1/(2 sqrt q)`, two lags below `q = 1/4`.
fn second_order(s: f64, sum: f64, q: f64) -> f64 {
    let omega = 1.0 / (sum * q.sqrt());
    let zeta = 0.5 / q.sqrt();
    let decay = zeta * omega;
    let split = 1.0 - 4.0 * q;
    if split.abs() < 1e-9 {
        let x = omega * s;
        return 1.0 - (1.0 + x) * (-x).exp();
    }
    if split > 0.0 {
        // Two lags; the faster one underflows harmlessly.
        let root = split.sqrt();
        let slow = sum * (1.0 + root) / 2.0;
        let fast = sum * (1.0 - root) / 2.0;
        return 1.0 - (slow * (-s / slow).exp() - fast * (-s / fast).exp()) / (slow - fast);
    }
    let damped = omega * (1.0 - zeta * zeta).sqrt();
    1.0 - (-decay * s).exp() * ((damped * s).cos() + decay / damped * (damped * s).sin())
}

/// Ramp of unit slope through a lag.
fn lagged_ramp(s: f64, tau: f64) -> f64 {
    if s <= 0.0 {
        0.0
    } else {
        s + tau * (-s / tau).exp_m1()
    }
}

/// Rises at a constant rate for `ramp` seconds; the exponential approach then continues its slope.
fn ramp_then_lag(s: f64, ramp: f64, tau: f64) -> f64 {
    let whole = ramp + tau;
    if s <= ramp {
        s / whole
    } else {
        1.0 - tau / whole * (-(s - ramp) / tau).exp()
    }
}

/// The same seen through a second lag.
fn ramp_then_lag_lagged(s: f64, ramp: f64, tau: f64, lag: f64) -> f64 {
    let whole = ramp + tau;
    // The input is a ramp less, from its end on, what the exponential falls short of the ramp:
    // (x - tau (1 - exp(-x / tau))) / whole with x = s - ramp, which through the lag is this.
    let x = s - ramp;
    let short = if x <= 0.0 {
        0.0
    } else {
        let through_lag = if (tau - lag).abs() < 1e-6 * tau {
            // Equal lags: tau (1 - exp(-x/tau)) through the lag.
            tau * (1.0 - (1.0 + x / tau) * (-x / tau).exp())
        } else {
            tau * (1.0 - (tau * (-x / tau).exp() - lag * (-x / lag).exp()) / (tau - lag))
        };
        lagged_ramp(x, lag) - through_lag
    };
    (lagged_ramp(s, lag) - short) / whole
}

fn cut_exponential(u: f64, k: f64) -> f64 {
    let u = u.min(1.0);
    if k.abs() < 1e-6 {
        u
    } else {
        (-k * u).exp_m1() / (-k).exp_m1()
    }
}

/// Share of the step over which a wavy lining is pressed flat, and the oil that this takes over what
/// the rest of the step does. Common practice, no source: a lining lies flat at one or two bars of a
/// step of ten to twenty.
const WAVE_SHARE: f64 = 0.09;
const USUAL_SOFT: f64 = 0.5;
/// `1 - exp(-1 / WAVE_SHARE)`: how far the wave is flat at the whole step.
const WAVE_AT_WHOLE: f64 = 0.999_985_054_661_475_2;

/// Share of the duration at which the stiffening ramp comes to a value; `soft` is the oil that the wave
/// takes over what the rest does.
fn stiffening_time(value: f64, soft: f64) -> f64 {
    let oil = value - soft * (-value / WAVE_SHARE).exp_m1();
    oil / (1.0 + soft * WAVE_AT_WHOLE)
}

/// Value of the stiffening ramp at a share of its duration: Newton's steps, which from below rise to the
/// root because the oil taken is concave in pressure. The wave takes `soft` at most.
fn stiffening_value(time: f64, soft: f64) -> f64 {
    if time >= 1.0 {
        return 1.0;
    }
    let wanted = time * (1.0 + soft * WAVE_AT_WHOLE);
    let mut g = (wanted - soft).max(0.0);
    for _ in 0..40 {
        let wave = (-g / WAVE_SHARE).exp();
        let step = (wanted - g - soft * (1.0 - wave)) / (1.0 + soft / WAVE_SHARE * wave);
        g += step;
        if step.abs() < 1e-12 {
            break;
        }
    }
    g.clamp(0.0, 1.0)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Each family, in each of its regimes.
    pub(super) const CHECKED: [(Shape, Numbers); 16] = [
        (Shape::StiffeningRamp, [0.08, 0.4, 0.0]),
        (Shape::StiffeningRamp, [0.08, 5.0, 0.0]),
        (Shape::UsualStiffeningRamp, [0.08, 0.0, 0.0]),
        (Shape::FirstOrder, [0.1, 0.0, 0.0]),
        (Shape::Ramp, [0.1, 0.0, 0.0]),
        (Shape::SecondOrder, [0.1, 0.1, 0.0]),
        (Shape::SecondOrder, [0.1, 0.25, 0.0]),
        (Shape::SecondOrder, [0.1, 0.6, 0.0]),
        (Shape::RampThenLag, [0.05, 0.03, 0.0]),
        (Shape::RampThroughLag, [0.05, 0.03, 0.0]),
        (Shape::CutExponential, [0.1, 2.0, 0.0]),
        (Shape::CutExponential, [0.1, -2.0, 0.0]),
        (Shape::RampThenLagThroughLag, [0.05, 0.03, 0.01]),
        (Shape::RampThenLagThroughLag, [0.05, 0.03, 0.03]),
        (Shape::Logistic, [0.02, 0.0, 0.0]),
        (Shape::RaisedCosine, [0.1, 0.0, 0.0]),
    ];

    #[test]
    fn every_shape_crosses_where_it_says() {
        for (shape, p) in CHECKED {
            for level in [0.05, 0.1, 0.5, 0.9] {
                let s = shape.crossing_s(level, &p).unwrap();
                assert!(
                    (shape.value(s, &p) - level).abs() < 1e-9,
                    "{shape:?} {p:?} {level}"
                );
            }
            assert!((shape.value(10.0, &p) - 1.0).abs() < 1e-6, "{shape:?}");
        }
    }

    #[test]
    fn the_wave_at_the_whole_step_is_what_it_says() {
        assert_eq!(WAVE_AT_WHOLE, -(-1.0 / WAVE_SHARE).exp_m1());
    }

    /// First-order crossings in units of tau, from y = 1 - exp(-t/tau): ln(10/9), ln 2, ln 10.
    #[test]
    fn first_order_crossings_are_the_closed_form() {
        let at = |level| {
            Shape::FirstOrder
                .crossing_s(level, &[1.0, 0.0, 0.0])
                .unwrap()
        };
        assert!((at(0.1) - 0.105_360_5).abs() < 1e-7);
        assert!((at(0.5) - std::f64::consts::LN_2).abs() < 1e-7);
        assert!((at(0.9) - std::f64::consts::LN_10).abs() < 1e-7);
    }

    /// A lag in series is the running solution of lag · y' = x - y: checked against small steps.
    #[test]
    fn lagged_shapes_solve_their_equation() {
        let check = |shape: Shape, p: Numbers, input: &dyn Fn(f64) -> f64, lag: f64| {
            let (mut y, dt) = (0.0, 1e-6);
            for i in 0..200_000 {
                let s = f64::from(i) * dt;
                // Heun's step.
                let k1 = (input(s) - y) / lag;
                let k2 = (input(s + dt) - (y + dt * k1)) / lag;
                y += 0.5 * dt * (k1 + k2);
            }
            assert!((shape.value(0.2, &p) - y).abs() < 1e-7, "{shape:?} {y}");
        };
        check(
            Shape::RampThroughLag,
            [0.15, 0.08, 0.0],
            &|s| Shape::Ramp.value(s, &[0.15, 0.0, 0.0]),
            0.08,
        );
        let inner = |s: f64| Shape::RampThenLag.value(s, &[0.1, 0.06, 0.0]);
        check(
            Shape::RampThenLagThroughLag,
            [0.1, 0.06, 0.02],
            &inner,
            0.02,
        );
        check(
            Shape::RampThenLagThroughLag,
            [0.1, 0.06, 0.06],
            &inner,
            0.06,
        );
        let first = |s: f64| Shape::FirstOrder.value(s, &[0.08, 0.0, 0.0]);
        check(Shape::SecondOrder, [0.1, 0.16, 0.0], &first, 0.02);
    }
}
