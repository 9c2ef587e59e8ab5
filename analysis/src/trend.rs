//! Months later: measured drives to a course over time and distance, and a word of warning while
//! there is time.
//!
//! [`trend`] takes one [`DriveSummary`] a drive, the work done in between, and gives for every
//! measure its course, its slope with an interval, where it changed, the band that the car's own
//! healthy drives set, and when it would leave that band.
//!
//! - [`summary`]: what is kept of a measured drive.
//! - `course`: one value a drive, with conditions taken out. `effect`: what a condition does.
//! - `band`: what healthy drives show. `outlook`: slope, state and forecast.
//! - `wording`: the sentences.

mod band;
#[cfg(test)]
mod condition_tests;
mod course;
mod effect;
mod outlook;
pub mod summary;
#[cfg(test)]
mod tests;
mod wording;

pub use self::band::Band;
use self::course::Course;
pub use self::course::Point;
pub use self::outlook::{Forecast, Slope, State};
pub use self::summary::{DriveSummary, EngagementSummary};
use crate::measure::Measure;
use crate::statistics::step_at::step_at;
use crate::statistics::student_t::two_sided_critical;
use crate::statistics::{change_points, hodges_lehmann, quantile};

/// Nanoseconds in a mean month of the Gregorian calendar.
pub const NS_PER_MONTH: f64 = 365.2425 / 12.0 * 86_400e9;

/// Drives on each side of a step that its size is taken from, at most.
const BESIDE: usize = 8;
/// A change is the same one if it is found within so many drives.
const NEAR: usize = 2;
/// Confidence of every interval here.
pub(crate) const CONFIDENCE: f64 = 0.95;

/// One drive of the series.
#[derive(Clone, Debug, PartialEq)]
pub struct TrendDrive {
    /// What it is called.
    pub name: String,
    /// What was measured.
    pub summary: DriveSummary,
    /// Distance on the odometer, km.
    pub odometer_km: Option<f64>,
    /// Whether its owner says that the car was healthy then.
    pub healthy: bool,
}

/// Work done on the car.
#[derive(Clone, Debug, PartialEq)]
pub struct WorkMark {
    /// What its file is called.
    pub name: String,
    /// What was done.
    pub title: String,
    /// What else its owner wrote of it, a line each.
    pub details: Vec<String>,
    /// When, ns since the epoch.
    pub t_ns: i64,
    /// Distance on the odometer, km.
    pub odometer_km: Option<f64>,
}

/// A step of a measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Difference at that day between the line through the drives after it and the line through
    /// those before: what the measure did on either side is not in it.
    pub shift: f64,
    /// Ends of its 95 % interval; none where so few drives cannot carry one (4 and 4, 3 and 5, or 2
    /// and 8 can).
    pub interval: Option<(f64, f64)>,
}

/// Where a measure changed without any work.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChangePoint {
    /// Start of the last drive before it, ns since the epoch.
    pub after_ns: i64,
    /// Start of the first drive after it, ns since the epoch.
    pub t_ns: i64,
    /// Distance on the odometer at that drive, km.
    pub odometer_km: Option<f64>,
    /// Its size.
    pub step: Option<Step>,
}

/// One measure over the whole series.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasureTrend {
    /// Which.
    pub measure: Measure,
    /// One value a drive.
    pub points: Vec<Point>,
    /// Changes without any work, in order of time.
    pub change_points: Vec<ChangePoint>,
    /// What each work changed, by position in the list of work.
    pub work_steps: Vec<(usize, Step)>,
    /// What healthy drives show, or why that is not known.
    pub band: Result<Band, String>,
    /// Start of the stretch that the slope is of, ns since the epoch.
    pub since_ns: Option<i64>,
    /// The slope since then, or why there is none.
    pub slope: Result<Slope, String>,
    /// Where the measure stands now.
    pub level: Option<f64>,
    /// Whether it is where it should be.
    pub state: State,
    /// When it would leave the band, or why that is not known.
    pub forecast: Result<Forecast, String>,
    /// What its owner must know.
    pub warning: Option<String>,
}

