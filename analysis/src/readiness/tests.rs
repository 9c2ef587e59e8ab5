//! Signals and traffic of a made-up car, each with one thing wrong, and what is said of it.

mod dropouts;
mod exchanged;
mod stuck;

use slipwright_decoders::decoder_file::{FrameEntry, SignalEntry};
use slipwright_decoders::field::{BitOrder, Coding, Field};
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_decoders::signal::{Invalid, InvalidReason, Series, SignalKey};
use slipwright_decoders::unit::Unit;

use super::*;
use crate::drive::at_seconds;
use crate::traffic_watch::TrafficWatch;
use crate::trial::{EPOCH_NS, Random, series, span, stamps, vehicle};

const SECONDS: f64 = 60.0;

/// A car that rolls at 10 m/s and closes its coupling every ten seconds.
struct Trial {
    signals: Signals,
    described: DecoderFile,
    traffic: Traffic,
}

impl Trial {
    fn new() -> Self {
        let mut random = Random::new(3);
        let t = stamps(&mut random, 0.0, SECONDS, 0.01, 0.02);
        let closed = |t: f64| t % 10.0 > 4.0 && t % 10.0 < 6.0;
        let on = |high: f64| move |t: f64| if closed(t) { high } else { 0.0 };
        let mut all: Vec<Series> = Role::WHEELS
            .into_iter()
            .map(|role| series(role, Unit::MetrePerSecond, &t, |t| 10.0 + 0.1 * t.sin()))
            .collect();
        all.push(series(Role::CouplingDemand, Unit::Percent, &t, on(50.0)));
        all.push(series(Role::CouplingPressure, Unit::Bar, &t, on(20.0)));
        all.push(series(Role::PedalAccelerator, Unit::Percent, &t, on(70.0)));
        let mut frame = FrameEntry::new(CanId::Base(0x100));
        frame.period_ms = Some(10.0);
        for (k, one) in (0_u16..).zip(&all) {
            let field = Field::new(16 * k, 16, BitOrder::Little, Coding::Unsigned).unwrap();
            frame
                .signals
                .push(SignalEntry::new(one.key.clone(), field, 1.0, 0.0, one.unit));
        }
        Self {
            signals: Signals { series: all },
            described: DecoderFile {
                frames: vec![frame],
                ..DecoderFile::default()
            },
            traffic: Traffic::default(),
        }
    }

    fn series(&mut self, role: Role) -> &mut Series {
        let key = SignalKey::Role(role);
        self.signals
            .series
            .iter_mut()
            .find(|s| s.key == key)
            .unwrap()
    }

    /// The same car that gathers speed three times.
    fn gathering() -> Self {
        let mut trial = Self::new();
        for role in Role::WHEELS {
            let wheel = trial.series(role);
            for (v, at) in wheel.value.iter_mut().zip(&wheel.t_ns) {
                let t = (at - EPOCH_NS) as f64 * 1e-9;
                *v = 8.0 + 5.0 * (t / 3.0).sin();
            }
        }
        trial
    }

    /// Takes the samples of a time away, or makes them invalid.
    fn lose(&mut self, role: Role, from_s: f64, to_s: f64, invalid: bool) {
        let series = self.series(role);
        let within = |t: i64| {
            let s = (t - EPOCH_NS) as f64 * 1e-9;
            (from_s..to_s).contains(&s)
        };
        let lost: Vec<i64> = series.t_ns.iter().copied().filter(|&t| within(t)).collect();
        let keep: Vec<bool> = series.t_ns.iter().map(|&t| !within(t)).collect();
        let mut kept = keep.iter();
        series.value.retain(|_| *kept.next().unwrap());
        let mut kept = keep.iter();
        series.t_ns.retain(|_| *kept.next().unwrap());
        if invalid {
            series.invalid = lost
                .into_iter()
                .map(|t_ns| Invalid {
                    t_ns,
                    reason: InvalidReason::RawCode,
                })
                .collect();
        }
    }

    fn set(&mut self, role: Role, value: impl Fn(f64, f64) -> f64) {
        let series = self.series(role);
        for (t, v) in series.t_ns.iter().zip(&mut series.value) {
            *v = value((t - EPOCH_NS) as f64 * 1e-9, *v);
        }
    }

