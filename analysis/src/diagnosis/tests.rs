mod against_health;

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::change::against_baseline;
use super::posterior::{hypotheses, marginals};
use super::signature::{shift, shifts};
use super::*;
use crate::trial::Random;

fn change(feature: Feature, shift: f64) -> Change {
    Change {
        feature,
        shift,
        u: 1.2 * feature.repeat(),
        freedom: 8.0,
        now: shift,
        was: 0.0,
        against: Against::Baseline,
        at_most: false,
    }
}

/// Every feature, moved as these causes move it.
fn moved(causes: &[(Cause, f64)]) -> Vec<Change> {
    Feature::ALL
        .iter()
        .map(|&f| change(f, causes.iter().map(|&(c, s)| shift(c, f, s)).sum()))
        .collect()
}

fn first(changes: &[Change], sign: WiringSign) -> (Cause, f64) {
    let causes: Vec<Cause> = Cause::faults().collect();
    marginals(&hypotheses(changes, &causes, sign), &causes)[0]
}

#[test]
fn nothing_moved_is_healthy_and_each_signature_names_its_cause() {
    assert_eq!(first(&moved(&[]), WiringSign::None).0, Cause::Healthy);
    for cause in Cause::faults().filter(|c| !shifts(*c).is_empty()) {
        let (found, probability) = first(&moved(&[(cause, 0.6)]), WiringSign::None);
        assert_eq!(found, cause);
        assert!(probability > 0.7, "{cause:?} {probability}");
    }
}

/// A cause of which nothing is seen stays as likely as it was beside a healthy car, and takes nothing from a
/// cause that shows.
#[test]
fn what_is_not_seen_does_not_count_for_health() {
    let only = |causes: &[Cause], moved: &[Change]| {
        marginals(&hypotheses(moved, causes, WiringSign::None), causes)[0]
    };
    let tyres: Vec<Change> = moved(&[])
        .into_iter()
        .filter(|c| c.feature == Feature::TyreRatio)
        .collect();
    let (cause, healthy) = only(&[Cause::TyreMismatch, Cause::InhibitedOrWiring], &tyres);
    assert_eq!(cause, Cause::Healthy);
    assert!((0.3..0.5).contains(&healthy), "{healthy}");
    let mut larger = tyres;
    larger[0].shift = 1.5;
    let (cause, larger) = only(&[Cause::TyreMismatch, Cause::InhibitedOrWiring], &larger);
    assert_eq!(cause, Cause::TyreMismatch);
    assert!(larger > 0.9, "{larger}");
}

#[test]
fn a_sign_of_wiring_names_wiring() {
    for sign in [WiringSign::Fails, WiringSign::HeldOpen] {
        assert_eq!(first(&moved(&[]), sign).0, Cause::InhibitedOrWiring);
    }
}

/// Which axle has the larger tyres does not matter, and evidence stands on the side that it speaks for.
#[test]
fn larger_tyres_in_front_or_behind_are_one_fault() {
    for percent in [-2.9, -1.3, 1.3, 2.9] {
        let mut changes = moved(&[]);
        for change in changes
            .iter_mut()
            .filter(|c| c.feature == Feature::TyreRatio)
        {
            change.shift = percent;
        }
        let (cause, probability) = first(&changes, WiringSign::None);
        assert_eq!(cause, Cause::TyreMismatch, "{percent}");
        assert!(probability > 0.9, "{percent}: {probability}");
        let evidence = wording::evidence(cause, &changes, &[]);
        assert_eq!(evidence[0].side, Speaks::For, "{percent}: {evidence:?}");
    }
}

/// What went more than half the way that a mild fault would go speaks for it, and never against.
#[test]
fn a_change_towards_a_cause_never_speaks_against_it() {
    for cause in Cause::faults() {
        for &(feature, ..) in shifts(cause) {
            for severity in [0.4, 1.0] {
                let mut changes = moved(&[(cause, severity)]);
                changes.iter_mut().for_each(|c| c.u = c.shift.abs() / 2.0);
                changes.retain(|c| c.feature == feature);
                let evidence = wording::evidence(cause, &changes, &[]);
                let against = evidence.iter().any(|e| e.side == Speaks::Against);
                assert!(!against, "{cause:?} {feature:?} {severity}: {evidence:?}");
            }
        }
    }
}

