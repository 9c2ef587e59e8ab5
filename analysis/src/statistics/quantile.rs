//! Order statistics: quantiles and the median.
//!
//! Of the nine definitions in common use this is type 7 of Hyndman & Fan, "Sample quantiles in
//! statistical packages", The American Statistician 50 (1996) 361-365: with the values sorted as
//! `x[0] <= ... <= x[n-1]` and `h = (n - 1) q`, the quantile is
//! `x[floor h] + (h - floor h) (x[floor h + 1] - x[floor h])`. The median of an even number of
//! values is then the mean of the two in the middle.

/// Quantile `q` (0 to 1) of values that are sorted already. `None` without values or with `q`
/// outside 0 to 1.
#[must_use]
pub fn of_sorted(sorted: &[f64], q: f64) -> Option<f64> {
    if !(0.0..=1.0).contains(&q) {
        return None;
    }
    let h = sorted.len().checked_sub(1)? as f64 * q;
    let below = h.floor();
    let lower = *sorted.get(below as usize)?;
    let upper = sorted.get(below as usize + 1).copied().unwrap_or(lower);
    Some(between(lower, upper, h - below))
}

/// Quantile `q` (0 to 1) of values in any order. `None` without values or with `q` outside 0 to 1.
#[must_use]
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    quantile_in_place(&mut values.to_vec(), q)
}

/// The same, without a copy: reorders the values.
#[must_use]
pub(crate) fn quantile_in_place(values: &mut [f64], q: f64) -> Option<f64> {
    if !(0.0..=1.0).contains(&q) {
        return None;
    }
    let h = values.len().checked_sub(1)? as f64 * q;
    let below = h.floor();
    let (_, &mut lower, above) = values.select_nth_unstable_by(below as usize, f64::total_cmp);
    let upper = above.iter().copied().min_by(f64::total_cmp);
    Some(between(lower, upper.unwrap_or(lower), h - below))
}

/// The value at `weight` of the way from the lower to the upper.
fn between(lower: f64, upper: f64, weight: f64) -> f64 {
    if weight == 0.0 || lower == upper {
        // Halves of the smallest numbers are no longer exact.
        lower
    } else if weight == 0.5 {
        // Halves are added so that the median of two values is exact whatever their order of size.
        0.5 * lower + 0.5 * upper
    } else {
        lower + weight * (upper - lower)
    }
}

/// Median of values in any order. `None` without values.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// The values in ascending order.
#[must_use]
pub fn sorted(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted
}

/// Median of values that count by their weights: the value at which half of the weight is
/// reached, or the mean of two values if exactly half lies below the second. `None` if no weight
/// is positive.
#[must_use]
pub fn weighted_median(values: &[f64], weights: &[f64]) -> Option<f64> {
    let mut order: Vec<(f64, f64)> = values
        .iter()
        .copied()
        .zip(weights.iter().copied())
        .filter(|(_, w)| *w > 0.0)
        .collect();
    order.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = order.iter().map(|(_, w)| w).sum();
    let tolerance = 1e-12 * total;
    let mut reached = 0.0;
    for (index, (value, weight)) in order.iter().enumerate() {
        reached += weight;
        if (reached - 0.5 * total).abs() <= tolerance {
            let next = order.get(index + 1).map_or(*value, |(v, _)| *v);
            return Some(0.5 * value + 0.5 * next);
        }
        if reached > 0.5 * total {
            return Some(*value);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_has_no_quantile() {
        assert_eq!(median(&[]), None);
        assert_eq!(quantile(&[1.0], 1.5), None);
        assert_eq!(quantile(&[1.0], f64::NAN), None);
        assert_eq!(weighted_median(&[1.0], &[0.0]), None);
    }

    #[test]
    fn type_seven_interpolates_between_order_statistics() {
        let values = [3.0, 1.0, 10.0, 2.0];
        assert_eq!(median(&values), Some(2.5));
        // h = 3 * 0.25 = 0.75 between 1 and 2.
        assert_eq!(quantile(&values, 0.25), Some(1.75));
        assert_eq!(quantile(&values, 0.0), Some(1.0));
        assert_eq!(quantile(&values, 1.0), Some(10.0));
    }

    #[test]
    fn sorted_or_not_the_quantile_is_the_same_to_the_bit() {
        let values: Vec<f64> = (0..23).map(|i| (f64::from(i) * 1.7).sin() * 1e3).collect();
        for share in [0.0, 0.1, 0.25, 0.5, 0.77, 1.0] {
            assert_eq!(quantile(&values, share), of_sorted(&sorted(&values), share));
        }
        assert_eq!(quantile(&[f64::MAX, -f64::MAX], 0.5), Some(0.0));
        // Below the smallest normal number.
        let tiny = -1.000_544_199_733_295_7e-308;
        assert_eq!(median(&[tiny; 2]), Some(tiny));
    }

    #[test]
    fn equal_weights_give_the_plain_median() {
        assert_eq!(weighted_median(&[4.0, 1.0, 3.0, 2.0], &[1.0; 4]), Some(2.5));
        assert_eq!(weighted_median(&[4.0, 1.0, 3.0], &[2.0; 3]), Some(3.0));
        assert_eq!(
            weighted_median(&[1.0, 2.0, 3.0], &[5.0, 1.0, 1.0]),
            Some(1.0)
        );
    }
}
