//! A repair of known size on drives of a test card that creep before and after it.

use super::condition_tests::{COOLING, Months, QUIET};
use super::*;

/// What was said of the step half-way.
#[derive(Debug, Default)]
struct Repaired {
    series: usize,
    found: usize,
    covered: usize,
    /// Mean error of the size, ms.
    bias_ms: f64,
    /// Mean half width of the interval, ms.
    half_width_ms: f64,
}

impl Months {
    /// Follows so many series, the step marked as work or not.
    #[expect(
        clippy::disallowed_macros,
        reason = "a test that prints the figures of DEVELOPERS.md"
    )]
    fn repaired(self, seeds: std::ops::Range<u64>, is_marked: bool) -> Repaired {
        let mut said = Repaired::default();
        for seed in seeds {
            let drives = self.series(seed);
            let at = |index: usize| drives[index].summary.start_ns;
            let (last, next) = (at(self.drives / 2 - 1), at(self.drives / 2));
            let work = WorkMark {
                name: "repair".to_owned(),
                title: "repair".to_owned(),
                details: Vec::new(),
                t_ns: last + (next - last) / 2,
                odometer_km: None,
            };
            let work: Vec<WorkMark> = is_marked.then_some(work).into_iter().collect();
            let trend = trend(drives, work, 8);
            let measure = &trend.measures[0];
            let unmarked = measure.change_points.iter();
            let step = match is_marked {
                true => measure.work_steps.first().map(|(_, step)| *step),
                false => unmarked.filter(|c| c.t_ns == next).find_map(|c| c.step),
            };
            said.series += 1;
            let Some(step) = step else { continue };
            said.found += 1;
            let (low, high) = step.interval.unwrap();
            said.covered += usize::from((low..=high).contains(&self.step_ms));
            said.bias_ms += step.shift - self.step_ms;
            said.half_width_ms += 0.5 * (high - low);
        }
        said.bias_ms /= said.found as f64;
        said.half_width_ms /= said.found as f64;
        eprintln!("{self:?}, marked {is_marked}\n  {said:?}");
        said
    }
}

/// What the work changed is measured at the day; what crept before and after is not in it.
#[test]
fn a_repair_is_measured_without_the_creep_on_either_side() {
    let repair = Months {
        step_ms: -30.0,
        ..QUIET
    };
    let cured = Months {
        creep_ms_a_month: 5.0,
        ..repair
    };
    let sessions = Months {
        drives: 8,
        days_between: 0.2,
        ..repair
    };
    let rows = [
        (repair, true),
        (repair.creeping(5.0), true),
        (repair.creeping(10.0), true),
        (cured, true),
        (sessions, true),
        (Months { drives: 8, ..cured }, true),
        (
            Months {
                step_ms: 0.0,
                ..QUIET.creeping(5.0)
            },
            true,
        ),
        (
            Months {
                step_ms: -30.0,
                ..COOLING.creeping(4.0)
            },
            true,
        ),
        (repair, false),
        (repair.creeping(5.0), false),
        (cured, false),
    ];
    for ((months, is_marked), seeds) in rows.into_iter().zip((35_000..).step_by(100)) {
        let said = months.repaired(seeds..seeds + 100, is_marked);
        assert!(said.found >= 95, "{said:?}");
        assert!(said.bias_ms.abs() < 0.2 * said.half_width_ms, "{said:?}");
        assert!(said.covered * 100 >= 90 * said.found, "{said:?}");
    }
}
