//! Cars drawn from a seed: they drive, their coupling works, and what they send is what is true.

use std::collections::HashMap;

use slipwright_decoders::frame::CanId;
use slipwright_decoders::obd2;
use slipwright_decoders::role::Role;
use slipwright_sample::layout::Description;
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::memory::{Recording, StoredFrame};
use slipwright_sample::scenario::{DrivePlan, Scenario};
use slipwright_sample::surface::Surface;
use slipwright_sample::truth::EngagementKind;

use crate::recorded::{by_id, truth_column};

fn plan() -> DrivePlan {
    let programme = vec![
        Manoeuvre {
            throttle_percent: 80.0,
            ..Manoeuvre::usual(Kind::Launch)
        },
        Manoeuvre::usual(Kind::TipIn),
        Manoeuvre {
            seconds: 4.0,
            ..Manoeuvre::usual(Kind::Coast)
        },
        Manoeuvre::usual(Kind::Brake),
    ];
    DrivePlan::new("short", programme).on(Surface::Wet)
}

fn record(car_seed: u64) -> Recording {
    let scenario = Scenario::unknown_car(car_seed).with_drive(plan());
    Recording::with_states(&scenario, 0).unwrap()
}

/// Truth at a time, between rows.
fn at(column: &[f64], t_s: f64, first_row_s: f64) -> f64 {
    let place = ((t_s - first_row_s) / 1e-3).max(0.0);
    let k = (place as usize).min(column.len() - 2);
    column[k] + (place - k as f64) * (column[k + 1] - column[k])
}

#[test]
fn drawn_cars_drive_and_their_couplings_close() {
    for car_seed in 100..130 {
        let recording = record(car_seed);
        let truth = &recording.truth;
        assert!(truth.energy_residual.abs() < 1e-3, "{car_seed} {truth:?}");
        assert!(truth.bus_load.iter().all(|&load| load < 0.75), "{car_seed}");
        let kinds: Vec<_> = truth.engagements.iter().map(|e| e.kind).collect();
        let expected = [EngagementKind::Launch, EngagementKind::TipIn];
        assert_eq!(kinds, expected, "{car_seed} {:?}", truth.engagements);
        for e in &truth.engagements {
            let dead = e.dead_time_ms.unwrap();
            assert!((35.0..170.0).contains(&dead), "{car_seed}: {dead}");
            assert!(e.pressure_bar[1] > 5.0, "{car_seed}: {:?}", e.pressure_bar);
        }
    }
}

#[test]
fn wheel_speeds_and_pressure_decode_to_the_truth_whatever_their_coding() {
    for car_seed in 200..212 {
        let recording = record(car_seed);
        let signals = recording.signals();
        let rows = truth_column(&recording, "t_s");
        let start_ns = recording.frames[0].t_ns;
        let t_s = |t_ns: i64| (t_ns - start_ns) as f64 * 1e-9;
        let stated_m = slipwright_sample::car::Car::drawn(car_seed)
            .tyres
            .rolling_radius_m;
        for (i, &role) in Role::WHEELS.iter().enumerate() {
            let series = signals.role(role).unwrap();
            let name = slipwright_sample::state::WHEEL_NAMES[i];
            let omega = truth_column(&recording, &format!("wheel_rad_s.{name}"));
            let angular =
                series.unit.quantity() == slipwright_decoders::unit::Quantity::AngularSpeed;
            let errors: Vec<f64> = series
                .t_ns
                .iter()
                .zip(&series.value)
                .map(|(&t_ns, &value)| (t_s(t_ns) - 0.010, series.unit.in_core(value)))
                .filter(|&(t, _)| at(&omega, t, rows[0]) > 10.0)
                .map(|(t, v)| {
                    v * if angular { stated_m } else { 1.0 } - stated_m * at(&omega, t, rows[0])
                })
                .collect();
            assert!(errors.len() > 100, "{car_seed} {role}");
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            assert!(mean.abs() < 0.06, "{car_seed} {role} {mean}");
        }
        let series = signals.role(Role::CouplingPressure).unwrap();
        let pressure = truth_column(&recording, "pressure_bar");
        for (&t_ns, &value) in series.t_ns.iter().zip(&series.value) {
            let error = series.unit.in_core(value) - at(&pressure, t_s(t_ns) - 5e-4, rows[0]);
            assert!(error.abs() < 1.0, "{car_seed} {error}");
        }
    }
}

