//! The comparison against campaigns whose truth is known; `proof`: what its numbers promise;
//! `wrong_input`: against others.

pub(crate) mod campaigns;
mod proof;
mod wrong_input;

use super::*;
use crate::engagement::{Kind, Reference};
use crate::measure::{Estimate, Missing};
use crate::measures::Engagement;
use campaigns::{Plan, Tails, campaign};
use proptest::prelude::*;

const DELAY: usize = Measure::EngagementDelay as usize;
const PEAK: usize = Measure::PeakSlip as usize;

fn set_all(drives: &mut [DriveMeasures], change: impl Fn(&mut Engagement)) {
    drives
        .iter_mut()
        .flat_map(|d| &mut d.engagements)
        .for_each(change);
}

fn no_number_is_wild(comparison: &Comparison) {
    for m in &comparison.measures {
        let numbers = [
            m.before_median,
            m.after_median,
            m.shift,
            m.ci_low,
            m.ci_high,
            m.p,
            m.p_holm,
            m.level,
            m.smallest_provable,
        ];
        assert!(numbers.iter().flatten().all(|v| v.is_finite()), "{m:?}");
        let has_verdict = m.verdict != Verdict::NotEnoughData;
        assert_eq!(has_verdict, m.p_holm.is_some(), "{m:?}");
        assert!(has_verdict || m.why.is_some(), "{m:?}");
        if let (Some(shift), Some(low), Some(high)) = (m.shift, m.ci_low, m.ci_high) {
            assert!(low <= shift && shift <= high, "{m:?}");
        }
    }
    assert_eq!(comparison.measures.len(), Measure::COUNT);
    assert!(!comparison.sentence.contains("NaN") && comparison.sentence.ends_with('.'));
}

#[test]
fn a_true_reduction_is_found_with_its_size() {
    let plan = Plan {
        delay_change: 0.8,
        ..Plan::USUAL
    };
    let made = campaign(&plan, 11);
    let found = compare(&made.before, &made.after);
    no_number_is_wild(&found);
    assert_eq!(found.verdict, Verdict::Reduced);
    let delay = &found.measures[DELAY];
    assert_eq!(delay.verdict, Verdict::Reduced);
    let (low, high) = (delay.ci_low.unwrap(), delay.ci_high.unwrap());
    assert!(
        low < made.truth[DELAY] && made.truth[DELAY] < high,
        "{delay:?}"
    );
    assert!(delay.pairs > 20 && delay.pairs <= 48, "{delay:?}");
    insta::assert_snapshot!(found.sentence, @"Reduced: engagement delay by 16.0 ms (95 % interval 9.8 to 22.2 ms; median 92.2 ms before, 72.2 ms after), over 32 matched pairs of engagements from 4 drives before and 4 drives after.");
}

#[test]
fn no_change_shown_says_what_would_have_been() {
    let made = campaign(&Plan::USUAL, 12);
    let found = compare(&made.before, &made.after);
    assert_eq!(found.verdict, Verdict::NoChangeShown);
    insta::assert_snapshot!(found.sentence, @"No change shown: engagement delay moved by 0.8 ms (95 % interval −4.0 to 5.6 ms), where these drives would have shown a change of 7.3 ms four times out of five, over 36 matched pairs of engagements from 4 drives before and 4 drives after; a smaller change may still be there.");
}

#[test]
fn better_and_worse_at_once_is_no_improvement() {
    let plan = Plan {
        delay_change: 0.7,
        slip_change: 1.8,
        ..Plan::USUAL
    };
    let made = campaign(&plan, 27);
    let found = compare(&made.before, &made.after);
    assert_eq!(found.measures[DELAY].verdict, Verdict::Reduced);
    assert_eq!(found.measures[PEAK].verdict, Verdict::Increased);
    assert_eq!(found.verdict, Verdict::NoChangeShown);
    assert!(
        found
            .sentence
            .starts_with("Mixed, so no improvement is shown: engagement delay by")
    );
}

