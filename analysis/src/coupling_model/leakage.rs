//! Leakage: oil that leaves the piston chamber faster than the pump makes up.
//!
//! Over the settled parts of all engagements together, pressure follows demand less what leaks:
//! `p = a + k d - leak (t - t_0) k d`, with demand `d` and the time since settling. Where a bus
//! carries no demand, or demand stays where it is, `p = a (1 - leak (t - t_0))` in each engagement
//! for itself. A pump that makes up all that leaks hides the leak; then the rate is 0 within its
//! uncertainty, which says only that the pump keeps up.
//!
//! Each engagement gives one rate from its own slope; the rate of the drive is their mean, its
//! uncertainty from their spread.

use slipwright_decoders::role::Role;

use super::Parameter;
use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::engagement::Found;
use crate::measure::{Estimate, Missing};
use crate::statistics::least_squares::least_squares;
use crate::statistics::line::straight;
use crate::statistics::quantile::median;
use crate::statistics::spread::mean;

/// Pressure counts as settled this long after the start, s, and at most until the release.
const SETTLED_S: f64 = 0.35;

/// A held part shorter than this tells no fall, s.
const LEAST_HELD_S: f64 = 0.4;

/// Fewest engagements.
const LEAST: usize = 3;

const TOO_FEW: Missing = Missing::NotIdentifiable(
    "fewer than three engagements were held for 0.8 s or longer with their demand known",
);

/// Demand counts as moved if it changes by this share within held parts.
const MOVED_SHARE: f64 = 0.01;

const METHOD: &str = "fall of held pressure that demand does not explain";

/// One held part.
struct Held {
    t_s: Vec<f64>,
    pressure_bar: Vec<f64>,
    demand: Option<Vec<f64>>,
}

pub(super) fn leak_rate(drive: &Drive, found: &[Found]) -> Parameter {
    match rates(drive, found) {
        Ok(rates) => pooled(&rates),
        Err(why) => Parameter::missing(why),
    }
}

fn pooled(rates: &[f64]) -> Parameter {
    let n = rates.len() as f64;
    let value = mean(rates).unwrap_or(0.0);
    let variance = rates.iter().map(|r| (r - value).powi(2)).sum::<f64>() / (n - 1.0);
    let estimate = Estimate {
        value,
        u: (variance / n).sqrt(),
        method: METHOD,
        samples: rates.len(),
    };
    Parameter::linear(estimate, n - 1.0)
}

/// Per cent of the level per second, one an engagement; never fewer than [`LEAST`].
fn rates(drive: &Drive, found: &[Found]) -> Result<Vec<f64>, Missing> {
    let pressure = drive.channel(Role::CouplingPressure)?;
    let demand = drive.channel(Role::CouplingDemand).ok();
    let held: Vec<Held> = found
        .iter()
        .filter_map(|f| held(pressure, demand, f))
        .collect();
    rates_of(&held)
}

fn rates_of(held: &[Held]) -> Result<Vec<f64>, Missing> {
    if held.len() < LEAST {
        return Err(TOO_FEW);
    }
    let rates: Vec<f64> = if held.iter().any(moves) {
        // Bars per demand, shared; each engagement has its own leak.
        let (offset, gain) = bar_per_demand(held).ok_or(Missing::NotIdentifiable(
            "demand fell steadily in every held part, so leakage cannot be told from it",
        ))?;
        held.iter()
            .filter_map(|h| {
                let demand = h.demand.as_ref()?;
                let share: Vec<f64> = h
                    .pressure_bar
                    .iter()
                    .zip(demand)
                    .map(|(p, d)| (p - offset) / (gain * d))
                    .collect();
                fall(&h.t_s, &share)
            })
            .collect()
    } else {
        held.iter()
            .filter_map(|h| fall(&h.t_s, &h.pressure_bar))
            .collect()
    };
    // A gap in demand, or a demand of nothing, takes single ones away.
    if rates.len() < LEAST {
        return Err(TOO_FEW);
    }
    Ok(rates)
}

fn held(pressure: &Channel, demand: Option<&Channel>, found: &Found) -> Option<Held> {
    let from_ns = at_seconds(found.start_ns, SETTLED_S);
    // A control unit leads demand back before it opens the coupling; what falls then is no leak.
    let to_ns = at_seconds(found.release_ns, -0.05);
    let range = pressure.range(from_ns, to_ns);
    if seconds_between(from_ns, to_ns) < LEAST_HELD_S
        || range.len() < 12
        || !pressure.unbroken(range)
    {
        return None;
    }
    let (t_s, pressure_bar) = pressure.window(from_ns, to_ns, from_ns);
    let demand = demand.and_then(|d| {
        t_s.iter()
            .map(|&t| d.held_at(at_seconds(from_ns, t)))
            .collect::<Option<Vec<f64>>>()
    });
    (median(&pressure_bar)? > 0.5).then_some(Held {
        t_s,
        pressure_bar,
        demand,
    })
}

