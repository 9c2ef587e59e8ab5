//! The sentences of a warning.

use super::band::Band;
use super::outlook::{Outlook, State};
use crate::measure::{Better, Measure};
use crate::number;
use crate::words;

/// What the owner must know of a measure, if anything.
pub(super) fn warning(
    measure: Measure,
    outlook: &Outlook,
    band: &Result<Band, String>,
) -> Option<String> {
    let band = band.as_ref().ok()?;
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
    if let Some((condition, by)) = outlook.accounted {
        let gap = words::behind(condition.unit());
        return Some(format!(
            "{label} is {side} its band, {}{unit} now, {healthy}, but {} {} by {}{gap} since then, and what that does cannot be told apart from wear.",
            number::plain(level),
            condition.label(),
            if by > 0.0 { "rose" } else { "fell" },
            number::rough(by.abs()),
        ));
    }
    match outlook.state {
        State::Outside => Some(format!(
            "{label} is {side} its band: {}{unit} now, {healthy}.",
            number::plain(level)
        )),
        State::Leaving => {
            let forecast = outlook.forecast.as_ref().ok()?;
            let distance = match (forecast.km, forecast.odometer_km) {
                (Some(km), Some(at)) => {
                    format!(", after about {km:.0} km, at {at:.0} km on the odometer")
                }
                (Some(km), None) => format!(", after about {km:.0} km"),
                _ => String::new(),
            };
            let date = jiff::Timestamp::from_nanosecond(forecast.t_ns.into())
                .map(|t| t.strftime(" (about %Y-%m)").to_string())
                .unwrap_or_default();
            Some(format!(
                "{label} will leave its band in about {} months{date}{distance} if it goes on like this: {}{unit} now, {healthy}.",
                number::rough(forecast.months),
                number::plain(level)
            ))
        }
        State::Inside | State::Unknown => None,
    }
}
