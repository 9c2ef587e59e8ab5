//! The pictures: slip and pressure over time laid over each other, and every engagement as a point
//! for each measure. What is seen is also said in words.

use maud::{Markup, PreEscaped, html};

use super::campaign::{self, Campaign};
use super::page::figure;
use super::{summary, wording};
use crate::chart::marker::Fill;
use crate::chart::overlay::Overlay;
use crate::chart::strip::{Group, Point, Strip};
use crate::chart::trace::Trace;
use crate::chart::{Side, legend};
use crate::engagement::{Kind, Reference};
use crate::measure::Measure;
use crate::measures::Engagement;
use crate::number;
use crate::words;

/// How the marker of a kind of engagement is filled.
const FILLS: [(Kind, Fill); 3] = [
    (Kind::Launch, Fill::Solid),
    (Kind::TipIn, Fill::Open),
    (Kind::TurnIn, Fill::Dotted),
];

fn fill_of(kind: Kind) -> Fill {
    FILLS
        .iter()
        .find(|(k, _)| *k == kind)
        .map_or(Fill::Solid, |(_, fill)| *fill)
}

/// Slip and pressure over time.
pub(super) fn overlays(campaign: &Campaign<'_>) -> Markup {
    let Some(reference) = shared_reference(campaign) else {
        return html! {
            p { "There are no launches in both sets whose traces could be laid over each other." }
        };
    };
    let launches = Side::BOTH.map(|side| launches(campaign, side, reference));
    let from = &format!("time from {}, s", reference.label());
    let which = match campaign.shown_by() {
        Some(row) => format!("launch on which {} was compared", row.measure.label()),
        None => "launch".to_owned(),
    };
    let slip = overlaid(&launches, "Front-rear slip", "m/s", from, true, |e| Trace {
        t_s: &e.trace.slip_t_s,
        values: &e.trace.slip_mps,
    });
    let pressure = overlaid(&launches, "Coupling pressure", "bar", from, false, |e| {
        Trace {
            t_s: &e.trace.pressure_t_s,
            values: &e.trace.pressure_bar,
        }
    });
    html! {
        p {
            "Each thin line is one " (which) ", and all begin at the same event, at 0 s. "
            "The thick line is the median, the band the middle half of the launches."
            @if campaign.shown_by().is_none() {
                " All launches are shown; they differ in accelerator position and fluid temperature, which the "
                "table of measures takes into account and this picture does not."
            }
        }
        div.figures {
            @for picture in [slip, pressure] { (picture) }
        }
    }
}

/// The reference whose launches occur in both sets; demand where both do, as kinds of reference
/// are never mixed.
fn shared_reference(campaign: &Campaign<'_>) -> Option<Reference> {
    [Reference::Demand, Reference::Slip]
        .into_iter()
        .find(|reference| {
            Side::BOTH
                .into_iter()
                .all(|side| !launches(campaign, side, *reference).is_empty())
        })
}

fn launches<'a>(campaign: &Campaign<'a>, side: Side, reference: Reference) -> Vec<&'a Engagement> {
    campaign
        .engagements(side)
        .filter(|(position, e)| {
            e.kind == Kind::Launch && e.reference == reference && campaign.is_shown(side, *position)
        })
        .map(|(_, e)| e)
        .collect()
}

