//! A field as a candidate for a role, with its score: what every search gives, and what it is made with.

use super::candidate::Candidate;
use super::proposal::Scaling;
use crate::role::Role;
use crate::unit::Unit;

/// A candidate for a role.
#[derive(Clone, Debug)]
pub(crate) struct Ranked {
    pub(crate) role: Role,
    /// Index of the field.
    pub(crate) candidate: usize,
    pub(crate) score: f64,
    pub(crate) scaling: Option<Scaling>,
    pub(crate) note: Option<String>,
    pub(crate) evidence: Vec<String>,
}

impl Ranked {
    pub(crate) fn new(role: Role, candidate: usize, score: f64, evidence: Vec<String>) -> Self {
        Self {
            role,
            candidate,
            score,
            scaling: None,
            note: None,
            evidence,
        }
    }
}

/// A scaling whose two uncertainties are this share of scale and offset.
pub(crate) fn scaled(scale: f64, offset: f64, u: f64, unit: Unit) -> Option<Scaling> {
    (scale.is_finite() && scale != 0.0).then_some(Scaling {
        scale,
        offset,
        u_scale: u * scale.abs(),
        u_offset: u * offset.abs(),
        unit,
    })
}

/// Share of points at which a value lies in the lowest part of its range.
pub(crate) fn at_floor(c: &Candidate, at: &[usize], part: f64) -> f64 {
    let limit = c.low + part * (c.high - c.low);
    let low = at
        .iter()
        .filter(|&&k| c.raw.get(k).is_some_and(|v| *v <= limit))
        .count();
    low as f64 / at.len().max(1) as f64
}

/// The best for a role.
pub(crate) fn best<'a>(
    all: impl IntoIterator<Item = &'a Ranked>,
    role: Role,
) -> Option<&'a Ranked> {
    all.into_iter()
        .filter(|ranked| ranked.role == role)
        .max_by(|a, b| a.score.total_cmp(&b.score))
}