    fn assessed(&self) -> Readiness {
        let recording = Recording {
            signals: &self.signals,
            described: &self.described,
            traffic: &self.traffic,
            span: span(&self.signals),
        };
        assess(&recording, &vehicle(), Measure::ALL)
    }

    fn check(&self, role: Role, state: State) -> Readiness {
        let readiness = self.assessed();
        assert_eq!(
            readiness.signal(role).unwrap().state,
            state,
            "{readiness:?}"
        );
        assert_eq!(readiness.ready, state == State::Alive, "{readiness:?}");
        readiness
    }
}

#[test]
fn a_sound_car_is_ready() {
    let readiness = Trial::new().check(Role::CouplingPressure, State::Alive);
    assert_eq!(readiness.coupling.could_work, CouldWork::Yes);
    assert_eq!(readiness.coupling.unanswered, Some(0));
}

#[test]
fn a_gap_is_stale_and_bad_codes_are_invalid() {
    let mut trial = Trial::new();
    trial.lose(Role::CouplingPressure, 20.0, 23.0, false);
    trial.check(Role::CouplingPressure, State::Stale);
    let mut trial = Trial::new();
    trial.lose(Role::CouplingPressure, 20.0, 23.0, true);
    trial.check(Role::CouplingPressure, State::Invalid);
    let mut trial = Trial::new();
    trial.lose(Role::CouplingPressure, 20.0, 20.03, false);
    trial.check(Role::CouplingPressure, State::Alive);
}

#[test]
fn a_signal_that_stops_is_stale_and_one_that_never_came_is_missing() {
    let mut trial = Trial::new();
    trial.lose(Role::CouplingDemand, 40.0, 100.0, false);
    trial.check(Role::CouplingDemand, State::Stale);
    let mut trial = Trial::new();
    let key = SignalKey::Role(Role::WheelSpeedFrontLeft);
    trial.signals.series.retain(|s| s.key != key);
    trial.check(Role::WheelSpeedFrontLeft, State::Missing);
}

#[test]
fn a_wheel_that_disagrees_or_stands_is_invalid() {
    let mut trial = Trial::new();
    trial.set(Role::WheelSpeedRearRight, |_, v| 0.88 * v);
    trial.check(Role::WheelSpeedRearRight, State::Invalid);
    let mut trial = Trial::new();
    trial.set(Role::WheelSpeedRearRight, |t, v| {
        if (30.0..33.0).contains(&t) { 0.0 } else { v }
    });
    let readiness = trial.check(Role::WheelSpeedRearRight, State::Invalid);
    assert!(readiness.findings.iter().any(|f| f.what == "wheel_sensor"));
}

#[test]
fn pressure_that_does_not_rest_is_invalid() {
    let mut trial = Trial::new();
    trial.set(Role::CouplingPressure, |_, v| v + 6.0);
    trial.check(Role::CouplingPressure, State::Invalid);
}

#[test]
fn pressure_that_jumps_while_demand_stands_is_invalid() {
    let mut trial = Trial::new();
    // A bad earth puts 4 bar on it for a second, now and then: open at rest and while it holds.
    let bad = |t: f64| (t - 1.0) % 7.0 < 1.0 && t > 8.0;
    trial.set(Role::CouplingPressure, |t, bar| {
        bar + if bad(t) { 4.0 } else { 0.0 }
    });
    let readiness = trial.check(Role::CouplingPressure, State::Invalid);
    let state = readiness.signal(Role::CouplingPressure).unwrap();
    assert!(
        state.why.as_ref().unwrap().contains("jumps by 4.0 bar"),
        "{state:?}"
    );
    assert!(
        !state.outages.is_empty() && state.invalid_share > 0.01,
        "{state:?}"
    );
}

#[test]
fn a_demand_that_stays_at_zero_means_the_coupling_cannot_have_worked() {
    let mut trial = Trial::new();
    trial.set(Role::CouplingDemand, |_, _| 0.0);
    trial.set(Role::CouplingPressure, |_, _| 0.0);
    let readiness = trial.check(Role::CouplingDemand, State::Stale);
    assert_eq!(readiness.coupling.could_work, CouldWork::No);
}

