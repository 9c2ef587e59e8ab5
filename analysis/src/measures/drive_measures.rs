//! Everything measured of one drive, as comparison, trend, tables and pages take it.

use serde::{Deserialize, Serialize};

use super::engagement::Engagement;
use crate::coupling_model::CouplingModel;
use crate::kinematics::RadiusRatio;
use crate::measure::Measured;
use crate::tested::TestedDrive;
use crate::traction::GroundSpeed;

/// One drive, measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
    /// The coupling's model, fitted to all engagements together.
    pub coupling_model: CouplingModel,
    /// How much of the coupling the drive tested.
    pub tested: TestedDrive,
    /// Scale and lag of ground speed against the wheels.
    pub ground_speed: GroundSpeed,
    /// What a reader of the numbers must know, in plain sentences.
    pub warnings: Vec<String>,
}

impl DriveMeasures {
    /// The same drive with another capture of it: a drive that was recorded in parts is one drive.
    /// What is told once a drive stays as this part told it.
    #[must_use]
    pub fn join(mut self, part: Self) -> Self {
        self.start_ns = self.start_ns.min(part.start_ns);
        self.duration_s += part.duration_s;
        self.frames += part.frames;
        self.engagements.extend(part.engagements);
        self.warnings.extend(part.warnings);
        self
    }
}
