//! Simulated years with known truth.

use super::*;
use crate::engagement::{Conditions, Kind, Reference};
use crate::statistics::quantile;
use crate::trial::Random;

/// 2025-01-06 08:00 UTC.
pub(super) const START_NS: i64 = 1_736_150_400_000_000_000;
pub(super) const WEEK_NS: i64 = 7 * 86_400_000_000_000;
const KM_A_WEEK: f64 = 300.0;

fn engagement(dead_time_ms: f64) -> EngagementSummary {
    EngagementSummary {
        kind: Kind::Launch,
        reference: Reference::Demand,
        conditions: Conditions::default(),
        values: Measure::each(|measure| match measure {
            Measure::DeadTime => Some(dead_time_ms),
            Measure::FrictionWork => Some(2_000.0),
            _ => None,
        }),
    }
}

/// Weekly drives. Dead time falls 1 ms a degree, and the fluid is warmer in summer; launches are
/// 12 ms slower than tip-ins, and their share changes from drive to drive.
pub(super) fn years(weeks: usize, seed: u64, dead_time_ms: impl Fn(f64) -> f64) -> Vec<TrendDrive> {
    let mut random = Random::new(seed);
    (0..weeks)
        .map(|week| {
            let season = (std::f64::consts::TAU * week as f64 / 52.0).sin();
            let of_drive = 1.5 * random.normal();
            let launches = 2 + (random.uniform() * 10.0) as usize;
            let engagements = (0..14)
                .map(|index| {
                    let temperature = 45.0 + 12.0 * season + 2.0 * index as f64 + random.normal();
                    let launch = index % 14 < launches;
                    let value = dead_time_ms(week as f64) + of_drive - (temperature - 58.0)
                        + if launch { 12.0 } else { 0.0 }
                        + 2.0 * random.normal();
                    EngagementSummary {
                        kind: if launch { Kind::Launch } else { Kind::TipIn },
                        conditions: Conditions {
                            fluid_temperature_c: Some(temperature),
                            ..Conditions::default()
                        },
                        ..engagement(value)
                    }
                })
                .collect();
            TrendDrive {
                name: format!("week {week}"),
                summary: DriveSummary {
                    start_ns: START_NS + week as i64 * WEEK_NS,
                    duration_s: 600.0,
                    engagements,
                    radius_ratios: [None; 4],
                },
                odometer_km: Some(100_000.0 + KM_A_WEEK * week as f64),
                healthy: false,
            }
        })
        .collect()
}

pub(super) fn dead_time(trend: &Trend) -> &MeasureTrend {
    let of = |m: &&MeasureTrend| m.measure == Measure::DeadTime;
    trend.measures.iter().find(of).unwrap()
}

fn per_month(per_week: f64) -> f64 {
    per_week * NS_PER_MONTH / WEEK_NS as f64
}

#[test]
fn a_car_that_stays_well_is_left_in_peace() {
    let (mut warned, mut changed, mut covered) = (0, 0, 0);
    for seed in 0..100 {
        let trend = trend(years(104, seed, |_| 80.0), Vec::new(), 8);
        let measure = dead_time(&trend);
        warned += usize::from(!trend.warnings.is_empty());
        changed += usize::from(!measure.change_points.is_empty());
        if let Ok(slope) = &measure.slope {
            let (low, high) = slope.per_month_interval;
            covered += usize::from(low <= 0.0 && high >= 0.0);
        }
    }
    assert!(warned <= 5, "{warned} of 100 warned");
    assert!(changed <= 8, "{changed} of 100 changed");
    assert!(covered >= 88, "{covered} of 100 intervals hold the truth");
}

