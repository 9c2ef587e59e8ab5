//! The plan against the comparison itself: what is promised from the drives before is what the
//! campaign then shows.

use super::*;
use crate::comparison::compare;
use crate::comparison::tests::campaigns::{Plan, campaign};

/// Promise over what the comparison says, for the engagement delay, from the before set alone.
fn promised_over_shown(made_as: &Plan, seed: u64) -> Option<f64> {
    let made = campaign(made_as, seed);
    let plan = plan(&made.before, 0.15);
    let delay = plan
        .measures
        .iter()
        .find(|m| m.measure == Measure::EngagementDelay)?;
    let typical = delay.spread.as_ref().ok()?.typical;
    let at = plan
        .designs
        .iter()
        .position(|d| (d.drives, d.launches) == (made_as.drives.0, made_as.launches.0))?;
    let shown = &compare(&made.before, &made.after).measures[Measure::EngagementDelay as usize];
    Some(delay.provable.get(at)? * typical / shown.smallest_provable?)
}

#[test]
fn what_is_promised_is_what_the_comparison_shows() {
    let plan = Plan {
        drives: (4, 4),
        ..Plan::USUAL
    };
    let mut ratios: Vec<f64> = (900..940)
        .filter_map(|seed| promised_over_shown(&plan, seed))
        .collect();
    assert!(ratios.len() >= 36, "{}", ratios.len());
    ratios.sort_by(f64::total_cmp);
    let middle = ratios[ratios.len() / 2];
    // Three degrees of freedom before leave the spread itself unsure by a factor; the middle of many
    // campaigns must not be off by more than a quarter.
    assert!((0.75..1.35).contains(&middle), "{middle} {ratios:?}");
}

#[test]
fn more_drives_prove_smaller_changes_and_the_smallest_campaign_is_named() {
    let made = campaign(&Plan::USUAL, 77);
    let plan = plan(&made.before, 0.15);
    for measure in plan.measures.iter().filter(|m| !m.provable.is_empty()) {
        let of = |drives, each| {
            let at = plan
                .designs
                .iter()
                .position(|d| (d.drives, d.launches) == (drives, each));
            measure.provable[at.unwrap()]
        };
        for pair in DRIVES.windows(2) {
            assert!(of(pair[1], 6) < of(pair[0], 6), "{}", measure.measure);
        }
        assert!(of(3, 10) <= of(3, 4));
    }
    let at = plan.recommended.unwrap();
    let proven = |m: &&MeasurePlan| !m.provable.is_empty() && m.provable[at] <= 0.15;
    let proven: Vec<Measure> = plan
        .measures
        .iter()
        .filter(proven)
        .map(|m| m.measure)
        .collect();
    assert!(proven.contains(&Measure::EngagementDelay), "{proven:?}");
    let need = plan.need();
    assert_eq!(need.drives, plan.designs[at].drives);
}

#[test]
fn without_an_earlier_drive_the_plan_says_what_it_assumes() {
    let plan = plan(&[], 0.15);
    assert_eq!(plan.noise_slip_mps, None);
    for measure in &plan.measures {
        if measure.measure == Measure::EngagementDelay {
            assert!(measure.is_assumed && measure.provable.len() == plan.designs.len());
        } else {
            let why = measure.spread.as_ref().unwrap_err();
            assert!(why.contains("earlier drive"), "{why}");
        }
    }
    assert!(plan.accelerator_percent.unwrap_err().contains("firm"));
}

#[test]
fn two_drives_do_not_tell_how_drives_differ() {
    let made = campaign(&Plan::USUAL, 5);
    let plan = plan(&made.before[..2], 0.15);
    let delay = plan.measures[0].spread.as_ref().unwrap();
    assert!(delay.is_between_assumed && delay.between >= 0.999 * ASSUMED_BETWEEN * delay.typical);
}
