//! Several questions asked of the same data: Holm's correction, plain and weighted.
//!
//! Asked at 5 % each, twelve questions about nothing answer "yes" somewhere in up to 46 % of
//! campaigns. Holm, "A simple sequentially rejective multiple test procedure", Scandinavian
//! Journal of Statistics 6 (1979) 65-70, keeps the chance of even one wrong "yes" below 5 %,
//! whatever the dependence between the questions. With weights `w_i > 0` (section 4 there): order
//! the questions by `p_i / w_i`; the adjusted p of the k-th is
//! `max over j <= k of min(1, p_j / w_j * sum of the weights from j on)`. Equal weights give the
//! plain procedure, `max over j <= k of min(1, (m - j + 1) p_j)`.
//!
//! The weights must not be chosen by looking at the p values.

/// Adjusted p values in the order given. Questions whose weight is not positive are never
/// answered: their adjusted p is 1. Lengths must agree; surplus entries are ignored.
#[must_use]
pub fn weighted(p_values: &[f64], weights: &[f64]) -> Vec<f64> {
    let mut adjusted = vec![1.0; p_values.len().min(weights.len())];
    let mut largest = 0.0_f64;
    for step in steps(p_values, weights) {
        largest = largest.max((step.p / step.weight * step.remaining).min(1.0));
        if let Some(slot) = adjusted.get_mut(step.index) {
            *slot = largest;
        }
    }
    adjusted
}

/// The level at which each p value is tested, in the order given: the adjusted p value is below `level`
/// where the p value is below its own. Questions that are answered free their part for those that
/// come after them; those that are not share what is left. 0 for questions without weight.
#[must_use]
pub fn levels(p_values: &[f64], weights: &[f64], level: f64) -> Vec<f64> {
    let mut levels = vec![0.0; p_values.len().min(weights.len())];
    let mut answered = true;
    let mut share = 0.0;
    for Step {
        index,
        p,
        weight,
        remaining,
    } in steps(p_values, weights)
    {
        if answered {
            share = level / remaining;
            answered = p < weight * share;
        }
        if let Some(slot) = levels.get_mut(index) {
            *slot = weight * share;
        }
    }
    levels
}

/// One question in the order in which they are asked.
struct Step {
    index: usize,
    p: f64,
    weight: f64,
    /// Weights from this one on.
    remaining: f64,
}

fn steps(p_values: &[f64], weights: &[f64]) -> Vec<Step> {
    let mut steps: Vec<Step> = p_values
        .iter()
        .zip(weights)
        .enumerate()
        .filter(|(_, (_, weight))| **weight > 0.0)
        .map(|(index, (&p, &weight))| Step {
            index,
            p,
            weight,
            remaining: 0.0,
        })
        .collect();
    steps.sort_by(|a, b| (a.p / a.weight).total_cmp(&(b.p / b.weight)));
    let mut remaining = 0.0;
    for step in steps.iter_mut().rev() {
        remaining += step.weight;
        step.remaining = remaining;
    }
    steps
}

/// Adjusted p values with every question of equal weight.
#[must_use]
pub fn plain(p_values: &[f64]) -> Vec<f64> {
    weighted(p_values, &vec![1.0; p_values.len()])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check_close(found: &[f64], expected: &[f64]) {
        assert_eq!(found.len(), expected.len());
        for (a, b) in found.iter().zip(expected) {
            assert!((a - b).abs() < 1e-12, "{found:?} {expected:?}");
        }
    }

    #[test]
    fn worked_by_hand() {
        check_close(
            &plain(&[0.01, 0.04, 0.03, 0.005]),
            &[0.03, 0.06, 0.06, 0.02],
        );
        check_close(&plain(&[0.9, 0.8]), &[1.0, 1.0]);
        check_close(&plain(&[]), &[]);
        // Order by p / w: 0.02/3, 0.01/1; total 4, then 1.
        check_close(
            &weighted(&[0.01, 0.02], &[1.0, 3.0]),
            &[0.08 / 3.0, 0.08 / 3.0],
        );
        check_close(&weighted(&[0.001, 0.02], &[0.0, 3.0]), &[1.0, 0.02]);
        // The first is shown at 0.05 of four, the second at 0.05 of three, the others share two.
        check_close(
            &levels(&[0.01, 0.04, 0.03, 0.005], &[1.0; 4], 0.05),
            &[0.05 / 3.0, 0.025, 0.025, 0.0125],
        );
        check_close(&levels(&[0.9, 0.8], &[1.0, 3.0], 0.04), &[0.01, 0.03]);
        check_close(&levels(&[0.001, 0.02], &[0.0, 3.0], 0.05), &[0.0, 0.05]);
    }

    proptest! {
        #[test]
        fn never_below_the_raw_value_and_never_above_bonferroni(
            p in prop::collection::vec(0.0f64..1.0, 1..12),
        ) {
            let adjusted = plain(&p);
            let levels = levels(&p, &vec![1.0; p.len()], 0.3);
            for ((raw, new), level) in p.iter().zip(&adjusted).zip(&levels) {
                prop_assert!(new >= raw);
                prop_assert_eq!(*new < 0.3, raw < level);
                prop_assert!(*new <= (raw * p.len() as f64).min(1.0) + 1e-12);
            }
        }
    }
}