/// A pump that fails where a valve ends the rise, one that draws more current, fluid whose ripple
/// shakes the car.
#[test]
fn faults_that_show_otherwise_in_some_cars_are_still_told() {
    let check = |cause: Cause, seen: &[(Feature, f64)]| {
        let mut changes = moved(&[]);
        for change in &mut changes {
            let own = seen.iter().find(|(feature, _)| *feature == change.feature);
            change.shift = own.map_or(0.0, |(_, shift)| *shift);
        }
        assert_eq!(first(&changes, WiringSign::None).0, cause, "{seen:?}");
    };
    use Feature::*;
    check(
        Cause::WeakPump,
        &[(DeadTime, 0.8), (RiseTime, 0.34), (FillCurrent, 0.4)],
    );
    check(Cause::WeakPump, &[(DeadTime, 0.6), (RiseTime, 0.8)]);
    // A valve alone makes the rise, and the motor draws more.
    check(Cause::WeakPump, &[(DeadTime, 0.3), (FillCurrent, 0.22)]);
    // The pump makes up for the leak by fits and starts.
    check(Cause::LeakingPistonSeal, &[(PressureShort, -1.5)]);
    check(Cause::ExcessClearance, &[(DeadTime, 0.6), (RiseTime, 0.03)]);
    check(
        Cause::AeratedFluid,
        &[(DeadTimeScatter, 1.1), (Ripple, 2.3), (Shudder, 0.5)],
    );
    check(Cause::WornLining, &[(TorquePerBar, -0.9)]);
}

/// A pack whose drag no turn has shown is not judged on its dead time.
#[test]
fn drag_is_judged_on_turns_alone() {
    assert_eq!(
        signature::rests_on(Cause::DraggingPack),
        [Feature::TurnDrag]
    );
}

/// A healthy car in which something moved far is not sent home as it is.
#[test]
fn what_stands_out_is_looked_at_whatever_the_probabilities() {
    let mut changes = moved(&[]);
    let still = wording::next_check(Cause::Healthy, &changes, &[], &[]);
    assert!(still.starts_with("Nothing to repair"), "{still}");
    changes[0].shift = 8.0 * changes[0].u;
    let moved = wording::next_check(Cause::Healthy, &changes, &[], &[]);
    assert!(moved.contains("out of the baseline"), "{moved}");
}

#[test]
fn a_copy_of_a_drive_is_the_same_recording() {
    let mut random = Random::new(77);
    let all = drives(&mut random, 3.0, 30.0);
    let mut copy = all[0].clone();
    copy.name = "another name".into();
    assert!(all[0].is_of_same_recording(&copy));
    assert!(!all[0].is_of_same_recording(&all[1]));
    let nothing = DriveRecord {
        observations: BTreeMap::new(),
        ..copy.clone()
    };
    assert!(!nothing.is_of_same_recording(&nothing));
}

/// Signals that fail for most of every drive leave nothing to judge.
#[test]
fn what_fails_for_most_of_the_time_is_not_judged() {
    let mut random = Random::new(78);
    let mut all = drives(&mut random, 3.0, 30.0);
    let judged = |records: &[DriveRecord]| {
        let healthy = drives(&mut Random::new(79), 3.0, 30.0);
        diagnose(records, &healthy, &crate::trial::vehicle())
    };
    all[0].wiring.invalid_share = 0.97;
    let why = judged(&all).why;
    assert!(!why.contains("of the time"), "{why}");
    all.iter_mut().for_each(|r| r.wiring.invalid_share = 0.97);
    let diagnosis = judged(&all);
    assert!(!diagnosis.judgeable);
    assert!(
        diagnosis.why.contains("97 % of the time"),
        "{}",
        diagnosis.why
    );
    assert_eq!(diagnosis.findings[0].cause, Cause::InhibitedOrWiring);
}

/// A control unit opens a pack that slips itself hot: that is no fault of the wiring.
#[test]
fn a_coupling_held_open_for_heat_leaves_the_lining_guilty() {
    let worn = moved(&[(Cause::WornLining, 0.8)]);
    assert_eq!(first(&worn, WiringSign::HeldOpen).0, Cause::WornLining);
}

/// Held open for some of the time is told apart from what fails.
#[test]
fn signs_are_told_apart() {
    let with = |change: fn(&mut Wiring)| {
        let mut wiring = Wiring::default();
        change(&mut wiring);
        WiringSign::of(&[&Wiring::default(), &wiring], &[])
    };
    assert_eq!(with(|_| ()), WiringSign::None);
    assert_eq!(with(|w| w.inhibited_share = 0.1), WiringSign::HeldOpen);
    assert_eq!(with(|w| w.inhibited_share = 0.9), WiringSign::Fails);
    assert_eq!(with(|w| w.lost_share = 0.1), WiringSign::Fails);
}

