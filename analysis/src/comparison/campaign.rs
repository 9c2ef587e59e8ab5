//! Every engagement of both sets in its place, and what keeps them from being compared.

use std::collections::BTreeMap;

use super::condition::Condition;
use super::matching::{self, Matching};
use super::sets::Sets;
use super::shift::Observation;
use super::{EngagementPosition, LEAST_DRIVES, LEAST_PAIRS};
use crate::engagement::Kind;
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};
use crate::number;
use crate::statistics::quantile::median;
use crate::words;

/// One engagement in its place.
pub(super) struct Placed<'a> {
    pub(super) engagement: &'a Engagement,
    /// Where it stands in its set as given.
    pub(super) position: EngagementPosition,
    drive: usize,
    since_work: usize,
}

/// Every engagement of both sets.
pub(super) struct Campaign<'a> {
    pub(super) before: Vec<Placed<'a>>,
    pub(super) after: Vec<Placed<'a>>,
    drives_before: usize,
    drives_after: usize,
}

impl<'a> Campaign<'a> {
    pub(super) fn new(sets: &Sets<'a>) -> Self {
        let place = |drives: &[&'a DriveMeasures], given: &[usize], is_after: bool| {
            let mut placed: Vec<Placed<'a>> = Vec::new();
            for (drive, (measures, &at)) in drives.iter().zip(given).enumerate() {
                for (place_in_drive, engagement) in measures.engagements.iter().enumerate() {
                    let since_work = if is_after { placed.len() } else { 0 };
                    placed.push(Placed {
                        engagement,
                        position: EngagementPosition {
                            drive: at,
                            engagement: place_in_drive,
                        },
                        drive,
                        since_work,
                    });
                }
            }
            placed
        };
        let [before_at, after_at] = &sets.given;
        Self {
            before: place(&sets.before, before_at, false),
            after: place(&sets.after, after_at, true),
            drives_before: sets.before.len(),
            drives_after: sets.after.len(),
        }
    }

    /// Which engagements, before then after, have a usable value of the measure.
    pub(super) fn present(&self, measure: Measure) -> Vec<bool> {
        self.before
            .iter()
            .chain(&self.after)
            .map(|p| p.engagement.estimate(measure).is_some())
            .collect()
    }

    /// Matches those engagements that are present; indices are into the full sets.
    pub(super) fn matched(&self, present: &[bool]) -> Matching {
        let pick = |placed: &[Placed<'a>], offset: usize| -> (Vec<usize>, Vec<&'a Engagement>) {
            placed
                .iter()
                .enumerate()
                .filter(|(index, _)| present.get(offset + index) == Some(&true))
                .map(|(index, p)| (index, p.engagement))
                .unzip()
        };
        let (b, before) = pick(&self.before, 0);
        let (a, after) = pick(&self.after, self.before.len());
        let mut matching = matching::match_engagements(&before, &after);
        let back = |own: &mut Vec<usize>, indices: &[usize]| {
            for slot in own {
                *slot = indices.get(*slot).copied().unwrap_or(*slot);
            }
        };
        back(&mut matching.before, &b);
        back(&mut matching.after, &a);
        for (x, y) in &mut matching.pairs {
            *x = b.get(*x).copied().unwrap_or(*x);
            *y = a.get(*y).copied().unwrap_or(*y);
        }
        matching
    }

    pub(super) fn observations(&self, measure: Measure, matching: &Matching) -> Vec<Observation> {
        // Drives without a matched engagement get no number.
        let mut numbers = BTreeMap::new();
        let sides = [
            (false, &self.before, &matching.before),
            (true, &self.after, &matching.after),
        ];
        let mut observations = Vec::new();
        for (is_after, placed, indices) in sides {
            for placed in indices.iter().filter_map(|index| placed.get(*index)) {
                let engagement = placed.engagement;
                let Some(estimate) = engagement.estimate(measure) else {
                    continue;
                };
                let stratum = matching
                    .strata
                    .iter()
                    .position(|s| s.kind == engagement.kind && s.reference == engagement.reference);
                let next = numbers.len();
                let drive = *numbers.entry((is_after, placed.drive)).or_insert(next);
                observations.push(Observation {
                    is_after,
                    drive,
                    stratum: stratum.unwrap_or(0),
                    value: estimate.value,
                    u: estimate.u,
                    conditions: engagement.conditions,
                    place_in_drive: placed.position.engagement,
                    since_work: placed.since_work,
                });
            }
        }
        observations
    }

    /// Why the matched engagements cannot carry a verdict, if so; `drives` have any of them, before
    /// and after.
    pub(super) fn too_few(
        &self,
        measure: Measure,
        matching: &Matching,
        drives: (usize, usize),
    ) -> Option<String> {
        let (b, a) = drives;
        if b == 0 || a == 0 {
            return Some(self.nothing_to_compare(measure, matching));
        }
        let apart = matching
            .apart
            .first()
            .map_or_else(String::new, |why| format!(" ({why})"));
        if b < LEAST_DRIVES || a < LEAST_DRIVES {
            let all = (b, a) == (self.drives_before, self.drives_after);
            let of = |part, all| format!("{part} of {}", number::count(all, "drive", "drives"));
            let what = if all {
                format!("a side of one drive ({b} before, {a} after)")
            } else {
                format!(
                    "only {} before and {} after have it under like conditions{apart}, and one \
                     drive",
                    of(b, self.drives_before),
                    of(a, self.drives_after),
                )
            };
            return Some(format!(
                "{what} cannot tell the work from the day; record at least {LEAST_DRIVES}, better \
                 4, drives on each side under like conditions"
            ));
        }
        let pairs = matching.pairs.len();
        (pairs < LEAST_PAIRS).then(|| {
            format!(
                "only {} of engagements can be compared{apart}; {LEAST_PAIRS} are needed",
                number::count(pairs, "matched pair", "matched pairs")
            )
        })
    }