fn moves(held: &Held) -> bool {
    let Some(demand) = &held.demand else {
        return false;
    };
    let (low, high) = demand
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &d| {
            (l.min(d), h.max(d))
        });
    high - low > MOVED_SHARE * high.abs()
}

/// Fall of a line through `y`, per cent of its level per second.
fn fall(t_s: &[f64], y: &[f64]) -> Option<f64> {
    let line = straight(t_s, y)?;
    let rate = -100.0 * line.slope_per_s / line.level;
    rate.is_finite().then_some(rate)
}

/// Offset and bars per demand of `p = a + k d - c t d`; `None` where time and demand run together
/// in every held part.
fn bar_per_demand(held: &[Held]) -> Option<(f64, f64)> {
    /// Variance of k, for a unit variance of the samples, beyond which it is not told.
    const NOT_TOLD_SHARE: f64 = 0.02;
    let rows: Vec<[f64; 3]> = held
        .iter()
        .filter_map(|h| h.demand.as_ref().map(|d| (h, d)))
        .flat_map(|(h, d)| {
            h.t_s
                .iter()
                .zip(&h.pressure_bar)
                .zip(d)
                .map(|((t, p), d)| [*t, *p, *d])
        })
        .collect();
    let level = median(&rows.iter().map(|r| r[1]).collect::<Vec<f64>>())?;
    let demanded = median(&rows.iter().map(|r| r[2]).collect::<Vec<f64>>())?;
    let gain = level / demanded;
    let residuals = |x: &[f64]| {
        let &[a, k, c] = x else { return None };
        Some(
            rows.iter()
                .map(|[t, p, d]| a + k * d - c * t * d - p)
                .collect::<Vec<f64>>(),
        )
    };
    let steps = [0.01 * level, 0.01 * gain, 0.01 * gain];
    let solution = least_squares(&[0.0, gain, 0.0], &steps, residuals)?;
    let n = rows.len() as f64;
    let sigma = (solution.squares() / (n - 3.0)).sqrt();
    let u = sigma * solution.variance(&[0.0, 1.0, 0.0]).sqrt();
    let (offset, k) = (solution.x[0], solution.x[1]);
    (k > 0.0 && u < NOT_TOLD_SHARE * k).then_some((offset, k))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A held part of one second that falls by `leak` a second, with the demand given.
    fn part(leak: f64, demand: Option<fn(f64) -> f64>) -> Held {
        let t_s: Vec<f64> = (0..50).map(|i| f64::from(i) * 0.02).collect();
        let asked = demand.unwrap_or(|_| 60.0);
        Held {
            pressure_bar: t_s
                .iter()
                .map(|&t| 0.3 * asked(t) * (1.0 - leak * t))
                .collect(),
            demand: demand.map(|asked| t_s.iter().map(|&t| asked(t)).collect()),
            t_s,
        }
    }

    fn steps(t_s: f64) -> f64 {
        if t_s < 0.5 { 60.0 } else { 50.0 }
    }

    /// Where demand moves, an engagement whose demand was not received gives no rate, and what
    /// is left must still be three.
    #[test]
    fn too_few_rates_are_missing_and_never_a_number() {
        let told = |parts: &[Held]| rates_of(parts);
        let known = || part(0.05, Some(steps));
        let unknown = || part(0.05, None);
        assert_eq!(told(&[known(), unknown(), unknown()]), Err(TOO_FEW));
        assert_eq!(told(&[known(), known(), unknown()]), Err(TOO_FEW));
        assert_eq!(told(&[known(), known()]), Err(TOO_FEW));
        let nothing = || part(0.05, Some(|t| if t < 0.5 { 60.0 } else { 0.0 }));
        assert_eq!(told(&[known(), known(), nothing()]), Err(TOO_FEW));
        let rates = told(&[known(), known(), known(), unknown()]).unwrap();
        assert_eq!(rates.len(), 3);
        let pooled = pooled(&rates).estimate.unwrap();
        assert!(pooled.value > 1.0 && pooled.u.is_finite(), "{pooled:?}");
    }
}
