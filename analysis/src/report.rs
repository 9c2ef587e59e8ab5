//! The last step of the data flow: a comparison and the drives it rests on to one page that a
//! person reads, prints and hands on.
//!
//! The page computes no verdict, shift or interval: those are the comparison's, every value is a
//! measure's. It chooses digits, words and pictures. It is one HTML file that needs no network
//! and is complete without scripts, and shows whatever an owner wrote literally.
//!
//! - [`page`], [`style`]: the frame and the look of every report.
//! - `campaign`: what is compared, as the parts of the page ask for it. `wording`: the words. `reasons`:
//!   why a value is missing, under a table.
//! - `trend`: the page of a series of drives. `diagnosis`: the page of ranked causes.
//! - [`card`]: the test card. [`proposals`]: the page of proposed signals.
//! - [`page_charts`]: the pictures of a finished page, as files of their own. [`script`]: scripts, and
//!   the security policy that lets only them run.
//! - The parts: `summary`, `pictures`, `viewer`, `conditions`, `measures`, `engagements`, `basis`,
//!   `reminders`.

pub mod card;
pub mod page;
pub mod page_charts;
pub mod proposals;
pub mod script;
pub mod style;

mod basis;
mod campaign;
mod conditions;
mod diagnosis;
mod engagements;
mod measures;
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
use crate::measures::DriveMeasures;
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
    /// What else the owner wrote of it, a line each. Shown literally.
    pub work_details: Vec<String>,
    /// When the page was made, as it shall read; the core has no clock.
    pub made: Option<String>,
    /// The unit that the demand traces and demand steps are in; without it they have none.
    pub demand_unit: Option<Unit>,
    /// How the service reminders of the car's book stand.
    pub reminders: Vec<Due>,
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
