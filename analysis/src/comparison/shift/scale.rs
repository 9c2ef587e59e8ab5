//! From the scale on which the model works to the measure's unit.
//!
//! **Shift.** The Hodges-Lehmann shift is taken of the adjusted values in the measure's own unit. On
//! the logarithmic scale they are brought back first: a common ratio is not a common difference, and
//! the typical difference of the pairs is what the shift is defined as. Both scales agree on its sign,
//! since a difference of logarithms is above nought where the difference itself is.
//!
//! **Interval.** On the plain scale `shift -+ R`, with reach `R = t SE`. On the logarithmic scale the
//! errors of both sets' levels `L` move the difference in proportion to the levels, so most of the
//! uncertainty of a shift that leaves little is that of the level before. The two errors share `R` as
//! the worst point of their common ellipse does,
//!
//! `after: R L_a (1 - f) / S, before: -R L_b f / S, S² = L_a² (1 - f) + L_b² f`,
//!
//! with `f` the before set's share in `SE²`, and the end of the interval is the Hodges-Lehmann shift of
//! values moved so. To first order that is the method of propagation of variances (JCGM 100:2008,
//! 5.1.2). The levels are those at the end itself, so where the end is nought both weigh alike and the
//! interval leaves nought out where the p value says so.

use super::{Model, Observation};
use crate::statistics::hodges_lehmann::{Stratum, weighted_shift};
use crate::statistics::quantile::weighted_median;
use crate::statistics::two_level::Fit;

/// The adjusted values of both sets, with their weights.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Adjusted {
    strata: Vec<Stratum>,
    is_logarithmic: bool,
    /// The before set's share in the variance of the difference of the sets.
    before_share: f64,
    /// Shift on the model's scale.
    difference: f64,
    /// Middles of both sets on the model's scale.
    levels: [f64; 2],
}

impl Adjusted {
    /// `adjusted` are values on the model's scale. `None` if no stratum has values of both sets.
    pub(super) fn new(
        observations: &[Observation],
        strata: usize,
        adjusted: &[f64],
        fit: &Fit,
        model: &Model,
    ) -> Option<Self> {
        let drives = observations.iter().map(|o| o.drive + 1).max().unwrap_or(0);
        let mut count = vec![0_usize; drives];
        for o in observations {
            if let Some(slot) = count.get_mut(o.drive) {
                *slot += 1;
            }
        }
        let weight = |o: &Observation| fit.weight(count.get(o.drive).copied().unwrap_or(1));
        let mut by_stratum = vec![Stratum::default(); strata];
        let mut sides: [(Vec<f64>, Vec<f64>); 2] = Default::default();
        let mut spread = [1.0; 2];
        for (at, (o, value)) in observations.iter().zip(adjusted).enumerate() {
            let entry = (*value, weight(o));
            if let Some(stratum) = by_stratum.get_mut(o.stratum) {
                if o.is_after {
                    stratum.after.push(entry);
                } else {
                    stratum.before.push(entry);
                }
            }
            let (values, weights) = &mut sides[usize::from(o.is_after)];
            values.push(entry.0);
            weights.push(entry.1);
            if let Some(own) = model.spread.get(at) {
                spread[usize::from(o.is_after)] = *own;
            }
        }
        let [before, after] = &sides;
        let variance = |weights: &[f64], spread: f64| spread * spread / weights.iter().sum::<f64>();
        let (of_before, of_after) = (
            variance(&before.1, spread[0]),
            variance(&after.1, spread[1]),
        );
        Some(Self {
            difference: weighted_shift(&by_stratum)?,
            levels: [
                weighted_median(&before.0, &before.1)?,
                weighted_median(&after.0, &after.1)?,
            ],
            strata: by_stratum,
            is_logarithmic: model.is_logarithmic,
            before_share: of_before / (of_before + of_after),
        })
    }

    /// Whether the model's scale is the logarithm.
    pub(super) fn is_logarithmic(&self) -> bool {
        self.is_logarithmic
    }

    /// The shift on the model's scale.
    pub(super) fn difference(&self) -> f64 {
        self.difference
    }

    /// The shift in the measure's unit.
    pub(super) fn shift(&self) -> f64 {
        self.moved(0.0, 0.0)
    }

    /// The middle of the before set in the measure's unit.
    pub(super) fn level_before(&self) -> f64 {
        let [before, _] = self.levels;
        if self.is_logarithmic {
            before.exp()
        } else {
            before
        }
    }