/// The level of the commoner kind at its own median temperature: launches are 12 ms above tip-ins,
/// and dead time is told for 58 °C.
fn base_ms(trend: &Trend, at_first_ms: f64) -> f64 {
    let all = || trend.drives.iter().flat_map(|d| &d.summary.engagements);
    let of = |kind: Kind| -> Vec<f64> {
        let own = all().filter(|e| e.kind == kind);
        own.filter_map(|e| e.conditions.fluid_temperature_c)
            .collect()
    };
    let (launches, tip_ins) = (of(Kind::Launch), of(Kind::TipIn));
    let (own, above_ms) = match launches.len().cmp(&tip_ins.len()) {
        std::cmp::Ordering::Greater => (launches, 12.0),
        _ => (tip_ins, 0.0),
    };
    at_first_ms + above_ms - (quantile::median(&own).unwrap() - 58.0)
}

#[test]
fn wear_is_warned_of_in_time_and_its_date_is_near() {
    // A third of a millisecond a month: slow, and far smaller than what the seasons do.
    let per_week = 0.08;
    let truth = |week: f64| 80.0 + per_week * week;
    let (mut covered, mut leaving, mut near, mut forecasts) = (0, 0, 0, 0);
    for seed in 200..240 {
        let trend = trend(years(60, seed, truth), Vec::new(), 8);
        let measure = dead_time(&trend);
        let slope = measure.slope.as_ref().unwrap();
        let (low, high) = slope.per_month_interval;
        covered += usize::from((low..=high).contains(&per_month(per_week)));
        leaving += usize::from(measure.state != State::Inside);
        let Ok(forecast) = &measure.forecast else {
            continue;
        };
        forecasts += 1;
        // The true level meets the limit at this week.
        let true_week = (forecast.limit - base_ms(&trend, 80.0)) / per_week;
        let true_months = (true_week - 59.0) / per_month(1.0);
        near += usize::from((forecast.months - true_months).abs() < 3.0);
        let km = forecast.km.unwrap();
        let driven = KM_A_WEEK * per_month(forecast.months);
        assert!((km - driven).abs() < 0.01 * driven + 1.0, "{km} {driven}");
        assert!(forecast.soonest_months <= forecast.months);
    }
    assert!(covered >= 34, "{covered} of 40 intervals hold the truth");
    assert!(leaving >= 32, "{leaving} of 40 are on their way or out");
    assert!(
        forecasts >= 15 && 10 * near >= 6 * forecasts,
        "{near} of {forecasts} forecasts are near the truth"
    );
}

#[test]
fn a_step_between_drives_is_dated_and_measured() {
    for seed in 300..320 {
        let truth = |week: f64| if week < 70.0 { 80.0 } else { 95.0 };
        let trend = trend(years(104, seed, truth), Vec::new(), 8);
        let measure = dead_time(&trend);
        let change = measure
            .change_points
            .iter()
            .find(|c| (c.t_ns - (START_NS + 70 * WEEK_NS)).abs() <= WEEK_NS);
        let step = change
            .unwrap_or_else(|| panic!("seed {seed}: {:?}", measure.change_points))
            .step
            .unwrap();
        let (low, high) = step.interval.unwrap();
        assert!((low - 1.0..=high + 1.0).contains(&15.0), "{step:?}");
        assert_eq!(measure.state, State::Outside);
        assert!(
            trend.warnings[0].starts_with("Dead time is above its band"),
            "{:?}",
            trend.warnings
        );
    }
}

#[test]
fn work_is_no_finding_and_its_effect_is_measured() {
    let at = START_NS + 50 * WEEK_NS - WEEK_NS / 2;
    let work = WorkMark {
        name: "rebuild".to_owned(),
        title: "pack rebuilt".to_owned(),
        details: Vec::new(),
        t_ns: at,
        odometer_km: Some(115_000.0),
    };
    for seed in 400..410 {
        let truth = |week: f64| if week < 50.0 { 110.0 } else { 80.0 };
        let trend = trend(years(104, seed, truth), vec![work.clone()], 8);
        let measure = dead_time(&trend);
        assert!(
            measure
                .change_points
                .iter()
                .all(|c| (c.t_ns - at).abs() > 2 * WEEK_NS)
        );
        let [(0, step)] = measure.work_steps[..] else {
            panic!("{:?}", measure.work_steps)
        };
        let (low, high) = step.interval.unwrap();
        assert!((low - 1.0..=high + 1.0).contains(&-30.0), "{step:?}");
        // The band is that of the car after the work.
        let band = measure.band.as_ref().unwrap();
        assert!(
            (band.middle - base_ms(&trend, 80.0)).abs() < 3.0,
            "{band:?}"
        );
        assert_eq!(trend.healthy.as_ref().unwrap()[0], 50);
    }
}

