//! `trend` in words: warnings first, then a table of measures.

use std::fmt::Write;

use slipwright_analysis::book::Moment;
use slipwright_analysis::number;
use slipwright_analysis::trend::{MeasureTrend, Step, Trend};

use super::table;

/// The whole series.
pub(crate) fn trend(trend: &Trend) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let day = |index: Option<&slipwright_analysis::trend::TrendDrive>| {
        index.map_or(String::new(), |d| Moment::day_text(d.summary.start_ns))
    };
    let _ = writeln!(
        text,
        "{}, {} to {}; {} of work",
        number::count(trend.drives.len(), "drive", "drives"),
        day(trend.drives.first()),
        day(trend.drives.last()),
        number::count(trend.work.len(), "piece", "pieces"),
    );
    match &trend.healthy {
        Ok(healthy) => {
            let of = |index: Option<&usize>| day(index.and_then(|i| trend.drives.get(*i)));
            let _ = writeln!(
                text,
                "healthy: {} from {} to {}",
                number::count(healthy.len(), "drive", "drives"),
                of(healthy.first()),
                of(healthy.last())
            );
        }
        Err(why) => _ = writeln!(text, "no band of healthy drives: {why}"),
    }
    for warning in &trend.warnings {
        let _ = writeln!(text, "warning: {warning}");
    }
    for note in &trend.notes {
        let _ = writeln!(text, "note: {note}");
    }
    if trend.is_judgeable() && trend.warnings.is_empty() {
        let _ = writeln!(
            text,
            "nothing has left its band, and nothing is on its way out of it"
        );
    }
    text.push('\n');
    let header = [
        "measure",
        "now",
        "band",
        "state",
        "a month",
        "95 % interval",
        "in 1,000 km",
        "leaves in months",
    ];
    let rows = trend.measures.iter().map(row).collect();
    text.push_str(&table(header.map(str::to_owned).to_vec(), rows));
    for m in &trend.measures {
        for change in &m.change_points {
            let _ = writeln!(
                text,
                "  {} changed between {} and {}{}",
                m.measure.label(),
                Moment::day_text(change.after_ns),
                Moment::day_text(change.t_ns),
                change.step.map_or(String::new(), |s| format!(
                    " by {} {} ({})",
                    number::plain(s.shift),
                    m.measure.unit(),
                    interval(s)
                ))
            );
        }
        for (index, step) in &m.work_steps {
            let name = trend.work.get(*index).map_or("", |w| w.name.as_str());
            let _ = writeln!(
                text,
                "  {} at work {name}: {} {} ({})",
                m.measure.label(),
                number::plain(step.shift),
                m.measure.unit(),
                interval(*step)
            );
        }
    }
    text
}

fn interval(step: Step) -> String {
    step.interval.map_or_else(
        || "too few drives for an interval".to_owned(),
        |(low, high)| format!("{} to {}", number::plain(low), number::plain(high)),
    )
}

fn row(m: &MeasureTrend) -> Vec<String> {
    let digits = |v: Option<f64>| v.map_or("-".to_owned(), number::plain);
    let span = |low: f64, high: f64| format!("{} to {}", number::plain(low), number::plain(high));
    let slope = m.slope.as_ref().ok();
    vec![
        format!("{}, {}", m.measure.label(), m.measure.unit()),
        digits(m.level),
        m.band
            .as_ref()
            .map_or("-".to_owned(), |band| span(band.low, band.high)),
        m.state.text().to_owned(),
        digits(slope.map(|s| s.per_month)),
        slope.map_or("-".to_owned(), |s| {
            span(s.per_month_interval.0, s.per_month_interval.1)
        }),
        digits(slope.and_then(|s| s.per_1000_km).map(|(value, _, _)| value)),
        digits(m.forecast.as_ref().ok().map(|f| f.months)),
    ]
}
