//! The sentences of warnings and notes.

use super::band::Band;
use super::doubt::Cause;
use super::outlook::{self, Forecast, Outlook, Slope, State};
use super::{MeasureTrend, TrendDrive, months};
use crate::book::Moment;
use crate::measure::{Better, Measure};
use crate::number;
use crate::words;

/// The season is spoken of where drives span this many months at least.
const SEASON_MONTHS: f64 = 2.0;

/// What the owner must know of a measure, if anything.
pub(super) fn warning(
    measure: Measure,
    outlook: &Outlook,
    band: &Result<Band, String>,
) -> Option<String> {
    let band = band.as_ref().ok()?;
    let drift = drift(measure, band).filter(|_| needs_care(measure, outlook, band));
    let sentences: Vec<String> = (of_state(measure, outlook, band).into_iter())
        .chain(drift)
        .collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// That the drives that count as healthy were not steady, where that is worth a word and no warning.
pub(super) fn drift_note(
    measure: Measure,
    outlook: &Outlook,
    band: &Result<Band, String>,
) -> Option<String> {
    let band = band.as_ref().ok()?;
    drift(measure, band).filter(|_| !needs_care(measure, outlook, band))
}

/// That a measure gets worse for sure, though there are too few drives to hold against the band.
pub(super) fn unjudged_note(measure: Measure, outlook: &Outlook) -> Option<String> {
    let slope = outlook.slope.as_ref().ok()?;
    let why = outlook.forecast.as_ref().err()?;
    let rises = slope.per_month > 0.0;
    let is_worse = slope.is_shown() && rises == (measure.better() == Better::Lower);
    let is_unjudged = outlook.state == State::Unknown && outlook.accounted.is_none();
    let (low, high) = slope.per_month_interval;
    (is_worse && is_unjudged).then(|| {
        format!(
            "{} {} by {}{} a month ({} to {}) since {}, and is not judged: {why}.",
            words::capital(measure.label()),
            if rises { "rises" } else { "falls" },
            number::plain(slope.per_month.abs()),
            words::behind(measure.unit()),
            number::plain(low.abs().min(high.abs())),
            number::plain(low.abs().max(high.abs())),
            Moment::day_text(outlook.since_ns.unwrap_or_default()),
        )
    })
}

/// Whether healthy drives that were not steady are a matter of care: they got worse, and the drives
/// after them do not show that it ended. What gets better is parts that bed in.
fn needs_care(measure: Measure, outlook: &Outlook, band: &Band) -> bool {
    let is_worse =
        |(a_month, _, _): (f64, f64, f64)| (a_month > 0.0) == (measure.better() == Better::Lower);
    band.drift.is_some_and(is_worse) && outlook.state != State::Inside
}

fn of_state(measure: Measure, outlook: &Outlook, band: &Band) -> Option<String> {
    let level = outlook.level?;
    let unit = words::behind(measure.unit());
    let healthy = format!(
        "healthy drives show {} to {}{unit}",
        number::plain(band.low),
        number::plain(band.high)
    );
    let label = words::capital(measure.label());
    let side = match measure.better() {
        Better::Higher => "below",
        Better::Lower => "above",
    };
    let now = number::plain(level);
    if let Some((cause, by)) = outlook.accounted {
        let why = match cause {
            Cause::Condition(condition) => format!(
                "{} {} by {}{} since then, and what that does cannot be told apart from wear",
                condition.label(),
                if by > 0.0 { "rose" } else { "fell" },
                number::rough(by.abs()),
                words::behind(condition.unit()),
            ),
            Cause::Season => "the season is another, fluid temperature is not known, and what it \
                              does cannot be told apart from wear"
                .to_owned(),
        };
        return Some(format!(
            "{label} is {side} its band, {now}{unit} now, {healthy}, but {why}."
        ));
    }
    match outlook.state {
        State::Outside => Some(format!(
            "{label} is {side} its band: {now}{unit} now, {healthy}."
        )),
        State::Leaving => {
            let forecast = outlook.forecast.as_ref().ok()?;
            let leaves = format!(
                "{label} will leave its band in {} if it goes on like this: {now}{unit} now, {healthy}.",
                when(forecast)
            );
            let or_step = outlook
                .slope
                .as_ref()
                .ok()
                .and_then(|s| or_step(measure, s));
            Some(match or_step {
                Some(or_step) => format!("{leaves} {or_step}"),
                None => leaves,
            })
        }
        State::Inside | State::Unknown => None,
    }
}

/// In how many months, when, and how far on.
fn when(forecast: &Forecast) -> String {
    let distance = match (forecast.km, forecast.odometer_km) {
        (Some(km), Some(at)) => format!(", after about {km:.0} km, at {at:.0} km on the odometer"),
        (Some(km), None) => format!(", after about {km:.0} km"),
        _ => String::new(),
    };
    let date = jiff::Timestamp::from_nanosecond(forecast.t_ns.into())
        .map(|t| t.strftime(" (about %Y-%m)").to_string())
        .unwrap_or_default();
    format!(
        "about {} months{date}{distance}",
        number::rough(forecast.months)
    )
}

fn or_step(measure: Measure, slope: &Slope) -> Option<String> {
    let step = slope.or_step?;
    Some(format!(
        "One step of about {}{} {} would explain the drives as well, and nothing would then go on.",
        number::rough(step.shift.abs()),
        words::behind(measure.unit()),
        between(step.after_ns, step.t_ns)
    ))
}

/// Between which days something happened.
pub(super) fn between(after_ns: i64, t_ns: i64) -> String {
    let (after, day) = (Moment::day_text(after_ns), Moment::day_text(t_ns));
    if after == day {
        format!("on {day}")
    } else {
        format!("between {after} and {day}")
    }
}

/// That the band is not of a steady car, where the drives that set it were on their way somewhere.
fn drift(measure: Measure, band: &Band) -> Option<String> {
    let (a_month, low, high) = band.drift?;
    let rises = a_month > 0.0;
    Some(format!(
        "The drives that count as healthy were not steady themselves: {} {} by {}{} a month in them ({} to {}), so its band is not that of a steady car. Let steady drives alone set it, by healthy = true in their drive.toml or by --healthy with fewer drives.",
        measure.label(),
        if rises { "rises" } else { "falls" },
        number::plain(a_month.abs()),
        words::behind(measure.unit()),
        number::plain(low.abs().min(high.abs())),
        number::plain(low.abs().max(high.abs())),
    ))
}

/// That season and wear cannot be told apart, where that is so.
pub(super) fn season_note(drives: &[TrendDrive], measures: &[MeasureTrend]) -> Option<String> {
    let (first, last) = (drives.first()?, drives.last()?);
    let is_long = months(first.summary.start_ns, last.summary.start_ns) >= SEASON_MONTHS;
    if !is_long || measures.iter().all(|m| m.knows_temperature) {
        return None;
    }
    let may_be: Vec<&str> = (measures.iter())
        .filter(|m| m.slope.as_ref().is_ok_and(|slope| slope.may_be_season))
        .map(|m| m.measure.label())
        .collect();
    let of_measures = match may_be.as_slice() {
        [] => String::new(),
        [one] => format!(" The season alone may account for the slope of {one}."),
        more => format!(
            " The season alone may account for the slopes of {}.",
            words::listed(more)
        ),
    };
    Some(format!(
        "Fluid temperature is not known in these drives, so what the season does cannot be told apart from wear; intervals allow for it.{of_measures}"
    ))
}

/// Why there is no slope over distance, where some odometer readings are known.
pub(super) fn odometer_note(drives: &[TrendDrive], measures: &[MeasureTrend]) -> Option<String> {
    let known = drives.iter().filter(|d| d.odometer_km.is_some()).count();
    let is_without = |m: &MeasureTrend| {
        let slope = m.slope.as_ref();
        slope.is_ok_and(|slope| slope.per_1000_km.is_none())
    };
    (known > 0 && measures.iter().any(is_without)).then(|| {
        format!(
            "The odometer is known in {known} of {}; a slope in 1,000 km needs {} of them since the newest work or change.",
            number::count(drives.len(), "drive", "drives"),
            outlook::LEAST_DRIVES
        )
    })
}
