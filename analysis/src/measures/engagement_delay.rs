//! Engagement delay (definition 7): from the reference to 50 % of pressure's step, ms.
//!
//! `t_delay = t_50(p) - t_ref`; uncertainty and reference as in the dead time.

use super::view::View;
use crate::measure::{Estimate, Measured};

pub(super) fn engagement_delay_ms(view: &View<'_>) -> Measured {
    let time = view.time_from_reference(0.5)?;
    let rise = view.rise.as_ref().map_err(Clone::clone)?;
    Ok(Estimate {
        value: time.t_s * 1e3,
        u: time.u_s * 1e3,
        method: super::from_reference_method(view, rise),
        samples: rise.samples,
    })
}