    /// The end of an interval that reaches so far from the shift on the model's scale, up or down, in
    /// the measure's unit.
    pub(super) fn limit(&self, reach: f64) -> f64 {
        if !self.is_logarithmic {
            return self.difference + reach;
        }
        let half = 0.5 * (self.difference + reach);
        let f = self.before_share;
        let (after, before) = (half.exp() * (1.0 - f), (-half).exp() * f);
        let whole = (half.exp() * after + (-half).exp() * before).sqrt();
        self.moved(reach * after / whole, -reach * before / whole)
    }

    /// A difference on the model's scale about the geometric mean of both sets' levels, in the measure's
    /// unit.
    pub(super) fn natural(&self, difference: f64) -> f64 {
        if self.is_logarithmic {
            let [before, after] = self.levels;
            2.0 * (0.5 * (before + after)).exp() * (0.5 * difference).sinh()
        } else {
            difference
        }
    }

    /// The size of a change of the level before by `difference` on the model's scale, in the measure's
    /// unit.
    pub(super) fn size(&self, difference: f64, rises: bool) -> f64 {
        match (self.is_logarithmic, rises) {
            (false, _) => difference,
            (true, false) => self.level_before() * -(-difference).exp_m1(),
            (true, true) => self.level_before() * difference.exp_m1(),
        }
    }

    /// The shift in the measure's unit if the sets' values lay so much higher on the model's scale.
    fn moved(&self, after: f64, before: f64) -> f64 {
        if !self.is_logarithmic {
            return self.difference + after - before;
        }
        let natural = |values: &[(f64, f64)], by: f64| -> Vec<(f64, f64)> {
            values.iter().map(|(z, w)| ((z + by).exp(), *w)).collect()
        };
        let strata: Vec<Stratum> = self
            .strata
            .iter()
            .map(|s| Stratum {
                before: natural(&s.before, before),
                after: natural(&s.after, after),
            })
            .collect();
        weighted_shift(&strata).unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two kinds of engagement ten times apart, brought down to a tenth by the work.
    fn made(is_logarithmic: bool) -> Adjusted {
        let z = |v: f64| (if is_logarithmic { v.ln() } else { v }, 1.0);
        let kind = |level: f64| Stratum {
            before: [0.8, 0.9, 1.0, 1.1, 1.2].map(|v| z(level * v)).to_vec(),
            after: [0.08, 0.09, 0.1, 0.11, 0.12].map(|v| z(level * v)).to_vec(),
        };
        let strata = vec![kind(1.0), kind(10.0), kind(10.0)];
        Adjusted {
            difference: weighted_shift(&strata).unwrap(),
            strata,
            is_logarithmic,
            before_share: 0.5,
            levels: [z(10.0).0, z(1.0).0],
        }
    }

    #[test]
    fn the_shift_is_that_of_the_values_on_either_scale() {
        let (plain, logarithmic) = (made(false), made(true));
        assert!((plain.shift() - logarithmic.shift()).abs() < 1e-9);
        assert!((logarithmic.difference() - 0.1_f64.ln()).abs() < 1e-9);
        // Of five sixths of the differences, those of the larger kind, the typical one.
        assert!(
            (-9.0..-7.8).contains(&logarithmic.shift()),
            "{}",
            logarithmic.shift()
        );
    }

    /// The ends agree with the p value on nought, hold the shift, and never promise more than there is.
    #[test]
    fn ends_leave_nought_out_where_the_p_value_does() {
        let made = made(true);
        let reach = -made.difference();
        assert!(made.limit(reach).abs() < 1e-9);
        assert!(made.limit(0.99 * reach) < 0.0 && made.limit(1.01 * reach) > 0.0);
        for part in [0.0, 0.1, 0.5, 0.9] {
            let (low, high) = (made.limit(-part * reach), made.limit(part * reach));
            assert!(low <= made.shift() && made.shift() <= high);
        }
        // Nearly all of the uncertainty is the level before, known to 0.1 / sqrt 2.
        let half = 0.5 * (made.limit(0.1) - made.limit(-0.1));
        let by_hand = made.level_before() * 0.1 * (0.5 * (1.0 + 0.01_f64)).sqrt();
        assert!((half / by_hand - 1.0).abs() < 0.1, "{half} {by_hand}");
        assert!(made.size(50.0, false) <= made.level_before());
    }
}
