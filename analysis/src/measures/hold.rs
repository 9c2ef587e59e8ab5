//! Hold (definition 12): how fast pressure falls under constant demand, per cent of its level per
//! second. A tight piston seal holds; a leaking one does not.
//!
//! `hold = -(dp/dt)/p + (dd/dt)/d`, each slope a least-squares line over the settled part, demand
//! `d` taken off where the bus carries it, so that a demand that sinks is not a leak. Positive
//! is a fall. `u` from the residuals of the line, the correlation of neighbours included, and from what
//! the code's resolution hides at both ends of the line.

use slipwright_decoders::role::Role;

use super::resolution::u_hidden;
use super::view::View;
use crate::drive::seconds_between;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::line::{straight, without_parabola};
use crate::statistics::spread::root_mean_square;

/// Fewest samples of a trend.
const LEAST: usize = 8;

pub(super) fn hold_percent_per_s(view: &View<'_>) -> Measured {
    let span = view.settled_ns()?;
    let (t_s, pressure_bar) = view.pressure_between(span, LEAST)?;
    let trend = straight(&t_s, &pressure_bar).ok_or(Missing::NoHeldPart)?;
    if trend.level <= 0.0 {
        return Err(Missing::StepInNoise(Role::CouplingPressure));
    }
    let demand = view
        .drive
        .channel(Role::CouplingDemand)
        .ok()
        .map(|c| c.window(span.0, span.1, span.0))
        .and_then(|(t, d)| straight(&t, &d))
        .filter(|d| d.level > 0.0 && d.slope_per_s.abs() > 2.0 * d.u_slope_per_s);
    let (sink, u_sink) = demand.map_or((0.0, 0.0), |d| {
        (d.slope_per_s / d.level, d.u_slope_per_s / d.level)
    });
    let left = without_parabola(&t_s, &pressure_bar).ok_or(Missing::NoHeldPart)?;
    let u_end_bar = u_hidden(view.pressure_step_bar, root_mean_square(&left));
    let u_hidden_per_s = 2.0_f64.sqrt() * u_end_bar / seconds_between(span.0, span.1);
    let u_slope_per_s = trend.u_slope_per_s.hypot(u_hidden_per_s);
    Ok(Estimate {
        value: 100.0 * (sink - trend.slope_per_s / trend.level),
        u: 100.0 * (u_slope_per_s / trend.level).hypot(u_sink),
        method: "line through settled pressure, demand's own trend taken off",
        samples: t_s.len(),
    })
}
