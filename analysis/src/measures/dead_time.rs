//! Dead time (definition 7): from the reference to 10 % of pressure's step, ms. It is the time in
//! which oil closes the pack's clearance.
//!
//! `t_dead = t_10(p) - t_ref`; `u² = u(t_10)² + u(t_ref)²`. The crossing is that of the fitted
//! rise; the reference is half of demand's own step (definition 6), for an ideal step the receive
//! time of the first frame that carries it. Without demand it counts from the onset of slip, and
//! the method says so.

use super::view::View;
use crate::measure::Measured;

pub(super) fn dead_time_ms(view: &View<'_>) -> Measured {
    view.since_reference_ms(0.1)
}
