//! Which engagements may be compared with which.
//!
//! Engagements are compared only within a stratum: the same kind (launch, tip-in, turn-in) timed
//! from the same kind of reference. Within it, two engagements are alike if they differ in no
//! condition by more than its **caliper**,
//!
//! `caliper = max(negligible difference, 1.5 * robust standard deviation within the sets)`,
//!
//! the standard deviation from the median absolute deviation of each set about its own median,
//! pooled by size, so that a difference between the sets cannot widen it. Conditions are fluid
//! temperature, demand, accelerator rate, speed, and how far the accelerator goes (engine torque where
//! the bus carries no accelerator): demand may be one step, whatever the pedal does. Where demand
//! follows the pedal the two move together and cost few pairs. Narrower calipers leave few counterparts
//! where four conditions must agree at once (18 engagements against 18 that are
//! drawn alike: 11.8 pairs at 1.25, 13.2 at 1.5, 15.8 at 2.5); wider ones would adjust over
//! distances at which nothing need be linear any more.
//!
//! An engagement without any counterpart in the other set is left out: it lies where the sets do
//! not overlap, and nothing is extrapolated to it. All that have one are kept, however many share
//! it; what differences remain within the calipers are adjusted for by the model. (One-to-one
//! pairing, the alternative, discards engagements of the larger set and, where it takes the
//! closest, whole drives; drives are what proof is made of.)
//!
//! `pairs` is a one-to-one pairing of those kept, the closest two first, by the sum of squared
//! differences in calipers. Since no unpaired engagement with an unpaired counterpart remains, it
//! has at least half as many pairs as the best pairing could have. It is what a picture overlays,
//! and a count of how much there was to compare.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::condition::Condition;
use crate::engagement::{Kind, Reference};
use crate::measures::Engagement;
use crate::number;
use crate::statistics::nearest::Tree;
use crate::statistics::quantile::{median, sorted};
use crate::statistics::spread::robust_sd;

/// Width of a caliper in robust standard deviations.
const CALIPER_SD: f64 = 1.5;

/// Share of a stratum's engagements, in each set, that must have a condition for it to be used.
/// Those without it are then left out.
pub(super) const PRESENT_SHARE: f64 = 0.9;

/// How many causes are named.
const REASONS: usize = 2;

/// Engagements of two sets that may be compared.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Matching {
    /// Indices of the engagements before that have a counterpart, ascending.
    pub before: Vec<usize>,
    /// Indices of the engagements after that have a counterpart, ascending.
    pub after: Vec<usize>,
    /// One-to-one pairs (before, after), the closest first.
    pub pairs: Vec<(usize, usize)>,
    /// What was compared with what.
    pub strata: Vec<Stratum>,
    /// Why engagements were left out, one plain phrase a cause, the commonest first.
    pub apart: Vec<String>,
}

/// One kind of engagement, timed from one kind of reference.
#[derive(Clone, Debug, PartialEq)]
pub struct Stratum {
    /// What made the coupling close.
    pub kind: Kind,
    /// What times are counted from.
    pub reference: Reference,
    /// Conditions used, with their calipers in their own units.
    pub calipers: Vec<(Condition, f64)>,
}

