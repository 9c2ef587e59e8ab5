//! Peak slip (definition 8): the largest front-rear slip of the engagement, m/s.
//!
//! The maximum of slip smoothed by a local parabola ([`super::pulse`]). It is given also when slip
//! does not stand out of its noise: a small value with its uncertainty tells that the coupling
//! held. `u² = u(noise of the smoothed value)² + (v u(radius ratio))² + u(reach)²`.

use super::view::View;
use crate::measure::{Estimate, Measured};

pub(super) fn peak_slip_mps(view: &View<'_>) -> Measured {
    let pulse = view.pulse.as_ref().map_err(Clone::clone)?;
    Ok(Estimate {
        value: pulse.peak_mps,
        u: pulse.u_peak_mps,
        method: if pulse.onset.is_some() {
            "maximum of slip smoothed by a local parabola"
        } else {
            "maximum of smoothed slip, which stays within its noise"
        },
        samples: pulse.samples,
    })
}
