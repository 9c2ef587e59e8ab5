//! The comparison against wrong input: drives twice, sets swapped, values that vary in nothing, absurd
//! numbers, and any gaps.

use super::*;

#[test]
fn a_drive_in_both_sets_is_said_and_left_out() {
    let made = campaign(&Plan::USUAL, 18);
    let same = compare(&made.before, &made.before);
    no_number_is_wild(&same);
    assert_eq!(same.verdict, Verdict::NotEnoughData);
    assert!(
        same.warnings[0].contains("same drive is in both sets"),
        "{:?}",
        same.warnings
    );

    let mut after = made.after.clone();
    after.push(made.before[0].clone());
    after.push(made.after[1].clone());
    let found = compare(&made.before, &after);
    assert_eq!((found.before.drives, found.after.drives), (3, 4));
    assert!(found.warnings.iter().any(|w| w.contains("counted once")));
}

#[test]
fn different_drives_of_one_name_are_different() {
    let mut made = campaign(&Plan::USUAL, 19);
    for drive in made.before.iter_mut().chain(&mut made.after) {
        drive.name = "drive.pcapng".to_owned();
        drive.start_ns = 0;
    }
    let found = compare(&made.before, &made.after);
    assert_eq!((found.before.drives, found.after.drives), (4, 4));
    assert!(found.warnings.is_empty(), "{:?}", found.warnings);
}

#[test]
fn swapped_sets_are_said() {
    let made = campaign(
        &Plan {
            delay_change: 0.7,
            ..Plan::USUAL
        },
        20,
    );
    let found = compare(&made.after, &made.before);
    assert_eq!(found.verdict, Verdict::Increased);
    assert!(
        found.warnings.iter().any(|w| w.contains("look swapped")),
        "{:?}",
        found.warnings
    );
    let mut mixed = made.before.clone();
    mixed[1].start_ns = made.after[2].start_ns + 1;
    let found = compare(&mixed, &made.after);
    assert!(
        found.warnings.iter().any(|w| w.contains("check which set")),
        "{:?}",
        found.warnings
    );
}

#[test]
fn values_without_spread_are_not_judged() {
    let mut made = campaign(&Plan::USUAL, 22);
    let same = |value: f64| {
        move |e: &mut Engagement| {
            let estimate = Estimate {
                value,
                u: 0.0,
                method: "made",
                samples: 1,
            };
            e.measures[DELAY] = Ok(estimate);
        }
    };
    set_all(&mut made.before, same(100.0));
    set_all(&mut made.after, same(80.0));
    let found = compare(&made.before, &made.after);
    no_number_is_wild(&found);
    assert_eq!(found.measures[DELAY].verdict, Verdict::NotEnoughData);
    assert!((found.measures[DELAY].shift.unwrap() + 20.0).abs() < 1e-9);
    // With a stated uncertainty there is something to judge by.
    set_all(&mut made.before, |e| {
        e.measures[DELAY].as_mut().unwrap().u = 2.0
    });
    let found = compare(&made.before, &made.after);
    assert_eq!(
        found.measures[DELAY].verdict,
        Verdict::Reduced,
        "{:?}",
        found.measures[DELAY]
    );
}

#[test]
fn zeros_everywhere_are_not_judged() {
    let mut made = campaign(&Plan::USUAL, 23);
    let zero = |e: &mut Engagement| {
        e.conditions = Default::default();
        e.conditions.demand_step = Some(0.0);
        for slot in &mut e.measures {
            *slot = Ok(Estimate {
                value: 0.0,
                u: 0.0,
                method: "made",
                samples: 1,
            });
        }
    };
    set_all(&mut made.before, zero);
    set_all(&mut made.after, zero);
    let found = compare(&made.before, &made.after);
    no_number_is_wild(&found);
    assert_eq!(found.verdict, Verdict::NotEnoughData);
}

#[test]
fn nothing_compares_to_nothing() {
    let made = campaign(&Plan::USUAL, 24);
    for (before, after) in [
        (&[][..], &[][..]),
        (&made.before[..], &[][..]),
        (&[][..], &made.after[..]),
    ] {
        let found = compare(before, after);
        no_number_is_wild(&found);
        assert_eq!(found.verdict, Verdict::NotEnoughData);
    }
    let mut empty = made.before.clone();
    for drive in &mut empty {
        drive.engagements.clear();
    }
    let found = compare(&empty, &made.after);
    no_number_is_wild(&found);
    assert!(
        found.sentence.contains("the before set has no engagement"),
        "{}",
        found.sentence
    );
}

#[test]
fn wild_numbers_count_as_missing() {
    let mut made = campaign(&Plan::USUAL, 25);
    let wild = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY];
    for (index, e) in made
        .before
        .iter_mut()
        .flat_map(|d| &mut d.engagements)
        .enumerate()
    {
        if index % 5 == 0 {
            e.measures[DELAY].as_mut().unwrap().value = wild[index / 5 % 3];
            e.measures[PEAK].as_mut().unwrap().u = f64::NAN;
            e.conditions.fluid_temperature_c = Some(f64::NAN);
        }
    }
    no_number_is_wild(&compare(&made.before, &made.after));
}

#[test]
fn absurd_numbers_stay_harmless() {
    for (seed, absurd) in [1e300, -1e300, 1e-300, f64::MAX, f64::MIN_POSITIVE, 1e155]
        .into_iter()
        .enumerate()
    {
        let mut made = campaign(&Plan::USUAL, 500 + seed as u64);
        for (index, e) in made
            .after
            .iter_mut()
            .flat_map(|d| &mut d.engagements)
            .enumerate()
        {
            match index % 6 {
                0 => e.measures[DELAY].as_mut().unwrap().value = absurd,
                1 => e.measures[PEAK].as_mut().unwrap().u = absurd,
                2 => e.conditions.demand_step = Some(absurd),
                _ => e.measures[0].as_mut().unwrap().value = absurd,
            }
        }
        no_number_is_wild(&compare(&made.before, &made.after));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn any_campaign_is_compared_without_wild_numbers(
        seed in 0u64..1_000,
        drives in (0usize..4, 0usize..4),
        launches in 0usize..3,
        gaps in prop::collection::vec(0usize..7, 20),
    ) {
        let plan = Plan { drives, launches: (0, launches), tip_ins: (0, 2), ..Plan::USUAL };
        let mut made = campaign(&plan, seed);
        for (index, e) in made.before.iter_mut().chain(&mut made.after).flat_map(|d| &mut d.engagements).enumerate() {
            match gaps[index % gaps.len()] {
                0 => e.measures[DELAY] = Err(Missing::SlipInNoise),
                1 => e.conditions.fluid_temperature_c = None,
                2 => e.conditions.demand_step = None,
                3 => e.measures = Measure::each(|_| Err(Missing::NoHeldPart)),
                4 => e.measures[PEAK].as_mut().unwrap().value = 0.0,
                _ => {}
            }
        }
        no_number_is_wild(&compare(&made.before, &made.after));
    }
}
