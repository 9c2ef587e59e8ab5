//! The page of ranked causes: the verdict and the next check first, then the evidence, what changed,
//! what could not be judged, and every engagement.
//!
//! Like every report it judges nothing: causes, probabilities, evidence and changes are the
//! diagnosis's.

use maud::{Markup, html};
use slipwright_decoders::unit::Unit;

use super::page::{Page, Section, cautions, figure, literal, visible, wide_table};
use super::{basis, engagements, wording};
use crate::chart::change::Change as ChangePicture;
use crate::chart::ranking::Ranking;
use crate::diagnosis::feature::Scale;
use crate::diagnosis::{Cause, Change, Diagnosis, Evidence, Finding, SHOWN_FROM, Speaks};
use crate::measures::DriveMeasures;
use crate::number;
use crate::vehicle::Vehicle;
use crate::words;

const TABLE: &str = "Every change";
/// Changes shown large.
const FIRST_CHANGES: usize = 3;
/// Standard uncertainties on either side of a change that its picture shows.
const BAND: f64 = 2.0;

/// What the page says that the diagnosis does not know; whoever asks for the page hands it in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DiagnosisNotes {
    /// When the page was made, as it shall read; the core has no clock.
    pub made: Option<String>,
    /// The unit that demand steps are in; without it they have none.
    pub demand_unit: Option<Unit>,
    /// What must be known of the captures. Shown literally.
    pub warnings: Vec<String>,
}

/// The report of a diagnosis, as one self-contained HTML page. `now` are the drives judged,
/// `baseline` those of the healthy car, or none. The same input gives the same bytes.
#[must_use]
pub fn diagnosis_report(
    diagnosis: &Diagnosis,
    now: &[DriveMeasures],
    baseline: &[DriveMeasures],
    vehicle: &Vehicle,
    notes: &DiagnosisNotes,
) -> String {
    let drives: Vec<(String, &DriveMeasures)> = [("Drive", now), ("Healthy", baseline)]
        .into_iter()
        .flat_map(|(name, set)| {
            let named = move |(i, drive)| (format!("{name} {i}"), drive);
            (1..).zip(set).map(named)
        })
        .collect();
    let page = Page {
        title: "What is wrong with the coupling",
        subject: &vehicle.name,
        notes: html! {
            @if let Some(made) = &notes.made { p.notes { "Report of " (literal(made)) } }
        },
        lead: lead(diagnosis, now, baseline, notes),
        sections: vec![
            Section::new("causes", "Causes, most probable first", causes(diagnosis)),
            Section::new("changes", "What changed", changes(diagnosis)),
            Section::new(
                "not-judged",
                "What could not be judged",
                not_judged(diagnosis),
            ),
            Section::new(
                "engagements",
                "Every engagement in numbers",
                tables(&drives, notes.demand_unit),
            ),
            Section::new("basis", "What the numbers rest on", basis(&drives)),
        ],
    };
    page.render()
}

fn headline(diagnosis: &Diagnosis) -> String {
    match (diagnosis.judgeable, diagnosis.findings.first()) {
        (false, _) => "The clutch cannot be judged from these drives.".to_owned(),
        (true, None) => "No cause stands out.".to_owned(),
        (true, Some(first)) if first.cause == Cause::Healthy => {
            format!("Healthy, {}.", number::chance(first.probability))
        }
        (true, Some(_)) => {
            let probable = |f: &&Finding| f.probability > 0.5;
            let mut named: Vec<&Finding> = diagnosis.findings.iter().filter(probable).collect();
            if named.is_empty() {
                named.extend(diagnosis.findings.first());
            }
            let said: Vec<String> = named
                .iter()
                .map(|f| format!("{}, {}", f.cause.label(), number::chance(f.probability)))
                .collect();
            format!("Most probable: {}.", said.join("; "))
        }
    }
}

