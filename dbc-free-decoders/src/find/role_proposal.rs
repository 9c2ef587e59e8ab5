//! Ranked fields as proposals for their roles, and every identifier's make-up.
//!
//! Beside `speed_proposal`, which does the same for speeds; `propose` takes what comes out.

use std::collections::BTreeMap;

use super::candidate::{Candidate, Source};
use super::proposal::{FoundField, IdReport, Meaning, Proposal};
use super::ranked::Ranked;
use crate::role::Role;

/// Most candidates named for a role.
const MOST_RANKS: usize = 5;
/// Less than this is not worth naming.
const LEAST_SCORE: f64 = 0.2;

/// The ranked ones as proposals, each role's best first.
pub(crate) fn ranked_proposals(
    ranked: Vec<Ranked>,
    sources: &[Source],
    candidates: &[Candidate],
) -> Vec<Proposal> {
    let mut by_role: BTreeMap<Role, Vec<Ranked>> = BTreeMap::new();
    for one in ranked.into_iter().filter(|r| r.score > LEAST_SCORE) {
        let list = by_role.entry(one.role).or_default();
        match list
            .iter_mut()
            .find(|other| other.candidate == one.candidate)
        {
            Some(other) if other.score < one.score => *other = one,
            Some(_) => {}
            None => list.push(one),
        }
    }
    let mut proposals = Vec::new();
    for (role, mut list) in by_role {
        list.sort_by(|a, b| b.score.total_cmp(&a.score));
        for (k, ranked) in list.into_iter().take(MOST_RANKS).enumerate() {
            let Some(candidate) = candidates.get(ranked.candidate) else {
                continue;
            };
            let Some(source) = sources.get(candidate.source) else {
                continue;
            };
            let series = match ranked.scaling {
                Some(s) => candidate
                    .raw
                    .iter()
                    .map(|raw| raw * s.scale + s.offset)
                    .collect(),
                None => candidate.raw.clone(),
            };
            proposals.push(Proposal {
                rank: k + 1,
                score: ranked.score.clamp(0.0, 1.0),
                invalid_raw: candidate.invalid_raw.clone(),
                scaling: ranked.scaling,
                scaling_note: ranked.note,
                evidence: ranked.evidence,
                series,
                ..Proposal::of(source, candidate.field, Meaning::Role(role))
            });
        }
    }
    proposals
}

/// How every identifier is made up, whatever its fields mean.
pub(crate) fn id_reports(sources: &[Source], candidates: &[Candidate]) -> Vec<IdReport> {
    let mut reports: Vec<IdReport> = sources
        .iter()
        .enumerate()
        .map(|(index, source)| IdReport {
            bus: source.bus.clone(),
            id: source.id,
            frames: source.frames,
            length_bytes: source.length_bytes,
            period_ms: source.period_ms(),
            timeout_ms: source.timeout_ms(),
            guards: source.guards.clone(),
            selector: source.selector,
            fields: candidates
                .iter()
                .filter(|c| c.source == index)
                .map(|c| FoundField {
                    field: c.field,
                    distinct: c.distinct,
                })
                .collect(),
            constant_bits: (0..8 * source.length_bytes)
                .filter(|&bit| source.activity.flips(bit) == 0)
                .count(),
        })
        .collect();
    reports.sort_by(|a, b| (&a.bus, a.id).cmp(&(&b.bus, b.id)));
    reports
}
