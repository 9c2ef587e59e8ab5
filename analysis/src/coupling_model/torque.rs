//! Torque per bar: how much more the pack carries for each bar, while it slips.
//!
//! `T_c = torque_per_bar (p - p_touch)`, with the torque seen from the tyres' side (what the rear axle
//! got, over the ratio of the coupling's shaft) and the pressure at the same time above the one at which
//! the return spring lets the pack touch. A locked pack carries what it is given, so only slipping
//! moments count. A worn or glazed lining lowers it. It is fitted over all of a drive's slipping moments
//! together with the tyres' curve, because the front tyres take the rest (see `traction::pack`).

use super::Parameter;
use crate::measure::Missing;

/// What the slipping moments of a drive tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SlippingTorque {
    /// Torque at the coupling for each bar above the touch point, N·m/bar.
    pub(crate) per_bar_nm: f64,
    /// Standard uncertainty, N·m/bar.
    pub(crate) u_nm: f64,
    /// Moments.
    pub(crate) moments: usize,
    /// Closings of the coupling in which they lie.
    pub(crate) closings: usize,
}

/// Fewest closings with slipping moments.
const LEAST_CLOSINGS: usize = 3;

/// Largest relative standard uncertainty of a value worth telling.
const NOT_TOLD: f64 = 0.2;

const TOO_LOOSE: &str = "the pack slipped too little or only while the front tyres were at their limit, so its torque per bar is known to no better than a fifth; slip it gently on loose ground";

const METHOD: &str = "torque at the rear axle over pressure while slipping";

const NEVER_SLIPPED: &str = "the pack slipped under torque in fewer than three engagements, so its torque per bar was not tested; launch briskly, or with the front wheels on loose ground";

pub(super) fn torque_per_bar(slipping: &Result<SlippingTorque, Missing>) -> Parameter {
    let slipping = match slipping {
        Ok(slipping) => slipping,
        Err(why) => return Parameter::missing(why.clone()),
    };
    if slipping.closings < LEAST_CLOSINGS {
        return Parameter::missing(Missing::NotIdentifiable(NEVER_SLIPPED));
    }
    if slipping.u_nm > NOT_TOLD * slipping.per_bar_nm {
        return Parameter::missing(Missing::NotIdentifiable(TOO_LOOSE));
    }
    // Nearly all of the uncertainty is what the drive's moments share, so degrees of freedom are many.
    Parameter::from_log(
        slipping.per_bar_nm.ln(),
        slipping.u_nm / slipping.per_bar_nm,
        f64::INFINITY,
        METHOD,
        slipping.moments,
    )
}