    /// Why not one engagement has a counterpart.
    pub(super) fn nothing_to_compare(&self, measure: Measure, matching: &Matching) -> String {
        let sides = [("before", &self.before), ("after", &self.after)];
        let mut reasons = Vec::new();
        for (set, placed) in sides {
            if placed.is_empty() {
                reasons.push(format!("the {set} set has no engagement"));
            } else if placed
                .iter()
                .all(|p| p.engagement.estimate(measure).is_none())
            {
                let why = common_reason(placed, measure);
                reasons.push(format!("it is missing in the whole {set} set ({why})"));
            }
        }
        if reasons.is_empty() {
            let apart = matching.apart.join("; ");
            reasons.push(format!(
                "no engagement has a counterpart under like conditions ({apart}); the medians are \
                 over all engagements"
            ));
        }
        reasons.join(" and ")
    }

    /// Measures that only one side has, those with the same reason together.
    pub(super) fn one_sided(&self) -> Vec<String> {
        let mut groups: BTreeMap<(bool, String), Vec<&str>> = BTreeMap::new();
        if self.before.is_empty() || self.after.is_empty() {
            return Vec::new();
        }
        for measure in Measure::ALL {
            let whole = |placed: &[Placed<'_>]| {
                placed
                    .iter()
                    .all(|p| p.engagement.estimate(*measure).is_none())
            };
            let (is_after, placed) = match (whole(&self.before), whole(&self.after)) {
                (true, false) => (false, &self.before),
                (false, true) => (true, &self.after),
                _ => continue,
            };
            let reason = common_reason(placed, *measure);
            groups
                .entry((is_after, reason))
                .or_default()
                .push(measure.label());
        }
        groups
            .into_iter()
            .map(|((is_after, reason), labels)| {
                let (set, placed) =
                    if is_after { ("after", &self.after) } else { ("before", &self.before) };
                format!(
                    "missing in all {} of the {set} set, so not compared: {}; mostly because {reason}",
                    number::count(placed.len(), "engagement", "engagements"),
                    words::listed(&labels),
                )
            })
            .collect()
    }

    /// Conditions that could not be matched on because a set lacks them.
    pub(super) fn unmatched_conditions(&self) -> Vec<String> {
        let lacks = |condition: Condition| {
            let share = |placed: &[Placed<'_>]| {
                let have = placed
                    .iter()
                    .filter(|p| condition.of(&p.engagement.conditions).is_some());
                have.count() as f64 / placed.len().max(1) as f64
            };
            share(&self.before).min(share(&self.after)) < matching::PRESENT_SHARE
        };
        if self.before.is_empty() || self.after.is_empty() {
            return Vec::new();
        }
        Condition::ALL
            .into_iter()
            .filter(|c| c.stands_in_for().is_none() && lacks(*c))
            // Nothing is missed where its stand-in serves.
            .filter(|c| {
                let mut all = Condition::ALL.into_iter();
                !all.any(|other| other.stands_in_for() == Some(*c) && !lacks(other))
            })
            .map(|c| {
                format!(
                    "{} is missing in one of the sets, so engagements could not be matched on it: \
                     a difference in it would show as a change",
                    c.label()
                )
            })
            .collect()
    }
}

impl Campaign<'_> {
    /// Conditions in which the sets were driven unlike: within a kind of engagement their middle values
    /// are further apart than two engagements that still count as alike.
    pub(super) fn unlike_conditions(&self) -> Vec<String> {
        let unlike = |condition: Condition| {
            KINDS.into_iter().find_map(|kind| {
                let values = |placed: &[Placed<'_>]| -> Vec<f64> {
                    let of_kind = placed.iter().filter(|p| p.engagement.kind == kind);
                    of_kind
                        .filter_map(|p| condition.of(&p.engagement.conditions))
                        .collect()
                };
                let (before, after) = (values(&self.before), values(&self.after));
                let (b, a) = (median(&before)?, median(&after)?);
                ((a - b).abs() > matching::caliper(condition, &before, &after))
                    .then_some((kind, b, a))
            })
        };
        Condition::ALL
            .into_iter()
            .filter(|c| c.stands_in_for().is_none())
            .filter_map(|c| {
                let (kind, before, after) = unlike(c)?;
                let unit = words::behind(c.unit());
                Some(format!(
                    "{} of {} is unlike before and after, {}{unit} against {}{unit} in the middle: only \
                     part of what that does can be taken out, and the rest poses as the work",
                    c.label(),
                    kind.plural(),
                    number::plain(before),
                    number::plain(after),
                ))
            })
            .collect()
    }
}

/// The kinds of engagement.
const KINDS: [Kind; 3] = [Kind::Launch, Kind::TipIn, Kind::TurnIn];

/// The reason given most often for a missing measure.
fn common_reason(placed: &[Placed<'_>], measure: Measure) -> String {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for p in placed {
        if let Some(reason) = p.engagement.why_missing(measure) {
            *counts.entry(reason).or_default() += 1;
        }
    }
    counts
        .into_iter()
        .max_by_key(|(_, count)| *count)
        .map(|(reason, _)| reason)
        .unwrap_or_default()
}
