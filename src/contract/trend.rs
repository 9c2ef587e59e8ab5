//! JSON of `trend`.

use serde::Serialize;
use slipwright_analysis::book::{Due, Moment};
use slipwright_analysis::trend::{
    Band, ChangePoint, Forecast, MeasureTrend, OrStep, Point, Slope, Step, Trend, TyreChange,
    WorkMark,
};

use super::book::{ReminderOutput, reminders};
use crate::page::PageFiles;

/// `trend`: every measure over months and kilometres.
#[derive(Debug, Serialize)]
pub(crate) struct TrendOutput<'a> {
    drives: Vec<DriveOutput<'a>>,
    work: Vec<WorkOutput<'a>>,
    tyre_changes: Vec<TyreChangeOutput>,
    healthy: HealthyOutput<'a>,
    measures: Vec<MeasureOutput<'a>>,
    warnings: &'a [String],
    notes: &'a [String],
    judgeable: bool,
    /// Of the car's book; not there without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    reminders: Option<Vec<ReminderOutput<'a>>>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    failures: &'a [String],
    report: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pictures: Option<String>,
}

impl<'a> TrendOutput<'a> {
    pub(crate) fn new(
        trend: &'a Trend,
        failures: &'a [String],
        due: Option<&'a [Due]>,
        files: Option<&PageFiles>,
    ) -> Self {
        Self {
            drives: trend
                .drives
                .iter()
                .map(|drive| DriveOutput {
                    capture: &drive.name,
                    start_utc: Moment::second_text(drive.summary.start_ns),
                    duration_s: drive.summary.duration_s,
                    odometer_km: drive.odometer_km,
                    engagements: drive.summary.engagements.len(),
                    friction_work_j: drive.summary.friction_work_j(),
                })
                .collect(),
            work: trend.work.iter().map(WorkOutput::from).collect(),
            tyre_changes: (trend.tyre_changes.iter())
                .map(|change| TyreChangeOutput::new(change, trend))
                .collect(),
            healthy: HealthyOutput {
                drives: trend
                    .healthy
                    .iter()
                    .flatten()
                    .filter_map(|&index| Some(trend.drives.get(index)?.name.as_str()))
                    .collect(),
                why: trend.healthy.as_ref().err().map(String::as_str),
            },
            measures: trend
                .measures
                .iter()
                .map(|m| MeasureOutput::new(m, &trend.work))
                .collect(),
            warnings: &trend.warnings,
            notes: &trend.notes,
            judgeable: trend.is_judgeable(),
            reminders: due.map(reminders),
            failures,
            report: files.map(PageFiles::page),
            pictures: files.and_then(PageFiles::pictures),
        }
    }
}

#[derive(Debug, Serialize)]
struct DriveOutput<'a> {
    capture: &'a str,
    start_utc: String,
    duration_s: f64,
    odometer_km: Option<f64>,
    engagements: usize,
    friction_work_j: Option<f64>,
}

#[derive(Debug, Serialize)]
struct WorkOutput<'a> {
    name: &'a str,
    title: &'a str,
    utc: String,
    odometer_km: Option<f64>,
}

impl<'a> From<&'a WorkMark> for WorkOutput<'a> {
    fn from(work: &'a WorkMark) -> Self {
        Self {
            name: &work.name,
            title: &work.title,
            utc: Moment::second_text(work.t_ns),
            odometer_km: work.odometer_km,
        }
    }
}

/// A day on which the rolling radii changed.
#[derive(Debug, Serialize)]
struct TyreChangeOutput {
    /// The first drive after it.
    utc: String,
    /// The last drive before it.
    after_utc: String,
    odometer_km: Option<f64>,
    /// Change of each wheel's radius ratio; none where it did not step.
    front_left: Option<f64>,
    front_right: Option<f64>,
    rear_left: Option<f64>,
    rear_right: Option<f64>,
    /// Measures that are not compared across it.
    measures: Vec<&'static str>,
}

impl TyreChangeOutput {
    fn new(change: &TyreChange, trend: &Trend) -> Self {
        let [front_left, front_right, rear_left, rear_right] = change.shifts;
        let followed = trend.measures.iter().map(|m| m.measure);
        Self {
            utc: Moment::second_text(change.t_ns),
            after_utc: Moment::second_text(change.after_ns),
            odometer_km: change.odometer_km,
            front_left,
            front_right,
            rear_left,
            rear_right,
            measures: (followed.filter(|m| m.rests_on_tyres()))
                .map(|m| m.key())
                .collect(),
        }
    }
}

