//! Steady slip (definition 8): the median of slip in the held part, m/s. A pack that slips for most of
//! the hold and grips at its end has slipped.
//!
//! The median is taken of means over a tenth of a second: of single samples, each with its noise, it
//! would lie above the median of slip itself wherever slip fills one side of the held part, because
//! noise spreads the steady part and not the slipping one.
//!
//! `u² = (1.253 u(mean of noise))² + (q u(short mean))² + (v u(radius ratio))²`; 1.253 is the median's
//! loss against the mean for normal noise, `sqrt(pi/2)`. The second part is what is left of that
//! bias, with `q` the share of the held part that lies clear of the median to one side. The last one
//! rules at speed: a locked coupling at 20 m/s shows the radius error, not slip.

use super::view::View;
use crate::drive::seconds_between;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::quantile::median;
use crate::statistics::spread::mean;

/// Fewest samples of a held part.
const LEAST: usize = 5;

/// Slip is averaged over this long, s.
const MEAN_S: f64 = 0.1;

pub(super) fn steady_slip_mps(view: &View<'_>) -> Measured {
    let trace = view.slip.as_ref().map_err(Clone::clone)?;
    let (from_ns, to_ns) = view.held_ns()?;
    let range = trace.range(from_ns, to_ns);
    let base = trace.base_ns();
    let told: Vec<(i64, f64)> = range
        .clone()
        .filter_map(|i| Some((base[i], trace.slip_mps(i)?)))
        .collect();
    if told.is_empty() && !range.is_empty() {
        return Err(Missing::BelowSensorSpeed);
    }
    if told.len() < LEAST {
        return Err(Missing::TooFewSamples {
            have: told.len(),
            need: LEAST,
        });
    }
    let slip = short_means(&told);
    let value = median(&slip).ok_or(Missing::NoHeldPart)?;
    let u_short_mps = trace.noise().of_mean_mps(MEAN_S);
    let clear = |sign: f64| {
        let beyond = |s: &&f64| sign * (**s - value) > 3.0 * u_short_mps;
        slip.iter().filter(beyond).count() as f64
    };
    let one_sided = (clear(1.0) - clear(-1.0)).abs() / slip.len() as f64;
    let systematic: Vec<f64> = range.map(|i| trace.u_systematic_mps(i)).collect();
    let noise = (std::f64::consts::PI / 2.0).sqrt()
        * trace.noise().of_mean_mps(seconds_between(from_ns, to_ns));
    Ok(Estimate {
        value,
        u: noise
            .hypot(one_sided * u_short_mps)
            .hypot(mean(&systematic).unwrap_or(0.0)),
        method: if view.rise.is_ok() {
            "median from 90 % of pressure to the release"
        } else {
            "median from 0.4 s after demand to the release; the bus carries no pressure"
        },
        samples: slip.len(),
    })
}

/// Mean of the values within half of [`MEAN_S`] on either side of each.
fn short_means(told: &[(i64, f64)]) -> Vec<f64> {
    let (mut from, mut to, mut sum) = (0, 0, 0.0);
    told.iter()
        .map(|(t_ns, _)| {
            while to < told.len() && seconds_between(*t_ns, told[to].0) <= 0.5 * MEAN_S {
                sum += told[to].1;
                to += 1;
            }
            while seconds_between(told[from].0, *t_ns) > 0.5 * MEAN_S {
                sum -= told[from].1;
                from += 1;
            }
            sum / (to - from) as f64
        })
        .collect()
}
