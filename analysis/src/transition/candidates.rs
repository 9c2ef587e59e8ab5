//! Which shapes explain a step, and how well: each is fitted, and weighted by its criterion against the
//! best of them.

use super::fit::{Fit, Sampled, fit};
use super::resolution;
use super::shape::Shape;

/// Weights below this do not matter.
const LEAST_WEIGHT: f64 = 1e-3;

/// Shapes fitted to the samples near a step, the best first, with weights.
pub(super) struct Candidates {
    pub(super) models: Vec<(Fit, f64)>,
    /// Score of the best.
    score: f64,
    /// Variance of a sample about the best.
    pub(super) variance: f64,
    pub(super) freedom: f64,
}

/// Shapes without a foot.
pub(super) fn candidates(data: &Sampled<'_>, within: usize) -> Option<Candidates> {
    ranked(scored(data, shapes(within), None), data)
}

/// The same data's shapes with a foot beside those without one.
pub(super) fn with_foot(
    plain: Candidates,
    data: &Sampled<'_>,
    within: usize,
    foot_from_s: f64,
) -> Option<Candidates> {
    let best = plain.score;
    let known = plain.models.into_iter();
    let mut all: Vec<(Fit, f64)> = known.map(|(f, w)| (f, best - 2.0 * w.ln())).collect();
    let shapes = shapes(within).filter(|shape| shape.takes_foot());
    all.extend(scored(data, shapes, Some(foot_from_s)));
    ranked(all, data)
}

/// A shape needs more samples within the step than it has numbers to place there; the simplest do with
/// one, which with the states on either side says how long the rise can be.
fn shapes(within: usize) -> impl Iterator<Item = Shape> {
    let all = Shape::ALL.into_iter();
    all.filter(move |shape| within > shape.count() || shape.count() == 1)
}

fn least_variance(data: &Sampled<'_>) -> f64 {
    let resolution = resolution(data.y);
    (resolution * resolution / 12.0).max(f64::MIN_POSITIVE)
}

fn scored(
    data: &Sampled<'_>,
    shapes: impl Iterator<Item = Shape>,
    foot_from_s: Option<f64>,
) -> Vec<(Fit, f64)> {
    let count = data.t_s.len() as f64;
    let floor = least_variance(data);
    shapes
        .filter_map(|shape| {
            let fit = fit(shape, data, foot_from_s)?;
            let mean_square = fit.squares / count + floor;
            let score = count * mean_square.ln() + count.ln() * fit.parameters as f64;
            Some((fit, score))
        })
        .collect()
}

fn ranked(mut models: Vec<(Fit, f64)>, data: &Sampled<'_>) -> Option<Candidates> {
    let best = models.iter().map(|(_, s)| *s).reduce(f64::min)?;
    for (_, score) in &mut models {
        *score = (-0.5 * (*score - best)).exp();
    }
    models.retain(|(_, weight)| *weight >= LEAST_WEIGHT);
    models.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (leader, _) = models.first()?;
    let freedom = data.t_s.len() as f64 - leader.parameters as f64;
    let variance = (leader.squares / freedom).max(least_variance(data));
    Some(Candidates {
        models,
        score: best,
        variance,
        freedom,
    })
}