#[derive(Debug, Serialize)]
struct HealthyOutput<'a> {
    drives: Vec<&'a str>,
    why: Option<&'a str>,
}

#[derive(Debug, Serialize)]
struct MeasureOutput<'a> {
    name: &'static str,
    unit: &'static str,
    state: &'static str,
    level: Option<f64>,
    slope: SlopeOutput<'a>,
    change_points: Vec<ChangePointOutput>,
    work_steps: Vec<WorkStepOutput<'a>>,
    band: BandOutput<'a>,
    forecast: ForecastOutput<'a>,
    /// Whether the fluid's temperature is known; where it is not, intervals allow for the season.
    fluid_temperature_known: bool,
    warning: Option<&'a str>,
    points: Vec<PointOutput>,
}

impl<'a> MeasureOutput<'a> {
    fn new(m: &'a MeasureTrend, work: &'a [WorkMark]) -> Self {
        Self {
            name: m.measure.key(),
            unit: m.measure.unit(),
            state: m.state.text(),
            level: m.level,
            slope: SlopeOutput::new(&m.slope, m.since_ns),
            change_points: m
                .change_points
                .iter()
                .map(ChangePointOutput::from)
                .collect(),
            work_steps: m
                .work_steps
                .iter()
                .filter_map(|(index, step)| {
                    Some(WorkStepOutput {
                        work: &work.get(*index)?.name,
                        step: StepOutput::from(step),
                    })
                })
                .collect(),
            band: BandOutput::from(&m.band),
            forecast: ForecastOutput::from(&m.forecast),
            fluid_temperature_known: m.knows_temperature,
            warning: m.warning.as_deref(),
            points: m.points.iter().map(PointOutput::from).collect(),
        }
    }
}

#[derive(Debug, Default, Serialize)]
struct SlopeOutput<'a> {
    per_month: Option<f64>,
    ci_low_per_month: Option<f64>,
    ci_high_per_month: Option<f64>,
    per_1000_km: Option<f64>,
    ci_low_per_1000_km: Option<f64>,
    ci_high_per_1000_km: Option<f64>,
    drives: usize,
    since_utc: Option<String>,
    method: &'static str,
    /// Whether the season alone may account for it.
    may_be_season: bool,
    /// A step that explains the drives as well.
    or_step: Option<OrStepOutput>,
    why: Option<&'a str>,
}

#[derive(Debug, Serialize)]
struct OrStepOutput {
    utc: String,
    after_utc: String,
    shift: f64,
}

impl From<OrStep> for OrStepOutput {
    fn from(step: OrStep) -> Self {
        Self {
            utc: Moment::second_text(step.t_ns),
            after_utc: Moment::second_text(step.after_ns),
            shift: step.shift,
        }
    }
}

impl<'a> SlopeOutput<'a> {
    fn new(slope: &'a Result<Slope, String>, since_ns: Option<i64>) -> Self {
        let base = Self {
            since_utc: since_ns.map(Moment::second_text),
            method: "Theil-Sen, 95 % interval",
            ..Self::default()
        };
        match slope {
            Ok(slope) => Self {
                per_month: Some(slope.per_month),
                ci_low_per_month: Some(slope.per_month_interval.0),
                ci_high_per_month: Some(slope.per_month_interval.1),
                per_1000_km: slope.per_1000_km.map(|(value, _, _)| value),
                ci_low_per_1000_km: slope.per_1000_km.map(|(_, low, _)| low),
                ci_high_per_1000_km: slope.per_1000_km.map(|(_, _, high)| high),
                drives: slope.drives,
                may_be_season: slope.may_be_season,
                or_step: slope.or_step.map(OrStepOutput::from),
                ..base
            },
            Err(why) => Self {
                why: Some(why),
                ..base
            },
        }
    }
}

#[derive(Debug, Serialize)]
struct StepOutput {
    shift: f64,
    ci_low: Option<f64>,
    ci_high: Option<f64>,
    method: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<&'static str>,
}

/// How a step is measured.
const STEP_METHOD: &str =
    "at the day, between a line through the drives before and one through those after";

