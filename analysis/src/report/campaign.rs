//! What is compared, as the parts of the page ask for it.

use super::ReportNotes;
use crate::chart::Side;
use crate::comparison::family::PROOF;
use crate::comparison::{Comparison, EngagementPosition, MeasureComparison, SetSize};
use crate::engagement::{Conditions, Kind};
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};
use crate::vehicle::Vehicle;

/// Everything that a part of the page may show.
pub(super) struct Campaign<'a> {
    pub(super) comparison: &'a Comparison,
    pub(super) vehicle: &'a Vehicle,
    pub(super) notes: &'a ReportNotes,
    before: &'a [DriveMeasures],
    after: &'a [DriveMeasures],
}

impl<'a> Campaign<'a> {
    pub(super) fn new(
        comparison: &'a Comparison,
        before: &'a [DriveMeasures],
        after: &'a [DriveMeasures],
        vehicle: &'a Vehicle,
        notes: &'a ReportNotes,
    ) -> Self {
        Self {
            comparison,
            vehicle,
            notes,
            before,
            after,
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

    /// The measure whose matching the pictures of whole engagements go by, since every measure is
    /// compared on the engagements that have it: the delay, or what comes first without it. None
    /// where nothing was matched.
    pub(super) fn shown_by(&self) -> Option<&'a MeasureComparison> {
        PROOF
            .iter()
            .chain(Measure::ALL)
            .filter_map(|measure| self.row(*measure))
            .find(|row| !row.matched.is_empty())
    }

    /// Whether an engagement is one of those that the pictures of whole engagements go by; all are
    /// where nothing was matched.
    pub(super) fn is_shown(&self, side: Side, position: EngagementPosition) -> bool {
        self.shown_by()
            .is_none_or(|row| is_compared(row, side, position))
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

/// Whether a measure was compared on an engagement.
pub(super) fn is_compared(
    row: &MeasureComparison,
    side: Side,
    position: EngagementPosition,
) -> bool {
    let [before, after] = &row.compared;
    let set = match side {
        Side::Before => before,
        Side::After => after,
    };
    set.binary_search(&position).is_ok()
}