/// Everything over the whole series.
#[derive(Clone, Debug, PartialEq)]
pub struct Trend {
    /// The drives in order of time.
    pub drives: Vec<TrendDrive>,
    /// The work in order of time.
    pub work: Vec<WorkMark>,
    /// Positions of the drives that set the bands, or why there are none.
    pub healthy: Result<Vec<usize>, String>,
    /// One entry a measure that any drive has.
    pub measures: Vec<MeasureTrend>,
    /// Warnings of all measures, those of times and hold first.
    pub warnings: Vec<String>,
}

impl Trend {
    /// Whether any measure could be judged.
    #[must_use]
    pub fn is_judgeable(&self) -> bool {
        self.measures.iter().any(|m| m.state != State::Unknown)
    }
}

/// Follows every measure over a series of drives, in any order. `healthy_drives` is how many
/// drives after the newest work count as healthy where no drive is marked so.
#[must_use]
pub fn trend(mut drives: Vec<TrendDrive>, mut work: Vec<WorkMark>, healthy_drives: usize) -> Trend {
    drives.sort_by(|a, b| (a.summary.start_ns, &a.name).cmp(&(b.summary.start_ns, &b.name)));
    work.sort_by(|a, b| (a.t_ns, &a.name).cmp(&(b.t_ns, &b.name)));
    let healthy = band::healthy(&drives, &work, healthy_drives);
    let measures: Vec<MeasureTrend> = Measure::ALL
        .iter()
        .map(|&measure| follow(measure, &drives, &work, &healthy))
        .filter(|m| !m.points.is_empty())
        .collect();
    let mut warnings: Vec<(bool, String)> = measures
        .iter()
        .filter_map(|m| Some((!outlook::is_warned_of_first(m.measure), m.warning.clone()?)))
        .collect();
    warnings.sort_by_key(|(later, _)| *later);
    Trend {
        warnings: warnings.into_iter().map(|(_, text)| text).collect(),
        drives,
        work,
        healthy,
        measures,
    }
}

fn follow(
    measure: Measure,
    drives: &[TrendDrive],
    work: &[WorkMark],
    healthy: &Result<Vec<usize>, String>,
) -> MeasureTrend {
    let boundaries: Vec<i64> = work.iter().map(|w| w.t_ns).collect();
    let course = Course::of(drives, measure, &boundaries);
    let change_points = changes(&course, work);
    let newest = work.iter().map(|w| w.t_ns).max();
    let since_ns = change_points.iter().map(|c| c.t_ns).chain(newest).max();
    let band = band::band(&course, healthy);
    let outlook = outlook::outlook(measure, &course, since_ns, &band, healthy);
    MeasureTrend {
        measure,
        work_steps: work_steps(&course, work),
        since_ns: outlook.since_ns,
        warning: wording::warning(measure, &outlook, &band),
        slope: outlook.slope,
        level: outlook.level,
        state: outlook.state,
        forecast: outlook.forecast,
        points: course.possible_points(),
        change_points,
        band,
    }
}

/// Changes inside each stretch between one work and the next: work needs no finding.
fn changes(course: &Course, work: &[WorkMark]) -> Vec<ChangePoint> {
    let stretch = |p: &Point| work.iter().filter(|w| w.t_ns <= p.t_ns).count();
    let mut changes = Vec::new();
    let mut start = 0;
    for piece in course.points.chunk_by(|a, b| stretch(a) == stretch(b)) {
        let Some(first) = piece.first() else { continue };
        let x: Vec<f64> = piece.iter().map(|p| months(first.t_ns, p.t_ns)).collect();
        let y: Vec<f64> = piece.iter().map(|p| p.value).collect();
        // Drives cannot repeat better than each is known.
        let known: Vec<f64> = piece.iter().filter_map(|p| p.u).collect();
        let find = |y: &[f64]| {
            change_points::change_points(&x, y, quantile::median(&known).unwrap_or(0.0))
        };
        let mut cuts = find(&y);
        // A change is one whatever conditions do, as far as that is known.
        for other in course.others() {
            if cuts.is_empty() {
                break;
            }
            let there = find(other.get(start..).unwrap_or_default());
            cuts.retain(|cut| there.iter().any(|c| c.abs_diff(*cut) <= NEAR));
        }
        for (index, &cut) in cuts.iter().enumerate() {
            let from = index.checked_sub(1).and_then(|i| cuts.get(i)).copied();
            let until = cuts.get(index + 1).copied().unwrap_or(y.len());
            let before: Vec<usize> = (start + from.unwrap_or(0)..start + cut).collect();
            let after: Vec<usize> = (start + cut..start + until).collect();
            let (Some(last), Some(next)) = (piece.get(cut.saturating_sub(1)), piece.get(cut))
            else {
                continue;
            };
            changes.push(ChangePoint {
                after_ns: last.t_ns,
                t_ns: next.t_ns,
                odometer_km: next.odometer_km,
                step: step(course, &before, &after, None),
            });
        }
        start += piece.len();
    }
    changes
}