/// Why a step has no interval.
const TOO_FEW_FOR_AN_INTERVAL: &str =
    "too few drives beside it for a 95 % interval; 4 and 4, 3 and 5, or 2 and 8 would do";

impl From<&Step> for StepOutput {
    fn from(step: &Step) -> Self {
        Self {
            shift: step.shift,
            ci_low: step.interval.map(|(low, _)| low),
            ci_high: step.interval.map(|(_, high)| high),
            method: STEP_METHOD,
            why: step.interval.is_none().then_some(TOO_FEW_FOR_AN_INTERVAL),
        }
    }
}

#[derive(Debug, Serialize)]
struct ChangePointOutput {
    /// The first drive after the change.
    utc: String,
    /// The last drive before it.
    after_utc: String,
    odometer_km: Option<f64>,
    shift: Option<f64>,
    ci_low: Option<f64>,
    ci_high: Option<f64>,
}

impl From<&ChangePoint> for ChangePointOutput {
    fn from(change: &ChangePoint) -> Self {
        Self {
            utc: Moment::second_text(change.t_ns),
            after_utc: Moment::second_text(change.after_ns),
            odometer_km: change.odometer_km,
            shift: change.step.map(|s| s.shift),
            ci_low: change.step.and_then(|s| Some(s.interval?.0)),
            ci_high: change.step.and_then(|s| Some(s.interval?.1)),
        }
    }
}

#[derive(Debug, Serialize)]
struct WorkStepOutput<'a> {
    work: &'a str,
    #[serde(flatten)]
    step: StepOutput,
}

#[derive(Debug, Serialize)]
struct BandOutput<'a> {
    low: Option<f64>,
    middle: Option<f64>,
    high: Option<f64>,
    drives: usize,
    /// Change a month of the drives that set it, and the ends of its interval, where they were not
    /// steady.
    drift_per_month: Option<f64>,
    ci_low_drift_per_month: Option<f64>,
    ci_high_drift_per_month: Option<f64>,
    why: Option<&'a str>,
}

impl<'a> From<&'a Result<Band, String>> for BandOutput<'a> {
    fn from(band: &'a Result<Band, String>) -> Self {
        let of = |part: fn(&Band) -> f64| band.as_ref().ok().map(part);
        let drift = band.as_ref().ok().and_then(|b| b.drift);
        Self {
            low: of(|b| b.low),
            middle: of(|b| b.middle),
            high: of(|b| b.high),
            drives: band.as_ref().map_or(0, |b| b.drives),
            drift_per_month: drift.map(|(a_month, _, _)| a_month),
            ci_low_drift_per_month: drift.map(|(_, low, _)| low),
            ci_high_drift_per_month: drift.map(|(_, _, high)| high),
            why: band.as_ref().err().map(String::as_str),
        }
    }
}

#[derive(Debug, Serialize)]
struct ForecastOutput<'a> {
    limit: Option<f64>,
    months: Option<f64>,
    soonest_months: Option<f64>,
    latest_months: Option<f64>,
    utc: Option<String>,
    km: Option<f64>,
    odometer_km: Option<f64>,
    why: Option<&'a str>,
}

impl<'a> From<&'a Result<Forecast, String>> for ForecastOutput<'a> {
    fn from(forecast: &'a Result<Forecast, String>) -> Self {
        let known = forecast.as_ref().ok();
        Self {
            limit: known.map(|f| f.limit),
            months: known.map(|f| f.months),
            soonest_months: known.map(|f| f.soonest_months),
            latest_months: known.and_then(|f| f.latest_months),
            utc: known.map(|f| Moment::second_text(f.t_ns)),
            km: known.and_then(|f| f.km),
            odometer_km: known.and_then(|f| f.odometer_km),
            why: forecast.as_ref().err().map(String::as_str),
        }
    }
}

#[derive(Debug, Serialize)]
struct PointOutput {
    utc: String,
    odometer_km: Option<f64>,
    value: f64,
    u: Option<f64>,
    engagements: usize,
}

impl From<&Point> for PointOutput {
    fn from(point: &Point) -> Self {
        Self {
            utc: Moment::second_text(point.t_ns),
            odometer_km: point.odometer_km,
            value: point.value,
            u: point.u,
            engagements: point.engagements,
        }
    }
}
