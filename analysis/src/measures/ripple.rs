//! Ripple (definition 12): standard deviation of pressure in the settled part of the hold, bar, after
//! its trend (a parabola) is taken off. The sensor's noise and resolution are in it.
//!
//! `s² = sum(r²)/(n - 3)`, `u = s / sqrt(2 (n - 3))`, widened by the correlation of neighbours, and what
//! the code's resolution hides of it.

use super::resolution::u_hidden;
use super::view::View;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::huber::neighbour_widening;
use crate::statistics::line::without_parabola;

/// Fewest samples of a deviation.
const LEAST: usize = 10;

pub(super) fn ripple_bar(view: &View<'_>) -> Measured {
    let (t_s, pressure_bar) = view.pressure_between(view.settled_ns()?, LEAST)?;
    let left = without_parabola(&t_s, &pressure_bar).ok_or(Missing::NoHeldPart)?;
    let freedom = t_s.len() as f64 - 3.0;
    let value = (left.iter().map(|r| r * r).sum::<f64>() / freedom).sqrt();
    let by_count = value / (2.0 * freedom).sqrt() * neighbour_widening(&left);
    Ok(Estimate {
        value,
        u: by_count.hypot(u_hidden(view.pressure_step_bar, value)),
        method: "standard deviation of settled pressure about a parabola",
        samples: t_s.len(),
    })
}
