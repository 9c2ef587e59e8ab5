//! Marks: which fields move after a mark and hardly elsewhere.

use super::candidate::{Candidate, Source};
use super::proposal::{MarkContrast, Moved};
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
    let marked = |k: usize| spans.iter().any(|(from, to)| (*from..*to).contains(&k));
    let elsewhere: Vec<f64> = moves
        .iter()
        .map(|m| {
            let rest: Vec<f64> = m
                .iter()
                .enumerate()
                .filter(|(k, _)| !marked(*k))
                .map(|(_, v)| *v)
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
