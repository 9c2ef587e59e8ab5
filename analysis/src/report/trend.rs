//! The page of a series of drives: what needs care first, then every measure over months.

use maud::{Markup, html};

use super::page::{Page, Section, cautions, figure, literal, visible, wide_table};
use super::{reminders, wording};
use crate::book::{Due, Moment};
use crate::chart::timeline::Timeline;
use crate::number;
use crate::trend::{MeasureTrend, NS_PER_MONTH, Step, Trend};
use crate::vehicle::Vehicle;
use crate::words;

const TABLE: &str = "Every measure now";

/// The report of a series of drives, as one self-contained HTML page; `reminders` is how those of
/// the car's book stand, `made` is when, as it shall read. The same input gives the same bytes.
#[must_use]
pub fn trend_report(
    trend: &Trend,
    vehicle: &Vehicle,
    reminders: &[Due],
    made: Option<&str>,
) -> String {
    let page = Page {
        title: "Coupling over months",
        subject: &vehicle.name,
        notes: html! {
            @if let Some(made) = made { p.notes { "Report of " (literal(made)) } }
        },
        lead: lead(trend, reminders),
        sections: vec![
            Section::new("measures", "Every measure now", table(trend)),
            Section::new("course", "Every measure over months", pictures(trend)),
            Section::new("work", "Work and changes", work(trend)),
            Section::new("basis", "What the numbers rest on", basis(trend)),
        ],
    };
    page.render()
}

fn day(trend: &Trend, index: Option<usize>) -> String {
    let drive = index.and_then(|i| trend.drives.get(i));
    drive.map_or_else(String::new, |d| Moment::day_text(d.summary.start_ns))
}

fn lead(trend: &Trend, reminders: &[Due]) -> Markup {
    let last = trend.drives.len().checked_sub(1);
    let warned = trend
        .measures
        .iter()
        .filter(|m| m.warning.is_some())
        .count();
    let sentence = match (trend.is_judgeable(), warned) {
        (false, _) => "There are too few drives to judge any measure.".to_owned(),
        (true, 0) => {
            "Nothing has left the band of the car's own healthy drives, and nothing is on its way \
             out of it."
                .to_owned()
        }
        (true, 1) => "One measure needs care.".to_owned(),
        (true, many) => format!("{many} measures need care."),
    };
    html! {
        section.verdict aria-labelledby="verdict-heading" {
            h2 #verdict-heading { "How the coupling is doing" }
            p.sentence { (sentence) }
            p.limits {
                (number::count(trend.drives.len(), "drive", "drives")) ", "
                (day(trend, Some(0))) " to " (day(trend, last)) "; "
                (number::count(trend.work.len(), "piece", "pieces")) " of work."
            }
        }
        @if !trend.warnings.is_empty() {
            section.warnings aria-labelledby="warnings-heading" {
                h2 #warnings-heading { "What needs care" }
                ul { @for warning in &trend.warnings { li { (visible(warning)) } } }
            }
        }
        @if !trend.notes.is_empty() {
            section aria-labelledby="notes-heading" {
                h2 #notes-heading { "What the drives leave open" }
                ul { @for note in &trend.notes { li { (visible(note)) } } }
            }
        }
        (reminders::section(reminders))
        div.scope { (cautions()) }
    }
}

fn table(trend: &Trend) -> Markup {
    let table = html! {
        table.measures {
            caption { (TABLE) }
            thead { tr {
                th scope="col" { "Measure" }
                th scope="col" { "State" }
                th.number scope="col" { "Now" }
                th.number scope="col" { "Band of healthy drives" }
                th.number scope="col" { "Slope a month" }
                th.number scope="col" { "95 % interval of slope" }
                th.number scope="col" { "Slope in 1,000 km" }
                th.number scope="col" { "Leaves the band in months" }
            } }
            tbody { @for m in &trend.measures { (line(m)) } }
        }
    };
    html! { (wide_table(TABLE, &table)) }
}

fn line(m: &MeasureTrend) -> Markup {
    let none = || number::NO_NUMBER.to_owned();
    let plain = |v: Option<f64>| v.map_or_else(none, number::plain);
    let span = |low, high| format!("{} to {}", number::plain(low), number::plain(high));
    let slope = m.slope.as_ref().ok();
    html! {
        tr {
            th scope="row" {
                (words::capital(m.measure.label()))
                span.unit { ", " (wording::heading_unit(m.measure)) }
                span.meaning { (m.measure.meaning()) }
            }
            td.verdict-cell {
                (m.state.text())
                @if let Err(why) = &m.band { span.why { "; " (visible(why)) } }
            }
            td.number { (plain(m.level)) }
            td.number { (m.band.as_ref().map_or_else(|_| none(), |b| span(b.low, b.high))) }
            td.number { (plain(slope.map(|s| s.per_month))) }
            td.number {
                (slope.map_or_else(none, |s| span(s.per_month_interval.0, s.per_month_interval.1)))
            }
            td.number { (plain(slope.and_then(|s| s.per_1000_km).map(|(value, _, _)| value))) }
            td.number { (plain(m.forecast.as_ref().ok().map(|f| f.months))) }
        }
    }
}