fn lead(
    diagnosis: &Diagnosis,
    now: &[DriveMeasures],
    baseline: &[DriveMeasures],
    notes: &DiagnosisNotes,
) -> Markup {
    let engagements: usize = now.iter().map(|d| d.engagements.len()).sum();
    html! {
        section.verdict aria-labelledby="verdict-heading" {
            h2 #verdict-heading { "Verdict" }
            p.headline { (headline(diagnosis)) }
            p.limits { (words::capital(&visible(&diagnosis.why))) "." }
            p.limits {
                (number::count(now.len(), "drive", "drives")) " with "
                (number::count(engagements, "engagement", "engagements"))
                @if !baseline.is_empty() {
                    ", beside " (number::count(baseline.len(), "healthy drive", "healthy drives"))
                }
                "."
            }
        }
        @if let Some(first) = diagnosis.findings.first() {
            section aria-labelledby="next-heading" {
                h2 #next-heading { "Look at this next" }
                p.sentence { (visible(&first.next_check)) }
            }
        }
        (first_changes(diagnosis))
        @if !notes.warnings.is_empty() {
            section.warnings aria-labelledby="warnings-heading" {
                h2 #warnings-heading { "Read this with the verdict" }
                ul { @for warning in &notes.warnings { li { (literal(warning)) } } }
            }
        }
        div.scope {
            section aria-labelledby="limits-heading" {
                h2 #limits-heading { "Look before you replace" }
                ul {
                    li { "These are probabilities of the causes that this program knows, by how each is known to move what was measured." }
                    li { "Two causes may be there at once, and a cause that it does not know may look like one of them." }
                    @if baseline.is_empty() {
                        li { "Drives of this car from its healthy days would make the answer sharper." }
                    }
                    @if !diagnosis.not_judged.is_empty() {
                        li { a href="#not-judged" { (number::count(diagnosis.not_judged.len(), "cause", "causes")) " could not be judged" } "." }
                    }
                }
            }
            (cautions())
        }
    }
}

/// How far a change stands out, in its own standard uncertainties.
fn clearness(change: &Change) -> f64 {
    let ratio = change.shift.abs() / change.u;
    if ratio.is_finite() { ratio } else { 0.0 }
}

/// The changes that stand out most, large.
fn first_changes(diagnosis: &Diagnosis) -> Markup {
    let mut clearest: Vec<&Change> = diagnosis.changes.iter().collect();
    clearest.sort_by(|a, b| clearness(b).total_cmp(&clearness(a)));
    clearest.truncate(FIRST_CHANGES);
    html! {
        @if !clearest.is_empty() {
            section aria-labelledby="numbers-heading" {
                h2 #numbers-heading { "What stands out most" }
                div.cards { @for change in clearest { (card(change)) } }
            }
        }
    }
}

fn card(change: &Change) -> Markup {
    let now = if change.at_most {
        "now, at most"
    } else {
        "now"
    };
    let numbers = [
        ("mark before", "●", change.against.label(), change.was),
        ("mark after", "▲", now, change.now),
    ];
    html! {
        div.card {
            h3 { (words::capital(change.feature.label())) }
            dl.pair {
                @for (class, shape, name, value) in numbers {
                    div {
                        dt { span class=(class) aria-hidden="true" { (shape) } " " (name) }
                        dd {
                            (number::rough(change.shown(value)))
                            span.unit { (wording::behind(change.feature.unit())) }
                        }
                    }
                }
            }
            (figure(picture(change), &html! { p { "Change " (told(change)) "." } }))
        }
    }
}

/// A change, and how far it reaches two standard uncertainties either way.
fn told(change: &Change) -> String {
    let unit = match change.feature.scale() {
        Scale::Ratio => "\u{a0}%".to_owned(),
        Scale::Difference => wording::behind(change.feature.unit()),
    };
    let said = |shift: f64| {
        let value = match change.feature.scale() {
            Scale::Ratio => 100.0 * shift.exp_m1(),
            Scale::Difference => shift,
        };
        let sign = if value > 0.0 { "+" } else { "" };
        format!("{sign}{}{unit}", number::rough(value))
    };
    let [low, middle, high] =
        [-1.0, 0.0, 1.0].map(|side| said(change.shift + side * BAND * change.u));
    format!("{middle} ({low} to {high})")
}

/// Then and now on one line, with the band in which the change puts the latter.
fn picture(change: &Change) -> Result<crate::chart::Chart, crate::chart::ChartError> {
    let (was, now) = (change.shown(change.was), change.shown(change.now));
    let label = format!(
        "{}: {} {}, now {}{}, on a line that starts at nought.",
        words::capital(change.feature.label()),
        change.against.label(),
        number::rough(was),
        number::rough(now),
        wording::behind(change.feature.unit()),
    );
    let end = |sign: f64| change.shown(change.now + sign * BAND * change.u);
    ChangePicture {
        label: &label,
        before: Some(was),
        after: Some(now),
        band: Some((end(-1.0), end(1.0))),
    }
    .draw()
}

