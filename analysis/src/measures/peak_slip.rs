//! Peak slip (definition 8): the largest front-rear slip of the engagement, m/s.
//!
//! The top of curves fitted around the maximum ([`super::pulse`]). It is given also when slip does not
//! stand out of its noise: a small value with its uncertainty tells that the coupling held. It is
//! missing where wheel readings are lost for so long that slip could have been larger meanwhile.
//! `u² = u(fit)² + (v u(radius ratio))²`, the fit's from the noise of slip, its correlation, and
//! how far the curves disagree.

use super::view::View;
use crate::measure::{Estimate, Measured};

pub(super) fn peak_slip_mps(view: &View<'_>) -> Measured {
    let pulse = view.pulse.as_ref().map_err(Clone::clone)?;
    let peak = pulse.peak.as_ref().map_err(Clone::clone)?;
    Ok(Estimate {
        value: peak.mps,
        u: peak.u_mps,
        method: if pulse.onset.is_some() {
            "top of curves fitted around the maximum"
        } else {
            "largest mean over 0.1 s less that of noise alone; slip stays within its noise"
        },
        samples: pulse.samples,
    })
}