#[test]
fn one_drive_a_side_gives_numbers_but_no_verdict() {
    let plan = Plan {
        drives: (1, 1),
        delay_change: 0.8,
        ..Plan::USUAL
    };
    let made = campaign(&plan, 13);
    let found = compare(&made.before, &made.after);
    no_number_is_wild(&found);
    assert_eq!(found.verdict, Verdict::NotEnoughData);
    let delay = &found.measures[DELAY];
    assert!(delay.shift.unwrap() < 0.0 && delay.before_median.is_some());
    assert_eq!((delay.ci_low, delay.p), (None, None));
    insta::assert_snapshot!(found.sentence, @"Not enough data: engagement delay: a side of one drive (1 before, 1 after) cannot tell the work from the day; record at least 2, better 4, drives on each side under like conditions; by the spread within the drives alone the shift would lie between −26 and −11 ms.");
}

#[test]
fn sets_at_other_temperatures_are_not_compared() {
    let plan = Plan {
        warmer_after_k: 60.0,
        delay_change: 0.5,
        ..Plan::USUAL
    };
    let made = campaign(&plan, 14);
    let found = compare(&made.before, &made.after);
    no_number_is_wild(&found);
    assert_eq!(found.verdict, Verdict::NotEnoughData);
    assert!(
        found
            .measures
            .iter()
            .all(|m| m.shift.is_none() && m.pairs == 0)
    );
    insta::assert_snapshot!(found.sentence, @"Not enough data: engagement delay: no engagement has a counterpart under like conditions (fluid temperature of the launches is 43.1 to 57.2 °C before and 102 to 117 °C after; fluid temperature of the tip-ins is 42.1 to 55.6 °C before and 104 to 118 °C after); the medians are over all engagements.");
}

#[test]
fn references_are_never_mixed() {
    let mut made = campaign(
        &Plan {
            delay_change: 0.5,
            ..Plan::USUAL
        },
        15,
    );
    set_all(&mut made.after, |e| e.reference = Reference::Slip);
    let found = compare(&made.before, &made.after);
    assert_eq!(found.verdict, Verdict::NotEnoughData);
    assert!(
        found.measures[DELAY]
            .why
            .as_ref()
            .unwrap()
            .contains("timed from demand")
    );
    assert!(
        found.warnings.iter().any(|w| w.contains("never compared")),
        "{:?}",
        found.warnings
    );
}

#[test]
fn kinds_are_never_mixed() {
    let mut made = campaign(&Plan::USUAL, 16);
    set_all(&mut made.before, |e| e.kind = Kind::Launch);
    set_all(&mut made.after, |e| e.kind = Kind::TurnIn);
    let found = compare(&made.before, &made.after);
    assert_eq!(found.measures[DELAY].pairs, 0);
    assert_eq!(found.verdict, Verdict::NotEnoughData);
}

#[test]
fn one_sided_measures_say_why() {
    let mut made = campaign(&Plan::USUAL, 17);
    let role = slipwright_decoders::role::Role::ALL[0];
    set_all(&mut made.after, |e| {
        e.measures[DELAY] = Err(Missing::Role(role))
    });
    let found = compare(&made.before, &made.after);
    assert_eq!(found.measures[DELAY].verdict, Verdict::NotEnoughData);
    assert!(found.measures[DELAY].before_median.is_some());
    assert_eq!(found.measures[DELAY].after_median, None);
    let warning = found
        .warnings
        .iter()
        .find(|w| w.contains("missing in all"))
        .unwrap();
    assert!(warning.contains("no valid"), "{warning}");
    // The others are still judged.
    assert_eq!(found.measures[PEAK].verdict, Verdict::NoChangeShown);
}

#[test]
fn swapping_the_sets_mirrors_the_shift() {
    let made = campaign(
        &Plan {
            delay_change: 0.9,
            ..Plan::USUAL
        },
        21,
    );
    let (there, back) = (
        compare(&made.before, &made.after),
        compare(&made.after, &made.before),
    );
    for (x, y) in there.measures.iter().zip(&back.measures) {
        let (x_shift, y_shift) = (x.shift.unwrap(), y.shift.unwrap());
        let width = x.ci_high.unwrap() - x.ci_low.unwrap();
        assert!((x_shift + y_shift).abs() < 1e-3 * width, "{x:?} {y:?}");
        assert_eq!(x.pairs, y.pairs);
    }
}

