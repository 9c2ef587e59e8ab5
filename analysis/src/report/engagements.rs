//! Every engagement in numbers: a table a drive.

use maud::{Markup, html};
use slipwright_decoders::unit::Unit;

use super::campaign::Campaign;
use super::page::{literal, wide_table};
use super::reasons::Reasons;
use super::summary::mark;
use super::wording;
use crate::chart::Side;
use crate::comparison::EngagementPosition;
use crate::drive::seconds_between;
use crate::engagement::{Conditions, Reference};
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};
use crate::number;
use crate::words;

/// A condition's heading, unit and value.
type Condition = (&'static str, &'static str, fn(&Conditions) -> Option<f64>);

const CONDITIONS: [Condition; 5] = [
    ("speed", "m/s", |c| c.speed_mps),
    ("demand step", "", |c| c.demand_step),
    ("accelerator", "%", |c| c.accelerator_percent),
    ("fluid", "°C", |c| c.fluid_temperature_c),
    ("engine torque", "N·m", |c| c.engine_torque_nm),
];

/// What stands in the tables.
pub(super) const HOW_TO_READ: &str = "± is one standard uncertainty: about two of three such \
    intervals hold the true value. A letter stands for the reason why there is no value; the reasons \
    are under each table.";

/// A table a drive.
pub(super) fn part(campaign: &Campaign<'_>) -> Markup {
    html! {
        p {
            (HOW_TO_READ)
            @if let Some(row) = campaign.shown_by() {
                " * marks an engagement on which " (row.measure.label()) " was compared."
            }
        }
        div.dense {
            @for side in Side::BOTH {
                h3 { (mark(side)) " " (words::capital(side.text())) }
                @if campaign.drives(side).is_empty() { p.why { "No drives." } }
                @for (i, drive) in campaign.drives(side).iter().enumerate() {
                    (drive_table(
                        &format!("{} {}", words::capital(side.text()), i + 1),
                        drive,
                        campaign.notes.demand_unit,
                        &|engagement| {
                            let position = EngagementPosition { drive: i, engagement };
                            campaign.shown_by().is_some() && campaign.is_shown(side, position)
                        },
                    ))
                }
            }
        }
    }
}

/// The engagements of one drive, under the page's name for it; `is_matched` says which of them carry
/// an asterisk.
pub(super) fn drive_table(
    name: &str,
    drive: &DriveMeasures,
    demand_unit: Option<Unit>,
    is_matched: &dyn Fn(usize) -> bool,
) -> Markup {
    if drive.engagements.is_empty() {
        return html! { p { (name) ", " (literal(&drive.name)) ": no engagement was found." } };
    }
    let (shown_measures, absent) = columns(drive);
    let mut reasons = Reasons::default();
    let demand = wording::demand_unit(demand_unit);
    let rows: Vec<Markup> = drive
        .engagements
        .iter()
        .enumerate()
        .map(|(engagement, value)| {
            row(
                drive,
                engagement,
                value,
                is_matched(engagement),
                &shown_measures,
                &mut reasons,
            )
        })
        .collect();
    let table = html! {
        table {
            caption { (name) ": " (literal(&drive.name)) }
            thead { tr {
                th scope="col" { "No." }
                th scope="col" { "Kind" }
                th.number scope="col" { "at" br; span.unit { "s" } }
                @for (heading, unit, _) in CONDITIONS {
                    th.number scope="col" {
                        (heading) br;
                        span.unit { (if heading == "demand step" { shown(demand) } else { unit }) }
                    }
                }
                @for measure in &shown_measures {
                    th.number scope="col" {
                        (measure.label()) br; span.unit { (shown(measure.unit())) }
                    }
                }
            } }
            tbody { @for row in &rows { (row) } }
        }
    };
    html! {
        (wide_table(&format!("Engagements of {name}"), &table))
        (reasons.list(absent.iter().map(|(measure, reason)| {
            format!("No {} in this drive: {reason}", measure.label())
        })))
    }
}

/// Measures with a column of their own, and those that no engagement of the drive has, all for the
/// same reason.
fn columns(drive: &DriveMeasures) -> (Vec<Measure>, Vec<(Measure, String)>) {
    let mut shown = Vec::new();
    let mut absent = Vec::new();
    for measure in Measure::ALL.iter().copied() {
        let mut reasons = drive.engagements.iter().map(|e| e.why_missing(measure));
        match reasons.next().flatten() {
            Some(first) if reasons.all(|reason| reason.as_ref() == Some(&first)) => {
                absent.push((measure, first));
            }
            _ => shown.push(measure),
        }
    }
    (shown, absent)
}

/// A unit under its heading; a bare number keeps the line so that headings stay level.
fn shown(unit: &str) -> &str {
    if unit == "1" { "\u{a0}" } else { unit }
}

fn row(
    drive: &DriveMeasures,
    index: usize,
    engagement: &Engagement,
    matched: bool,
    measures: &[Measure],
    reasons: &mut Reasons,
) -> Markup {
    let at_s = seconds_between(drive.start_ns, engagement.reference_ns);
    html! {
        tr {
            th scope="row" { (index + 1) @if matched { "*" } }
            td {
                (engagement.kind.text())
                // Demand is the rule, and not said.
                @if engagement.reference != Reference::Demand { ", from " (engagement.reference.label()) }
             }
            td.number { (number::rounded_to(at_s, 0.05)) }
            @for (_, _, condition) in CONDITIONS {
                td.number {
                    @match condition(&engagement.conditions).filter(|v| v.is_finite()) {
                        Some(value) => (number::plain(value)),
                        None => (number::NO_NUMBER),
                    }
                }
            }
            @for measure in measures {
                td.number {
                    @match engagement.estimate(*measure) {
                        Some(estimate) => {
                            (number::with_uncertainty(estimate.value, estimate.u))
                        }
                        None => (reasons.letter_for(engagement.why_missing(*measure))),
                    }
                }
            }
        }
    }
}
