//! What is decoded against what was true.

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Series;

use slipwright_sample::memory::Recording;

use crate::recorded::{by_id, drive, truth_column};

const DRIVE: &str = "
seed = 4
[bus]
load_percent = 30
lost_per_million = 0
[[drive]]
surface = \"gravel\"
[[drive.manoeuvre]]
kind = \"launch\"
throttle_percent = 80
[[drive.manoeuvre]]
kind = \"tip_in\"
[[drive.manoeuvre]]
kind = \"coast\"
from_kmh = 40
seconds = 4
[[drive.manoeuvre]]
kind = \"brake\"
";

/// Truth at the time of a stamp, between rows.
fn at(column: &[f64], t_s: f64, first_row_s: f64) -> f64 {
    let place = (t_s - first_row_s) / 1e-3;
    let k = (place.floor().max(0.0) as usize).min(column.len() - 2);
    let share = place - k as f64;
    column[k] + share * (column[k + 1] - column[k])
}

struct Compared {
    mean: f64,
    deviation: f64,
    worst: f64,
}

/// Decoded less true, in core units, `lag_s` before each stamp.
fn compare(driven: &Recording, series: &Series, truth: &[f64], lag_s: f64) -> Compared {
    let rows = truth_column(driven, "t_s");
    let start_ns = driven.frames[0].t_ns;
    let errors: Vec<f64> = series
        .t_ns
        .iter()
        .zip(&series.value)
        .map(|(&t_ns, &value)| {
            let t_s = (t_ns - start_ns) as f64 * 1e-9 - lag_s;
            series.unit.in_core(value) - at(truth, t_s, rows[0])
        })
        .collect();
    let n = errors.len() as f64;
    let mean = errors.iter().sum::<f64>() / n;
    let deviation = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / n).sqrt();
    let worst = errors.iter().map(|e| (e - mean).abs()).fold(0.0, f64::max);
    Compared {
        mean,
        deviation,
        worst,
    }
}

#[test]
fn decoded_signals_are_the_truth_with_their_sensors_errors() {
    let driven = drive(DRIVE);
    let signals = driven.signals();
    for &role in Role::ALL {
        let series = signals.role(role).unwrap_or_else(|| panic!("no {role}"));
        // The satellite receiver says "not available" until its first fix.
        let expected = if role == Role::GroundSpeed {
            20..=30
        } else {
            0..=0
        };
        assert!(
            expected.contains(&series.invalid.len()),
            "{role} {}",
            series.invalid.len()
        );
    }
    let check = |role: Role, column: &str, mean: f64, deviation: f64| {
        let series = signals.role(role).unwrap();
        let got = compare(&driven, series, &truth_column(&driven, column), 3e-4);
        assert!(got.mean.abs() < mean, "{role} mean {}", got.mean);
        assert!(
            got.deviation < deviation,
            "{role} deviation {}",
            got.deviation
        );
    };
    check(Role::CouplingPressure, "pressure_bar", 0.15, 0.12);
    check(Role::EngineSpeed, "engine_rad_s", 0.3, 0.6);
    check(Role::BodyYawRate, "yaw_rad_s", 0.01, 0.002);
    check(Role::SteeringAngle, "steering_rad", 0.05, 0.01);
    check(Role::CouplingPumpCurrent, "pump_current_a", 0.2, 0.4);
    check(Role::SupplyVoltage, "supply_v", 0.3, 0.15);
    // Torque is the engine control unit's own estimate, a few per cent off.
    let torque = signals.role(Role::EngineTorque).unwrap();
    let truth = truth_column(&driven, "engine_torque_nm");
    let most = truth.iter().copied().fold(0.0, f64::max);
    assert!(compare(&driven, torque, &truth, 3e-4).worst < 0.1 * most);
}

