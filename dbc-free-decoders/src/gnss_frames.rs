//! The frames in which the recorder keeps a satellite receiver's fixes beside the buses of a car: their
//! layout, and the two numbers of them that `find` compares with.
//!
//! All have 29-bit identifiers, 8 bytes, little-endian fields; a field of all ones (signed ones: the
//! lowest value) is "not available".
//!
//! | identifier | bytes | field | unit of one step |
//! | --- | --- | --- | --- |
//! | 0x1F000001 | 0..4 | ground speed | 0.001 m/s |
//! | | 4..6 | its 95 % uncertainty | 0.001 m/s |
//! | | 6 | dimensions of the fix: 1 none, 2, 3; 0 not told | |
//! | | 7 | satellites used | |
//! | 0x1F000002 | 0..4 | latitude, signed | 1e-7 degree |
//! | | 4..8 | longitude, signed | 1e-7 degree |
//! | 0x1F000003 | 0..2 | course over ground | 0.01 degree |
//! | | 4..8 | height above mean sea level, signed | 0.001 m |
//! | 0x1F000004 | 0..8 | UTC time of the fix since 1970 | 1 ms |
//!
//! The frame's own stamp is when the report came, on the clock of the other buses; the time of the
//! fix is in the last frame, so the receiver's lag can be had from the two.

use crate::frame::CanId;

/// Name of the interface in the capture.
pub const INTERFACE: &str = "gnss";
/// Ground speed, its uncertainty, kind of fix, satellites.
pub const SPEED: CanId = CanId::Extended(0x1F00_0001);
/// Latitude and longitude.
pub const POSITION: CanId = CanId::Extended(0x1F00_0002);
/// Course and height.
pub const COURSE: CanId = CanId::Extended(0x1F00_0003);
/// Time of the fix.
pub const TIME: CanId = CanId::Extended(0x1F00_0004);
/// Steps of ground speed and its uncertainty in 1 m/s.
pub const STEPS_A_MPS: f64 = 1e3;
/// Steps of course in one degree.
pub const STEPS_A_DEGREE: f64 = 1e2;

/// Ground speed in the data of [`SPEED`], m/s; `None` if it is not available.
#[must_use]
pub fn speed_mps(data: &[u8]) -> Option<f64> {
    let raw = u32::from_le_bytes(*data.first_chunk()?);
    (raw != u32::MAX).then(|| f64::from(raw) / STEPS_A_MPS)
}

/// Course over ground in the data of [`COURSE`], degrees from true north, clockwise; `None` if it is
/// not available.
#[must_use]
pub fn course_deg(data: &[u8]) -> Option<f64> {
    let raw = u16::from_le_bytes(*data.first_chunk()?);
    (raw != u16::MAX).then(|| f64::from(raw) / STEPS_A_DEGREE)
}
