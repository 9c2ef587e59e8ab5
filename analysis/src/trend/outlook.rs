//! Slope, state and forecast of one measure since the newest work or the newest change.
//!
//! The slope is the Theil-Sen estimate over the drives' values with its interval; values of
//! different drives count as independent. The forecast goes from the line's value at the newest
//! drive along the slope to the end of the band on the side that is worse.

use super::band::Band;
use super::course::Point;
use super::{CONFIDENCE, months};
use crate::measure::{Better, Measure};
use crate::statistics::quantile::median;
use crate::statistics::theil_sen;

/// Fewer drives than this have no slope.
const LEAST_DRIVES: usize = 6;
/// Fewer drives besides the healthy ones than this are not judged by them.
const LEAST_FURTHER: usize = 3;
/// A measure that would leave its band within so many months is warned of.
pub(super) const AHEAD_MONTHS: f64 = 12.0;

/// How fast a measure changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Change a month.
    pub per_month: f64,
    /// Ends of its 95 % interval.
    pub per_month_interval: (f64, f64),
    /// Change in 1,000 km and the ends of its interval, where the odometer is known.
    pub per_1000_km: Option<(f64, f64, f64)>,
    /// Drives it rests on.
    pub drives: usize,
}

impl Slope {
    /// Whether its interval leaves out nought.
    #[must_use]
    pub fn is_shown(&self) -> bool {
        let (low, high) = self.per_month_interval;
        low > 0.0 || high < 0.0
    }
}

/// Whether a measure is where it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// In the band, and not on its way out of it within a year.
    Inside,
    /// In the band, and would leave it within a year.
    Leaving,
    /// Beyond the band on the side that is worse.
    Outside,
    /// There is no band, or there are no drives to judge by it.
    Unknown,
}

impl State {
    /// Word in JSON and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Inside => "inside",
            Self::Leaving => "leaving",
            Self::Outside => "outside",
            Self::Unknown => "unknown",
        }
    }
}

/// When a measure would leave its band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// The end of the band that it would cross.
    pub limit: f64,
    /// Months after the newest drive.
    pub months: f64,
    /// The soonest that the slope's interval allows.
    pub soonest_months: f64,
    /// The latest; none where the interval nearly holds nought.
    pub latest_months: Option<f64>,
    /// When, ns since the epoch.
    pub t_ns: i64,
    /// Kilometres after the newest drive, where the odometer is known.
    pub km: Option<f64>,
    /// What the odometer would show then, km.
    pub odometer_km: Option<f64>,
}

/// Everything told of the future.
pub(super) struct Outlook {
    pub(super) slope: Result<Slope, String>,
    pub(super) level: Option<f64>,
    pub(super) state: State,
    pub(super) forecast: Result<Forecast, String>,
}

/// The measures that are warned of first.
pub(super) fn is_lag_or_hold(measure: Measure) -> bool {
    matches!(
        measure,
        Measure::DeadTime | Measure::RiseTime | Measure::EngagementDelay | Measure::Hold
    )
}

pub(super) fn outlook(
    measure: Measure,
    current: &[Point],
    band: &Result<Band, String>,
    further: usize,
) -> Outlook {
    let values: Vec<f64> = current.iter().map(|p| p.value).collect();
    let line = line(current);
    let slope = line.as_ref().map(|(slope, _)| *slope).map_err(Clone::clone);
    let level = match &line {
        Ok((slope, now)) if slope.is_shown() => Some(*now),
        _ => median(&values),
    };
    let is_judged = further >= LEAST_FURTHER;
    let forecast = match is_judged {
        true => forecast(measure, current, &slope, level, band),
        false => Err(format!(
            "only {further} drives besides the healthy ones; {LEAST_FURTHER} are needed"
        )),
    };
    let state = match (band.as_ref().ok().filter(|_| is_judged), level) {
        (Some(band), Some(level)) if is_worse(measure, level, band) => State::Outside,
        (Some(_), Some(_)) => match &forecast {
            Ok(forecast) if forecast.months <= AHEAD_MONTHS => State::Leaving,
            _ => State::Inside,
        },
        _ => State::Unknown,
    };
    Outlook {
        slope,
        level,
        state,
        forecast,
    }
}

