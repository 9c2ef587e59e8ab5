//! Trial data for this crate's own tests: repeatable noise, and drives put together from closed
//! forms.

mod random;
mod servo;

use slipwright_decoders::frame::CanId;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::{Invalid, Series, SignalKey, Signals};
use slipwright_decoders::unit::Unit;

pub(crate) use self::random::{Random, stamps};
pub(crate) use self::servo::Servo;
use crate::measures::FrameSpan;
use crate::vehicle::{PressureLaw, Vehicle};

/// When a trial drive begins, ns since the epoch.
pub(crate) const EPOCH_NS: i64 = 1_700_000_000_000_000_000;

/// A series sampled from a function of time.
pub(crate) fn series(role: Role, unit: Unit, t_s: &[f64], value: impl Fn(f64) -> f64) -> Series {
    Series {
        key: SignalKey::Role(role),
        unit,
        bus: "can0".into(),
        id: CanId::Base(0x100),
        t_ns: t_s
            .iter()
            .map(|t| EPOCH_NS + (t * 1e9).round() as i64)
            .collect(),
        value: t_s.iter().map(|&t| value(t)).collect(),
        invalid: Vec::<Invalid>::new(),
        timeout_ns: t_s
            .windows(2)
            .map(|w| w[1] - w[0])
            .reduce(f64::min)
            .map_or(100_000_000, |d| ((5.0 * d.max(0.01)) * 1e9) as i64),
    }
}

/// The extent of a set of signals.
pub(crate) fn span(signals: &Signals) -> FrameSpan {
    let all = || signals.series.iter().flat_map(|s| s.t_ns.iter().copied());
    FrameSpan {
        first_ns: all().min().unwrap_or(0),
        last_ns: all().max().unwrap_or(0),
        frames: all().count() as u64,
    }
}

/// A car of our own invention with every key.
pub(crate) fn vehicle() -> Vehicle {
    let mut v = Vehicle {
        name: "trial car".into(),
        ..Vehicle::default()
    };
    v.geometry.wheelbase_m = Some(2.7);
    v.geometry.track_front_m = Some(1.55);
    v.geometry.track_rear_m = Some(1.55);
    v.tyres.rolling_radius_m = Some(0.32);
    v.mass.kg = Some(1650.0);
    v.driveline.gear_ratios = Some(vec![3.6, 2.1, 1.4, 1.03, 0.84]);
    v.driveline.final_drive = Some(3.9);
    v.driveline.rear_drive_ratio = Some(2.6);
    v.driveline.efficiency = Some(0.93);
    v.coupling.friction_surfaces = Some(12);
    v.coupling.outer_radius_m = Some(0.055);
    v.coupling.inner_radius_m = Some(0.042);
    v.coupling.pressure_law = Some(PressureLaw::UniformPressure);
    v.coupling.piston_area_m2 = Some(0.0045);
    v.coupling.return_force_n = Some(400.0);
    v.coupling.friction_coefficient = Some(0.12);
    v.coupling.max_pressure_bar = Some(40.0);
    v
}
