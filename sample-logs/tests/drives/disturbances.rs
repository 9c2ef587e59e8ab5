//! Real roads: crossfall, gusts, gentle torque and a bad wheel must neither bend the radius ratios
//! nor pose as slip.

use slipwright_analysis::measure::Measure;
use slipwright_analysis::measures::DriveMeasures;
use slipwright_decoders::role::Role;
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::memory::Recording;
use slipwright_sample::scenario::{DrivePlan, Scenario};

/// Roles without which only the wheels tell anything of torque and turning.
const WHEELS_ONLY: [Role; 8] = [
    Role::EngineTorque,
    Role::EngineSpeed,
    Role::PedalAccelerator,
    Role::BodyYawRate,
    Role::BodyAccelLong,
    Role::BodyAccelLat,
    Role::SteeringAngle,
    Role::GroundSpeed,
];

/// Everyday driving between two launches.
fn plan() -> DrivePlan {
    let launch = Manoeuvre {
        throttle_percent: 70.0,
        ..Manoeuvre::usual(Kind::Launch)
    };
    let cruise = |kmh: f64| Manoeuvre {
        from_mps: kmh / 3.6,
        seconds: 12.0,
        ..Manoeuvre::usual(Kind::Cruise)
    };
    let programme = vec![
        launch.clone(),
        cruise(50.0),
        Manoeuvre::usual(Kind::Coast),
        cruise(70.0),
        cruise(40.0),
        Manoeuvre::usual(Kind::Coast),
        Manoeuvre::usual(Kind::Brake),
        launch,
        Manoeuvre::usual(Kind::Brake),
    ];
    DrivePlan::new("disturbed", programme)
}

fn scenario(seed: u64) -> Scenario {
    let mut scenario = Scenario {
        seed,
        car_seed: seed,
        ..Scenario::default()
    };
    scenario.bus.load = [0.0; 2];
    scenario
}

fn measured(scenario: &Scenario) -> (DriveMeasures, Recording) {
    let recording = Recording::of(scenario, 0).unwrap();
    (crate::measured::measured(&recording), recording)
}

/// Ratios within their own uncertainty, no engagement that was none, peak slip as it was.
fn check_disturbed(what: &str, scenario: &Scenario) {
    let (drive, recording) = measured(scenario);
    let truth = &recording.truth;
    let ratios = &drive.radius_ratio;
    let all = [
        &ratios.front_left,
        &ratios.front_right,
        &ratios.rear_left,
        &ratios.rear_right,
    ];
    for (wheel, (ratio, true_ratio)) in all.into_iter().zip(truth.radius_ratio).enumerate() {
        let ratio = ratio.as_ref().unwrap_or_else(|why| panic!("{what}: {why}"));
        let off = ratio.value - true_ratio;
        assert!(
            off.abs() < 3.0 * ratio.u && ratio.u < 2.5e-3,
            "{what}, wheel {wheel}: off by {off:.5}, u {:.5}, {}",
            ratio.u,
            ratio.method
        );
    }
    assert_eq!(drive.engagements.len(), truth.engagements.len(), "{what}");
    for (found, true_one) in drive.engagements.iter().zip(&truth.engagements) {
        let (Ok(peak), Some(true_peak)) =
            (found.measured(Measure::PeakSlip), true_one.peak_slip_mps)
        else {
            continue;
        };
        assert!(
            (peak.value - true_peak).abs() < 4.0 * peak.u + 0.05,
            "{what}: {peak:?} {true_peak}"
        );
    }
}

#[test]
fn crossfall_and_gusts_leave_ratios_and_slip_alone() {
    for seed in 0..4 {
        for crossfall_percent in [-5.0, 3.0] {
            let mut disturbed = scenario(300 + seed).with_drive(plan());
            disturbed.drives[0].crossfall_percent = crossfall_percent;
            disturbed.drives[0].gust_mps = 4.0;
            check_disturbed(
                &format!("seed {seed}, crossfall {crossfall_percent} %"),
                &disturbed,
            );
        }
    }
}

#[test]
fn gentle_torque_that_nothing_tells_stays_within_the_uncertainty() {
    for seed in 0..6 {
        let mut disturbed = scenario(320 + seed).with_drive(plan());
        disturbed.layout.omit = WHEELS_ONLY.to_vec();
        disturbed.drives[0].gust_mps = 3.0;
        check_disturbed(&format!("wheels only, seed {seed}"), &disturbed);
    }
}

/// A bent or a missing tooth moves one wheel's reading once a turn; the mean over turns stays.
#[test]
fn a_bad_tooth_ring_does_not_bend_the_ratios() {
    for (seed, wheel) in (0..4).zip([0, 1, 2, 3]) {
        let mut bent = scenario(340 + seed).with_drive(plan());
        bent.rings[wheel].bent_tooth = true;
        check_disturbed(&format!("bent tooth, wheel {wheel}"), &bent);
        // A missing tooth makes the wheel seem slower once a turn, the same at every speed.
        let mut missing = scenario(350 + seed).with_drive(plan());
        missing.rings[wheel].missing_tooth = true;
        let (drive, _) = measured(&missing);
        assert_eq!(drive.engagements.len(), 2, "missing tooth, wheel {wheel}");
    }
}
