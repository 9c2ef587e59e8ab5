//! Slip time (definition 8): from the onset of slip above three noise deviations until it is below a
//! tenth of its peak for 50 ms, ms.
//!
//! `u² = u(onset)² + u(end)²`, each from the noise over the slope there and the sample interval.

use super::view::View;
use crate::measure::{Estimate, Measured};

pub(super) fn slip_time_ms(view: &View<'_>) -> Measured {
    let pulse = view.pulse.as_ref().map_err(Clone::clone)?;
    let lasts = pulse.lasts.clone()?;
    Ok(Estimate {
        value: lasts.t_s * 1e3,
        u: lasts.u_s * 1e3,
        method: "three noise deviations to a tenth of the peak, smoothed",
        samples: pulse.samples,
    })
}
