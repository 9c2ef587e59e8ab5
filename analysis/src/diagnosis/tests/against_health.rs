//! What stands against health without fitting a cause, what a fault leaves where it was, and what is too
//! little or too far off to count.

use super::*;

/// Nothing moved but these, each with its own uncertainty.
fn only(seen: &[(Feature, f64, f64)]) -> Vec<Change> {
    let mut changes = moved(&[]);
    changes.retain(|c| c.feature != Feature::DeadTime);
    for change in &mut changes {
        if let Some((_, shift, u)) = seen.iter().find(|(f, ..)| *f == change.feature) {
            (change.shift, change.u) = (*shift, *u);
        }
    }
    changes
}

fn probability(of: Cause, changes: &[Change]) -> f64 {
    let causes: Vec<Cause> = Cause::faults().collect();
    let found = marginals(&hypotheses(changes, &causes, WiringSign::None), &causes);
    found.iter().find(|(cause, _)| *cause == of).unwrap().1
}

/// The pump draws far less than it did, which no cause here does: neither healthy nor any of them.
#[test]
fn what_no_cause_explains_does_not_count_for_health() {
    let changes = only(&[(Feature::HoldCurrent, -1.4, 0.05)]);
    assert!(probability(Cause::Healthy, &changes) < 0.3);
    let (_, most) = first(&changes, WiringSign::None);
    assert!(most < 0.5, "{most}");
    let little = only(&[(Feature::HoldCurrent, -0.1, 0.05)]);
    assert!(probability(Cause::Healthy, &little) > 0.9);
}

/// Too much clearance doubles dead time and leaves rise time alone, however much of it there is; a pump
/// slows both.
#[test]
fn clearance_and_pump_are_told_apart_by_the_rise() {
    for longer in [0.3, 0.7, 1.25] {
        let clearance = only(&[
            (Feature::FillingTime, longer, 0.03),
            (Feature::RiseTime, -0.01, 0.03),
            (Feature::FillCurrent, 0.08, 0.07),
        ]);
        let p = probability(Cause::ExcessClearance, &clearance);
        assert!(p > 0.8, "{longer}: {p}");
        let evidence = wording::evidence(Cause::ExcessClearance, &clearance, &[]);
        let rise = evidence
            .iter()
            .find(|e| e.text.starts_with("rise time"))
            .unwrap();
        assert_eq!(rise.side, Speaks::For, "{evidence:?}");
    }
    for (dead, rise) in [(0.18, 0.39), (0.42, 0.77), (0.68, 0.91)] {
        let pump = only(&[
            (Feature::FillingTime, dead, 0.03),
            (Feature::RiseTime, rise, 0.03),
        ]);
        let (cause, p) = first(&pump, WiringSign::None);
        assert_eq!(cause, Cause::WeakPump, "{dead} {rise}: {p}");
    }
}

/// Half of the demanded pressure, told only against what is usual.
#[test]
fn pressure_far_short_of_demand_is_a_leak() {
    for (short, u) in [(-5.8, 0.5), (-12.0, 0.8)] {
        let mut changes = only(&[
            (Feature::PressureShort, short, u),
            (Feature::Hold, 0.3, 0.7),
            (Feature::RiseTime, 0.1, 0.13),
        ]);
        let told_without_baseline = [
            Feature::FillingTime,
            Feature::RiseTime,
            Feature::Hold,
            Feature::PressureShort,
            Feature::TyreRatio,
        ];
        changes.retain(|c| told_without_baseline.contains(&c.feature));
        let (cause, p) = first(&changes, WiringSign::None);
        assert_eq!(cause, Cause::LeakingPistonSeal, "{short}: {p}");
    }
}

/// What is told so badly that any fault would hide in it says nothing for health.
#[test]
fn what_is_hardly_told_does_not_speak_for_health() {
    let changes = only(&[(Feature::RiseTime, 1.5, 0.7)]);
    let evidence = wording::evidence(Cause::Healthy, &changes, &[]);
    let rise = evidence.iter().find(|e| e.text.starts_with("rise time"));
    assert!(rise.is_none(), "{rise:?}");
}