#[test]
fn another_pedal_is_told() {
    let mut made = campaign(&Plan::USUAL, 43);
    let told = |made: &campaigns::Campaign| {
        let warnings = compare(&made.before, &made.after).warnings;
        let of = |w: &&String| w.starts_with("accelerator position of launches is unlike");
        warnings.iter().find(of).cloned()
    };
    assert_eq!(told(&made), None);
    set_all(&mut made.after, |e| {
        if let Some(percent) = &mut e.conditions.accelerator_percent {
            *percent += 25.0;
        }
    });
    assert!(told(&made).unwrap().contains("poses as the work"));
}

/// Slip time ends at a tenth of slip's own peak, so a better lining lengthens it; and what only explains is
/// told where slip and delay show nothing.
#[test]
fn a_longer_slip_time_is_nothing_against_a_smaller_peak() {
    let made = campaign(&Plan::USUAL, 41);
    let mut found = compare(&made.before, &made.after);
    let mut say = |measure: Measure, verdict, before: f64, shift: f64| {
        let m = &mut found.measures[measure as usize];
        m.verdict = verdict;
        (m.before_median, m.after_median) = (Some(before), Some(before + shift));
        (m.shift, m.ci_low, m.ci_high) = (Some(shift), Some(shift - 0.1), Some(shift + 0.1));
    };
    for measure in family::PROOF {
        say(measure, Verdict::NoChangeShown, 10.0, 0.0);
    }
    say(Measure::SlipTime, Verdict::Increased, 300.0, 40.0);
    say(Measure::PeakSlip, Verdict::Reduced, 0.4, -1.5);
    assert_eq!(family::overall(&found.measures), Verdict::Reduced);
    found.verdict = Verdict::Reduced;
    insta::assert_snapshot!(wording::sentence(&found), @"Reduced: peak slip by 1.50 m/s (95 % interval 1.40 to 1.60 m/s; the engagements differ too much for one middle value to tell of them), over 32 matched pairs of engagements from 4 drives before and 4 drives after. Slip time is longer, because it ends at a tenth of a peak that is smaller now.");
    let verdict = |found: &mut Comparison, measure: Measure, verdict| {
        found.measures[measure as usize].verdict = verdict;
        family::overall(&found.measures)
    };
    let alone = verdict(&mut found, Measure::PeakSlip, Verdict::NoChangeShown);
    assert_eq!(alone, Verdict::Increased);
    found.verdict = verdict(&mut found, Measure::SlipTime, Verdict::NoChangeShown);
    assert_eq!(found.verdict, Verdict::NoChangeShown);
    assert!(!wording::sentence(&found).contains("beside"));
    verdict(&mut found, Measure::FrictionWork, Verdict::Reduced);
    verdict(&mut found, Measure::FrictionWorkPerArea, Verdict::Reduced);
    let said = wording::sentence(&found);
    let (_, beside) = said
        .split_once(" Shown beside that: friction work by ")
        .unwrap();
    assert!(
        beside.ends_with(" reduced.") && !beside.contains("area"),
        "{said}"
    );
}

#[test]
fn bedding_in_is_found_and_does_not_pose_as_noise() {
    let plan = Plan {
        drives: (4, 6),
        bedding_in: 0.4,
        delay_change: 0.9,
        ..Plan::USUAL
    };
    let mut said = 0;
    for seed in 0..10 {
        let made = campaign(&plan, 300 + seed);
        let found = compare(&made.before, &made.after);
        no_number_is_wild(&found);
        said += usize::from(
            found
                .warnings
                .iter()
                .any(|w| w.starts_with("engagement delay still falls")),
        );
    }
    assert!(said >= 8, "{said}");
}

#[test]
fn ten_thousand_engagements_take_little_time() {
    let plan = Plan {
        drives: (300, 300),
        launches: (10, 10),
        tip_ins: (6, 7),
        ..Plan::SMALL
    };
    let made = campaign(
        &Plan {
            delay_change: 0.98,
            ..plan
        },
        26,
    );
    let found = compare(&made.before, &made.after);
    no_number_is_wild(&found);
    assert!(found.before.engagements > 4_500);
    assert_eq!(found.measures[DELAY].verdict, Verdict::Reduced);
}

