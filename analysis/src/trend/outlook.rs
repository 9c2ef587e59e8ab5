//! Slope, state and forecast of one measure since the newest work or the newest change.
//!
//! The slope is the Theil-Sen estimate over the drives' values with its interval; values of
//! different drives count as independent. Where a condition changed along with time, what is not
//! known of its effect widens the interval, and a level beyond the band for which it may account is
//! not judged. Where one step explains the drives as well as the slope does, that is said. The forecast goes from the line's value at the newest
//! drive along the slope to the end of the band on the side that is worse.

use super::band::Band;
use super::course::{Course, Point};
use super::doubt::Cause;
use super::{CONFIDENCE, months};
use crate::measure::{Better, Measure};
use crate::number;
use crate::statistics::quantile::median;
use crate::statistics::spread::mean;
use crate::statistics::theil_sen;

/// Fewer drives than this have no slope.
pub(super) const LEAST_DRIVES: usize = 6;
/// Fewer drives besides the healthy ones than this are not judged by them.
const LEAST_FURTHER: usize = 3;
/// Where a level moves it rests on the newest drives, this many at most.
const NEWEST: usize = 8;
/// What is in doubt for conditions is spoken of from this share of the band's half width on; less
/// would move the end of the band by an eighth of that width at most.
const WORTH_A_WORD: f64 = 0.5;
/// A model that is worse by less than this on the scale of the criterion is hardly worse (Kass &
/// Raftery, "Bayes factors", JASA 90 (1995) 773-795).
const AS_WELL: f64 = 2.0;
/// Drives on each side of a step that may explain a slope, at least.
const LEAST_BESIDE_STEP: usize = 3;
/// A measure that would leave its band within so many months is warned of.
const AHEAD_MONTHS: f64 = 12.0;

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
    /// Whether the season alone may account for it: no fluid temperature is known, and without that
    /// doubt its interval would leave out nought.
    pub may_be_season: bool,
    /// The step that explains the drives as well, if there is one.
    pub or_step: Option<OrStep>,
}

/// A step that explains drives as well as their slope does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OrStep {
    /// Start of the last drive before it, ns since the epoch.
    pub after_ns: i64,
    /// Start of the first drive after it, ns since the epoch.
    pub t_ns: i64,
    /// Its size: mean after less mean before.
    pub shift: f64,
}

impl Slope {
    /// Whether its interval leaves out nought.
    #[must_use]
    pub fn is_shown(&self) -> bool {
        leaves_out_nought(self.per_month_interval)
    }
}

fn leaves_out_nought((low, high): (f64, f64)) -> bool {
    low > 0.0 || high < 0.0
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
    /// There is no band, there are no drives to judge by it, or what is beyond it may be due to
    /// conditions alone.
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
    /// Start of the stretch that it rests on, ns since the epoch.
    pub(super) since_ns: Option<i64>,
    pub(super) slope: Result<Slope, String>,
    pub(super) level: Option<f64>,
    pub(super) state: State,
    pub(super) forecast: Result<Forecast, String>,
    /// What may account for a level beyond the band, and how much it changed since the healthy
    /// drives.
    pub(super) accounted: Option<(Cause, f64)>,
    /// Whether no fluid temperature is known.
    pub(super) knows_no_temperature: bool,
}

/// The measures that are warned of first: times and hold.
pub(super) fn is_warned_of_first(measure: Measure) -> bool {
    matches!(
        measure,
        Measure::DeadTime | Measure::RiseTime | Measure::EngagementDelay | Measure::Hold
    )
}

pub(super) fn outlook(
    measure: Measure,
    course: &Course,
    since_ns: Option<i64>,
    band: &Result<Band, String>,
    healthy: &Result<Vec<usize>, String>,
) -> Outlook {
    let points = &course.points;
    let start = points.partition_point(|p| since_ns.is_some_and(|since| p.t_ns < since));
    let current = points.get(start..).unwrap_or_default();
    let is_healthy = |p: &Point| {
        let healthy = healthy.as_ref();
        healthy.is_ok_and(|h| h.binary_search(&p.drive).is_ok())
    };
    let values: Vec<f64> = current.iter().map(|p| p.value).collect();
    let line = line(course, start);
    let slope = line.as_ref().map(|(slope, _)| *slope).map_err(Clone::clone);
    // Drives that the level rests on: the newest where it moves.
    let (level, newest) = match &line {
        Ok((slope, now)) if slope.is_shown() => (Some(*now), current.len().min(NEWEST)),
        _ => (median(&values), current.len()),
    };
    let level = level.map(|level| course.possible(level));
    // Drives that set the band cannot leave it.
    let further = current.iter().filter(|p| !is_healthy(p)).count();
    let is_judged = further >= LEAST_FURTHER;
    let of_band: Vec<usize> = (0..points.len())
        .filter(|i| points.get(*i).is_some_and(is_healthy))
        .collect();
    let of_level: Vec<usize> = (points.len() - newest..points.len()).collect();
    let doubt = course.doubt(&of_band, &of_level);
    let beyond = match (band.as_ref().ok().filter(|_| is_judged), level) {
        (Some(band), Some(level)) => Some(beyond(measure, level, band)),
        _ => None,
    };
    // Drives scatter and effects are in doubt independently, so their squares add.
    let accounted = band.as_ref().ok().and_then(|band| {
        let half = band.high - band.middle;
        let (by, reach) = (beyond?, doubt.reach());
        let may_account = reach >= WORTH_A_WORD * half && half + by <= half.hypot(reach);
        doubt.most.filter(|_| by > 0.0 && may_account)
    });
    let forecast = match (is_judged, accounted) {
        (true, None) => forecast(measure, current, &slope, level, band),
        (true, Some((cause, _))) => Err(format!(
            "it may have left the band, or {} alone accounts for that",
            match cause {
                Cause::Condition(condition) => condition.label(),
                Cause::Season => "the season",
            }
        )),
        (false, _) => Err(format!(
            "only {} besides the healthy ones; {LEAST_FURTHER} are needed",
            number::count(further, "drive", "drives")
        )),
    };
    let state = match beyond {
        None => State::Unknown,
        Some(_) if accounted.is_some() => State::Unknown,
        Some(by) if by > 0.0 => State::Outside,
        Some(_) => match &forecast {
            Ok(forecast) if forecast.months <= AHEAD_MONTHS => State::Leaving,
            _ => State::Inside,
        },
    };
    Outlook {
        since_ns: current.first().map(|p| p.t_ns),
        slope,
        level,
        state,
        forecast,
        accounted,
        knows_no_temperature: course.knows_no_temperature(),
    }
}