/// The end of the band on the side that is worse.
fn limit(measure: Measure, band: &Band) -> f64 {
    match measure.better() {
        Better::Lower => band.high,
        Better::Higher => band.low,
    }
}

fn is_worse(measure: Measure, level: f64, band: &Band) -> bool {
    match measure.better() {
        Better::Lower => level > band.high,
        Better::Higher => level < band.low,
    }
}

/// The slope, and the line's value at the newest drive.
fn line(current: &[Point]) -> Result<(Slope, f64), String> {
    let (Some(first), Some(last)) = (current.first(), current.last()) else {
        return Err("no drive since the newest work".to_owned());
    };
    if current.len() < LEAST_DRIVES {
        return Err(format!(
            "only {} drives since the newest work or change; {LEAST_DRIVES} are needed",
            current.len()
        ));
    }
    let x: Vec<f64> = current.iter().map(|p| months(first.t_ns, p.t_ns)).collect();
    let y: Vec<f64> = current.iter().map(|p| p.value).collect();
    let fit = theil_sen::fit(&x, &y, CONFIDENCE)
        .ok_or_else(|| "all drives are at the same time".to_owned())?;
    let known: Vec<(f64, f64)> = current
        .iter()
        .filter_map(|p| Some((p.odometer_km? / 1e3, p.value)))
        .collect();
    let (km, at_km): (Vec<f64>, Vec<f64>) = known.into_iter().unzip();
    let per_1000_km = theil_sen::fit(&km, &at_km, CONFIDENCE)
        .filter(|_| km.len() >= LEAST_DRIVES)
        .map(|fit| (fit.slope, fit.low, fit.high));
    let slope = Slope {
        per_month: fit.slope,
        per_month_interval: (fit.low, fit.high),
        per_1000_km,
        drives: current.len(),
    };
    Ok((
        slope,
        fit.intercept + fit.slope * months(first.t_ns, last.t_ns),
    ))
}

fn forecast(
    measure: Measure,
    current: &[Point],
    slope: &Result<Slope, String>,
    level: Option<f64>,
    band: &Result<Band, String>,
) -> Result<Forecast, String> {
    let band = band.as_ref().map_err(Clone::clone)?;
    let slope = slope.as_ref().map_err(Clone::clone)?;
    let (Some(level), Some(last)) = (level, current.last()) else {
        return Err("no drive since the newest work".to_owned());
    };
    let limit = limit(measure, band);
    if is_worse(measure, level, band) {
        return Err("it has left the band".to_owned());
    }
    let worsens = (limit > level) == (slope.per_month > 0.0);
    if !slope.is_shown() || !worsens {
        return Err("no slope towards the end of the band is shown".to_owned());
    }
    let left = limit - level;
    let months_at = |rate: f64| left / rate;
    let (a, b) = slope.per_month_interval;
    let (steep, flat) = if a.abs() > b.abs() { (a, b) } else { (b, a) };
    let months = months_at(slope.per_month);
    // A year of warning is asked for; centuries are not dates.
    let t_ns = last
        .t_ns
        .saturating_add((months.min(12_000.0) * super::NS_PER_MONTH) as i64);
    let km = slope
        .per_1000_km
        .filter(|(rate, low, high)| (*low > 0.0 || *high < 0.0) && (*rate > 0.0) == (left > 0.0))
        .map(|(rate, _, _)| 1e3 * left / rate);
    Ok(Forecast {
        limit,
        months,
        soonest_months: months_at(steep),
        latest_months: Some(months_at(flat)).filter(|m| *m > 0.0 && *m < 12_000.0),
        t_ns,
        km,
        odometer_km: km.and_then(|km| {
            let newest = current.iter().rev().find_map(|p| p.odometer_km)?;
            Some(newest + km)
        }),
    })
}