/// Engagements that lack a measure are not among those it was compared on, and all are told by their
/// places in the sets as given, in whatever order those come.
#[test]
fn every_measure_says_what_it_was_compared_on() {
    let mut made = campaign(&Plan::USUAL, 33);
    for drive in &mut made.before {
        drive.engagements[1].measures[DELAY] = Err(Missing::SlipInNoise);
    }
    let found = compare(&made.before, &made.after);
    for m in &found.measures {
        for (set, compared) in [&made.before, &made.after].into_iter().zip(&m.compared) {
            assert!(compared.is_sorted());
            for at in compared {
                let engagement = &set[at.drive].engagements[at.engagement];
                assert!(engagement.estimate(m.measure).is_some(), "{}", m.measure);
            }
        }
        assert_eq!(m.matched.len(), m.pairs);
        for pair in &m.matched {
            assert!(m.compared[0].contains(&pair.before) && m.compared[1].contains(&pair.after));
        }
    }
    let second = |m: &MeasureComparison| m.compared[0].iter().any(|at| at.engagement == 1);
    assert!(!second(&found.measures[DELAY]) && second(&found.measures[PEAK]));

    made.before.reverse();
    let turned = compare(&made.before, &made.after);
    let last = made.before.len() - 1;
    for (m, other) in found.measures.iter().zip(&turned.measures) {
        let turn = |at: &EngagementPosition| EngagementPosition {
            drive: last - at.drive,
            ..*at
        };
        let mut there: Vec<EngagementPosition> = m.compared[0].iter().map(turn).collect();
        there.sort_unstable();
        assert_eq!(there, other.compared[0], "{}", m.measure);
        assert_eq!(m.compared[1], other.compared[1], "{}", m.measure);
    }
}

/// A share of `count` campaigns, with the most that chance explains (3 binomial standard errors).
fn check_share(what: &str, hits: usize, count: usize, low: f64, high: f64) {
    let slack = |share: f64| 3.0 * (share * (1.0 - share) / count as f64).sqrt();
    let share = hits as f64 / count as f64;
    assert!(
        share >= low - slack(low) && share <= high + slack(high),
        "{what}: {share}"
    );
}

/// The calibration study in small; `examples/comparison_calibration.rs` is the whole.
#[test]
fn unchanged_campaigns_are_rarely_called_changed_and_intervals_cover() {
    const CAMPAIGNS: usize = 50;
    for (name, plan) in [
        ("usual", Plan::USUAL),
        ("three drives", Plan::SMALL),
        (
            "heavy tails",
            Plan {
                tails: Tails::Heavy,
                drives: (3, 5),
                launches: (4, 10),
                ..Plan::SMALL
            },
        ),
    ] {
        let (mut wrong, mut covered) = (0, 0);
        for seed in 0..CAMPAIGNS {
            let made = campaign(&plan, 70_000 + seed as u64);
            let found = compare(&made.before, &made.after);
            let moved = |v| v == Verdict::Reduced || v == Verdict::Increased;
            wrong += usize::from(found.measures.iter().any(|m| moved(m.verdict)));
            let delay = &found.measures[DELAY];
            covered += usize::from(delay.ci_low.unwrap() <= 0.0 && delay.ci_high.unwrap() >= 0.0);
        }
        check_share(&format!("{name}, wrong"), wrong, CAMPAIGNS, 0.0, 0.05);
        check_share(&format!("{name}, covered"), covered, CAMPAIGNS, 0.93, 0.97);
    }
}

#[test]
fn a_reduction_of_the_delay_by_15_per_cent_is_found() {
    const CAMPAIGNS: usize = 50;
    for (name, plan, least) in [
        (
            "3 + 3 drives of 6 launches",
            Plan {
                drive_spread: 0.03,
                chance: 0.05,
                ..Plan::SMALL
            },
            0.90,
        ),
        ("4 + 4 drives", Plan::USUAL, 0.97),
    ] {
        let plan = Plan {
            delay_change: 0.85,
            ..plan
        };
        let (mut found, mut covered) = (0, 0);
        for seed in 0..CAMPAIGNS {
            let made = campaign(&plan, 80_000 + seed as u64);
            let delay = &compare(&made.before, &made.after).measures[DELAY];
            found += usize::from(delay.verdict == Verdict::Reduced);
            let truth = made.truth[DELAY];
            covered +=
                usize::from(delay.ci_low.unwrap() <= truth && truth <= delay.ci_high.unwrap());
        }
        check_share(&format!("{name}, found"), found, CAMPAIGNS, least, 1.0);
        check_share(&format!("{name}, covered"), covered, CAMPAIGNS, 0.93, 0.97);
    }
}
