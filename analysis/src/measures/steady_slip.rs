//! Steady slip (definition 8): the median of slip in the held part, m/s, from where the slip of the
//! engagement has ended. Without that limit the noisy samples' median would lie above the median
//! of what is steady, because the end of the slip fills one side.
//!
//! `u² = (1.253 u(mean of noise))² + (v u(radius ratio))²`; 1.253 is the median's loss against the
//! mean for normal noise, `sqrt(pi/2)`. The second part rules at speed: a locked coupling at 20
//! m/s shows the radius error, not slip.

use super::view::View;
use crate::drive::seconds_between;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::quantile::median;
use crate::statistics::spread::mean;

/// Fewest samples of a held part.
const LEAST: usize = 5;

pub(super) fn steady_slip_mps(view: &View<'_>) -> Measured {
    let trace = view.slip.as_ref().map_err(Clone::clone)?;
    let (from_ns, to_ns) = view.steady_ns()?;
    let range = trace.range(from_ns, to_ns);
    let slip: Vec<f64> = range.clone().filter_map(|i| trace.slip_mps(i)).collect();
    if slip.is_empty() && !range.is_empty() {
        return Err(Missing::BelowSensorSpeed);
    }
    if slip.len() < LEAST {
        return Err(Missing::TooFewSamples {
            have: slip.len(),
            need: LEAST,
        });
    }
    let value = median(&slip).ok_or(Missing::NoHeldPart)?;
    let systematic: Vec<f64> = range.map(|i| trace.u_systematic_mps(i)).collect();
    let noise = (std::f64::consts::PI / 2.0).sqrt()
        * trace.noise().of_mean_mps(seconds_between(from_ns, to_ns));
    Ok(Estimate {
        value,
        u: noise.hypot(mean(&systematic).unwrap_or(0.0)),
        method: if view.rise.is_ok() {
            "median from 90 % of pressure and the end of slip to the release"
        } else {
            "median from 0.4 s after demand to the release; the bus carries no pressure"
        },
        samples: slip.len(),
    })
}
