//! Drives of a test card in changing weather, with known truth: a few launches and tip-ins a drive,
//! fluid as warm as the season and the day make it, and cold fluid slow.

use super::*;
use crate::engagement::{Conditions, Kind, Reference};
use crate::trial::Random;

/// 2025-01-06 08:00 UTC.
const START_NS: f64 = 1_736_150_400e9;

/// What happens over the months.
#[derive(Clone, Copy, Debug)]
pub(super) struct Months {
    pub(super) drives: usize,
    pub(super) days_between: f64,
    pub(super) creep_ms_a_month: f64,
    /// Creep once half of the drives are driven.
    pub(super) creep_after_ms_a_month: f64,
    /// Once, half-way through.
    pub(super) step_ms: f64,
    /// Share of the dead time that a kelvin takes off.
    pub(super) a_kelvin: f64,
    /// From midsummer's to the year's mean temperature, K.
    pub(super) season_k: f64,
    /// From drive to drive, K.
    pub(super) scatter_k: f64,
    /// From one engagement to the next, K.
    pub(super) warm_up_k: f64,
    /// Whether the bus carries it.
    pub(super) knows_temperature: bool,
    /// Whether tip-ins of some drives start 1.6 m/s slower; otherwise all are alike.
    pub(super) some_slower: bool,
}

/// Seven months of nothing.
pub(super) const QUIET: Months = Months {
    drives: 24,
    days_between: 9.0,
    creep_ms_a_month: 0.0,
    creep_after_ms_a_month: 0.0,
    step_ms: 0.0,
    a_kelvin: 0.0,
    season_k: 0.0,
    scatter_k: 4.0,
    warm_up_k: 0.0,
    knows_temperature: true,
    some_slower: false,
};
/// From summer to winter.
pub(super) const COOLING: Months = Months {
    a_kelvin: 0.003,
    season_k: 15.0,
    ..QUIET
};

impl Months {
    pub(super) fn creeping(self, creep_ms_a_month: f64) -> Self {
        Self {
            creep_ms_a_month,
            creep_after_ms_a_month: creep_ms_a_month,
            ..self
        }
    }

    pub(super) fn series(self, seed: u64) -> Vec<TrendDrive> {
        let mut random = Random::new(seed);
        let base_ms = random.between(50.0, 180.0);
        let tip_in_mps = random.between(4.0, 8.0);
        let mut days = 0.0;
        let mut creep_ms = 0.0;
        (0..self.drives)
            .map(|index| {
                let gap_days = self.days_between * random.between(0.4, 1.6);
                days += gap_days;
                // The step lies in the middle of its gap, and the creep changes there.
                let of_gap = match (2 * index).cmp(&self.drives) {
                    std::cmp::Ordering::Less => self.creep_ms_a_month,
                    std::cmp::Ordering::Greater => self.creep_after_ms_a_month,
                    std::cmp::Ordering::Equal => {
                        0.5 * (self.creep_ms_a_month + self.creep_after_ms_a_month)
                    }
                };
                creep_ms += of_gap * months(0, (gap_days * 86_400e9) as i64);
                let t_ns = (days * 86_400e9) as i64;
                let month = months(0, t_ns);
                let season = (std::f64::consts::TAU * month / 12.0).cos();
                let cold_k = -self.season_k * season + self.scatter_k * random.normal();
                let stepped = if 2 * index >= self.drives {
                    self.step_ms
                } else {
                    0.0
                };
                let new_ms = base_ms + creep_ms + stepped;
                let of_drive_ms = random.normal();
                let slower_mps = match self.some_slower && random.uniform() < 0.2 {
                    true => 1.6,
                    false => 0.0,
                };
                let engagements = (0..6)
                    .map(|k| {
                        let cold_k = cold_k - self.warm_up_k * f64::from(k);
                        let kind = [Kind::Launch, Kind::TipIn][k as usize % 2];
                        let speed_mps = match kind {
                            Kind::Launch => 0.0,
                            _ => tip_in_mps - slower_mps + 0.02 * random.normal(),
                        };
                        let dead_time_ms = new_ms * (1.0 + self.a_kelvin * cold_k)
                            + of_drive_ms
                            + 3.5 * random.normal();
                        EngagementSummary {
                            kind,
                            reference: Reference::Demand,
                            conditions: Conditions {
                                speed_mps: Some(speed_mps),
                                demand_step: Some(random.between(35.0, 100.0)),
                                accelerator_percent: Some(random.between(25.0, 90.0)),
                                fluid_temperature_c: Some((40.0 - cold_k).round())
                                    .filter(|_| self.knows_temperature),
                                ..Conditions::default()
                            },
                            values: Measure::each(|m| {
                                Some(dead_time_ms).filter(|_| m == Measure::DeadTime)
                            }),
                        }
                    })
                    .collect();
                TrendDrive {
                    name: index.to_string(),
                    summary: DriveSummary {
                        start_ns: START_NS as i64 + t_ns,
                        duration_s: 300.0,
                        engagements,
                        radius_ratios: [None; 4],
                    },
                    odometer_km: Some(50_000.0 + 40.0 * days),
                    healthy: false,
                }
            })
            .collect()
    }

