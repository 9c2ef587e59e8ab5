//! The k-th smallest of very many numbers that need not be written down.
//!
//! Pairwise differences, averages and slopes of n values are of order n² many. If it can be
//! counted how many of them are at most `t`, the k-th smallest is the least `t` whose count
//! reaches k, and bisection over the 2^64 bit patterns finds it exactly in at most 64 counts:
//! memory stays proportional to n and time to 64 times one count.

/// The smallest `t` in `low..=high` for which `reached(t)` holds; `reached` must be monotone and
/// hold at `high`.
pub(super) fn first_reached(low: f64, high: f64, mut reached: impl FnMut(f64) -> bool) -> f64 {
    let (mut below, mut at) = (key(low), key(high));
    while below < at {
        let middle = below + ((at as i128 - below as i128) / 2) as i64;
        if reached(from_key(middle)) {
            at = middle;
        } else {
            below = middle + 1;
        }
    }
    // Minus zero and zero are equal as numbers; print only the latter.
    from_key(at) + 0.0
}

/// The median of numbers that can be counted: `count(t)` is how many of `total` are at most `t`.
pub(super) fn median(low: f64, high: f64, total: u64, count: impl Fn(f64) -> u64) -> f64 {
    let lower = first_reached(low, high, |t| count(t) >= total.div_ceil(2));
    if !total.is_multiple_of(2) {
        return lower;
    }
    let upper = first_reached(lower, high, |t| count(t) > total / 2);
    0.5 * lower + 0.5 * upper
}

/// Maps finite numbers to integers that sort the same way.
fn key(value: f64) -> i64 {
    let bits = value.to_bits() as i64;
    if bits < 0 {
        i64::MIN.wrapping_sub(bits)
    } else {
        bits
    }
}

fn from_key(key: i64) -> f64 {
    let bits = if key < 0 {
        i64::MIN.wrapping_sub(key)
    } else {
        key
    };
    f64::from_bits(bits as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn keys_sort_as_the_numbers_do(a in -1e300f64..1e300, b in -1e300f64..1e300) {
            prop_assert_eq!(key(a) < key(b), a < b);
            prop_assert_eq!(from_key(key(a)), a);
        }

        #[test]
        fn any_order_statistic_is_found(mut values in prop::collection::vec(-50i32..50, 1..40), k in 0usize..40) {
            values.sort_unstable();
            let values: Vec<f64> = values.into_iter().map(|v| f64::from(v) / 8.0).collect();
            let k = k % values.len();
            let found = first_reached(values[0], values[values.len() - 1], |t| {
                values.iter().filter(|v| **v <= t).count() > k
            });
            prop_assert_eq!(found, values[k]);
        }
    }

    #[test]
    fn zero_has_one_key() {
        assert_eq!(key(-0.0), key(0.0));
    }
}