#[test]
fn demand_and_gear_are_exact() {
    let driven = drive(DRIVE);
    let signals = driven.signals();
    let rows = truth_column(&driven, "t_s");
    let start_ns = driven.frames[0].t_ns;
    for (role, column, step) in [
        (Role::CouplingDemand, "demand_percent", 0.05),
        (Role::Gear, "gear", 1.0),
    ] {
        let truth = truth_column(&driven, column);
        let series = signals.role(role).unwrap();
        for (&t_ns, &value) in series.t_ns.iter().zip(&series.value) {
            // Sent within a frame's time or two of the row it holds.
            let t_s = (t_ns - start_ns) as f64 * 1e-9;
            let last = (((t_s - rows[0]) / 1e-3) as usize).min(truth.len() - 1);
            let near = &truth[last.saturating_sub(4)..=last];
            let fits = near.iter().any(|v| (v - value).abs() <= 0.5 * step + 1e-9);
            assert!(fits, "{role} {value} at {t_s}: {near:?}");
        }
    }
}

/// Whatever was sent reads back to the same bits: raw to value to raw, for every frame and signal.
#[test]
fn bits_sent_are_bits_decoded() {
    let little = DRIVE.replace(
        "[bus]",
        "[bus]\nbyte_order = \"little\"\nextended_ids = true",
    );
    for text in [DRIVE, &little] {
        let driven = drive(text);
        let by_id = by_id(&driven);
        for message in &driven.messages {
            let frames = &by_id[&message.entry.id];
            assert!(frames.len() > 10);
            for frame in frames {
                assert_eq!(frame.data().len(), usize::from(message.entry.length_bytes));
                for signal in &message.entry.signals {
                    let raw = signal.field.extract(frame.data()).unwrap();
                    assert_eq!(signal.nearest_raw(signal.value(raw)), raw);
                    let mut again = frame.data().to_vec();
                    signal.field.insert(&mut again, raw).unwrap();
                    assert_eq!(again, frame.data());
                }
            }
        }
    }
}

#[test]
fn wheel_speeds_carry_the_tyres_radii_and_the_rings_noise() {
    let driven = drive(DRIVE);
    let signals = driven.signals();
    for (i, &role) in Role::WHEELS.iter().enumerate() {
        let name = slipwright_sample::state::WHEEL_NAMES[i];
        let series = signals.role(role).unwrap();
        let contact = truth_column(&driven, &format!("contact_mps.{name}"));
        let omega = truth_column(&driven, &format!("wheel_rad_s.{name}"));
        // What the sensor reports is the wheel's speed with the radius that the maker states; the
        // reading rests on the ten milliseconds before it.
        let stated: Vec<f64> = omega.iter().map(|w| (w * 0.312).abs()).collect();
        let rows = truth_column(&driven, "t_s");
        let start_ns = driven.frames[0].t_ns;
        let errors: Vec<f64> = series
            .t_ns
            .iter()
            .zip(&series.value)
            .map(|(&t, &v)| ((t - start_ns) as f64 * 1e-9 - 6e-3, v / 3.6))
            .filter(|&(t, _)| at(&contact, t, rows[0]) > 2.0)
            .map(|(t, v)| v - at(&stated, t, rows[0]))
            .collect();
        let n = errors.len() as f64;
        let mean = errors.iter().sum::<f64>() / n;
        let deviation = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / n).sqrt();
        assert!(n > 300.0);
        assert!(mean.abs() < 0.03, "{role} {mean}");
        assert!((0.02..0.12).contains(&deviation), "{role} {deviation}");
    }
    // Each wheel's radius ratio is contact speed over stated speed.
    let ratio = |i: usize| {
        let name = slipwright_sample::state::WHEEL_NAMES[i];
        let contact = truth_column(&driven, &format!("contact_mps.{name}"));
        let omega = truth_column(&driven, &format!("wheel_rad_s.{name}"));
        let k = (0..omega.len())
            .max_by(|&a, &b| omega[a].total_cmp(&omega[b]))
            .unwrap();
        contact[k] / omega[k]
    };
    let rear = 0.5 * (ratio(2) + ratio(3));
    for i in 0..4 {
        assert!((ratio(i) / rear - driven.truth.radius_ratio[i]).abs() < 1e-12);
    }
}