/// The step between the last points of one piece and the first of the next, at a known time or,
/// where nobody knows it, anywhere between the two.
fn step(course: &Course, before: &[usize], after: &[usize], t_ns: Option<i64>) -> Option<Step> {
    let before = before.get(before.len().saturating_sub(BESIDE)..)?;
    let after = after.get(..after.len().min(BESIDE))?;
    let at = [before, after].concat();
    let points: Vec<&Point> = at.iter().filter_map(|i| course.points.get(*i)).collect();
    let start_ns = points.first()?.t_ns;
    let x: Vec<f64> = points.iter().map(|p| months(start_ns, p.t_ns)).collect();
    let y: Vec<f64> = points.iter().map(|p| p.value).collect();
    let known: Vec<f64> = points.iter().filter_map(|p| p.u).collect();
    let gap = (*x.get(before.len().checked_sub(1)?)?, *x.get(before.len())?);
    let place = t_ns.map_or(0.5 * (gap.0 + gap.1), |t_ns| months(start_ns, t_ns));
    // Drives cannot repeat better than each is known.
    let least = quantile::median(&known).unwrap_or(0.0);
    let found = step_at(&x, &y, before.len(), place, least)?;
    // Somewhere in the gap: evenly likely, so a standard deviation of its length over the root of 12.
    let somewhere = match t_ns {
        Some(_) => 0.0,
        None => (found.slopes.1 - found.slopes.0) * (gap.1 - gap.0) / 12.0_f64.sqrt(),
    };
    // A line asks no less of its values than ranks do.
    let (of_before, of_after) = y.split_at(before.len());
    let carried = hodges_lehmann::interval(of_before, of_after, CONFIDENCE);
    let doubt = course.doubt_of_sum(&at, &found.weights);
    let reach = carried
        .and(found.u)
        .map(|u| two_sided_critical(1.0 - CONFIDENCE, found.free) * u.hypot(somewhere));
    Some(Step {
        shift: found.shift,
        interval: reach
            .map(|reach| (found.shift - reach, found.shift + reach))
            .map(|ends| doubt.widened(found.shift, ends)),
    })
}

/// What each work changed, between the work before it and the work after it.
fn work_steps(course: &Course, work: &[WorkMark]) -> Vec<(usize, Step)> {
    let between = |from: Option<i64>, to: Option<i64>| -> Vec<usize> {
        (0..course.points.len())
            .filter(|i| {
                let t_ns = course.points.get(*i).map_or(i64::MIN, |p| p.t_ns);
                from.is_none_or(|from| t_ns >= from) && to.is_none_or(|to| t_ns < to)
            })
            .collect()
    };
    let at = |index: usize| work.get(index).map(|w| w.t_ns);
    (0..work.len())
        .filter_map(|index| {
            let here = at(index);
            let before = between(index.checked_sub(1).and_then(at), here);
            let after = between(here, at(index + 1));
            Some((index, step(course, &before, &after, here)?))
        })
        .collect()
}

/// Months between two stamps.
fn months(from_ns: i64, to_ns: i64) -> f64 {
    to_ns.saturating_sub(from_ns) as f64 / NS_PER_MONTH
}