/// A loose plug: pressure stays away from some demands. One of many is chance, and so is what the healthy
/// drives have too; from half of them on nothing can be said of the clutch.
#[test]
fn demands_without_pressure_are_a_sign_unless_the_healthy_drives_have_them() {
    let with = |without| Wiring {
        demands: 69,
        without_pressure: without,
        ..Wiring::default()
    };
    let sign = |now, healthy: &[&Wiring]| WiringSign::of(&[&with(now)], healthy);
    assert_eq!(sign(1, &[]), WiringSign::None);
    assert_eq!(sign(7, &[]), WiringSign::Fails);
    assert_eq!(sign(7, &[&with(0)]), WiringSign::Fails);
    assert_eq!(sign(7, &[&with(8)]), WiringSign::None);
    let mut random = Random::new(80);
    let mut now = drives(&mut random, 3.0, 30.0);
    for record in &mut now {
        let times = record.observations[&Feature::DeadTime].clone();
        record.observations.insert(Feature::RiseTime, times);
    }
    let healthy = drives(&mut random, 3.0, 30.0);
    let judged = |records: &[DriveRecord]| diagnose(records, &healthy, &crate::trial::vehicle());
    for (without, judgeable) in [(7, true), (35, false)] {
        now[0].wiring = with(without);
        let diagnosis = judged(&now);
        assert_eq!(diagnosis.judgeable, judgeable, "{}", diagnosis.why);
        assert_eq!(diagnosis.findings[0].cause, Cause::InhibitedOrWiring);
    }
}

#[test]
fn two_causes_at_once_are_both_found() {
    let pairs = [
        (Cause::WornLining, Cause::ExcessClearance),
        (Cause::WeakPump, Cause::TyreMismatch),
        (Cause::DraggingPack, Cause::AeratedFluid),
    ];
    let causes: Vec<Cause> = Cause::faults().collect();
    for (a, b) in pairs {
        let hypotheses = hypotheses(&moved(&[(a, 0.6), (b, 0.6)]), &causes, WiringSign::None);
        let two: Vec<Cause> = marginals(&hypotheses, &causes)
            .iter()
            .take(2)
            .map(|m| m.0)
            .collect();
        assert!(two.contains(&a) && two.contains(&b), "{a:?} {b:?}: {two:?}");
    }
}

fn record(name: &str, values: Vec<Observation>) -> DriveRecord {
    DriveRecord {
        name: name.into(),
        engagements: 8,
        observations: BTreeMap::from([(Feature::DeadTime, values)]),
        missing: BTreeMap::new(),
        wiring: Wiring {
            calls: 8,
            ..Wiring::default()
        },
        supply_v: None,
        demand_period_s: None,
        demand_climb_ms: None,
        pressure_step_bar: None,
        accelerator_percent: Vec::new(),
    }
}

/// Drives whose logarithm of dead time rises as the fluid thickens, at different temperatures.
fn drives(random: &mut Random, level: f64, from_c: f64) -> Vec<DriveRecord> {
    (0..3)
        .map(|k| {
            let values = (0..10)
                .map(|i| {
                    let celsius = from_c + 6.0 * f64::from(k) + 0.5 * f64::from(i);
                    let thick = (-(celsius - 40.0) / 33.0_f64).exp();
                    Observation {
                        value: level + 0.3 * thick + 0.004 * random.normal(),
                        u: 0.01,
                        temperature_c: Some(celsius),
                        log_step: None,
                        at_most: false,
                    }
                })
                .collect();
            record(&format!("drive {k}"), values)
        })
        .collect()
}

#[test]
fn a_change_is_told_through_another_temperature() {
    let mut random = Random::new(9);
    for planted in [0.0, 0.15, -0.3] {
        let baseline = drives(&mut random, 4.3, 20.0);
        let now = drives(&mut random, 4.3 + planted, 30.0);
        let change = against_baseline(Feature::DeadTime, &now, &baseline)
            .unwrap()
            .unwrap();
        assert!(
            (change.shift - planted).abs() < 3.0 * change.u && change.u < 0.05,
            "{planted}: {change:?}"
        );
    }
}

#[test]
fn a_coupling_that_never_worked_is_not_judged_and_a_drive_without_engagements_neither() {
    let mut open = record("open", Vec::new());
    open.wiring.could_not_work = Some("held open".into());
    open.wiring.calls = 5;
    open.wiring.unanswered = 5;
    let vehicle = crate::trial::vehicle();
    let diagnosis = diagnose(&[open], &[], &vehicle);
    assert!(!diagnosis.judgeable);
    assert_eq!(diagnosis.findings[0].cause, Cause::InhibitedOrWiring);
    let mut idle = record("idle", Vec::new());
    idle.engagements = 0;
    let diagnosis = diagnose(&[idle], &[], &vehicle);
    assert!(!diagnosis.judgeable);
    assert!(diagnosis.findings.is_empty(), "{diagnosis:?}");
}

