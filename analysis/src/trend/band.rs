//! What the car's own healthy drives show.
//!
//! The band is a prediction interval: with nothing changed, one further drive falls outside it in
//! one of a hundred cases (`mean ± t s sqrt(1 + 1/n)`; any handbook of statistics, for instance
//! NIST/SEMATECH e-Handbook of Statistical Methods, section on prediction intervals). A level is
//! made from many drives and leaves it later still.

use super::course::{Course, Point};
use super::{TrendDrive, WorkMark};
use crate::number;
use crate::statistics::quantile::median;
use crate::statistics::spread::{mean, sd};
use crate::statistics::student_t::two_sided_critical;

/// Fewer healthy drives than this set no band.
pub(super) const LEAST_DRIVES: usize = 5;
/// Share of further healthy drives outside the band.
const OUTSIDE: f64 = 0.01;
/// Values that do not differ at all still have a resolution, as a share of their size.
const RESOLUTION: f64 = 1e-3;

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
}

/// Positions of the healthy drives: those marked, or the first `count` since the newest work.
///
/// # Errors
/// Why there are too few.
pub(super) fn healthy(
    drives: &[TrendDrive],
    work: &[WorkMark],
    count: usize,
) -> Result<Vec<usize>, String> {
    let marked: Vec<usize> = (0..drives.len())
        .filter(|&i| drives.get(i).is_some_and(|d| d.healthy))
        .collect();
    if marked.len() >= LEAST_DRIVES {
        return Ok(marked);
    }
    if !marked.is_empty() {
        return Err(format!(
            "only {} marked healthy = true; {LEAST_DRIVES} are needed",
            number::count(marked.len(), "drive is", "drives are")
        ));
    }
    let newest = work.iter().map(|w| w.t_ns).max().unwrap_or(i64::MIN);
    let since: Vec<usize> = drives
        .iter()
        .enumerate()
        .filter(|(_, d)| d.summary.start_ns >= newest)
        .map(|(index, _)| index)
        .take(count.max(LEAST_DRIVES))
        .collect();
    if since.len() < LEAST_DRIVES {
        let since_what = if work.is_empty() {
            ""
        } else {
            " since the newest work"
        };
        return Err(format!(
            "only {}{since_what}; {LEAST_DRIVES} healthy ones are needed",
            number::count(since.len(), "drive", "drives")
        ));
    }
    Ok(since)
}

/// The band of one measure.
///
/// # Errors
/// Why there is none.
pub(super) fn band(course: &Course, healthy: &Result<Vec<usize>, String>) -> Result<Band, String> {
    let healthy = healthy.as_ref().map_err(Clone::clone)?;
    let of: Vec<&Point> = course
        .points
        .iter()
        .filter(|p| healthy.binary_search(&p.drive).is_ok())
        .collect();
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
    let sd = sd(&values)
        .unwrap_or(0.0)
        .max(median(&known).unwrap_or(0.0))
        .max(RESOLUTION * middle.abs());
    let reach = two_sided_critical(OUTSIDE, (n - 1) as f64) * sd * (1.0 + 1.0 / n as f64).sqrt();
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
    })
}
