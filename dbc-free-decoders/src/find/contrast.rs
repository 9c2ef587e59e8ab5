//! Marks: which fields move after a mark and hardly elsewhere.

use super::candidate::{Candidate, Source};
use super::proposal::{MarkContrast, Meaning, Moved, Proposal};
use super::ranked::Ranked;
use super::statistics::smooth;
use super::survey::Mark;
use super::timeline::Timeline;
use crate::role::Role;

/// How long a mark counts, if no other comes before, s.
const SPAN_S: f64 = 10.0;
/// Movement after the mark over movement elsewhere that is worth telling.
const LEAST_CONTRAST: f64 = 3.0;
/// Most fields told for a mark.
const MOST_FIELDS: usize = 8;

/// The contrast of every mark, in the order of time.
pub(crate) fn contrasts(
    marks: &[Mark],
    sources: &[Source],
    candidates: &[Candidate],
    axis: &Timeline,
) -> Vec<MarkContrast> {
    let mut sorted: Vec<&Mark> = marks.iter().collect();
    sorted.sort_by_key(|mark| mark.t_ns);
    let spans: Vec<(usize, usize)> = sorted
        .iter()
        .enumerate()
        .map(|(k, mark)| {
            let from = axis.t_ns().partition_point(|t| *t < mark.t_ns);
            let next = sorted.get(k + 1).map_or(axis.len(), |next| {
                axis.t_ns().partition_point(|t| *t < next.t_ns)
            });
            (from, next.min(from + axis.points(SPAN_S)))
        })
        .collect();
    // Movement a point of every field, as a share of its range, noise smoothed away.
    let moves: Vec<Vec<f64>> = candidates
        .iter()
        .map(|c| {
            let span = (c.high - c.low).max(1.0);
            let near = smooth(&c.raw, axis.points(0.25));
            near.windows(2)
                .map(|w| match w {
                    [a, b] => (b - a).abs() / span,
                    _ => 0.0,
                })
                .collect()
        })
        .collect();
    let mut marked = vec![false; axis.len()];
    for &(from, to) in &spans {
        let span = marked.get_mut(from..to);
        span.into_iter().for_each(|span| span.fill(true));
    }
    let elsewhere: Vec<f64> = moves
        .iter()
        .map(|m| {
            let rest: Vec<f64> = m
                .iter()
                .zip(&marked)
                .filter(|(_, marked)| !**marked)
                .map(|(v, _)| *v)
                .collect();
            rest.iter().sum::<f64>() / rest.len().max(1) as f64
        })
        .collect();
    sorted
        .iter()
        .zip(&spans)
        .map(|(mark, &(from, to))| {
            let mut moved: Vec<Moved> = moves
                .iter()
                .zip(&elsewhere)
                .zip(candidates)
                .filter_map(|((m, elsewhere), c)| {
                    let here = m.get(from..to.min(m.len()))?;
                    let travel: f64 = here.iter().sum();
                    let contrast = travel / here.len().max(1) as f64 / elsewhere.max(1e-6);
                    let source = sources.get(c.source)?;
                    // A tenth of its whole range at least.
                    (contrast >= LEAST_CONTRAST && travel > 0.1).then(|| Moved {
                        bus: source.bus.clone(),
                        id: source.id,
                        selector: source.selector,
                        field: c.field,
                        contrast: contrast.min(1000.0),
                    })
                })
                .collect();
            moved.sort_by(|a, b| b.contrast.total_cmp(&a.contrast));
            moved.truncate(MOST_FIELDS);
            MarkContrast {
                t_ns: mark.t_ns,
                text: mark.text.clone(),
                moved,
            }
        })
        .collect()
}

/// Roles that a mark's words may name.
const NAMED: [Role; 4] = [
    Role::PedalAccelerator,
    Role::PedalBrake,
    Role::SteeringAngle,
    Role::Gear,
];
/// Most that marks alone make of a field: moved with a pedal is not yet the pedal.
const MOST_BY_MARKS: f64 = 0.65;
/// Contrast beyond which more says no more.
const FULL_CONTRAST: f64 = 30.0;

