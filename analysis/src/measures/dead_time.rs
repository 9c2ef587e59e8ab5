//! Dead time (definition 7): from the reference to 10 % of pressure's step, ms. It is the time in
//! which oil closes the pack's clearance.
//!
//! `t_dead = t_10(p) - t_ref`; `u² = u(t_10)² + u(t_ref)²`. The crossing is that of the fitted
//! rise; the reference is half of demand's own step (definition 6), for an ideal step the receive
//! time of the first frame that carries it. Without demand it counts from the onset of slip, and
//! the method says so. Where an earlier stage of demand had begun to fill the clearance, the time to
//! the answer of a later stage is not the time that filling takes, and there is none.

use super::view::View;
use crate::measure::{Measured, Missing};

pub(super) fn dead_time_ms(view: &View<'_>) -> Measured {
    view.pressure_crossing(0.1)?;
    if view.found.staged {
        return Err(Missing::NotIdentifiable(
            "an earlier stage of demand had begun to fill the clearance",
        ));
    }
    view.since_reference_ms(0.1)
}