/// A dead time that is four per cent longer, however sharply it is told, is no finding.
#[test]
fn a_few_per_cent_of_a_time_are_no_change() {
    let set = |level: f64| drives(&mut Random::new(31), level, 30.0);
    let change = |longer: f64| {
        let found = against_baseline(Feature::DeadTime, &set(4.3 + longer), &set(4.3));
        found.unwrap().unwrap()
    };
    let little = change(0.04);
    assert!((little.shift - 0.04).abs() < 0.01, "{little:?}");
    assert!(little.shift < change::CLEAR * little.u, "{little:?}");
    let much = change(0.12);
    assert!(much.shift > change::CLEAR * much.u, "{much:?}");
}

/// A line through the healthy drives' temperatures is known less well the farther off the others are, and
/// beyond that nothing is said.
#[test]
fn another_temperature_widens_and_a_far_one_is_not_judged() {
    let mut vehicle = crate::trial::vehicle();
    vehicle.coupling.nominal_dead_time_ms = Some(100.0);
    let baseline = drives(&mut Random::new(41), 4.3, 38.0);
    let at = |from_c: f64| drives(&mut Random::new(42), 4.3, from_c);
    let u = |from_c: f64| {
        let found = against_baseline(Feature::DeadTime, &at(from_c), &baseline);
        found.unwrap().unwrap().u
    };
    assert!(u(30.0) > u(38.0), "{} {}", u(30.0), u(38.0));
    let cold = diagnose(&at(-30.0), &baseline, &vehicle);
    let of = |cause| cold.not_judged.iter().find(|n| n.cause == cause);
    let why = &of(Cause::ExcessClearance).unwrap().why;
    assert!(
        why.contains("-30 to -14") && why.contains("38 to 54"),
        "{why}"
    );
    assert!(of(Cause::WeakPump).is_some());
    assert!(
        cold.warnings[0].starts_with("fluid at"),
        "{:?}",
        cold.warnings
    );
    assert!(diagnose(&at(38.0), &baseline, &vehicle).warnings.is_empty());
    // Without a baseline too.
    let alone = diagnose(&at(-30.0), &[], &vehicle);
    let judged = |d: &Diagnosis, cause| !d.not_judged.iter().any(|n| n.cause == cause);
    assert!(!judged(&alone, Cause::ExcessClearance));
    assert!(judged(
        &diagnose(&at(38.0), &[], &vehicle),
        Cause::ExcessClearance
    ));
}

/// A demand that ramps makes any pressure slow; a nominal time is that after a step.
#[test]
fn a_ramp_of_demand_is_not_judged_by_a_nominal_time() {
    let mut vehicle = crate::trial::vehicle();
    vehicle.coupling.nominal_dead_time_ms = Some(100.0);
    let mut now = drives(&mut Random::new(51), 5.4, 38.0);
    let why = |now: &[DriveRecord]| {
        let all = diagnose(now, &[], &vehicle).not_judged;
        let own = all.into_iter().find(|n| n.cause == Cause::ExcessClearance);
        own.map(|n| n.why)
    };
    now.iter_mut().for_each(|r| r.demand_climb_ms = Some(2.0));
    // Against a step, what is no filling time after one is not judged either.
    now.iter_mut().for_each(|r| {
        let dead = r.observations[&Feature::DeadTime].clone();
        r.observations.insert(Feature::FillingTime, dead);
    });
    assert_eq!(why(&now), None);
    for record in &mut now {
        record.demand_climb_ms = Some(600.0);
        record.observations.remove(&Feature::FillingTime);
    }
    let told = why(&now).unwrap();
    assert!(told.contains("demand ramps, over 600 ms"), "{told}");
}

/// What a pump draws to hold more pressure is no change of the pump.
#[test]
fn holding_current_is_compared_at_like_pressure() {
    let held = |bar: f64| {
        let mut all = drives(&mut Random::new(61), 4.3, 38.0);
        for record in &mut all {
            let values = (0..8).map(|i| Observation {
                value: (0.4 * bar).ln(),
                u: 0.0,
                temperature_c: Some(40.0),
                log_step: Some((bar + 0.05 * f64::from(i)).ln()),
                at_most: false,
            });
            record
                .observations
                .insert(Feature::HoldCurrent, values.collect());
        }
        all
    };
    let change = |bar| against_baseline(Feature::HoldCurrent, &held(bar), &held(8.0));
    assert!(change(8.0).unwrap().unwrap().shift.abs() < 1e-9);
    assert!(change(12.0).is_err());
}
