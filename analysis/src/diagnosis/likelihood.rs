//! How much more likely what was seen is with causes than without any.
//!
//! The product over features of Student's t density of what was seen about what is expected. What is
//! expected is a cause's shift at a severity times a factor, which is averaged over, because cars
//! differ in what a fault of one size does to them; a feature that a cause moves only in some cars may
//! stay where it was ([`Sure`]). Features that follow one physical quantity share the factor.

use super::cause::Cause;
use super::change::Change;
use super::feature::Feature;
use super::signature::{Sure, expected, shift, shows};

/// Dead time and rise time are both oil over the pump's flow: what slows one by a factor slows the other
/// by the same.
const LINKED: [Feature; 3] = [Feature::DeadTime, Feature::FillingTime, Feature::RiseTime];
/// Deviation of an expected shift about its factors, as a share of it.
const TOLERANCE: f64 = 0.2;
/// Factors on what is expected, with their weights: of a feature that the cause always moves, of one
/// that it moves in some cars, and of one that it moves beside. Of the first two a few cars show far more
/// than usual: a larger change in the expected direction still speaks for the cause.
const ALWAYS: [(f64, f64); 5] = [
    (0.5, 0.19),
    (0.75, 0.29),
    (1.0, 0.29),
    (1.4, 0.19),
    (3.0, 0.04),
];
/// [`ALWAYS`], as often one way as the other.
const EITHER_WAY: [(f64, f64); 10] = [
    (-3.0, 0.02),
    (-1.4, 0.095),
    (-1.0, 0.145),
    (-0.75, 0.145),
    (-0.5, 0.095),
    (0.5, 0.095),
    (0.75, 0.145),
    (1.0, 0.145),
    (1.4, 0.095),
    (3.0, 0.02),
];
/// Mostly seen, and in a few cars many times what is usual: what leaks may leave any share of the pressure.
const MOSTLY: [(f64, f64); 10] = [
    (0.0, 0.08),
    (0.4, 0.10),
    (0.7, 0.14),
    (1.0, 0.17),
    (1.5, 0.13),
    (3.0, 0.10),
    (7.0, 0.09),
    (16.0, 0.08),
    (35.0, 0.07),
    (75.0, 0.04),
];
const OFTEN: [(f64, f64); 7] = [
    (0.0, 0.34),
    (0.4, 0.14),
    (0.7, 0.14),
    (1.0, 0.19),
    (1.5, 0.14),
    (5.0, 0.03),
    (20.0, 0.02),
];
const ASIDE: [(f64, f64); 5] = [
    (0.0, 0.32),
    (0.4, 0.16),
    (0.8, 0.20),
    (1.2, 0.20),
    (1.8, 0.12),
];
const SELDOM: [(f64, f64); 4] = [(0.0, 0.64), (0.5, 0.12), (1.0, 0.12), (2.0, 0.12)];
/// Degrees of freedom of the likelihood are at most this: tails stay heavy, so that one feature
/// alone cannot convict.
const MOST_FREEDOM: f64 = 5.0;

/// Of a feature that another cause hides: it mostly stays.
const MASKED: [(f64, f64); 3] = [(0.0, 0.6), (0.3, 0.2), (1.0, 0.2)];

/// Whether a cause hides what another would do to a feature. Axles that a dragging pack ties together
/// roll alike on whatever tyres, and a pack that never slips shows nothing of its friction.
fn hides(by: Cause, feature: Feature) -> bool {
    by == Cause::DraggingPack
        && matches!(
            feature,
            Feature::TyreRatio
                | Feature::TorquePerBar
                | Feature::HeldSlip
                | Feature::SlipSwing
                | Feature::ShortSwing
                | Feature::Shudder
                | Feature::ShortShudder
        )
}

/// The changes, those that share a factor together.
pub(super) fn groups(changes: &[Change]) -> Vec<Vec<&Change>> {
    let (linked, single): (Vec<&Change>, Vec<&Change>) =
        changes.iter().partition(|c| LINKED.contains(&c.feature));
    let mut groups: Vec<Vec<&Change>> = single.into_iter().map(|c| vec![c]).collect();
    if !linked.is_empty() {
        groups.push(linked);
    }
    groups
}

/// What a cause of one severity does to a group.
#[derive(Clone)]
pub(super) struct Effect {
    /// How it may come, with weights: one shift a change, 0 where it stays.
    ways: Vec<(Vec<f64>, f64)>,
    cause: Cause,
    factors: &'static [(f64, f64)],
}

