//! From a range of values to ticks at round numbers and places between 0 and 1.

/// Values beyond this size are drawn at the edge, so that no difference of two overflows.
pub(crate) const LARGEST: f64 = 1e120;
/// Ranges below this size are drawn as if they were nought.
const SMALLEST: f64 = 1e-120;
/// About how many steps between ticks an upright axis is divided into.
const UPRIGHT_STEPS: f64 = 5.0;
/// The same for a level axis, which is longer.
const LEVEL_STEPS: f64 = 8.0;
/// Step mantissas that people read easily.
const ROUND_STEPS: [f64; 3] = [1.0, 2.0, 5.0];
/// More than this are never drawn, whatever the range.
const MOST_TICKS: usize = 24;

/// A linear axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    low: f64,
    high: f64,
    step: f64,
}

impl Axis {
    /// Covers nought and every finite value. Starting at nought shows a change in its true
    /// proportion. It ends at a tick; below nought only if the values go far below.
    #[must_use]
    pub fn from_zero(values: impl Iterator<Item = f64>) -> Self {
        let (low, high) = values
            .filter(|v| v.is_finite())
            .fold((0.0, 0.0), |(low, high): (f64, f64), v| {
                (low.min(v), high.max(v))
            });
        let mut axis = Self::divided(low, high, UPRIGHT_STEPS);
        // Noise around nought shall not cost a whole step of height.
        let noise = -axis.low < 0.25 * axis.step;
        axis.low = if noise {
            axis.low
        } else {
            (axis.low / axis.step).floor() * axis.step
        };
        axis.high = (axis.high / axis.step).ceil() * axis.step;
        axis
    }

    /// From `low` to `high` exactly; widened where they are not in order or too close to tell
    /// apart.
    #[must_use]
    pub fn spanning(low: f64, high: f64) -> Self {
        Self::divided(low, high, LEVEL_STEPS)
    }

    fn divided(low: f64, high: f64, steps: f64) -> Self {
        let tame = |v: f64| {
            if v.is_finite() {
                v.clamp(-LARGEST, LARGEST)
            } else {
                0.0
            }
        };
        let (low, mut high) = (tame(low), tame(high));
        let least = SMALLEST.max(low.abs().max(high.abs()) * 1e-9);
        if high - low <= least {
            high = low + if low == 0.0 { 1.0 } else { low.abs() };
        }
        Self {
            low,
            high,
            step: round_step((high - low) / steps),
        }
    }

    /// Lowest value shown.
    #[must_use]
    pub fn low(&self) -> f64 {
        self.low
    }

    /// Highest value shown.
    #[must_use]
    pub fn high(&self) -> f64 {
        self.high
    }

    /// Place of a value: 0 at the low end, 1 at the high end; values outside go to the nearer
    /// end, and what is not a number to the low one.
    #[must_use]
    pub fn place(&self, value: f64) -> f64 {
        let place = (value.clamp(-LARGEST, LARGEST) - self.low) / (self.high - self.low);
        if place.is_nan() {
            0.0
        } else {
            place.clamp(0.0, 1.0)
        }
    }

    /// Ticks and their labels, low to high.
    #[must_use]
    pub fn ticks(&self) -> Vec<(f64, String)> {
        // A thousandth of a step of grace, as low and high may be sums of rounded steps.
        let first = (self.low / self.step - 1e-3).ceil();
        (0..MOST_TICKS)
            .map(|i| (first + i as f64) * self.step)
            .take_while(|tick| *tick <= self.high + 1e-3 * self.step)
            .map(|tick| (tick, self.label(tick)))
            .collect()
    }

    fn label(&self, tick: f64) -> String {
        let size = self.low.abs().max(self.high.abs());
        // Half a step of nought is nought: sums of steps seldom hit it exactly.
        let tick = if tick.abs() < self.step / 2.0 {
            0.0
        } else {
            tick
        };
        let text = if (1e-4..1e6).contains(&size) {
            let decimals = (-self.step.log10().floor()).clamp(0.0, 9.0) as usize;
            format!("{tick:.decimals$}")
        } else {
            format!("{tick:.1e}")
        };
        text.replace('-', "−")
    }
}

/// The next larger step that people read easily.
fn round_step(step: f64) -> f64 {
    let decade = 10f64.powf(step.log10().floor());
    // A little grace, so that 0.2 does not become 0.5 by the last bit of a logarithm.
    let mantissa = ROUND_STEPS
        .into_iter()
        .find(|m| m * decade >= step * (1.0 - 1e-9));
    mantissa.unwrap_or(10.0) * decade
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn check(axis: Axis, labels: &[&str]) {
        let ticks: Vec<String> = axis.ticks().into_iter().map(|(_, label)| label).collect();
        assert_eq!(ticks, labels);
    }

    #[test]
    fn ticks_are_round_numbers() {
        check(
            Axis::from_zero([0.4, 1.83].into_iter()),
            &["0.0", "0.5", "1.0", "1.5", "2.0"],
        );
        check(
            Axis::from_zero([183.0, 96.0].into_iter()),
            &["0", "50", "100", "150", "200"],
        );
        check(
            Axis::from_zero([-0.3, 0.9].into_iter()),
            &["−0.5", "0.0", "0.5", "1.0"],
        );
        check(
            Axis::spanning(-0.25, 1.0),
            &["−0.2", "0.0", "0.2", "0.4", "0.6", "0.8", "1.0"],
        );
        check(
            Axis::from_zero([0.0].into_iter()),
            &["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"],
        );
        check(
            Axis::from_zero([4.2e7].into_iter()),
            &["0.0e0", "1.0e7", "2.0e7", "3.0e7", "4.0e7", "5.0e7"],
        );
    }

    proptest! {
        #[test]
        fn any_values_give_few_ticks_in_order(values in proptest::collection::vec(any::<f64>(), 0..5)) {
            let axis = Axis::from_zero(values.iter().copied());
            let ticks = axis.ticks();
            prop_assert!((2..=MOST_TICKS).contains(&ticks.len()), "{:?} {:?}", axis, ticks);
            prop_assert!(ticks.windows(2).all(|w| w[0].0 < w[1].0));
            for v in values {
                prop_assert!((0.0..=1.0).contains(&axis.place(v)));
            }
        }

        #[test]
        fn any_span_gives_few_ticks(low in any::<f64>(), high in any::<f64>()) {
            let axis = Axis::spanning(low, high);
            prop_assert!(axis.low() < axis.high());
            prop_assert!(axis.ticks().len() <= MOST_TICKS);
            prop_assert!(axis.ticks().iter().all(|(t, label)| t.is_finite() && label.len() < 24));
        }
    }
}
