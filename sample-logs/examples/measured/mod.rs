//! A recording as the measures take it: shared by the studies and the tests of whole drives.

use slipwright_analysis::measures::{DriveMeasures, FrameSpan, measure_drive};
use slipwright_analysis::vehicle::Vehicle;
use slipwright_decoders::frame::CanId;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::{Series, SignalKey};
use slipwright_decoders::unit::Unit;
use slipwright_sample::memory::Recording;

/// How far the frames of a recording reach.
pub(crate) fn span(recording: &Recording) -> FrameSpan {
    FrameSpan {
        first_ns: recording.frames.first().map_or(0, |f| f.t_ns),
        last_ns: recording.frames.last().map_or(0, |f| f.t_ns),
        frames: recording.frames.len() as u64,
    }
}

/// The vehicle file of a recording.
pub(crate) fn vehicle(recording: &Recording) -> Vehicle {
    Vehicle::parse(&recording.vehicle_toml).unwrap()
}

/// Measures a recording with its own decoder and vehicle file.
#[allow(dead_code, reason = "one study decodes for itself")]
pub(crate) fn measured(recording: &Recording) -> DriveMeasures {
    let (signals, span) = (recording.signals(), span(recording));
    measure_drive("drive", &signals, span, &vehicle(recording))
}

/// Ground speed as the satellite receiver of a recording tells it.
#[allow(dead_code, reason = "not every study has a receiver")]
pub(crate) fn satellite(recording: &Recording) -> Series {
    Series {
        key: SignalKey::Role(Role::GroundSpeed),
        unit: Unit::MetrePerSecond,
        bus: "receiver".to_owned(),
        id: CanId::Base(0),
        t_ns: recording.satellite_speed.iter().map(|s| s.t_ns).collect(),
        value: recording
            .satellite_speed
            .iter()
            .map(|s| s.speed_mps)
            .collect(),
        invalid: Vec::new(),
        timeout_ns: 500_000_000,
    }
}
