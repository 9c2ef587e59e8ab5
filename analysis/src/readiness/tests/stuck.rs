//! Signals that come and do not move.

use super::*;

#[test]
fn a_pedal_that_never_moves_is_stale_where_the_car_gathers_speed() {
    let stuck = |mut trial: Trial| {
        trial.series(Role::PedalAccelerator).value.fill(12.0);
        let readiness = trial.assessed();
        readiness.signal(Role::PedalAccelerator).unwrap().clone()
    };
    let state = stuck(Trial::gathering());
    assert_eq!(state.state, State::Stale, "{state:?}");
    assert!(state.why.unwrap().contains("keeps one value"));
    // Rolling along says nothing of a pedal.
    assert_eq!(stuck(Trial::new()).state, State::Alive);
    let sound = Trial::gathering().assessed();
    let pedal = sound.signal(Role::PedalAccelerator).unwrap();
    assert_eq!(pedal.state, State::Alive, "{pedal:?}");
}

#[test]
fn wheels_that_all_keep_their_values_are_stale() {
    let with = |step_mps: f64, frozen: bool| {
        let mut trial = Trial::gathering();
        for role in Role::WHEELS {
            let wheel = trial.series(role);
            for v in &mut wheel.value {
                *v = (*v / step_mps).round() * step_mps;
            }
            if frozen {
                let kept = wheel.value[2000];
                wheel.value[2000..2200].fill(kept);
            }
        }
        let readiness = trial.assessed();
        readiness.signal(Role::WheelSpeedRearLeft).unwrap().clone()
    };
    let state = with(0.003, true);
    assert_eq!(state.state, State::Stale, "{state:?}");
    assert!(
        (state.frozen_share - 2.0 / SECONDS).abs() < 0.01,
        "{state:?}"
    );
    // Fine and coarse steps of a sound car.
    for step_mps in [0.003, 0.05, 0.3] {
        let state = with(step_mps, false);
        assert_eq!(state.state, State::Alive, "{step_mps}: {state:?}");
    }
}

/// From a third of the drive on a signal repeats its last value, whatever the car does.
#[test]
fn what_stands_still_part_way_is_stale() {
    let frozen = |role: Role, kept: f64| {
        let mut trial = Trial::gathering();
        let all = &mut trial.series(role).value;
        let from = all.len() / 3;
        all[from..].fill(kept);
        trial.assessed().signal(role).unwrap().clone()
    };
    for role in [Role::CouplingDemand, Role::PedalAccelerator] {
        let state = frozen(role, 30.0);
        assert_eq!(state.state, State::Stale, "{state:?}");
        assert!(state.frozen_share > 0.5, "{state:?}");
    }
    // A cruise control drives with the pedal at rest.
    let state = frozen(Role::PedalAccelerator, 0.0);
    assert_eq!(state.state, State::Alive, "{state:?}");
}