#[test]
fn demand_without_pressure_is_told() {
    let mut trial = Trial::new();
    trial.set(Role::CouplingPressure, |_, _| 0.1);
    let readiness = trial.assessed();
    assert!(!readiness.ready);
    assert!(readiness.findings.iter().any(|f| f.what == "no_pressure"));
    assert_eq!(readiness.coupling.could_work, CouldWork::No);
}

/// Readings that jump for moments, as a loose plug makes them, are no measurement.
#[test]
fn a_wheel_that_fails_for_moments_is_not_ready() {
    let mut trial = Trial::new();
    trial.set(Role::WheelSpeedRearRight, |t, v| {
        if t % 0.7 < 0.1 { 0.0 } else { v }
    });
    let readiness = trial.check(Role::WheelSpeedRearRight, State::Invalid);
    let state = readiness.signal(Role::WheelSpeedRearRight).unwrap();
    assert!(state.why.as_ref().unwrap().contains("jumps away and back"));
    assert_eq!(readiness.findings[0].what, "wheel_sensor");
}

/// Every tenth frame of demand came, each a timeout after the last: that is told, and nothing is made of it.
#[test]
fn demand_that_comes_too_seldom_is_not_one_that_never_rose() {
    let mut trial = Trial::new();
    let demand = trial.series(Role::CouplingDemand);
    demand.t_ns = demand.t_ns.iter().copied().step_by(10).collect();
    demand.value = demand.value.iter().copied().step_by(10).collect();
    let readiness = trial.check(Role::CouplingDemand, State::Stale);
    assert!(readiness.findings.iter().all(|f| f.what != "no_demand"));
    assert_eq!(readiness.coupling.could_work, CouldWork::NotKnown);
}

#[test]
fn what_is_chosen_decides_what_is_needed() {
    let trial = Trial::new();
    let slip = needed(&trial.described.roles(), &[Measure::PeakSlip]);
    assert!(!slip.roles.contains(&Role::CouplingPressure));
    assert!(slip.roles.contains(&Role::WheelSpeedFrontLeft));
    let times = needed(&trial.described.roles(), &[Measure::DeadTime]);
    assert!(times.roles.contains(&Role::CouplingPressure));
    assert!(times.roles.contains(&Role::CouplingDemand));
}

/// The balance by acceleration needs neither engine torque nor pressure: what a car lacks is said as
/// what it costs, here and on the test card alike.
#[test]
fn the_transfer_fraction_is_not_refused_to_a_car_without_engine_torque() {
    let mut trial = Trial::new();
    for frame in &mut trial.described.frames {
        let keeps = |s: &SignalEntry| s.key.role() != Some(Role::CouplingPressure);
        frame.signals.retain(keeps);
    }
    let transfer = needed(&trial.described.roles(), &[Measure::TransferFraction]);
    assert!(transfer.roles.is_superset(&Role::WHEELS.into()));
    assert!(!transfer.roles.contains(&Role::EngineTorque));
    assert!(!transfer.roles.contains(&Role::CouplingPressure));
    let lines = signals(&[]);
    let cost = |role| lines.iter().find(|l| l.role == role).unwrap().cost;
    let torque = cost(Role::EngineTorque);
    assert_eq!(torque, "the transfer fraction rests on acceleration alone");
    assert!(transfer.notes.iter().any(|n| n.ends_with(torque)));
    assert!(!cost(Role::CouplingDemand).contains("no engagement delay"));
}

/// On a bus without wheel speeds a moment of brake control is a moment, not the whole drive.
#[test]
fn a_short_inhibit_is_short_without_wheel_speeds_too() {
    let mut trial = Trial::new();
    let wheels = Role::WHEELS.map(SignalKey::Role);
    trial.signals.series.retain(|s| !wheels.contains(&s.key));
    let t: Vec<f64> = (0..6000).map(|k| f64::from(k) * 0.01).collect();
    let inhibited = series(Role::CouplingInhibited, Unit::Bare, &t, |t| {
        f64::from(u8::from((30.0..30.6).contains(&t)))
    });
    trial.signals.series.push(inhibited);
    let readiness = trial.assessed();
    let share = readiness.coupling.inhibited_share.unwrap();
    assert!((share - 0.01).abs() < 0.001, "{share}");
    assert_eq!(readiness.coupling.could_work, CouldWork::Yes);
    let found = readiness.findings.iter().find(|f| f.what == "inhibited");
    assert!(found.unwrap().evidence[0].contains("0.6 s, 1 % of the time"));
}

