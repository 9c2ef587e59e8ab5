//! Months later: measured drives to a course over time and distance, and a word of warning while
//! there is time.
//!
//! [`trend`] takes one [`DriveSummary`] a drive, the work done in between, and gives for every
//! measure its course, its slope with an interval, where it changed, the band that the car's own
//! healthy drives set, and when it would leave that band.
//!
//! - [`summary`]: what is kept of a measured drive.
//! - `course`: one value a drive, with conditions taken out. `effect`: what a condition does.
//!   `doubt`: how much may still be its doing, or the season's.
//! - `series`: each drive once, in order. `tyres`: days on which the tyres changed.
//! - `steps`: where a measure stepped, and by how much.
//! - `band`: what healthy drives show. `outlook`: slope, state and forecast.
//! - `wording`: the sentences.

mod band;
#[cfg(test)]
mod condition_tests;
mod course;
mod doubt;
#[cfg(test)]
mod drive_tests;
mod effect;
mod outlook;
#[cfg(test)]
mod repair_tests;
mod series;
mod steps;
pub mod summary;
#[cfg(test)]
mod tests;
mod tyres;
mod wording;

pub use self::band::Band;
use self::course::Course;
pub use self::course::Point;
pub use self::outlook::{Forecast, OrStep, Slope, State};
pub use self::series::without_copies;
pub use self::steps::{ChangePoint, Step};
pub use self::summary::{DriveSummary, EngagementSummary};
pub use self::tyres::{TyreChange, WHEELS};
use crate::measure::Measure;

/// Nanoseconds in a mean month of the Gregorian calendar.
pub const NS_PER_MONTH: f64 = 365.2425 / 12.0 * 86_400e9;

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
    /// Whether the fluid's temperature is known in most of its engagements. Where it is not, every
    /// interval allows for the season.
    pub knows_temperature: bool,
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
    /// Days on which the tyres changed, in order of time. Measures that rest on them are not followed
    /// across such a day, and their bands are set after it.
    pub tyre_changes: Vec<TyreChange>,
    /// Positions of the drives that set the bands, or why there are none.
    pub healthy: Result<Vec<usize>, String>,
    /// One entry a measure that any drive has.
    pub measures: Vec<MeasureTrend>,
    /// What its owner must know: of the tyres, then of all measures, those of times and hold first.
    pub warnings: Vec<String>,
    /// What a reader of the numbers must know of the drives they come from.
    pub notes: Vec<String>,
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
pub fn trend(drives: Vec<TrendDrive>, mut work: Vec<WorkMark>, healthy_drives: usize) -> Trend {
    let (mut drives, mut notes) = without_copies(drives);
    notes.extend(series::forget_falling_odometer(&mut drives));
    work.sort_by(|a, b| (a.t_ns, &a.name).cmp(&(b.t_ns, &b.name)));
    let tyre_changes = tyres::changes(&drives);
    let newest = work.iter().map(|w| w.t_ns).max();
    let healthy = band::healthy(&drives, newest, healthy_drives, band::Since::Work);
    let followed: Vec<(MeasureTrend, Vec<String>)> = Measure::ALL
        .iter()
        .map(|&measure| {
            let new_tyres = tyre_changes.iter().map(|c| c.t_ns);
            let new_tyres: Vec<i64> = new_tyres.filter(|_| measure.rests_on_tyres()).collect();
            let since_tyres = new_tyres
                .last()
                .filter(|at| newest.is_none_or(|n| **at > n));
            let healthy = match since_tyres {
                Some(at) => &band::healthy(&drives, Some(*at), healthy_drives, band::Since::Tyres),
                None => &healthy,
            };
            follow(measure, &drives, &work, &new_tyres, healthy)
        })
        .filter(|(m, _)| !m.points.is_empty())
        .collect();
    let (measures, of_measures): (Vec<MeasureTrend>, Vec<Vec<String>>) =
        followed.into_iter().unzip();
    notes.extend(of_measures.into_iter().flatten());
    notes.extend(wording::season_note(&drives, &measures));
    notes.extend(wording::odometer_note(&drives, &measures));
    let names: Vec<Measure> = measures.iter().map(|m| m.measure).collect();
    let mut warnings: Vec<(bool, String)> = measures
        .iter()
        .filter_map(|m| Some((!outlook::is_warned_of_first(m.measure), m.warning.clone()?)))
        .collect();
    warnings.sort_by_key(|(later, _)| *later);
    let of_tyres = tyre_changes.iter().map(|c| tyres::warning(c, &names));
    Trend {
        warnings: (of_tyres.chain(warnings.into_iter().map(|(_, text)| text))).collect(),
        drives,
        work,
        tyre_changes,
        healthy,
        measures,
        notes,
    }
}

/// One measure, and notes on it.
fn follow(
    measure: Measure,
    drives: &[TrendDrive],
    work: &[WorkMark],
    new_tyres: &[i64],
    healthy: &Result<Vec<usize>, String>,
) -> (MeasureTrend, Vec<String>) {
    let at_work = work.iter().map(|w| w.t_ns);
    let boundaries: Vec<i64> = at_work.chain(new_tyres.iter().copied()).collect();
    let course = Course::of(drives, measure, &boundaries);
    let change_points = steps::changes(&course, &boundaries);
    let since_ns = (change_points.iter().map(|c| c.t_ns))
        .chain(boundaries.iter().copied())
        .max();
    let band = band::band(&course, healthy);
    let outlook = outlook::outlook(measure, &course, since_ns, &band, healthy);
    let notes = (wording::drift_note(measure, &outlook, &band).into_iter())
        .chain(wording::unjudged_note(measure, &outlook))
        .collect();
    let followed = MeasureTrend {
        measure,
        work_steps: steps::work_steps(&course, work, &boundaries),
        since_ns: outlook.since_ns,
        warning: wording::warning(measure, &outlook, &band),
        knows_temperature: !outlook.knows_no_temperature,
        slope: outlook.slope,
        level: outlook.level,
        state: outlook.state,
        forecast: outlook.forecast,
        points: course.possible_points(),
        change_points,
        band,
    };
    (followed, notes)
}

/// Months between two stamps.
fn months(from_ns: i64, to_ns: i64) -> f64 {
    to_ns.saturating_sub(from_ns) as f64 / NS_PER_MONTH
}
