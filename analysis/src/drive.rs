//! Drives: one recording's signals aligned, and everything measured of it.

use crate::engagement::Engagement;
use crate::measure::Measured;

/// Radius correction of each wheel: its rolling radius over the rear mean (definition 1). The
/// decoded speed times this is the speed at the contact.
#[derive(Clone, Debug, PartialEq)]
pub struct RadiusRatio {
    /// Front left.
    pub front_left: Measured,
    /// Front right.
    pub front_right: Measured,
    /// Rear left.
    pub rear_left: Measured,
    /// Rear right.
    pub rear_right: Measured,
}

/// One drive, measured.
#[derive(Clone, Debug, PartialEq)]
pub struct DriveMeasures {
    /// What the drive is called in tables and pictures: its capture's file name.
    pub name: String,
    /// First frame, ns since the epoch; engagement times are counted from it in JSON.
    pub start_ns: i64,
    /// First to last frame, s.
    pub duration_s: f64,
    /// Frames in the capture.
    pub frames: u64,
    /// Standard deviation of slip where nothing drives it, m/s.
    pub noise_slip_mps: Measured,
    /// Radius corrections.
    pub radius_ratio: RadiusRatio,
    /// Engagements in time order.
    pub engagements: Vec<Engagement>,
    /// What a reader of the numbers must know, in plain sentences.
    pub warnings: Vec<String>,
}