    /// Follows so many series and counts what was said of them.
    #[expect(
        clippy::disallowed_macros,
        reason = "a test that prints the figures of DEVELOPERS.md"
    )]
    fn followed(self, seeds: std::ops::Range<u64>) -> Said {
        let mut said = Said::default();
        for seed in seeds {
            let drives = self.series(seed);
            let half = drives[self.drives / 2].summary.start_ns;
            let measured: Vec<f64> = drives
                .iter()
                .flat_map(|d| &d.summary.engagements)
                .filter_map(|e| e.value(Measure::DeadTime))
                .collect();
            let trend = trend(drives, Vec::new(), 8);
            let measure = &trend.measures[0];
            let level = measure.level.unwrap();
            let is_within =
                measured.iter().any(|v| *v <= level) && measured.iter().any(|v| *v >= level);
            let slope = measure.slope.as_ref().unwrap();
            let (low, high) = slope.per_month_interval;
            let warning = measure.warning.as_deref().unwrap_or_default();
            said.series += 1;
            let is_said = trend
                .notes
                .iter()
                .any(|n| n.contains("Fluid temperature is not"));
            assert_ne!(is_said, self.knows_temperature, "{:?}", trend.notes);
            said.levels_outside += usize::from(!is_within);
            said.covered += usize::from((low..=high).contains(&self.creep_ms_a_month));
            said.shown += usize::from(slope.is_shown());
            said.steps += usize::from(!measure.change_points.is_empty());
            let at_half = |c: &ChangePoint| (c.t_ns - half).abs() < 30 * 86_400_000_000_000;
            said.steps_at_half += usize::from(measure.change_points.iter().any(at_half));
            match measure.state {
                State::Outside | State::Leaving => said.firm += 1,
                State::Unknown => {
                    assert!(
                        warning.contains("fluid temperature ")
                            && warning.contains("cannot be told apart"),
                        "{warning}"
                    );
                    said.open += 1;
                }
                State::Inside => assert_eq!(warning, ""),
            }
            said.drifting += usize::from(measure.band.as_ref().unwrap().drift.is_some());
            said.or_steps += usize::from(slope.or_step.is_some());
        }
        eprintln!("{self:?}\n  {said:?}");
        said
    }
}

#[derive(Debug, Default)]
struct Said {
    series: usize,
    levels_outside: usize,
    /// Intervals of the slope that hold the truth.
    covered: usize,
    /// Slopes told from nought.
    shown: usize,
    steps: usize,
    steps_at_half: usize,
    /// Warnings of wear.
    firm: usize,
    /// Warnings that it may be the temperature.
    open: usize,
    /// Bands of drives that were not steady.
    drifting: usize,
    /// Slopes that a step explains as well.
    or_steps: usize,
}

impl Said {
    fn share(&self, count: usize) -> f64 {
        count as f64 / self.series as f64
    }
}