#[test]
fn what_cannot_be_judged_is_said() {
    let mut random = Random::new(2);
    let now = drives(&mut random, 4.3, 30.0);
    let healthy = drives(&mut random, 4.3, 30.0);
    let vehicle = crate::vehicle::Vehicle::default();
    let diagnosis = diagnose(&now, &healthy, &vehicle);
    assert!(diagnosis.judgeable, "{}", diagnosis.why);
    let names: Vec<Cause> = diagnosis.not_judged.iter().map(|n| n.cause).collect();
    assert!(names.contains(&Cause::WornLining) && !names.contains(&Cause::ExcessClearance));
    assert!(diagnosis.why.contains("worn_lining"), "{}", diagnosis.why);
    // Without the healthy drives nothing of this car is known, and it is not called healthy.
    let alone = diagnose(&now, &[], &vehicle);
    assert!(!alone.judgeable && alone.findings.is_empty(), "{alone:?}");
    assert!(alone.why.contains("tells of the clutch"), "{}", alone.why);
}

proptest! {
    #[test]
    fn probabilities_are_probabilities(moves in prop::collection::vec(-3.0_f64..3.0, Feature::COUNT)) {
        let changes: Vec<Change> = Feature::ALL
            .iter()
            .zip(moves)
            .map(|(&f, m)| change(f, 8.0 * m * f.repeat()))
            .collect();
        let causes: Vec<Cause> = Cause::faults().collect();
        let found = marginals(&hypotheses(&changes, &causes, WiringSign::None), &causes);
        prop_assert_eq!(found.len(), Cause::ALL.len());
        for (_, p) in &found {
            prop_assert!((0.0..=1.0).contains(p));
        }
        prop_assert!(found.windows(2).all(|w| w[0].1 >= w[1].1));
    }
}

/// What a program reads of a record is what it reads of a diagnosis.
#[test]
fn features_and_causes_have_one_name_each() {
    for feature in Feature::ALL {
        let kept = serde_json::to_string(feature).unwrap();
        assert_eq!(kept, format!("\"{}\"", feature.key()));
    }
    for cause in Cause::ALL {
        let kept = serde_json::to_string(cause).unwrap();
        assert_eq!(kept, format!("\"{}\"", cause.text()));
    }
}

/// The side is said once, where a line of evidence is printed.
#[test]
fn evidence_stands_on_its_side() {
    let changes = moved(&[(Cause::ExcessClearance, 0.8)]);
    let evidence = wording::evidence(Cause::ExcessClearance, &changes, &[]);
    assert_eq!(evidence[0].side, Speaks::For);
    assert!(evidence[0].text.starts_with("dead time "), "{evidence:?}");
    assert_eq!(
        evidence[0].to_string(),
        format!("for: {}", evidence[0].text)
    );
    let other = wording::evidence(Cause::TyreMismatch, &changes, &[]);
    assert!(
        other.iter().any(|e| e.side == Speaks::Unexplained),
        "{other:?}"
    );
}

#[test]
fn one_drive_and_one_engagement_are_counted_as_one() {
    let mut one = record("one", Vec::new());
    one.engagements = 1;
    let diagnosis = diagnose(&[one], &[], &crate::trial::vehicle());
    let said = "only 1 engagement in 1 drive;";
    assert!(diagnosis.why.starts_with(said), "{}", diagnosis.why);
}

/// What the pack carries at most tells of a worn lining where it lies below the healthy drives', and nothing
/// where it does not; how far the healthy drives lay below a bound nobody knows.
#[test]
fn a_bound_counts_only_where_it_lies_below() {
    let feature = Feature::TorquePerBar;
    let set = |all: &[(f64, bool)]| -> Vec<DriveRecord> {
        let mut random = Random::new(70);
        let mut records = drives(&mut random, 3.0, 30.0);
        for (record, &(nm, at_most)) in records.iter_mut().zip(all) {
            let told = match at_most {
                true => Observation::at_most(f64::ln(nm), 0.1),
                false => Observation::plain(f64::ln(nm), 0.1),
            };
            record.observations.insert(feature, vec![told]);
        }
        records
    };
    let healthy = set(&[(24.0, false), (25.0, false), (9.0, true)]);
    let told = |now: &[DriveRecord]| against_baseline(feature, now, &healthy);
    let below = told(&set(&[(12.0, true), (13.0, true), (11.0, true)]));
    let below = below.unwrap().unwrap();
    assert!(below.at_most && below.shift < -5.0 * below.u, "{below:?}");
    let above = [(30.0, true), (31.0, true), (33.0, true)];
    assert!(told(&set(&above)).is_err());
    let with_value = told(&set(&[(30.0, true), (31.0, true), (24.0, false)]));
    let with_value = with_value.unwrap().unwrap();
    assert!(
        !with_value.at_most && with_value.shift.abs() < 0.1,
        "{with_value:?}"
    );
}