/// Matches the engagements of two sets.
#[must_use]
pub fn match_engagements(before: &[&Engagement], after: &[&Engagement]) -> Matching {
    let mut matching = Matching::default();
    let mut keys: Vec<(Kind, Reference)> = before
        .iter()
        .chain(after)
        .map(|e| (e.kind, e.reference))
        .collect();
    keys.sort_unstable();
    keys.dedup();
    let all = (before.len() + after.len()) as f64;
    let mut apart = Vec::new();
    let mut paired = Vec::new();
    for (kind, reference) in keys {
        let member = |e: &Engagement| e.kind == kind && e.reference == reference;
        let pick = |set: &[&Engagement]| -> Vec<usize> {
            set.iter()
                .enumerate()
                .filter(|(_, e)| member(e))
                .map(|(index, _)| index)
                .collect()
        };
        let sides = Sides {
            before,
            after,
            b: pick(before),
            a: pick(after),
        };
        if sides.b.is_empty() || sides.a.is_empty() {
            let (count, side) = if sides.a.is_empty() {
                (sides.b.len(), "before")
            } else {
                (sides.a.len(), "after")
            };
            let text = format!(
                "only the {side} set has {} timed from {}",
                kind.plural(),
                reference.label()
            );
            apart.push((count as f64 / all, text));
            continue;
        }
        let reasons = match_stratum(kind, reference, sides, &mut matching, &mut paired);
        apart.extend(
            reasons
                .into_iter()
                .map(|(count, text)| (count as f64 / all, text)),
        );
    }
    matching.before.sort_unstable();
    matching.after.sort_unstable();
    paired.sort_by(|x: &(f64, (usize, usize)), y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
    matching.pairs = paired.into_iter().map(|(_, pair)| pair).collect();
    apart.sort_by(|x, y| y.0.total_cmp(&x.0));
    matching.apart = apart
        .into_iter()
        .map(|(_, text)| text)
        .take(REASONS)
        .collect();
    matching
}

/// One stratum's engagements of both sets.
struct Sides<'a> {
    before: &'a [&'a Engagement],
    after: &'a [&'a Engagement],
    b: Vec<usize>,
    a: Vec<usize>,
}

impl Sides<'_> {
    fn values(&self, condition: Condition) -> [Vec<f64>; 2] {
        let of = |set: &[&Engagement], indices: &[usize]| {
            indices
                .iter()
                .filter_map(|i| set.get(*i))
                .filter_map(|e| condition.of(&e.conditions))
                .collect()
        };
        [of(self.before, &self.b), of(self.after, &self.a)]
    }

    /// Coordinates in calipers, of those engagements that have every condition.
    fn points(
        set: &[&Engagement],
        indices: &[usize],
        calipers: &[(Condition, f64)],
    ) -> (Vec<usize>, Vec<Vec<f64>>) {
        indices
            .iter()
            .filter_map(|index| {
                let conditions = &set.get(*index)?.conditions;
                let point = calipers
                    .iter()
                    .map(|(condition, caliper)| Some(condition.of(conditions)? / caliper))
                    .collect::<Option<Vec<f64>>>()?;
                Some((*index, point))
            })
            .unzip()
    }
}

fn match_stratum(
    kind: Kind,
    reference: Reference,
    sides: Sides<'_>,
    matching: &mut Matching,
    paired: &mut Vec<(f64, (usize, usize))>,
) -> Vec<(usize, String)> {
    let calipers = calipers(&sides);
    let (b, b_points) = Sides::points(sides.before, &sides.b, &calipers);
    let (a, a_points) = Sides::points(sides.after, &sides.a, &calipers);
    let with_counterpart = |own: &[usize], points: &[Vec<f64>], others: &Tree| -> Vec<usize> {
        own.iter()
            .zip(points)
            .filter(|(_, point)| others.closest(point).is_some())
            .map(|(index, _)| *index)
            .collect()
    };
    let b_tree = Tree::new(b_points.clone());
    let mut a_tree = Tree::new(a_points.clone());
    let kept_before = with_counterpart(&b, &b_points, &a_tree);
    let kept_after = with_counterpart(&a, &a_points, &b_tree);
    let left_out = sides.b.len() + sides.a.len() - kept_before.len() - kept_after.len();
    let reasons = if left_out > 0 {
        reasons(kind, &sides, &calipers, left_out)
    } else {
        Vec::new()
    };
    matching.before.extend(kept_before);
    matching.after.extend(kept_after);
    for (pair, distance) in closest_pairs(&b_points, &mut a_tree) {
        if let (Some(x), Some(y)) = (b.get(pair.0), a.get(pair.1)) {
            paired.push((distance, (*x, *y)));
        }
    }
    matching.strata.push(Stratum {
        kind,
        reference,
        calipers,
    });
    reasons
}

