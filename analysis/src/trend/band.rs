//! What the car's own healthy drives show.
//!
//! The band is a prediction interval: with nothing changed, one further drive falls outside it in
//! one of a hundred cases (`mean ± t s sqrt(1 + 1/n)`; any handbook of statistics, for instance
//! NIST/SEMATECH e-Handbook of Statistical Methods, section on prediction intervals). A level is
//! made from many drives and leaves it later still.
//!
//! Drives that were already on their way somewhere scatter around that way and not around their
//! mean: what they did along it is taken out of the band's width, and the band says so.

use super::course::{Course, Point};
use super::{CONFIDENCE, TrendDrive, months};
use crate::number;
use crate::statistics::quantile::median;
use crate::statistics::spread::{mean, sd};
use crate::statistics::student_t::two_sided_critical;
use crate::statistics::theil_sen;

/// Fewer healthy drives than this set no band.
pub(super) const LEAST_DRIVES: usize = 5;
/// Share of further healthy drives outside the band.
const OUTSIDE: f64 = 0.01;
/// Values that do not differ at all still have a resolution, as a share of their size.
const RESOLUTION: f64 = 1e-3;

/// Healthy drives are on their way somewhere where a line leaves no more than this share of their
/// scatter: with eight steady drives it does in one of 200 cases (F test).
const LEFT_BY_A_LINE: f64 = 0.25;

/// Where healthy drives lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lower end.
    pub low: f64,
    /// Middle.
    pub middle: f64,
    /// Upper end.
    pub high: f64,
    /// How many drives set it.
    pub drives: usize,
    /// Change a month of the very drives that set it, and the ends of its 95 % interval, where they
    /// were not steady. The band is then of their middle, and as wide as they scatter around their
    /// way.
    pub drift: Option<(f64, f64, f64)>,
}

/// What healthy drives are counted from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Since {
    /// The newest work, if any; drives that are marked healthy count whenever they were.
    Work,
    /// The newest tyres, for what rests on them.
    Tyres,
}

/// Positions of the healthy drives: those marked, or the first `count` since `newest`, ns since the
/// epoch.
///
/// # Errors
/// Why there are too few.
pub(super) fn healthy(
    drives: &[TrendDrive],
    newest: Option<i64>,
    count: usize,
    since: Since,
) -> Result<Vec<usize>, String> {
    let is_after = |d: &TrendDrive| newest.is_none_or(|newest| d.summary.start_ns >= newest);
    let since_what = match (since, newest) {
        (Since::Tyres, _) => " since the tyres changed",
        (Since::Work, Some(_)) => " since the newest work",
        (Since::Work, None) => "",
    };
    let of = |is_one: &dyn Fn(&TrendDrive) -> bool| -> Vec<usize> {
        let all = drives.iter().enumerate();
        all.filter(|(_, d)| is_one(d)).map(|(i, _)| i).collect()
    };
    let is_marked = |d: &TrendDrive| d.healthy && (since == Since::Work || is_after(d));
    let marked = of(&is_marked);
    if marked.len() >= LEAST_DRIVES {
        return Ok(marked);
    }
    if drives.iter().any(|d| d.healthy) {
        let where_to = if since == Since::Tyres {
            since_what
        } else {
            ""
        };
        return Err(format!(
            "only {} marked healthy = true{where_to}; {LEAST_DRIVES} are needed",
            number::count(marked.len(), "drive is", "drives are")
        ));
    }
    let mut first = of(&is_after);
    first.truncate(count.max(LEAST_DRIVES));
    if first.len() < LEAST_DRIVES {
        return Err(format!(
            "only {}{since_what}; {LEAST_DRIVES} healthy ones are needed",
            number::count(first.len(), "drive", "drives")
        ));
    }
    Ok(first)
}

/// The band of one measure.
///
/// # Errors
/// Why there is none.
pub(super) fn band(course: &Course, healthy: &Result<Vec<usize>, String>) -> Result<Band, String> {
    let healthy = healthy.as_ref().map_err(Clone::clone)?;
    let at: Vec<usize> = (0..course.points.len())
        .filter(|i| {
            (course.points.get(*i)).is_some_and(|p| healthy.binary_search(&p.drive).is_ok())
        })
        .collect();
    let of: Vec<&Point> = at.iter().filter_map(|i| course.points.get(*i)).collect();
    let n = of.len();
    if n < LEAST_DRIVES {
        return Err(format!(
            "only {n} of the healthy drives {} a value; {LEAST_DRIVES} are needed",
            if n == 1 { "has" } else { "have" }
        ));
    }
    let values: Vec<f64> = of.iter().map(|p| p.value).collect();
    let middle = mean(&values).unwrap_or(0.0);
    // Drives cannot repeat better than each is known.
    let known: Vec<f64> = of.iter().filter_map(|p| p.u).collect();
    let drift = drift(course, &at, &of, &values);
    let (scatter, free) = match &drift {
        Some(drift) => (drift.scatter, n - 2),
        None => (sd(&values).unwrap_or(0.0), n - 1),
    };
    let sd = scatter
        .max(median(&known).unwrap_or(0.0))
        .max(RESOLUTION * middle.abs());
    let reach = two_sided_critical(OUTSIDE, free as f64) * sd * (1.0 + 1.0 / n as f64).sqrt();
    Ok(Band {
        // What was never negative does not become so.
        low: if course.is_never_negative() {
            (middle - reach).max(0.0)
        } else {
            middle - reach
        },
        middle,
        high: middle + reach,
        drives: n,
        drift: drift.map(|d| d.per_month),
    })
}

/// A way that healthy drives were on.
struct Drift {
    /// Change a month and the ends of its interval.
    per_month: (f64, f64, f64),
    /// Standard deviation around it.
    scatter: f64,
}

/// The way that the healthy drives were on, if they were.
fn drift(course: &Course, at: &[usize], of: &[&Point], values: &[f64]) -> Option<Drift> {
    let start_ns = of.first()?.t_ns;
    let x: Vec<f64> = of.iter().map(|p| months(start_ns, p.t_ns)).collect();
    let line = theil_sen::fit(&x, values, CONFIDENCE)?;
    let doubt = course.doubt_of_slope(at, &x);
    let (low, high) = doubt.widened(line.slope, (line.low, line.high));
    let around: Vec<f64> = (x.iter().zip(values))
        .map(|(x, value)| value - line.intercept - line.slope * x)
        .collect();
    let squares = |values: &[f64]| {
        let middle = mean(values).unwrap_or(0.0);
        values.iter().map(|v| (v - middle).powi(2)).sum::<f64>()
    };
    let left = squares(&around);
    let is_on_its_way = (low > 0.0 || high < 0.0) && left <= LEFT_BY_A_LINE * squares(values);
    is_on_its_way.then(|| Drift {
        per_month: (line.slope, low, high),
        scatter: (left / (values.len() - 2) as f64).sqrt(),
    })
}