fn causes(diagnosis: &Diagnosis) -> Markup {
    if diagnosis.findings.is_empty() {
        return html! { p { "There is none to name." } };
    }
    let bars: Vec<(&str, f64, String)> = diagnosis
        .findings
        .iter()
        .map(|f| {
            (
                f.cause.label(),
                f.probability,
                number::chance(f.probability),
            )
        })
        .collect();
    let said: Vec<String> = bars
        .iter()
        .map(|(name, _, share)| format!("{name} {share}"))
        .collect();
    let label = format!("How probable each cause is: {}.", words::listed(&said));
    let ranking = Ranking {
        title: "How probable each cause is",
        label: &label,
        bars,
    };
    html! {
        (figure(ranking.draw(), &html! {
            p { "Each bar is a cause; its whole width would be certainty. Causes of less than " (number::chance(SHOWN_FROM)) " are left out." }
        }))
        @for finding in &diagnosis.findings { (cause(finding)) }
    }
}

/// The sides on which evidence stands, and the heading of each.
const SIDES: [(Speaks, Option<&str>); 4] = [
    (Speaks::For, Some("For it")),
    (Speaks::Against, Some("Against it")),
    (Speaks::Unexplained, Some("It does not explain")),
    (Speaks::Neither, None),
];

fn cause(finding: &Finding) -> Markup {
    html! {
        section.cause {
            h3 {
                (words::capital(finding.cause.label())) ": " (number::chance(finding.probability))
            }
            @for (side, heading) in SIDES {
                @let told: Vec<&Evidence> = finding.evidence.iter().filter(|e| e.side == side).collect();
                @if !told.is_empty() {
                    @if let Some(heading) = heading { h4 { (heading) } }
                    ul { @for e in told { li { (words::capital(&visible(&e.text))) "." } } }
                }
            }
            h4 { "Next check" }
            p { (visible(&finding.next_check)) }
        }
    }
}

fn changes(diagnosis: &Diagnosis) -> Markup {
    if diagnosis.changes.is_empty() {
        return html! { p { "Nothing that the diagnosis looks at could be told." } };
    }
    let table = html! {
        table {
            caption { (TABLE) span.why { " (in brackets: two standard uncertainties either way)" } }
            thead { tr {
                th scope="col" { "What" }
                th.number scope="col" { "Healthy" }
                th.number scope="col" { "Now" }
                th.number scope="col" { "Change" }
                th scope="col" { "Told against" }
                th.number scope="col" { "Change over its uncertainty" }
            } }
            tbody {
                @for change in &diagnosis.changes {
                    tr {
                        th scope="row" {
                            (words::capital(change.feature.label()))
                            @if change.feature.unit() != "1" { span.unit { ", " (change.feature.unit()) } }
                        }
                        td.number { (number::rough(change.shown(change.was))) }
                        td.number {
                            @if change.at_most { "at most " }
                            (number::rough(change.shown(change.now)))
                        }
                        td.number { (told(change)) }
                        td { (change.against.label()) }
                        td.number { (number::rough(clearness(change))) }
                    }
                }
            }
        }
    };
    html! {
        p {
            "A change of two or three times its own uncertainty counts. Temperature and demand are "
            "taken off before drives are told from healthy drives."
        }
        (wide_table(TABLE, &table))
    }
}

fn not_judged(diagnosis: &Diagnosis) -> Markup {
    html! {
        @if diagnosis.not_judged.is_empty() {
            p { "Every cause that this program knows was weighed." }
        } @else {
            ul {
                @for n in &diagnosis.not_judged {
                    li { strong { (words::capital(n.cause.label())) } ": " (visible(&n.why)) "." }
                }
            }
        }
    }
}

fn tables(drives: &[(String, &DriveMeasures)], demand_unit: Option<Unit>) -> Markup {
    html! {
        p { (engagements::HOW_TO_READ) }
        div.dense {
            @for (name, drive) in drives {
                (engagements::drive_table(name, drive, demand_unit, &|_| false))
            }
        }
    }
}

fn basis(drives: &[(String, &DriveMeasures)]) -> Markup {
    html! {
        p {
            "Each cause, and each pair of causes, is weighed by what it would do to every feature, "
            "with tolerances that are wide on purpose, and by how often it occurs. Nothing in it is "
            "learnt by a machine."
        }
        h3 { "The drives" }
        (basis::drives(drives))
    }
}

#[cfg(test)]
mod tests;
