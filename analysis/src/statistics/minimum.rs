//! The minimum of a function of one variable between two bounds, without derivatives.
//!
//! Brent, Algorithms for Minimization without Derivatives, 1973, chapter 5: a parabola through the
//! three best points, or a golden section where that does not help.

/// Part of an interval at which the golden section divides it.
const GOLDEN: f64 = 0.381_966_011_250_105_1;

/// The place of a minimum of `f` between `low` and `high`, to `tolerance`, and the value there.
/// `None` as soon as `f` has none. With several minima it is one of them.
pub(super) fn between(
    mut low: f64,
    mut high: f64,
    tolerance: f64,
    f: impl Fn(f64) -> Option<f64>,
) -> Option<(f64, f64)> {
    let mut best = low + GOLDEN * (high - low);
    let mut at_best = f(best)?;
    let (mut second, mut at_second) = (best, at_best);
    let (mut third, mut at_third) = (best, at_best);
    let (mut step, mut before_last) = (0.0_f64, 0.0_f64);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if (best - middle).abs() <= 2.0 * tolerance - 0.5 * (high - low) {
            break;
        }
        // The step to the bottom of the parabola through the three best points.
        let r = (best - second) * (at_best - at_third);
        let q = (best - third) * (at_best - at_second);
        let numerator = (best - third) * q - (best - second) * r;
        let denominator = 2.0 * (r - q);
        let parabola = numerator / denominator;
        let usable = parabola.is_finite()
            && parabola.abs() < 0.5 * before_last.abs()
            && best + parabola > low
            && best + parabola < high;
        before_last = step;
        if usable {
            step = parabola;
            let next = best + step;
            if next - low < 2.0 * tolerance || high - next < 2.0 * tolerance {
                step = tolerance.copysign(middle - best);
            }
        } else {
            before_last = if best < middle {
                high - best
            } else {
                low - best
            };
            step = GOLDEN * before_last;
        }
        let next = best
            + if step.abs() >= tolerance {
                step
            } else {
                tolerance.copysign(step)
            };
        let at_next = f(next)?;
        if at_next <= at_best {
            if next < best {
                high = best
            } else {
                low = best
            }
            (third, at_third) = (second, at_second);
            (second, at_second) = (best, at_best);
            (best, at_best) = (next, at_next);
        } else {
            if next < best {
                low = next
            } else {
                high = next
            }
            if at_next <= at_second || second == best {
                (third, at_third) = (second, at_second);
                (second, at_second) = (next, at_next);
            } else if at_next <= at_third || third == best || third == second {
                (third, at_third) = (next, at_next);
            }
        }
    }
    Some((best, at_best))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    fn check_minimum(f: impl Fn(f64) -> f64, low: f64, high: f64, place: f64, most: u32) {
        let calls = Cell::new(0);
        let counted = |x: f64| {
            calls.set(calls.get() + 1);
            Some(f(x))
        };
        let (found, value) = between(low, high, 1e-7, counted).unwrap();
        assert!((found - place).abs() < 1e-6, "{found}, expected {place}");
        assert_eq!(value, f(found));
        assert!(calls.get() <= most, "{} calls", calls.get());
    }

    #[test]
    fn known_minima_in_few_steps() {
        check_minimum(|x| (x - 2.0).powi(2), -10.0, 7.0, 2.0, 12);
        check_minimum(|x| x.exp() - 3.0 * x, 0.0, 5.0, 3.0_f64.ln(), 20);
        check_minimum(|x| (x - 1.0).abs(), -3.0, 4.0, 1.0, 60);
        check_minimum(|x| x, 1.0, 2.0, 1.0, 60);
    }

    #[test]
    fn a_function_without_values_has_no_minimum() {
        assert_eq!(between(0.0, 1.0, 1e-6, |_| None), None);
    }
}
