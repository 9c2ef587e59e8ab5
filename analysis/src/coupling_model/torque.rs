//! Torque per bar: how much more the pack carries for each bar, while it slips.
//!
//! `T_c = torque_per_bar (p - p_touch)`, with the torque seen from the tyres' side (what the rear
//! axle got, over the ratio of the coupling's shaft) and the pressure at the same time. A locked
//! pack carries what it is given, so only slipping moments count. A worn or glazed lining lowers
//! it; it needs no friction coefficient from the vehicle file, whose value it checks.
//!
//! Fitted as a robust line over all slipping moments of the drive; the uncertainty takes engagements
//! as the unit of repetition and carries what the torque itself is uncertain by.

use super::Parameter;
use crate::measure::{Estimate, Missing};
use crate::robust::{huber_line, mean, median};

/// Torque that the coupling carried while it slipped, from the tyres' side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CarriedTorque {
    /// Which engagement.
    pub(crate) engagement: usize,
    /// Coupling pressure, bar.
    pub(crate) pressure_bar: f64,
    /// Torque at the coupling, N·m.
    pub(crate) torque_nm: f64,
    /// Relative standard uncertainty that all of the drive's torques share.
    pub(crate) u_shared: f64,
}

/// Fewest slipping moments.
const LEAST: usize = 12;

/// Fewest engagements with slipping moments.
const LEAST_ENGAGEMENTS: usize = 3;

const METHOD: &str = "line of torque at the rear axle over pressure while slipping";

const NEVER_SLIPPED: &str = "the coupling hardly slipped under torque in this drive, so its torque per bar was never tested; launch briskly, or on a loose surface";

pub(super) fn torque_per_bar(carried: &Result<Vec<CarriedTorque>, Missing>) -> Parameter {
    match carried {
        Ok(carried) => line(carried).unwrap_or_else(Parameter::missing),
        Err(why) => Parameter::missing(why.clone()),
    }
}

fn line(carried: &[CarriedTorque]) -> Result<Parameter, Missing> {
    let mut engagements: Vec<usize> = carried.iter().map(|c| c.engagement).collect();
    engagements.dedup();
    if carried.len() < LEAST || engagements.len() < LEAST_ENGAGEMENTS {
        return Err(Missing::NotIdentifiable(NEVER_SLIPPED));
    }
    let x: Vec<f64> = carried.iter().map(|c| c.pressure_bar).collect();
    let y: Vec<f64> = carried.iter().map(|c| c.torque_nm).collect();
    let line = huber_line(&x, &y).ok_or(Missing::NotIdentifiable(NEVER_SLIPPED))?;
    let m = engagements.len() as f64;
    // Engagement by engagement: mean residual, as it turns the line about its middle.
    let x_mean = mean(&x).unwrap_or(0.0);
    let s_xx: f64 = x.iter().map(|v| (v - x_mean).powi(2)).sum();
    let scores = engagements.iter().map(|&e| {
        carried
            .iter()
            .filter(|c| c.engagement == e)
            .map(|c| {
                (c.pressure_bar - x_mean)
                    * (c.torque_nm - line.intercept - line.slope * c.pressure_bar)
            })
            .sum::<f64>()
            .powi(2)
    });
    let by_engagement = (scores.sum::<f64>() * m / (m - 1.0)).sqrt() / s_xx;
    let shared = median(&carried.iter().map(|c| c.u_shared).collect::<Vec<f64>>()).unwrap_or(0.0);
    let u = line
        .u_slope
        .max(by_engagement)
        .hypot(shared * line.slope.abs());
    if !(u.is_finite() && line.slope > 3.0 * u) {
        return Err(Missing::NotIdentifiable(
            "pressure moved too little while the coupling slipped to tell its torque per bar",
        ));
    }
    Ok(Parameter::linear(
        Estimate {
            value: line.slope,
            u,
            method: METHOD,
            samples: carried.len(),
        },
        m - 1.0,
    ))
}