/// Ignition on and engine off, then a drive on a sound generator; the bus tells no engine speed.
#[test]
fn a_battery_at_rest_is_not_a_weak_supply() {
    let with_supply = |rolling_v: f64| {
        let mut trial = Trial::new();
        for role in Role::WHEELS {
            trial.set(role, |t, v| if t < 45.0 { 0.0 } else { v });
        }
        let t: Vec<f64> = (0..600).map(|k| f64::from(k) * 0.1).collect();
        let supply = series(Role::SupplyVoltage, Unit::Volt, &t, |t| {
            if t < 45.0 { 12.1 } else { rolling_v }
        });
        trial.signals.series.push(supply);
        trial
    };
    let weak = |trial: &Trial| {
        let findings = trial.assessed().findings;
        findings.into_iter().find(|f| f.what == "supply_voltage")
    };
    assert_eq!(weak(&with_supply(14.2)), None);
    let found = weak(&with_supply(11.8)).unwrap();
    assert!(found.why.contains("while the car rolls"), "{found:?}");
    let mut standing = with_supply(11.8);
    for role in Role::WHEELS {
        standing.set(role, |_, _| 0.0);
    }
    assert_eq!(weak(&standing), None);
}

/// What the finding says of the other wheels is looked up in the decoder file.
#[test]
fn a_wheel_with_a_frame_of_its_own_shares_no_message() {
    let told = |own_frame: bool| {
        let mut trial = Trial::new();
        if own_frame {
            let mut frame = FrameEntry::new(CanId::Base(0x101));
            frame
                .signals
                .push(trial.described.frames[0].signals.remove(3));
            trial.described.frames.push(frame);
        }
        trial.set(Role::WheelSpeedRearRight, |t, v| {
            if (30.0..33.0).contains(&t) { 0.0 } else { v }
        });
        let findings = trial.assessed().findings;
        let found = findings.into_iter().find(|f| f.what == "wheel_sensor");
        found.unwrap().why
    };
    assert!(told(false).contains("while the other wheels in the same message are good"));
    assert!(told(true).contains("while the other wheels are good"));
}

/// Two units that send every two seconds and die on one wire: the second is missed only when its next
/// frame is due.
#[test]
fn slow_identifiers_that_die_together_share_a_branch() {
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    let mut push = |t_s: f64, id: u16| {
        watch.push(&Frame {
            t_ns: at_seconds(EPOCH_NS, t_s),
            bus: BusIndex::new(0),
            id: CanId::Base(id),
            flags: FrameFlags::default(),
            data: &[1, 2, 3],
        });
    };
    for k in 0..3000_u16 {
        let t_s = f64::from(k) * 0.1;
        for id in 0..6 {
            push(t_s, 0x200 + id);
        }
        // The last frames before the wire breaks are 3 s apart.
        if k % 20 == 0 && !(101.0..161.0).contains(&t_s) {
            push(t_s, 0x100);
        }
        if k % 20 == 10 && !(104.0..164.0).contains(&t_s) {
            push(t_s, 0x101);
        }
    }
    let mut trial = Trial::new();
    trial.traffic = watch.finish();
    let found: Vec<&str> = trial.assessed().findings.iter().map(|f| f.what).collect();
    assert_eq!(found, ["bus_branch"]);
}

/// A recording that ends with the last time there is.
#[test]
fn the_end_of_time_is_no_error() {
    let mut trial = Trial::new();
    for series in &mut trial.signals.series {
        series.t_ns.truncate(800);
        series.value.truncate(800);
        let last = series.t_ns[799];
        for t_ns in &mut series.t_ns {
            *t_ns += i64::MAX - last;
        }
        let bad = series.t_ns[400];
        series.invalid.push(Invalid {
            t_ns: bad + 1,
            reason: InvalidReason::RawCode,
        });
    }
    assert!(!trial.assessed().signals.is_empty());
}
