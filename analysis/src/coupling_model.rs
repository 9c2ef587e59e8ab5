//! A model of the coupling, fitted to a drive's engagements together: what the parts inside do, in
//! numbers that name the part.
//!
//! Found engagements come in with the drive; a [`CouplingModel`] goes out beside the measures. The
//! model is a grey box, its structure from the hydraulics and its numbers from the drive:
//!
//! - rise: from the demand on the pump fills the clearance for `fill_time`; then pressure
//!   rises by pump flow over compliance at `rise_rate`, at first slower while the lining is pressed
//!   flat, until the pressure valve takes over and pressure goes to its set level.
//! - leakage: while the coupling is held, pressure over demand falls at `leak_rate` where oil leaves
//!   faster than the pump makes up.
//! - torque: while the coupling slips, the torque that it carries grows by `torque_per_bar`.
//!
//! Each parameter carries its standard uncertainty, a 95 % interval, or the reason why this drive
//! cannot tell it. The intervals treat an engagement as the unit of repetition.

mod leakage;
mod rise;
mod torque;

use serde::{Deserialize, Serialize};

use crate::drive::Drive;
use crate::engagement::Found;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::student_t::two_sided_critical;

pub(crate) use self::torque::SlippingTorque;

/// One parameter of the model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// Value and standard uncertainty, or why this drive does not tell it.
    pub estimate: Measured,
    /// 95 % interval, in the same unit; there when the value is.
    pub interval: Option<[f64; 2]>,
}

/// The fitted model of one drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CouplingModel {
    /// Demand to the closing of the clearance, ms: clearance volume over pump flow, the pump's own
    /// start included.
    pub fill_time_ms: Parameter,
    /// Rise of pressure when the pump alone limits it, bar/s: pump flow over compliance.
    pub rise_rate_bar_per_s: Parameter,
    /// Fall of held pressure that demand does not explain, per cent of its level per second.
    pub leak_rate_percent_per_s: Parameter,
    /// Growth of the carried torque with pressure while the coupling slips, N·m/bar at the coupling.
    pub torque_per_bar_nm: Parameter,
    /// Engagements whose rises were fitted.
    pub engagements: usize,
    /// Root mean square of what the model leaves of the rises, bar.
    pub residual_bar: Option<f64>,
}

impl Default for CouplingModel {
    /// Nothing of it is told.
    fn default() -> Self {
        let parameter = || Parameter::missing(Missing::NotIdentifiable("no model was fitted"));
        Self {
            fill_time_ms: parameter(),
            rise_rate_bar_per_s: parameter(),
            leak_rate_percent_per_s: parameter(),
            torque_per_bar_nm: parameter(),
            engagements: 0,
            residual_bar: None,
        }
    }
}

impl CouplingModel {
    /// Its parameters with their names for people and units. JSON has keys and units of its own, which
    /// stay as they were given out.
    #[must_use]
    pub fn parameters(&self) -> [(&'static str, &Parameter, &'static str); 4] {
        [
            ("fill time", &self.fill_time_ms, "ms"),
            ("rise rate", &self.rise_rate_bar_per_s, "bar/s"),
            ("leak rate", &self.leak_rate_percent_per_s, "%/s"),
            ("torque per bar", &self.torque_per_bar_nm, "N·m/bar"),
        ]
    }
}

/// Confidence of the intervals.
const ALPHA: f64 = 0.05;

impl Parameter {
    pub(self) fn missing(why: Missing) -> Self {
        Self {
            estimate: Err(why),
            interval: None,
        }
    }

    /// A parameter with a symmetric interval.
    pub(self) fn linear(estimate: Estimate, df: f64) -> Self {
        let half = two_sided_critical(ALPHA, df) * estimate.u;
        Self {
            interval: Some([estimate.value - half, estimate.value + half]),
            estimate: Ok(estimate),
        }
    }

    /// A positive parameter whose logarithm was fitted.
    pub(self) fn from_log(log: f64, u_log: f64, df: f64, method: &'static str, n: usize) -> Self {
        let value = log.exp();
        let factor = (two_sided_critical(ALPHA, df) * u_log).exp();
        Self {
            interval: Some([value / factor, value * factor]),
            estimate: Ok(Estimate {
                value,
                u: value * u_log,
                method,
                samples: n,
            }),
        }
    }
}

/// Fits the model to a drive's engagements. Never fails: what cannot be told says why. `slipping`
/// is what the coupling carried while it slipped, from the tyres' side.
#[must_use]
pub(crate) fn coupling_model(
    drive: &Drive,
    found: &[Found],
    slipping: &Result<SlippingTorque, Missing>,
) -> CouplingModel {
    let rises = rise::fit(drive, found);
    CouplingModel {
        fill_time_ms: rises.fill_time_ms,
        rise_rate_bar_per_s: rises.rise_rate_bar_per_s,
        leak_rate_percent_per_s: leakage::leak_rate(drive, found),
        torque_per_bar_nm: torque::torque_per_bar(slipping),
        engagements: rises.engagements,
        residual_bar: rises.residual_bar,
    }
}

#[cfg(test)]
mod tests;
