//! What is compared, as the parts of the page ask for it.

use std::collections::BTreeSet;

use super::{EngagementPosition, ReportNotes};
use crate::chart::Side;
use crate::comparison::{Comparison, MeasureComparison, SetSize};
use crate::drive::DriveMeasures;
use crate::engagement::{Conditions, Engagement, Kind};
use crate::measure::{Estimate, Measure, Missing};
use crate::vehicle::Vehicle;

/// Everything that a part of the page may show.
pub(super) struct Campaign<'a> {
    pub(super) comparison: &'a Comparison,
    pub(super) vehicle: &'a Vehicle,
    pub(super) notes: &'a ReportNotes,
    before: &'a [DriveMeasures],
    after: &'a [DriveMeasures],
    matched: [BTreeSet<EngagementPosition>; 2],
}

impl<'a> Campaign<'a> {
    pub(super) fn new(
        comparison: &'a Comparison,
        before: &'a [DriveMeasures],
        after: &'a [DriveMeasures],
        vehicle: &'a Vehicle,
        notes: &'a ReportNotes,
    ) -> Self {
        let matched = [
            notes.matched.iter().map(|pair| pair.before).collect(),
            notes.matched.iter().map(|pair| pair.after).collect(),
        ];
        let [unpaired_before, unpaired_after] = &notes.unpaired;
        let [mut matched_before, mut matched_after]: [BTreeSet<EngagementPosition>; 2] = matched;
        matched_before.extend(unpaired_before);
        matched_after.extend(unpaired_after);
        let matched = [matched_before, matched_after];
        Self {
            comparison,
            vehicle,
            notes,
            before,
            after,
            matched,
        }
    }

    /// The drives of one set.
    pub(super) fn drives(&self, side: Side) -> &'a [DriveMeasures] {
        match side {
            Side::Before => self.before,
            Side::After => self.after,
        }
    }

    /// The size of one set as the comparison counted it.
    pub(super) fn size(&self, side: Side) -> SetSize {
        match side {
            Side::Before => self.comparison.before,
            Side::After => self.comparison.after,
        }
    }

    /// Every engagement of one set with its position.
    pub(super) fn engagements(
        &self,
        side: Side,
    ) -> impl Iterator<Item = (EngagementPosition, &'a Engagement)> {
        self.drives(side)
            .iter()
            .enumerate()
            .flat_map(|(drive, measured)| {
                measured
                    .engagements
                    .iter()
                    .enumerate()
                    .map(move |(engagement, value)| {
                        (EngagementPosition { drive, engagement }, value)
                    })
            })
    }

    /// Whether anything is known of what was matched.
    pub(super) fn knows_matches(&self) -> bool {
        !self.notes.matched.is_empty()
    }

    /// Whether an engagement was matched; all count as matched where nothing is known.
    pub(super) fn is_matched(&self, side: Side, position: EngagementPosition) -> bool {
        let [before, after] = &self.matched;
        let set = match side {
            Side::Before => before,
            Side::After => after,
        };
        !self.knows_matches() || set.contains(&position)
    }

    /// The comparison of one measure.
    pub(super) fn row(&self, measure: Measure) -> Option<&'a MeasureComparison> {
        self.comparison
            .measures
            .iter()
            .find(|row| row.measure == measure)
    }

    /// How many engagements of a kind one set holds.
    pub(super) fn count_of(&self, side: Side, kind: Kind) -> usize {
        self.engagements(side)
            .filter(|(_, e)| e.kind == kind)
            .count()
    }

    /// Lowest and highest value of a condition over one set.
    pub(super) fn range_of(
        &self,
        side: Side,
        condition: impl Fn(&Conditions) -> Option<f64>,
    ) -> Option<(f64, f64)> {
        self.engagements(side)
            .filter_map(|(_, e)| condition(&e.conditions).filter(|v| v.is_finite()))
            .fold(None, |range, v| match range {
                None => Some((v, v)),
                Some((low, high)) => Some((v.min(low), v.max(high))),
            })
    }
}

/// The value of one measure of an engagement that is a number.
pub(super) fn value_of(engagement: &Engagement, measure: Measure) -> Option<&Estimate> {
    engagement
        .measures
        .get(measure as usize)?
        .as_ref()
        .ok()
        .filter(|e| e.value.is_finite())
}

/// Why an engagement has no number for a measure.
pub(super) fn reason_of(engagement: &Engagement, measure: Measure) -> Option<String> {
    match engagement.measures.get(measure as usize) {
        None => Some("not measured".to_owned()),
        Some(Ok(estimate)) if estimate.value.is_finite() => None,
        Some(Ok(_)) => Some("the value is not a number".to_owned()),
        Some(Err(missing)) => Some(reason(missing)),
    }
}

/// A reason in words.
pub(super) fn reason(missing: &Missing) -> String {
    missing.to_string()
}

/// Whether the transfer fraction of an engagement is an upper bound and no more: every estimate
/// that has a value says so of itself.
pub(super) fn is_upper_bound(engagement: &Engagement) -> bool {
    let mut valued = engagement
        .transfer
        .iter()
        .filter(|t| t.fraction.is_ok())
        .peekable();
    valued.peek().is_some() && valued.all(|t| t.upper_bound)
}