#[test]
fn bits_sent_are_bits_decoded_and_protection_checks() {
    for car_seed in 300..306 {
        let recording = record(car_seed);
        let by_id = by_id(&recording);
        for message in &recording.messages {
            let of_bus = |frame: &&&StoredFrame| frame.bus.as_usize() == usize::from(message.bus);
            let frames: Vec<_> = by_id[&message.entry.id].iter().filter(of_bus).collect();
            assert!(!frames.is_empty(), "{car_seed} {:?}", message.entry.id);
            for frame in frames {
                assert_eq!(frame.data().len(), usize::from(message.entry.length_bytes));
                for signal in &message.entry.signals {
                    let raw = signal.field.extract(frame.data()).unwrap();
                    assert_eq!(signal.nearest_raw(signal.value(raw)), raw);
                }
                if let Some((place, kind)) = message.protection.checksum {
                    let others = frame.data().iter().enumerate();
                    let others = others.filter(|&(k, _)| k != usize::from(place));
                    let expected = kind.of(others.map(|(_, &byte)| byte));
                    assert_eq!(frame.data()[usize::from(place)], expected);
                }
            }
        }
    }
}

/// The answers are those of SAE J1979: service 0x41, parameter 0x0D, km/h.
#[test]
fn vehicle_speed_answers_tell_the_speed() {
    let mut seen = 0;
    for car_seed in 400..406 {
        let recording = record(car_seed);
        let answers = recording
            .messages
            .iter()
            .find_map(|message| match &message.description {
                Description::Answer(request) => Some(request),
                _ => None,
            });
        let Some(request) = answers else { continue };
        let rows = truth_column(&recording, "t_s");
        let forward = truth_column(&recording, "forward_mps");
        let start_ns = recording.frames[0].t_ns;
        let of = |id: CanId| recording.frames.iter().filter(move |frame| frame.id == id);
        assert!(of(request.request_id).count() > 20);
        for frame in of(request.response_id) {
            let length = usize::from(frame.data()[0]);
            let message = &frame.data()[1..=length];
            let data = obd2::parameter_data(0x0D, message).unwrap();
            let t_s = (frame.t_ns - start_ns) as f64 * 1e-9;
            let true_kmh = 3.6 * at(&forward, t_s, rows[0]);
            // Wheels that slip while the car launches are faster than the car.
            assert!(
                (f64::from(data[0]) - true_kmh).abs() < 9.0,
                "{data:?} {true_kmh}"
            );
            seen += 1;
        }
    }
    assert!(seen > 100, "{seen}");
}

#[test]
fn the_satellite_reference_lags_and_is_close() {
    let recording = record(7);
    let rows = truth_column(&recording, "t_s");
    let forward = truth_column(&recording, "forward_mps");
    let start_ns = recording.frames[0].t_ns;
    let values = &recording.satellite_speed;
    assert!(
        values
            .windows(2)
            .all(|pair| pair[1].t_ns - pair[0].t_ns == 100_000_000)
    );
    let errors = values.iter().map(|value| {
        let t_s = (value.t_ns - start_ns) as f64 * 1e-9 - 0.180;
        value.speed_mps - at(&forward, t_s, rows[0])
    });
    let worst = errors.map(f64::abs).fold(0.0, f64::max);
    assert!((0.05..0.25).contains(&worst), "{worst}");
}

#[test]
fn the_same_seed_is_the_same_car() {
    let hash = |recording: &Recording| {
        let mut counts: HashMap<CanId, usize> = HashMap::new();
        for frame in &recording.frames {
            *counts.entry(frame.id).or_default() += 1;
        }
        counts
    };
    let (first, again, other) = (record(11), record(11), record(12));
    assert_eq!(first.frames, again.frames);
    assert_ne!(hash(&first), hash(&other));
}