/// The end of the band on the side that is worse.
fn limit(measure: Measure, band: &Band) -> f64 {
    match measure.better() {
        Better::Lower => band.high,
        Better::Higher => band.low,
    }
}

/// How far a level is beyond the band on the side that is worse; not above nought inside it.
fn beyond(measure: Measure, level: f64, band: &Band) -> f64 {
    match measure.better() {
        Better::Lower => level - band.high,
        Better::Higher => band.low - level,
    }
}

/// The slope from a point on, and the line's value at the newest drive.
fn line(course: &Course, start: usize) -> Result<(Slope, f64), String> {
    let current = course.points.get(start..).unwrap_or_default();
    let (Some(first), Some(last)) = (current.first(), current.last()) else {
        return Err("no drive since the newest work".to_owned());
    };
    if current.len() < LEAST_DRIVES {
        return Err(format!(
            "only {} since the newest work or change; {LEAST_DRIVES} are needed",
            number::count(current.len(), "drive", "drives")
        ));
    }
    let x: Vec<f64> = current.iter().map(|p| months(first.t_ns, p.t_ns)).collect();
    let y: Vec<f64> = current.iter().map(|p| p.value).collect();
    let fit = theil_sen::fit(&x, &y, CONFIDENCE)
        .ok_or_else(|| "all drives are at the same time".to_owned())?;
    let all: Vec<usize> = (start..course.points.len()).collect();
    let doubt = course.doubt_of_slope(&all, &x);
    let interval = doubt.widened(fit.slope, (fit.low, fit.high));
    let known = (doubt.without_season()).widened(fit.slope, (fit.low, fit.high));
    let slope = Slope {
        per_month: fit.slope,
        per_month_interval: interval,
        per_1000_km: per_1000_km(course, &all),
        drives: current.len(),
        may_be_season: leaves_out_nought(known) && !leaves_out_nought(interval),
        or_step: or_step(current, &x, &y).filter(|_| leaves_out_nought(interval)),
    };
    Ok((
        slope,
        fit.intercept + fit.slope * months(first.t_ns, last.t_ns),
    ))
}

/// The step that explains drives as well as a line does, by the Bayesian information criterion (Schwarz,
/// "Estimating the dimension of a model", Ann. Statist. 6 (1978) 461-464): where it is takes one number
/// more than a line.
fn or_step(current: &[Point], x: &[f64], y: &[f64]) -> Option<OrStep> {
    let n = y.len();
    let around = |values: &[f64]| {
        let middle = mean(values).unwrap_or(0.0);
        values.iter().map(|v| (v - middle).powi(2)).sum::<f64>()
    };
    let of_step = |cut: usize| around(&y[..cut]) + around(&y[cut..]);
    let cut = (LEAST_BESIDE_STEP..(n + 1).saturating_sub(LEAST_BESIDE_STEP))
        .min_by(|a, b| of_step(*a).total_cmp(&of_step(*b)))?;
    let (x_mean, y_mean) = (mean(x)?, mean(y)?);
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in x.iter().zip(y) {
        xx += (x - x_mean).powi(2);
        xy += (x - x_mean) * (y - y_mean);
    }
    let of_line = (around(y) - xy * xy / xx).max(0.0);
    let worse_by = n as f64 * (of_step(cut) / of_line).ln() + (n as f64).ln();
    (worse_by <= AS_WELL).then_some(OrStep {
        after_ns: current.get(cut - 1)?.t_ns,
        t_ns: current.get(cut)?.t_ns,
        shift: mean(&y[cut..])? - mean(&y[..cut])?,
    })
}

/// The slope over distance and the ends of its interval.
fn per_1000_km(course: &Course, at: &[usize]) -> Option<(f64, f64, f64)> {
    let known = at.iter().filter_map(|&i| {
        let point = course.points.get(i)?;
        Some((i, (point.odometer_km? / 1e3, point.value)))
    });
    let (at, (km, values)): (Vec<usize>, (Vec<f64>, Vec<f64>)) = known.unzip();
    let fit = theil_sen::fit(&km, &values, CONFIDENCE).filter(|_| km.len() >= LEAST_DRIVES)?;
    let doubt = course.doubt_of_slope(&at, &km);
    let (low, high) = doubt.widened(fit.slope, (fit.low, fit.high));
    Some((fit.slope, low, high))
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
    if beyond(measure, level, band) > 0.0 {
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