/// Conditions that both sets have, with their calipers.
fn calipers(sides: &Sides<'_>) -> Vec<(Condition, f64)> {
    let mut calipers: Vec<(Condition, f64)> = Vec::new();
    for condition in Condition::ALL {
        let original = condition.stands_in_for();
        if original.is_some_and(|o| calipers.iter().any(|(c, _)| *c == o)) {
            continue;
        }
        let [b, a] = sides.values(condition);
        let enough = |have: usize, of: usize| have as f64 >= PRESENT_SHARE * of as f64;
        if !(enough(b.len(), sides.b.len()) && enough(a.len(), sides.a.len())) {
            continue;
        }
        calipers.push((condition, caliper(condition, &b, &a)));
    }
    calipers
}

pub(super) fn caliper(condition: Condition, before: &[f64], after: &[f64]) -> f64 {
    let sizes: Vec<f64> = before.iter().chain(after).map(|v| v.abs()).collect();
    let typical = median(&sizes).unwrap_or(0.0);
    let squares =
        |values: &[f64]| robust_sd(values).map_or(0.0, |sd| values.len() as f64 * sd * sd);
    let pooled = ((squares(before) + squares(after)) / sizes.len().max(1) as f64).sqrt();
    // Values that are all zero must still be equal to each other.
    condition
        .negligible(typical)
        .max(CALIPER_SD * pooled)
        .max(1e-9)
}

/// Pairs of one-to-one matching, the closest two that are left first, with squared distances.
fn closest_pairs(before: &[Vec<f64>], after: &mut Tree) -> Vec<((usize, usize), f64)> {
    // Squared distances are not negative, and such numbers sort as their bits do.
    let find = |tree: &Tree, b: usize| {
        let (a, distance) = tree.closest(before.get(b)?)?;
        Some(Reverse((distance.to_bits(), b, a)))
    };
    let mut queue: BinaryHeap<_> = (0..before.len()).filter_map(|b| find(after, b)).collect();
    let mut pairs = Vec::new();
    while let Some(Reverse((distance, b, a))) = queue.pop() {
        if after.take(a) {
            pairs.push(((b, a), f64::from_bits(distance)));
        } else {
            // Taken meanwhile by a closer one: look again among those left.
            queue.extend(find(after, b));
        }
    }
    pairs
}

/// In which conditions the sets do not overlap, each with the number of engagements concerned.
fn reasons(
    kind: Kind,
    sides: &Sides<'_>,
    calipers: &[(Condition, f64)],
    left_out: usize,
) -> Vec<(usize, String)> {
    let mut reasons = Vec::new();
    for (condition, caliper) in calipers {
        let [b, a] = sides.values(*condition);
        let (b, a) = (sorted(&b), sorted(&a));
        let alone = lonely(&b, &a, *caliper) + lonely(&a, &b, *caliper);
        if alone > 0
            && let (Some(b0), Some(b1), Some(a0), Some(a1)) =
                (b.first(), b.last(), a.first(), a.last())
        {
            let unit = condition.unit();
            let space = if unit.is_empty() { "" } else { " " };
            let text = format!(
                "{} of the {} is {} to {}{space}{unit} before and {} to {}{space}{unit} after",
                condition.label(),
                kind.plural(),
                number::plain(*b0),
                number::plain(*b1),
                number::plain(*a0),
                number::plain(*a1),
            );
            reasons.push((alone, text));
        }
    }
    let explained = reasons.iter().map(|(count, _)| *count).max().unwrap_or(0);
    if 2 * explained < left_out {
        let names: Vec<&str> = calipers.iter().map(|(c, _)| c.label()).collect();
        let text = format!(
            "few {} are alike in {} at once",
            kind.plural(),
            names.join(", ")
        );
        reasons.push((left_out, text));
    }
    reasons
}

/// How many sorted values have none of the others within the caliper.
fn lonely(values: &[f64], others: &[f64], caliper: f64) -> usize {
    values
        .iter()
        .filter(|v| {
            let next = others.partition_point(|o| *o < **v - caliper);
            others.get(next).is_none_or(|o| *o > **v + caliper)
        })
        .count()
}
