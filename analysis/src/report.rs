//! The last step of the data flow: a comparison and the drives it rests on to one page that a
//! person reads, prints and hands on.
//!
//! The page computes nothing: every verdict, shift and interval is the comparison's, every value
//! is a measure's. It chooses digits, words and pictures. It is one HTML file that needs no network
//! and is complete without scripts, and shows whatever an owner wrote literally.
//!
//! - [`number`]: digits that suit an uncertainty.
//! - [`page`], [`style`]: the frame and the look of every report.
//! - `campaign`: what is compared, as the parts of the page ask for it. `wording`: the words. `reasons`:
//!   why a value is missing, under a table.
//! - `trend`: the page of a series of drives. `diagnosis`: the page of ranked causes.
//! - [`page_charts`]: the pictures of a finished page, as files of their own.
//! - The parts: `summary`, `pictures`, `viewer`, `conditions`, `measures`, `engagements`, `basis`.

pub mod number;
pub mod page;
pub mod proposals;
pub mod script;
pub mod style;

mod basis;
mod campaign;
pub mod card;
mod conditions;
mod diagnosis;
mod engagements;
mod measures;
pub mod page_charts;
mod pictures;
mod reasons;
mod reminders;
mod summary;
mod trend;
mod viewer;
mod wording;

#[cfg(test)]
pub(crate) mod tests;
#[cfg(test)]
mod well_made;

use slipwright_decoders::unit::Unit;

use crate::book::Due;
use crate::comparison::Comparison;
use crate::comparison::matching::match_engagements;
use crate::drive::DriveMeasures;
use crate::engagement::Engagement;
use crate::vehicle::Vehicle;
use campaign::Campaign;
pub use diagnosis::{DiagnosisNotes, diagnosis_report};
use page::{Page, Section};
pub use trend::trend_report;
use viewer::Viewer;

/// What the page says that the measurements do not know; whoever asks for the page hands it in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReportNotes {
    /// The owner's words on the work done between the two sets. Shown literally.
    pub work: Option<String>,
    /// When the page was made, as it shall read; the core has no clock.
    pub made: Option<String>,
    /// The unit that the demand traces and demand steps are in; without it they have none.
    pub demand_unit: Option<Unit>,
    /// Which engagements were matched. Where this is empty the pictures show all alike and say so.
    pub matched: Vec<MatchedPair>,
    /// Engagements of the before and of the after set that have a counterpart but no partner of
    /// their own: they are compared too.
    pub unpaired: [Vec<EngagementPosition>; 2],
    /// How the service reminders of the car's book stand.
    pub reminders: Vec<Due>,
}

impl ReportNotes {
    /// Adds which engagements the comparison takes for alike, going by what drives them.
    #[must_use]
    pub fn with_matching(mut self, before: &[DriveMeasures], after: &[DriveMeasures]) -> Self {
        let [(b, b_at), (a, a_at)] = [before, after].map(flattened);
        let matching = match_engagements(&b, &a);
        self.matched = matching
            .pairs
            .iter()
            .filter_map(|(b, a)| {
                Some(MatchedPair {
                    before: *b_at.get(*b)?,
                    after: *a_at.get(*a)?,
                })
            })
            .collect();
        let paired = |at: &EngagementPosition, side: fn(&MatchedPair) -> EngagementPosition| {
            self.matched.iter().any(|pair| side(pair) == *at)
        };
        let lone = |kept: &[usize], at: &[EngagementPosition], side| {
            let kept = kept.iter().filter_map(|i| at.get(*i).copied());
            kept.filter(|at| !paired(at, side)).collect()
        };
        self.unpaired = [
            lone(&matching.before, &b_at, |pair| pair.before),
            lone(&matching.after, &a_at, |pair| pair.after),
        ];
        self
    }
}

/// Every engagement of a set, and where it stands.
fn flattened(drives: &[DriveMeasures]) -> (Vec<&Engagement>, Vec<EngagementPosition>) {
    drives
        .iter()
        .enumerate()
        .flat_map(|(drive, measured)| {
            let engagements = measured.engagements.iter().enumerate();
            engagements
                .map(move |(engagement, value)| (value, EngagementPosition { drive, engagement }))
        })
        .unzip()
}

/// One engagement of a set of drives, by position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EngagementPosition {
    /// Position of its drive in the set.
    pub drive: usize,
    /// Its position in the drive.
    pub engagement: usize,
}

/// Two engagements that the comparison laid side by side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MatchedPair {
    /// In the before set.
    pub before: EngagementPosition,
    /// In the after set.
    pub after: EngagementPosition,
}

/// The report of a comparison, as one self-contained HTML page. The same input gives the same
/// bytes.
#[must_use]
pub fn comparison_report(
    comparison: &Comparison,
    before: &[DriveMeasures],
    after: &[DriveMeasures],
    vehicle: &Vehicle,
    notes: &ReportNotes,
) -> String {
    let campaign = Campaign::new(comparison, before, after, vehicle, notes);
    let viewer = Viewer::new(&campaign);
    let page = Page {
        title: "Coupling before and after the work",
        subject: &vehicle.name,
        notes: summary::notes(&campaign),
        lead: summary::lead(&campaign),
        sections: vec![
            Section::new("seen", "What it looks like", pictures::overlays(&campaign)),
            Section::new("traces", "Put a cursor on the moment", viewer.part()),
            Section::new(
                "conditions",
                "How the two sets were driven",
                conditions::part(&campaign),
            ),
            Section::new(
                "measures",
                "Every measure compared",
                measures::part(&campaign),
            ),
            Section::new(
                "pictures",
                "Every engagement as a point",
                pictures::strips(&campaign),
            ),
            Section::new(
                "engagements",
                "Every engagement in numbers",
                engagements::part(&campaign),
            ),
            Section::new("basis", "What the numbers rest on", basis::part(&campaign)),
        ],
    };
    page.render_with(&[viewer.style()], &viewer.scripts())
}