/// Three drives before and three after hold the truth between their extremes with 90 % only.
#[test]
fn a_step_between_few_drives_has_no_interval() {
    let truth = |week: f64| if week < 3.0 { 110.0 } else { 80.0 };
    for (weeks, has_interval) in [(6, false), (8, true)] {
        let work = WorkMark {
            name: "rebuild".to_owned(),
            title: "pack rebuilt".to_owned(),
            details: Vec::new(),
            t_ns: START_NS + 3 * WEEK_NS - WEEK_NS / 2,
            odometer_km: None,
        };
        let trend = trend(years(weeks, 7, truth), vec![work], 8);
        let [(0, step)] = dead_time(&trend).work_steps[..] else {
            panic!("{:?}", dead_time(&trend).work_steps)
        };
        assert!((step.shift + 30.0).abs() < 10.0, "{step:?}");
        assert_eq!(step.interval.is_some(), has_interval, "{step:?}");
    }
}

#[test]
fn too_few_drives_say_so() {
    let trend = trend(years(4, 1, |_| 80.0), Vec::new(), 8);
    let measure = dead_time(&trend);
    assert_eq!(measure.state, State::Unknown);
    assert!(!trend.is_judgeable());
    assert!(measure.band.as_ref().unwrap_err().contains("only 4 drives"));
    assert!(measure.slope.is_err() && measure.forecast.is_err());
    let nothing = super::trend(Vec::new(), Vec::new(), 8);
    assert!(nothing.measures.is_empty() && nothing.warnings.is_empty());
}

#[test]
fn marked_drives_set_the_band() {
    let mut drives = years(30, 9, |week| if week < 10.0 { 110.0 } else { 80.0 });
    for drive in &mut drives[12..20] {
        drive.healthy = true;
    }
    let trend = trend(drives, Vec::new(), 8);
    assert_eq!(trend.healthy, Ok((12..20).collect()));
}

/// Weather must not pass for wear, nor wear for weather.
#[test]
fn what_a_condition_does_is_taken_out() {
    let points = Course::of(&years(104, 500, |_| 80.0), Measure::DeadTime, &[]).points;
    let values: Vec<f64> = points.iter().map(|p| p.value).collect();
    let spread = crate::statistics::spread::robust_sd(&values).unwrap();
    // Twelve degrees of season would spread the drives by 8 ms; they differ by 1.5 ms.
    assert!(spread < 2.5, "{spread}");
    assert_eq!(points.len(), 104);
    assert!(
        points
            .iter()
            .all(|p| p.u.is_some_and(|u| u > 0.0) && p.engagements == 14)
    );
}

/// A course is looked for in one pass: drive by drive in all engagements this would take minutes.
#[test]
fn a_fleet_of_drives_is_followed_in_a_moment() {
    let drive = |index: usize| {
        let engagement = engagement(80.0 + (index % 7) as f64);
        TrendDrive {
            name: String::new(),
            summary: DriveSummary {
                start_ns: START_NS + index as i64,
                duration_s: 600.0,
                engagements: vec![engagement; 2],
                radius_ratios: [None; 4],
            },
            odometer_km: None,
            healthy: false,
        }
    };
    let drives: Vec<TrendDrive> = (0..200_000).map(drive).collect();
    let points = Course::of(&drives, Measure::DeadTime, &[]).points;
    assert_eq!(points.len(), drives.len());
    for (index, point) in points.iter().enumerate() {
        let value = 80.0 + (index % 7) as f64;
        assert_eq!(
            (point.drive, point.engagements, point.value),
            (index, 2, value)
        );
    }
}
