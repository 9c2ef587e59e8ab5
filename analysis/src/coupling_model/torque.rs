//! Torque per bar: how much more the pack carries for each bar, while it slips.
//!
//! `T_c = torque_per_bar (p - p_touch)`, with the torque seen from the tyres' side (what the rear
//! axle got, over the ratio of the coupling's shaft) and the pressure at the same time above the one
//! at which the return spring lets the pack touch. A locked pack carries what it is given, so only
//! slipping moments count. A worn or glazed lining lowers it; it needs no friction coefficient from
//! the vehicle file, whose value it checks.
//!
//! The median ratio of each engagement's slipping moments, and the mean of those; the uncertainty from
//! their spread and from what the torques of a drive share.

use super::Parameter;
use crate::measure::{Estimate, Missing};
use crate::robust::{mean, median};

/// Torque that the coupling carried while it slipped, from the tyres' side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CarriedTorque {
    /// Which engagement.
    pub(crate) engagement: usize,
    /// Coupling pressure above the touch pressure, bar.
    pub(crate) above_touch_bar: f64,
    /// Torque at the coupling, N·m.
    pub(crate) torque_nm: f64,
    /// Relative standard uncertainty that all of the drive's torques share.
    pub(crate) u_shared: f64,
}

/// Fewest slipping moments of an engagement that counts.
const LEAST: usize = 10;

/// Fewest engagements with slipping moments.
const LEAST_ENGAGEMENTS: usize = 3;

/// Largest relative standard uncertainty of a value worth telling.
const NOT_TOLD: f64 = 0.2;

const TOO_LOOSE: &str = "the pack slipped only while the front tyres were at their limit, so its torque per bar is known to no better than a fifth; slip it gently on loose ground";

const METHOD: &str = "torque at the rear axle over pressure while slipping";

const NEVER_SLIPPED: &str = "the pack slipped under torque in fewer than three engagements, so its torque per bar was not tested; launch briskly, or with the front wheels on loose ground";

pub(super) fn torque_per_bar(carried: &Result<Vec<CarriedTorque>, Missing>) -> Parameter {
    match carried {
        Ok(carried) => ratio(carried).unwrap_or_else(Parameter::missing),
        Err(why) => Parameter::missing(why.clone()),
    }
}

fn ratio(carried: &[CarriedTorque]) -> Result<Parameter, Missing> {
    let ratios: Vec<f64> = carried
        .chunk_by(|a, b| a.engagement == b.engagement)
        .filter(|chunk| chunk.len() >= LEAST)
        .filter_map(|chunk| {
            let all: Vec<f64> = chunk
                .iter()
                .map(|c| c.torque_nm / c.above_touch_bar)
                .collect();
            median(&all)
        })
        .collect();
    let m = ratios.len() as f64;
    if ratios.len() < LEAST_ENGAGEMENTS {
        return Err(Missing::NotIdentifiable(NEVER_SLIPPED));
    }
    let value = mean(&ratios).unwrap_or(0.0);
    let spread = (ratios.iter().map(|r| (r - value).powi(2)).sum::<f64>() / (m - 1.0) / m).sqrt();
    let shares: Vec<f64> = carried.iter().map(|c| c.u_shared).collect();
    let shared = median(&shares).unwrap_or(0.0) * value;
    let u = spread.hypot(shared);
    if u > NOT_TOLD * value {
        return Err(Missing::NotIdentifiable(TOO_LOOSE));
    }
    // What is shared is not estimated from the engagements, so it brings degrees of freedom without
    // end (the Welch-Satterthwaite formula; JCGM 100:2008, G.4).
    let df = if spread > 0.0 {
        ((u / spread).powi(4) * (m - 1.0)).min(1e6)
    } else {
        1e6
    };
    Ok(Parameter::linear(
        Estimate {
            value,
            u,
            method: METHOD,
            samples: carried.len(),
        },
        df,
    ))
}
