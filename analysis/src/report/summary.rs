//! First screen: the verdict in one sentence, the three numbers that matter, warnings, cautions.

use maud::{Markup, PreEscaped, html};

use super::campaign::Campaign;
use super::page::{cautions, literal, visible};
use super::{conditions, reminders, wording};
use crate::chart::Side;
use crate::chart::change::Change;
use crate::comparison::family::{grown, of_proof};
use crate::comparison::{Comparison, MeasureComparison, Verdict};
use crate::measure::Measure;
use crate::number;
use crate::words;

/// Slip, delay, transfer.
const THREE: [Measure; 3] = [
    Measure::PeakSlip,
    Measure::EngagementDelay,
    Measure::TransferFraction,
];

/// Under the title.
pub(super) fn notes(campaign: &Campaign<'_>) -> Markup {
    html! {
        @if let Some(work) = &campaign.notes.work {
            p.notes {
                "Work done in between: " (literal(work))
                @for line in &campaign.notes.work_details { br; (literal(line)) }
            }
        }
        @if let Some(made) = &campaign.notes.made {
            p.notes { "Report of " (literal(made)) }
        }
    }
}

/// Everything above the contents.
pub(super) fn lead(campaign: &Campaign<'_>) -> Markup {
    let comparison = campaign.comparison;
    html! {
        section.verdict aria-labelledby="verdict-heading" {
            h2 #verdict-heading { "Verdict on slip and delay" }
            p.headline { (headline(comparison)) }
            @if let Some(limits) = limits(comparison) {
                p.limits { (limits) }
            }
            p.limits { (conditions::in_one_sentence(campaign)) }
        }
        section aria-labelledby="numbers-heading" {
            h2 #numbers-heading { "Slip, delay and transfer" }
            div.cards {
                @for measure in THREE {
                    (card(measure, campaign.row(measure)))
                }
            }
        }
        (warnings(campaign))
        (reminders::section(&campaign.notes.reminders))
        div.scope {
            (conditions::scope(campaign))
            (cautions())
        }
        p.sentence { strong { "In full. " } (visible(&comparison.sentence)) }
    }
}

/// The verdict for a glance; the sentence below has the numbers.
fn headline(comparison: &Comparison) -> String {
    let labels = |rows: Vec<&MeasureComparison>| {
        let labels = rows.iter().map(|m| m.measure.label());
        labels.collect::<Vec<_>>()
    };
    let reduced = labels(of_proof(&comparison.measures, Verdict::Reduced));
    let increased = labels(grown(&comparison.measures));
    match comparison.verdict {
        Verdict::Reduced if !reduced.is_empty() => {
            format!("Reduced: {}", words::listed(&reduced))
        }
        Verdict::Increased if !increased.is_empty() => {
            format!("Increased: {}", words::listed(&increased))
        }
        Verdict::NoChangeShown if !reduced.is_empty() && !increased.is_empty() => format!(
            "Mixed: {} reduced, but {} increased",
            words::listed(&reduced),
            words::listed(&increased)
        ),
        verdict => words::capital(verdict.text()),
    }
}

/// What the verdict must not be taken for.
fn limits(comparison: &Comparison) -> Option<&'static str> {
    match comparison.verdict {
        Verdict::NoChangeShown => Some(
            "“No change shown” is not “no change”: there may be one that these drives were too few \
             or too different to show. The table of measures says how large it could be.",
        ),
        Verdict::NotEnoughData => Some(
            "These drives cannot answer the question, neither with yes nor with no. What is missing \
             is listed below.",
        ),
        Verdict::Reduced | Verdict::Increased => None,
    }
}

fn card(measure: Measure, row: Option<&MeasureComparison>) -> Markup {
    html! {
        div.card {
            h3 { (words::capital(measure.label())) }
            p.meaning { (measure.meaning()) }
            @match row {
                None => p.why { "Not compared." },
                Some(row) => (numbers(row)),
            }
        }
    }
}

fn numbers(row: &MeasureComparison) -> Markup {
    let picture = picture(row);
    html! {
        dl.pair {
            @for side in Side::BOTH {
                div {
                    dt { (mark(side)) " " (side.text()) }
                    dd { (big_number(row, side)) }
                }
            }
        }
        @if let Some(svg) = picture { (PreEscaped(svg)) }
        @if let Some(shift) = wording::shift(row) {
            p.change { "Change " (shift) }
        }
        p.answer {
            span.mark aria-hidden="true" { (wording::sign(row.verdict)) } " "
            (words::capital(&wording::verdict(row)))
            @if row.pairs > 0 {
                span.why { ", from " (number::count(row.pairs, "matched pair", "matched pairs")) }
            }
        }
        @if let Some(open) = wording::open_question(row) {
            p.why { (words::capital(&open)) "." }
        }
        @if let Some(why) = wording::why(row) {
            p.why { (words::capital(&why)) "." }
        }
    }
}

/// The median of one set, its unit set smaller.
fn big_number(row: &MeasureComparison, side: Side) -> Markup {
    let value = match side {
        Side::Before => row.before_median,
        Side::After => row.after_median,
    };
    let text = wording::median(row, value);
    html! {
        @match &text {
            None => span.why { "no value" },
            Some(text) => @match text.split_once('\u{a0}') {
                None => (text),
                Some((number, unit)) => { (number) span.unit { "\u{a0}" (unit) } }
            },
        }
    }
}

fn picture(row: &MeasureComparison) -> Option<String> {
    row.before_median.or(row.after_median)?;
    let say = |value| wording::median(row, value).unwrap_or_else(|| "no value".to_owned());
    let label = format!(
        "{}: before {}, after {}, on a line that starts at nought.",
        words::capital(row.measure.label()),
        say(row.before_median),
        say(row.after_median)
    );
    let change = Change {
        label: &label,
        before: row.before_median,
        after: row.after_median,
        band: band(row),
    };
    change.draw().ok().map(|chart| chart.svg)
}

/// Where the shift's interval puts the after median, counted from the before median.
pub(super) fn band(row: &MeasureComparison) -> Option<(f64, f64)> {
    let before = row.before_median?;
    Some((before + row.ci_low?, before + row.ci_high?))
}

/// The marker of a set in running text.
pub(super) fn mark(side: Side) -> Markup {
    let (class, shape) = match side {
        Side::Before => ("mark before", "●"),
        Side::After => ("mark after", "▲"),
    };
    html! { span class=(class) aria-hidden="true" { (shape) } }
}

fn warnings(campaign: &Campaign<'_>) -> Markup {
    let of_drives: Vec<(Side, &str, &str)> = Side::BOTH
        .into_iter()
        .flat_map(|side| {
            campaign.drives(side).iter().flat_map(move |drive| {
                drive
                    .warnings
                    .iter()
                    .map(move |w| (side, drive.name.as_str(), w.as_str()))
            })
        })
        .collect();
    html! {
        @if !campaign.comparison.warnings.is_empty() || !of_drives.is_empty() {
            section.warnings aria-labelledby="warnings-heading" {
                h2 #warnings-heading { "Read this with the verdict" }
                ul {
                    @for warning in &campaign.comparison.warnings { li { (literal(warning)) } }
                    @for (side, name, warning) in of_drives {
                        li { (words::capital(side.text())) ", " (literal(name)) ": " (literal(warning)) }
                    }
                }
            }
        }
    }
}