fn overlaid<'a>(
    launches: &[Vec<&'a Engagement>; 2],
    title: &str,
    unit: &str,
    time_caption: &str,
    pulse: bool,
    trace: impl Fn(&'a Engagement) -> Trace<'a>,
) -> Markup {
    let [before, after] = launches.each_ref().map(|launches| {
        launches
            .iter()
            .map(|e| trace(e))
            .filter(Trace::is_drawable)
            .collect::<Vec<_>>()
    });
    if before.is_empty() && after.is_empty() {
        return figure_of_nothing(title, "no launch has a trace of it");
    }
    let heading = |side: Side, n: usize| {
        format!(
            "{}, {}",
            side.text(),
            number::count(n, "launch", "launches")
        )
    };
    let (before_heading, after_heading) = (
        heading(Side::Before, before.len()),
        heading(Side::After, after.len()),
    );
    let overlay = Overlay {
        title,
        unit,
        time_caption,
        label: "",
        before_heading: &before_heading,
        after_heading: &after_heading,
        before,
        after,
        pulse,
    };
    let seen = match overlay.farthest_apart() {
        Some((t_s, before, after)) => {
            // Read off a picture, so no finer than a picture shows.
            let fine = 0.03 * before.abs().max(after.abs());
            format!(
                "The medians are farthest apart at {} s: {} {unit} before, {} {unit} after.",
                number::rounded_to(t_s, 0.01),
                number::rounded_to(before, fine),
                number::rounded_to(after, fine)
            )
        }
        None => "Too few launches for two medians.".to_owned(),
    };
    let label =
        format!("{title} in {unit} over {time_caption}. {before_heading}; {after_heading}. {seen}");
    let caption = html! { p { (seen) } };
    figure(
        Overlay {
            label: &label,
            ..overlay
        }
        .draw(),
        &caption,
    )
}

fn figure_of_nothing(title: &str, why: &str) -> Markup {
    html! { div { h3 { (title) } p.why { "No picture: " (why) "." } } }
}

/// One picture a measure.
pub(super) fn strips(campaign: &Campaign<'_>) -> Markup {
    let meanings = FILLS.map(|(kind, fill)| (fill, kind.text()));
    let label = "Markers: discs before, triangles after. Filled for a launch, open for a tip-in, \
                 open with a dot for a turn-in.";
    let measured = |measure: &&Measure| {
        Side::BOTH.into_iter().any(|side| {
            campaign
                .engagements(side)
                .any(|(_, e)| e.estimate(**measure).is_some())
        })
    };
    let (drawn, empty): (Vec<&Measure>, Vec<&Measure>) = Measure::ALL.iter().partition(measured);
    html! {
        @if !drawn.is_empty() {
            p {
                "Every engagement is one point, in the order in which it was driven, one column a "
                "drive. A thin upright line is its standard uncertainty. The line across each half "
                "is the median of the matched engagements. The before median runs on as a dotted "
                "line; the band shows where the 95 % interval of the shift puts the after set "
                "against it. A band clear of the dotted line points to a change; the verdict also "
                "asks that it survives the correction for looking at several measures at once."
                @if campaign.shown_by().is_some() {
                    " Faint points found no match in this measure and are not compared."
                }
            }
            @if let Ok(chart) = legend::draw(&meanings, label) {
                p.legend { (PreEscaped(chart.svg)) }
            }
            div.figures {
                @for measure in &drawn { (strip(campaign, **measure)) }
            }
        }
        @if !empty.is_empty() {
            h3 { "Without a picture" }
            ul {
                @for measure in &empty {
                    li { (words::capital(measure.label())) ": " (why_empty(campaign, **measure)) "." }
                }
            }
        }
    }
}

fn strip(campaign: &Campaign<'_>, measure: Measure) -> Markup {
    let row = campaign.row(measure);
    let median = |side: Side| {
        row.and_then(|row| match side {
            Side::Before => row.before_median,
            Side::After => row.after_median,
        })
    };
    let group = |side: Side| {
        let said = row.and_then(|row| wording::median(row, median(side)));
        let heading = match said {
            Some(said) => format!("{}, median {said}", side.text()),
            None => format!("{}, no median", side.text()),
        };
        Group {
            columns: columns(campaign, side, measure),
            median: median(side),
            heading,
        }
    };
    let title = words::capital(measure.label());
    let label = label(campaign, measure);
    let strip = Strip {
        title: &title,
        unit: wording::heading_unit(measure),
        column_caption: "drive",
        label: &label,
        before: group(Side::Before),
        after: group(Side::After),
        band: row.and_then(summary::band),
    };
    let caption = html! {
        p {
            @match row {
                Some(row) => {
                    strong { (words::capital(&wording::verdict(row))) }
                    @if let Some(shift) = wording::shift(row) { ": " (shift) }
                    @if let Some(open) = wording::open_question(row) { "; " (open) }
                    "."
                }
                None => strong { "Not compared." },
            }
        }
        @for side in Side::BOTH {
            @if let Some(missing) = missing(campaign, side, measure) { p { (missing) } }
        }
    };
    figure(strip.draw(), &caption)
}

fn columns(campaign: &Campaign<'_>, side: Side, measure: Measure) -> Vec<Vec<Point>> {
    let row = campaign.row(measure).filter(|row| !row.matched.is_empty());
    let mut columns = vec![Vec::new(); campaign.drives(side).len()];
    for (position, engagement) in campaign.engagements(side) {
        if let (Some(column), Some(estimate)) = (
            columns.get_mut(position.drive),
            engagement.estimate(measure),
        ) {
            column.push(Point {
                value: estimate.value,
                u: Some(estimate.u).filter(|u| u.is_finite()),
                fill: fill_of(engagement.kind),
                faint: row.is_some_and(|row| !campaign::is_compared(row, side, position)),
            });
        }
    }
    columns
}

/// What the picture of a measure shows, in words.
fn label(campaign: &Campaign<'_>, measure: Measure) -> String {
    let mut label = format!(
        "{}, {}.",
        words::capital(measure.label()),
        wording::heading_unit(measure)
    );
    for side in Side::BOTH {
        let values: Vec<f64> = campaign
            .engagements(side)
            .filter_map(|(_, e)| e.estimate(measure))
            .map(|e| e.value)
            .collect();
        let ends = (
            values.iter().copied().min_by(f64::total_cmp),
            values.iter().copied().max_by(f64::total_cmp),
        );
        label += &match ends {
            (Some(low), Some(high)) => format!(
                " {}: {} in {}, from {}.",
                words::capital(side.text()),
                number::count(values.len(), "point", "points"),
                number::count(campaign.drives(side).len(), "drive", "drives"),
                number::span(low, high)
            ),
            _ => format!(" {}: no points.", words::capital(side.text())),
        };
    }
    if let Some(row) = campaign.row(measure) {
        let said = |value| wording::median(row, value).unwrap_or_else(|| "none".to_owned());
        label += &format!(
            " Median before {}, after {}. {}",
            said(row.before_median),
            said(row.after_median),
            words::capital(&wording::verdict(row))
        );
        if let Some(shift) = wording::shift(row) {
            label += &format!(": {shift}");
        }
        label.push('.');
    }
    label
}

/// How many engagements have no value, and why.
fn missing(campaign: &Campaign<'_>, side: Side, measure: Measure) -> Option<String> {
    let reasons = reasons(campaign, side, measure);
    let count: usize = reasons.iter().map(|(_, n)| n).sum();
    if count == 0 {
        return None;
    }
    let texts: Vec<String> = reasons
        .iter()
        .map(|(reason, n)| format!("{reason} ({n})"))
        .collect();
    Some(format!(
        "No value in {count} of {} {}: {}.",
        number::count(
            campaign.engagements(side).count(),
            "engagement",
            "engagements"
        ),
        side.text(),
        texts.join("; ")
    ))
}

/// Reasons for missing values with their counts, in the order in which they first occur.
fn reasons(campaign: &Campaign<'_>, side: Side, measure: Measure) -> Vec<(String, usize)> {
    let mut reasons: Vec<(String, usize)> = Vec::new();
    for (_, engagement) in campaign.engagements(side) {
        if let Some(reason) = engagement.why_missing(measure) {
            match reasons.iter_mut().find(|(known, _)| *known == reason) {
                Some((_, n)) => *n += 1,
                None => reasons.push((reason, 1)),
            }
        }
    }
    reasons
}

fn why_empty(campaign: &Campaign<'_>, measure: Measure) -> String {
    let mut words: Vec<String> = Vec::new();
    for side in Side::BOTH {
        for (reason, _) in reasons(campaign, side, measure) {
            if !words.contains(&reason) {
                words.push(reason);
            }
        }
    }
    if words.is_empty() {
        "there are no engagements".to_owned()
    } else {
        words.join("; ")
    }
}