/// Kind and speed say nearly the same, and little of what speed does is known.
#[test]
fn conditions_that_hardly_differ_move_no_level() {
    for some_slower in [false, true] {
        let quiet = Months {
            some_slower,
            ..QUIET
        };
        let said = quiet.followed(31_000..31_100);
        assert_eq!(said.levels_outside, 0, "{said:?}");
        assert!(said.share(said.covered) >= 0.9, "{said:?}");
        assert!(said.share(said.firm + said.open) < 0.05, "{said:?}");
        let creeping = quiet.creeping(1.5);
        let said = creeping.followed(31_200..31_300);
        assert_eq!(said.levels_outside, 0, "{said:?}");
        assert!(said.share(said.covered) >= 0.9, "{said:?}");
        assert!(said.share(said.shown.min(said.firm)) >= 0.95, "{said:?}");
    }
}

#[test]
fn the_season_is_not_taken_for_wear() {
    let two_years = Months {
        drives: 40,
        days_between: 18.0,
        ..COOLING
    };
    let warming_up = Months {
        warm_up_k: 3.0,
        ..COOLING
    };
    for (cooling, seeds) in [
        (COOLING, 32_000..32_100),
        (two_years, 32_100..32_200),
        (warming_up, 32_200..32_300),
    ] {
        let said = cooling.followed(seeds);
        assert!(said.share(said.firm) < 0.05, "{said:?}");
        assert!(said.share(said.covered) >= 0.9, "{said:?}");
        assert!(said.share(said.steps) < 0.05, "{said:?}");
    }
    let creeping = COOLING.creeping(4.0);
    let said = creeping.followed(32_300..32_400);
    assert!(said.share(said.covered) >= 0.88, "{said:?}");
    assert!(said.share(said.firm) >= 0.9, "{said:?}");
}

/// Without a temperature what the season does is not warned of as wear; what is far more than a season
/// does, is.
#[test]
fn without_a_temperature_the_season_is_no_wear() {
    let blind = Months {
        knows_temperature: false,
        ..QUIET
    };
    let winter = Months {
        a_kelvin: 0.004,
        season_k: 12.0,
        ..blind
    };
    let year = Months {
        days_between: 15.0,
        ..winter
    };
    for (quiet, seeds) in [
        (blind, 33_100..33_200),
        (winter, 33_200..33_300),
        (year, 33_300..33_400),
    ] {
        let said = quiet.followed(seeds);
        assert!(said.share(said.firm) < 0.05, "{said:?}");
        assert!(said.share(said.covered) >= 0.9, "{said:?}");
    }
    for (creeping, seeds) in [
        (winter.creeping(5.0), 33_400..33_500),
        (year.creeping(2.0), 33_500..33_600),
        (year.creeping(5.0), 33_600..33_700),
    ] {
        let said = creeping.followed(seeds);
        assert!(said.share(said.covered) >= 0.9, "{said:?}");
        assert!(said.share(said.firm) >= 0.8, "{said:?}");
    }
}

/// Where temperature and time run together nobody can tell what either does.
#[test]
fn what_cannot_be_told_from_the_season_is_left_open() {
    let smooth = Months {
        scatter_k: 0.3,
        ..COOLING
    };
    let said = smooth.followed(33_000..33_100);
    assert!(said.share(said.firm) < 0.03, "{said:?}");
    assert!(said.share(said.covered) >= 0.9, "{said:?}");
    assert!(said.open > 0, "{said:?}");
}

#[test]
fn a_step_is_no_creep_and_a_creep_no_step() {
    let step = |step_ms: f64| Months { step_ms, ..QUIET };
    let small = step(6.0).followed(34_000..34_100);
    assert!(small.share(small.steps_at_half) >= 0.5, "{small:?}");
    let large = step(15.0).followed(34_100..34_200);
    assert!(large.share(large.steps_at_half) >= 0.95, "{large:?}");
    // What is not told as a step is told as a slope that a step explains as well.
    assert!(10 * small.or_steps >= 9 * small.shown, "{small:?}");
    for creep_ms_a_month in [0.0, 0.7, 1.5, 4.0] {
        let creeping = QUIET.creeping(creep_ms_a_month);
        let said = creeping.followed(34_200..34_300);
        assert!(said.share(said.steps) < 0.05, "{said:?}");
        let is_plain = creep_ms_a_month >= 4.0;
        assert!(!is_plain || said.share(said.or_steps) < 0.05, "{said:?}");
    }
}