fn pictures(trend: &Trend) -> Markup {
    let first_ns = trend.drives.first().map_or(0, |d| d.summary.start_ns);
    html! {
        p {
            "Each disc is one drive, brought to the same conditions. The shaded band is where the "
            "car's own healthy drives lie; the sloping line is the course since the newest work or "
            "change. Numbered lines are work; dashed lines are changes without work, of the tyres too "
            "where a measure rests on them."
        }
        div.figures {
            @for m in &trend.measures { (picture(m, trend, first_ns)) }
        }
    }
}

fn picture(m: &MeasureTrend, trend: &Trend, first_ns: i64) -> Markup {
    let months = |t_ns: i64| t_ns.saturating_sub(first_ns) as f64 / NS_PER_MONTH;
    let title = words::capital(m.measure.label());
    let label = format!(
        "{title} of {} over months; {}.",
        number::count(m.points.len(), "drive", "drives"),
        m.state.text()
    );
    let line = m
        .slope
        .as_ref()
        .ok()
        .zip(m.level)
        .and_then(|(slope, level)| {
            let (from, to) = (months(m.since_ns?), months(m.points.last()?.t_ns));
            let at_start = level - slope.per_month * (to - from);
            slope.is_shown().then_some([(from, at_start), (to, level)])
        });
    let timeline = Timeline {
        title: &title,
        unit: wording::heading_unit(m.measure),
        time_caption: "months from the first drive",
        label: &label,
        points: m
            .points
            .iter()
            .map(|p| (months(p.t_ns), p.value, p.u))
            .collect(),
        band: m.band.as_ref().ok().map(|b| (b.low, b.high)),
        line,
        work: (1..)
            .zip(&trend.work)
            .map(|(n, w)| (months(w.t_ns), number::whole(n)))
            .collect(),
        changes: (m.change_points.iter().map(|c| c.t_ns))
            .chain(
                (trend.tyre_changes.iter().map(|c| c.t_ns)).filter(|_| m.measure.rests_on_tyres()),
            )
            .map(months)
            .collect(),
    };
    let caption = html! {
        p {
            @match &m.warning {
                Some(warning) => strong { (visible(warning)) },
                None => { (words::capital(m.state.text())) "." }
            }
        }
    };
    figure(timeline.draw(), &caption)
}

fn work(trend: &Trend) -> Markup {
    html! {
        @if trend.work.is_empty() {
            p { "No work is written down." }
        } @else {
            ol {
                @for (index, work) in trend.work.iter().enumerate() {
                    li {
                        (Moment::day_text(work.t_ns)) ": " (literal(&work.title))
                        @if let Some(km) = work.odometer_km { ", at " (format!("{km:.0}")) " km" }
                        @for line in &work.details { br; span.why { (literal(line)) } }
                        ul {
                            @for (m, step) in steps(trend, index) {
                                li {
                                    (words::capital(m.measure.label())) ": "
                                    (number::plain(step.shift)) (wording::behind(m.measure.unit()))
                                    (interval(step))
                                }
                            }
                        }
                    }
                }
            }
        }
        @for m in &trend.measures {
            @for change in &m.change_points {
                p {
                    (words::capital(m.measure.label())) " changed between "
                    (Moment::day_text(change.after_ns)) " and " (Moment::day_text(change.t_ns))
                    @if let Some(step) = change.step {
                        " by " (number::plain(step.shift)) (wording::behind(m.measure.unit()))
                        (interval(step))
                    }
                    ", without work."
                }
            }
        }
    }
}

fn interval(step: Step) -> String {
    match step.interval {
        Some((low, high)) => format!(" ({} to {})", number::plain(low), number::plain(high)),
        None => " (too few drives for an interval)".to_owned(),
    }
}

fn steps(trend: &Trend, index: usize) -> Vec<(&MeasureTrend, Step)> {
    let of = |m: &MeasureTrend| {
        m.work_steps
            .iter()
            .find(|(i, _)| *i == index)
            .map(|(_, s)| *s)
    };
    trend
        .measures
        .iter()
        .filter_map(|m| Some((m, of(m)?)))
        .collect()
}

fn basis(trend: &Trend) -> Markup {
    html! {
        p {
            @match &trend.healthy {
                Ok(healthy) => {
                    "The band is set by " (number::count(healthy.len(), "healthy drive", "healthy drives"))
                    " from " (day(trend, healthy.first().copied())) " to "
                    (day(trend, healthy.last().copied()))
                    ": with nothing changed, one further drive in a hundred falls outside it."
                }
                Err(why) => { "There is no band: " (visible(why)) "." }
            }
        }
        p {
            "Speed, demand step, accelerator position and fluid temperature are taken out as far as they are seen "
            "to matter inside drives; launches, tip-ins and turn-ins are brought to one level. Slopes "
            "are Theil-Sen estimates with 95 % intervals; changes are found by optimal partitioning "
            "into straight pieces (Jackson et al. 2005; Killick et al. 2012). The size of a change, with "
            "or without work, is the difference at that day between a line through the drives before "
            "and one through those after, so it holds nothing of what crept on either side. The forecast goes on "
            "along the slope: it is a warning, not a promise."
        }
    }
}
