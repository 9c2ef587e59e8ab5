//! Where a rising function of one number is nought.

/// Steps after which the last place is taken as it is.
const MOST_STEPS: usize = 100;

/// A place and the function there.
type Place = (f64, f64);

/// Where `f`, below nought at `low` and above it at `high`, is nought: the Illinois form of false
/// position (M. Dowell, P. Jarratt, BIT 11, 1971), in a third of the steps of halving. It ends where
/// `f` is nought or where `is_close` says so of a place, the one before it (none at first: not a
/// number) and the function there.
pub(crate) fn crossing(
    low: Place,
    high: Place,
    f: impl Fn(f64) -> f64,
    is_close: impl Fn(f64, f64, f64) -> bool,
) -> f64 {
    let ((mut low, mut below), (mut high, mut above)) = (low, high);
    let mut before = f64::NAN;
    for _ in 0..MOST_STEPS {
        let x = (low * above - high * below) / (above - below);
        let here = f(x);
        if here == 0.0 || is_close(x, before, here) {
            return x;
        }
        // The end that stays twice running counts half.
        if here < 0.0 {
            (low, below) = (x, here);
            above *= if before < x { 0.5 } else { 1.0 };
        } else {
            (high, above) = (x, here);
            below *= if before > x { 0.5 } else { 1.0 };
        }
        before = x;
    }
    before
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_of_bent_functions_come_in_few_steps() {
        check(|x| x * x - 2.0, 0.0, 2.0, std::f64::consts::SQRT_2);
        check(|x| x.exp() - 5.0, -3.0, 9.0, 5.0_f64.ln());
        check(|x| x.powi(9), -1.0, 1.5, 0.0);
    }

    fn check(f: fn(f64) -> f64, low: f64, high: f64, root: f64) {
        let steps = std::cell::Cell::new(0);
        let counted = |x| {
            steps.set(steps.get() + 1);
            f(x)
        };
        let close = |_: f64, _: f64, here: f64| here.abs() < 1e-12;
        let x = crossing((low, f(low)), (high, f(high)), counted, close);
        assert!(f(x).abs() < 1e-12 && (x - root).abs() < 0.1, "{x} {root}");
        assert!(steps.get() < 40, "{}", steps.get());
    }
}
