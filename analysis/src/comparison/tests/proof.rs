//! What the numbers of a comparison promise: shifts on logarithms, provable changes, and sets that were
//! driven unlike.

use super::campaigns::{Plan, campaign};
use super::{DELAY, PEAK, check_share, no_number_is_wild};
use crate::comparison::{Comparison, Verdict, compare};
use crate::measure::{Better, Measure};

/// Every provable change is one that could be, is of the size of its interval, and is missing only with
/// a reason.
fn provable_changes_make_sense(found: &Comparison) {
    for m in found
        .measures
        .iter()
        .filter(|m| m.verdict != Verdict::NotEnoughData)
    {
        let half = 0.5 * (m.ci_high.unwrap() - m.ci_low.unwrap());
        let level = m.level.unwrap();
        assert_eq!(
            m.p.unwrap() < level,
            m.verdict != Verdict::NoChangeShown,
            "{m:?}"
        );
        let Some(smallest) = m.smallest_provable else {
            assert!(
                m.why.as_ref().unwrap().contains("smallest provable"),
                "{m:?}"
            );
            continue;
        };
        let before = m.before_median.unwrap();
        let room = match m.measure.better() {
            Better::Higher => 1.0 - before,
            Better::Lower => before,
        };
        assert!(smallest > 0.0, "{m:?}");
        // The level at equal conditions lies near the median, not at it.
        assert!(m.measure == Measure::Hold || smallest < 1.5 * room, "{m:?}");
        assert!(smallest < 8.0 * half && smallest > 0.2 * half, "{m:?}");
    }
}

#[test]
fn provable_changes_could_be() {
    for drives in [(2, 2), (3, 2), (3, 3), (4, 4)] {
        for (seed, slip_change) in (90_000..90_012).zip([1.0, 0.5, 0.1].into_iter().cycle()) {
            let plan = Plan {
                drives,
                slip_change,
                ..Plan::USUAL
            };
            let made = campaign(&plan, seed);
            let found = compare(&made.before, &made.after);
            no_number_is_wild(&found);
            provable_changes_make_sense(&found);
        }
    }
}

/// A change as large as the provable one is shown in four cases of five.
#[test]
fn the_provable_change_is_shown_in_four_cases_of_five() {
    const CAMPAIGNS: usize = 60;
    let mut parts: Vec<f64> = (0..CAMPAIGNS as u64)
        .map(|seed| {
            let made = campaign(&Plan::USUAL, 91_000 + seed);
            let m = &compare(&made.before, &made.after).measures[DELAY];
            m.smallest_provable.unwrap() / m.before_median.unwrap()
        })
        .collect();
    parts.sort_by(f64::total_cmp);
    let plan = Plan {
        delay_change: 1.0 - parts[CAMPAIGNS / 2],
        ..Plan::USUAL
    };
    let shown = (0..CAMPAIGNS as u64).filter(|seed| {
        let made = campaign(&plan, 92_000 + seed);
        compare(&made.before, &made.after).measures[DELAY].verdict == Verdict::Reduced
    });
    check_share("shown", shown.count(), CAMPAIGNS, 0.75, 0.85);
}

/// Slip that is nearly gone: its shift is nearly all of the level before, and the interval holds it.
#[test]
fn large_reductions_on_logarithms_keep_their_size() {
    const CAMPAIGNS: usize = 50;
    let plan = Plan {
        slip_change: 0.1,
        ..Plan::USUAL
    };
    let (mut covered, mut bias) = (0, 0.0);
    for seed in 0..CAMPAIGNS as u64 {
        let made = campaign(&plan, 93_000 + seed);
        let m = &compare(&made.before, &made.after).measures[PEAK];
        let truth = made.truth[PEAK];
        covered += usize::from(m.ci_low.unwrap() <= truth && truth <= m.ci_high.unwrap());
        bias += (m.shift.unwrap() / truth - 1.0) / CAMPAIGNS as f64;
        assert_eq!(m.verdict, Verdict::Reduced, "{m:?}");
    }
    check_share("covered", covered, CAMPAIGNS, 0.90, 0.97);
    assert!(bias.abs() < 0.06, "{bias}");
}