/// Candidates for what marks name: fields that moved after every mark of that name, and hardly
/// elsewhere. All there is of a standing car.
pub(crate) fn told_by_marks(
    marks: &[MarkContrast],
    sources: &[Source],
    candidates: &[Candidate],
) -> Vec<Ranked> {
    let mut found = Vec::new();
    for role in NAMED {
        let of_role: Vec<&MarkContrast> = marks
            .iter()
            .filter(|mark| names(&mark.text, role))
            .collect();
        for (index, c) in candidates.iter().enumerate() {
            let Some(source) = sources.get(c.source) else {
                continue;
            };
            let contrasts: Vec<f64> = of_role
                .iter()
                .flat_map(|mark| &mark.moved)
                .filter(|m| m.is(&source.bus, source.id, source.selector, c.field))
                .map(|m| m.contrast)
                .collect();
            if contrasts.is_empty() {
                continue;
            }
            let always = contrasts.len() as f64 / of_role.len() as f64;
            let least = contrasts.iter().copied().fold(FULL_CONTRAST, f64::min);
            let score = MOST_BY_MARKS * always * (0.5 + 0.5 * least / FULL_CONTRAST);
            let evidence = format!(
                "moves after {} of {} marks that name it, {least:.0} times or more what it moves elsewhere",
                contrasts.len(),
                of_role.len()
            );
            found.push(Ranked::new(role, index, score, vec![evidence]));
        }
    }
    found
}

/// A field that moved when a mark named its role is more surely of that role.
pub(crate) fn heed_marks(proposals: &mut [Proposal], marks: &[MarkContrast]) {
    const MORE: f64 = 0.15;
    for proposal in proposals.iter_mut() {
        let Meaning::Role(role) = proposal.meaning else {
            continue;
        };
        let said = marks
            .iter()
            .filter(|mark| names(&mark.text, role))
            .find_map(|mark| {
                let moved = mark.moved.iter().find(|moved| {
                    moved.is(
                        &proposal.bus,
                        proposal.id,
                        proposal.selector,
                        proposal.field,
                    )
                })?;
                Some((mark, moved.contrast))
            });
        if let Some((mark, contrast)) = said {
            proposal.score = (proposal.score + MORE).min(1.0);
            proposal.evidence.push(format!(
                "moves {contrast:.0} times more after the mark \"{}\" than elsewhere",
                mark.text
            ));
        }
    }
    // Ranks within each role follow the scores.
    let mut start = 0;
    while start < proposals.len() {
        let meaning = proposals.get(start).map(|p| p.meaning);
        let end = start
            + proposals
                .iter()
                .skip(start)
                .take_while(|p| Some(p.meaning) == meaning)
                .count();
        if let (Some(Meaning::Role(role)), Some(group)) = (meaning, proposals.get_mut(start..end))
            && !Role::WHEELS.contains(&role)
        {
            group.sort_by(|a, b| b.score.total_cmp(&a.score));
            group
                .iter_mut()
                .enumerate()
                .for_each(|(k, p)| p.rank = k + 1);
        }
        start = end.max(start + 1);
    }
}

/// Words of a mark that name what was moved.
pub(crate) fn names(text: &str, role: Role) -> bool {
    let text = text.to_lowercase();
    let words: &[&str] = match role {
        Role::PedalAccelerator => &["accelerator", "throttle"],
        Role::PedalBrake => &["brake"],
        Role::SteeringAngle => &["steer", "lock"],
        Role::Gear => &["gear", "lever", "reverse"],
        Role::CouplingDemand | Role::CouplingPressure => &["coupling", "launch"],
        _ => &[],
    };
    words.iter().any(|word| text.contains(word))
}
