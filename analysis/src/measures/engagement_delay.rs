//! Engagement delay (definition 7): from the reference to 50 % of pressure's step, ms.
//!
//! `t_delay = t_50(p) - t_ref`; uncertainty and reference as in the dead time.

use super::view::View;
use crate::measure::Measured;

pub(super) fn engagement_delay_ms(view: &View<'_>) -> Measured {
    view.since_reference_ms(0.5)
}