/// Demand is one step, so only the accelerator says that the after set was driven harder.
#[test]
fn another_throttle_is_no_change_of_the_coupling() {
    let steps = Plan {
        demand_is_step: true,
        ..Plan::USUAL
    };
    let made = campaign(
        &Plan {
            further_after: 2.5,
            ..steps
        },
        94_000,
    );
    let found = compare(&made.before, &made.after);
    assert_eq!(found.verdict, Verdict::NotEnoughData, "{}", found.sentence);
    assert!(
        found.sentence.contains("accelerator position of the"),
        "{}",
        found.sentence
    );

    const CAMPAIGNS: usize = 40;
    for further_after in [1.1, 1.4] {
        let wrong = (0..CAMPAIGNS as u64).filter(|seed| {
            let plan = Plan {
                further_after,
                ..steps
            };
            let made = campaign(&plan, 94_100 + seed);
            let verdict = compare(&made.before, &made.after).verdict;
            matches!(verdict, Verdict::Reduced | Verdict::Increased)
        });
        check_share("wrong", wrong.count(), CAMPAIGNS, 0.0, 0.05);
    }
}

#[test]
fn engine_torque_stands_in_for_an_accelerator_that_is_not_there() {
    let plan = Plan {
        demand_is_step: true,
        further_after: 2.5,
        ..Plan::USUAL
    };
    let mut made = campaign(&plan, 95_000);
    for set in [&mut made.before, &mut made.after] {
        super::set_all(set, |e| {
            e.conditions.engine_torque_nm = e.conditions.accelerator_percent.map(|a| 4.0 * a);
            e.conditions.accelerator_percent = None;
        });
    }
    let found = compare(&made.before, &made.after);
    assert!(
        found.sentence.contains("engine torque of the"),
        "{}",
        found.sentence
    );
    assert!(found.warnings.is_empty(), "{:?}", found.warnings);
    for set in [&mut made.before, &mut made.after] {
        super::set_all(set, |e| e.conditions.engine_torque_nm = None);
    }
    let warnings = compare(&made.before, &made.after).warnings;
    assert!(
        warnings
            .iter()
            .any(|w| w.starts_with("accelerator position is missing")),
        "{warnings:?}"
    );
}

/// A part cut from a drive has learnt other radii, so its slips differ in their last digits.
#[test]
fn a_part_of_a_drive_is_not_compared_with_it() {
    let made = campaign(&Plan::USUAL, 96_000);
    let mut cut = made.before[1].clone();
    cut.name = "cut.pcapng".into();
    cut.duration_s *= 0.7;
    cut.frames = 7 * cut.frames / 10;
    cut.engagements.truncate(8);
    for engagement in &mut cut.engagements {
        if let Ok(slip) = &mut engagement.measures[PEAK] {
            slip.value *= 1.001;
        }
    }
    let mut after = made.after.clone();
    after.push(cut);
    let found = compare(&made.before, &after);
    assert_eq!((found.before.drives, found.after.drives), (3, 4));
    assert!(
        found
            .warnings
            .iter()
            .any(|w| w.contains("hold the same minutes of one drive")),
        "{:?}",
        found.warnings
    );
    // Another car of the same programme, at the same time, is another drive.
    let mut other = made.before[1].clone();
    super::set_all(std::slice::from_mut(&mut other), |e| {
        for m in [Measure::Ripple, Measure::Hold] {
            if let Ok(value) = &mut e.measures[m as usize] {
                value.value *= 1.01;
            }
        }
    });
    let mut after = made.after.clone();
    after.push(other);
    assert_eq!(compare(&made.before, &after).after.drives, 5);
}
