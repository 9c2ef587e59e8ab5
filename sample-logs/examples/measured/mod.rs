//! A recording as the measures take it: shared by the studies and the tests of whole drives.

use slipwright_analysis::drive::DriveMeasures;
use slipwright_analysis::measures::{FrameSpan, measure_drive};
use slipwright_analysis::vehicle::Vehicle;
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
