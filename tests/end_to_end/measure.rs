//! `measure` on the small car, whose truth is in closed form.

use std::fs;

use crate::captures::{CYCLE_S, DEMAND_AT_S, SmallCar, write_car};
use crate::json::{Engagement, Measured, Value};
use crate::program::slipwright;

fn measured(car: SmallCar, launches: u32) -> Measured {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let capture = folder.path().join("drive.pcapng");
    fs::write(&capture, car.drive(launches).bytes()).unwrap();
    let run = slipwright([
        "measure".as_ref(),
        capture.as_os_str(),
        "--vehicle".as_ref(),
        folder.path().join("vehicle.toml").as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    run.json()
}

fn check(name: &str, value: &Value, truth: f64, tolerance: f64) {
    let found = value
        .value
        .unwrap_or_else(|| panic!("{name} is missing: {:?}", value.why));
    assert!(
        (found - truth).abs() <= tolerance,
        "{name}: {found} where the truth is {truth}"
    );
    let u = value.u.unwrap();
    assert!(u.is_finite() && u >= 0.0, "{name}: u = {u}");
}

/// Truth: a first-order rise after a dead time crosses 10, 50 and 90 % after 0.1053605, 0.6931472
/// and 2.3025851 time constants (closed form, 1 - exp(-t)). Demand and pressure share a frame, so
/// its stamp shifts both alike.
#[test]
fn delays_of_a_first_order_rise() {
    for (dead_time_s, time_constant_s) in [(0.08, 0.05), (0.15, 0.03), (0.04, 0.12)] {
        let car = SmallCar {
            dead_time_s,
            time_constant_s,
            ..SmallCar::default()
        };
        let measured = measured(car, 4);
        let drive = &measured.drives[0];
        assert_eq!(drive.capture, "drive.pcapng");
        assert_eq!(drive.engagements.len(), 4);
        for (launch, engagement) in drive.engagements.iter().enumerate() {
            let demand_s = launch as f64 * CYCLE_S + DEMAND_AT_S;
            let Engagement {
                start_s,
                end_s,
                kind,
                reference,
                ..
            } = engagement;
            assert!(
                (start_s - demand_s).abs() < 0.3,
                "{start_s} is not near {demand_s}"
            );
            assert!((end_s - start_s - 3.0).abs() < 0.6, "{start_s} to {end_s}");
            assert_eq!((kind.as_str(), reference.as_str()), ("launch", "demand"));
            // The pressure is sampled every 10 ms: an error of a tenth of that is the aim.
            let ms = |time_constants: f64| 1e3 * (dead_time_s + time_constants * time_constant_s);
            check("dead time", &engagement.dead_time_ms, ms(0.105_360_5), 2.0);
            check(
                "delay",
                &engagement.engagement_delay_ms,
                ms(std::f64::consts::LN_2),
                1.0,
            );
            check(
                "rise time",
                &engagement.rise_time_ms,
                1e3 * 2.197_224_6 * time_constant_s,
                3.0,
            );
        }
    }
}

/// Truth: slip is 1.5 m/s times x exp(1 - x) with x = t / 0.2 s, so its peak is 1.5 m/s, its
/// integral 0.2 s * 1.5 m/s * e, and it falls to a tenth of the peak at x = 4.889720 (closed form
/// by the Lambert function, value from a numerical solver).
#[test]
fn slip_of_a_known_pulse() {
    let measured = measured(SmallCar::default(), 4);
    for engagement in &measured.drives[0].engagements {
        check("peak slip", &engagement.peak_slip_mps, 1.5, 0.03);
        check(
            "slip distance",
            &engagement.slip_distance_m,
            0.3 * std::f64::consts::E,
            0.03,
        );
        check(
            "slip time",
            &engagement.slip_time_ms,
            1e3 * 0.2 * 4.889_720,
            40.0,
        );
        check("steady slip", &engagement.steady_slip_mps, 0.0, 0.05);
        check("hold", &engagement.hold_percent_per_s, 0.0, 0.2);
        check("ripple", &engagement.ripple_bar, 0.0, 0.05);
        assert_eq!(engagement.transfer_fraction.value, None);
        assert!(
            engagement
                .transfer
                .iter()
                .all(|t| t.value.is_none() && t.u.is_none())
        );
        assert!(engagement.transfer.iter().any(|t| t.method == "hydraulic"));
        let work = &engagement.friction_work_j;
        assert!(work.value.is_some_and(|j| j > 0.0), "{work:?}");
    }
}

#[test]
fn wheels_that_turn_alike_have_radius_ratios_of_one() {
    let measured = measured(SmallCar::default(), 4);
    let drive = &measured.drives[0];
    assert_eq!(drive.radius_ratio.len(), 4);
    for (wheel, ratio) in &drive.radius_ratio {
        check(wheel, ratio, 1.0, 0.002);
        assert!(ratio.u.unwrap() < 0.002, "{wheel}: {ratio:?}");
    }
    assert!(drive.noise_slip_mps.unwrap() < 0.01);
    assert_eq!(drive.frames, 4 * 3000 * 2);
    assert!((drive.duration_s - 120.0).abs() < 0.02);
    assert!(drive.warnings.is_empty(), "{:?}", drive.warnings);
}