impl Effect {
    /// The effect; `None` where the cause leaves the whole group alone.
    pub(super) fn of(cause: Cause, severity: f64, group: &[&Change]) -> Option<Self> {
        let each: Vec<Option<(f64, Sure)>> = group
            .iter()
            .map(|change| expected(cause, change.feature, severity))
            .collect();
        let (_, sure) = each.iter().flatten().next()?;
        let shifts: Vec<f64> = each.iter().map(|e| e.map_or(0.0, |(s, _)| s)).collect();
        let mut ways = vec![(shifts, 1.0)];
        for (i, change) in group.iter().enumerate().filter(|_| group.len() > 1) {
            ways = ways
                .iter()
                .flat_map(|(shifts, share)| {
                    shows(cause, change.feature)
                        .iter()
                        .map(move |(part, cars)| {
                            let mut shown = shifts.clone();
                            if let Some(shift) = shown.get_mut(i) {
                                *shift *= part;
                            }
                            (shown, share * cars)
                        })
                })
                .collect();
        }
        Some(Self {
            ways,
            cause,
            factors: factors(*sure),
        })
    }

    /// The factors as far as another cause lets the effect show.
    fn beside(&self, other: Cause, group: &[&Change]) -> &'static [(f64, f64)] {
        match group.iter().any(|c| hides(other, c.feature)) {
            true => &MASKED,
            false => self.factors,
        }
    }

    /// Every way and factor: shifts, one a change, and weight.
    fn outcomes(&self, factors: &[(f64, f64)]) -> Vec<(Vec<f64>, f64)> {
        let mut outcomes = Vec::with_capacity(self.ways.len() * factors.len());
        for (shifts, share) in &self.ways {
            for (factor, weight) in factors {
                let shifts = shifts.iter().map(|shift| factor * shift).collect();
                outcomes.push((shifts, share * weight));
            }
        }
        outcomes
    }
}

/// Logarithm of Student's t density but for the constant of its degrees of freedom.
fn log_density(change: &Change, mean: f64, spread: f64) -> f64 {
    let freedom = change.freedom.clamp(2.0, MOST_FREEDOM);
    let width = change.u.hypot(spread).max(1e-12);
    let z = (change.shift - mean) / width;
    -0.5 * (freedom + 1.0) * (z * z / freedom).ln_1p() - width.ln()
}

/// How much more likely a change is if something moved it that no cause here tells of, than if nothing
/// did: it may have gone anywhere, several times as far as the feature's causes move it.
pub(super) fn unexplained_ratio(change: &Change) -> f64 {
    let usual = Cause::faults()
        .map(|cause| shift(cause, change.feature, 1.0).abs())
        .fold(0.0, f64::max);
    let width = usual.max(4.0 * change.u);
    (log_density(change, 0.0, width) - log_density(change, 0.0, 0.0)).exp()
}

fn factors(sure: Sure) -> &'static [(f64, f64)] {
    match sure {
        Sure::Always => &ALWAYS,
        Sure::EitherWay => &EITHER_WAY,
        Sure::Mostly => &MOSTLY,
        Sure::Often => &OFTEN,
        Sure::Aside => &ASIDE,
        Sure::Seldom => &SELDOM,
    }
}

/// How much more likely a group is with one or two effects than with none, as a logarithm.
pub(super) fn log_ratio(group: &[&Change], effects: &[&Effect]) -> f64 {
    let still: f64 = group.iter().map(|c| log_density(c, 0.0, 0.0)).sum();
    // With these shifts, and their spread.
    let with = |a: &[f64], b: &[f64]| {
        let log: f64 = group
            .iter()
            .enumerate()
            .map(|(i, change)| {
                let shift = |shifts: &[f64]| shifts.get(i).copied().unwrap_or(0.0);
                let (a, b) = (shift(a), shift(b));
                log_density(change, a + b, TOLERANCE * a.hypot(b))
            })
            .sum();
        (log - still).exp()
    };
    let likelihood: f64 = match effects {
        [a] => {
            let outcomes = a.outcomes(a.factors);
            outcomes
                .iter()
                .map(|(a, weight)| weight * with(a, &[]))
                .sum()
        }
        [a, b] => {
            let of_b = b.outcomes(b.beside(a.cause, group));
            let mut sum = 0.0;
            for (a, weight_a) in a.outcomes(a.beside(b.cause, group)) {
                for (b, weight_b) in &of_b {
                    sum += weight_a * weight_b * with(&a, b);
                }
            }
            sum
        }
        _ => 1.0,
    };
    likelihood.max(1e-300).ln()
}
