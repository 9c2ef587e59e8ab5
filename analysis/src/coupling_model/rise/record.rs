//! Rises as the fit takes them, drawn from a drive's engagements: samples from just before demand until
//! pressure has settled, and the pressure that demand aims at meanwhile.

use slipwright_decoders::role::Role;

use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::engagement::{Found, Reference};
use crate::measure::Missing;
use crate::statistics::quantile::{median, quantile};

/// Fewest engagements: below, no spread between them can be seen.
const LEAST: usize = 3;

/// More engagements than this add time but hardly knowledge; they are taken evenly over the drive.
const MOST: usize = 40;

/// A step this many bars high at least.
const LEAST_STEP_BAR: f64 = 1.0;

/// The released level is looked at this long before demand, s.
const BEFORE_S: f64 = 0.05;

/// The level that a rise comes to is looked at over this long, s.
const LEVEL_S: f64 = 0.25;

/// Demand that was silent for longer was not late by as much, s.
const LONGEST_FRAME_S: f64 = 0.1;

/// One rise.
pub(super) struct Record {
    /// Times from the demand, s.
    pub(super) t_s: Vec<f64>,
    pub(super) pressure_bar: Vec<f64>,
    pub(super) low_bar: f64,
    /// Standard deviation of how long the frame that carried demand came after demand itself, s.
    pub(super) u_reference_s: f64,
    /// When the target changes, s, and the target from then on, bar.
    pub(super) target: Vec<(f64, f64)>,
}

/// The rises that a demand began, taken evenly over the drive; where demand goes, pressure follows by
/// the bars per demand of them all.
pub(super) fn records(drive: &Drive, found: &[Found]) -> Result<Vec<Record>, Missing> {
    let pressure = drive.channel(Role::CouplingPressure)?;
    let demand = drive.channel(Role::CouplingDemand)?;
    let drafts: Vec<Draft> = found
        .iter()
        .filter(|f| f.reference == Reference::Demand)
        .filter_map(|f| draft(pressure, demand, f))
        .collect();
    let have = drafts.len();
    if have < LEAST {
        return Err(Missing::TooFewSamples { have, need: LEAST });
    }
    let sum = |of: fn(&Draft) -> f64| drafts.iter().map(of).sum::<f64>();
    let demanded = sum(|d| d.demand_level - d.demand_low);
    let bar_per_demand = sum(|d| d.level_bar - d.low_bar) / demanded;
    if !bar_per_demand.is_finite() {
        return Err(Missing::NotIdentifiable(
            "demand has no step that pressure followed",
        ));
    }
    let every = have.div_ceil(MOST);
    Ok(drafts
        .into_iter()
        .step_by(every)
        .map(|d| Record {
            target: d
                .demand
                .iter()
                .map(|&(t, v)| (t, d.level_bar + bar_per_demand * (v - d.demand_level)))
                .collect(),
            t_s: d.t_s,
            pressure_bar: d.pressure_bar,
            low_bar: d.low_bar,
            u_reference_s: d.u_reference_s,
        })
        .collect())
}

struct Draft {
    t_s: Vec<f64>,
    pressure_bar: Vec<f64>,
    low_bar: f64,
    level_bar: f64,
    u_reference_s: f64,
    demand: Vec<(f64, f64)>,
    demand_low: f64,
    demand_level: f64,
}

fn draft(pressure: &Channel, demand: &Channel, found: &Found) -> Option<Draft> {
    // The pack fills from the first stage of demand on, whichever stage pressure's rise is counted from.
    let origin_ns = if found.staged {
        found.start_ns
    } else {
        found.reference_ns
    };
    let from_ns = at_seconds(origin_ns, -BEFORE_S).max(found.clear_from_ns);
    let range = pressure.range(from_ns, found.release_ns);
    if range.len() < 8 || !pressure.unbroken(range) {
        return None;
    }
    let (t_s, p) = pressure.window(from_ns, found.release_ns, origin_ns);
    let low_bar = median(&p[..t_s.partition_point(|&t| t < 0.0)])?;
    let top = quantile(&p, 0.9)?;
    if top - low_bar < LEAST_STEP_BAR {
        return None;
    }
    let near = low_bar + 0.9 * (top - low_bar);
    let at_near = t_s[p.iter().position(|&v| v >= near)?];
    let settled_s = 1.3 * at_near + 0.05;
    let released_s = seconds_between(origin_ns, found.release_ns);
    let level_end_s = (settled_s + LEVEL_S).min(released_s);
    let within = |t: f64| t >= settled_s && t <= level_end_s;
    let held: Vec<f64> = pick(&t_s, &p, within);
    let (d_t, d_v) = demand.window(
        at_seconds(from_ns, -1.0).max(found.clear_from_ns),
        found.release_ns,
        origin_ns,
    );
    let demanded = pick(&d_t, &d_v, within);
    let end = t_s.partition_point(|&t| t <= settled_s);
    let half = 0.5 * (p.get(end.checked_sub(1)?)? + low_bar);
    // A rise of which no sample lies on the way tells nothing of its rate, but of its time.
    (p[..end].iter().any(|v| *v < half) && held.len() >= 3).then_some(())?;
    Some(Draft {
        low_bar,
        level_bar: median(&held)?,
        // Anywhere between the frame before and the one that carried it.
        u_reference_s: d_t
            .iter()
            .rfind(|t| **t < -1e-6)
            .map_or(0.0, |t| (-t).min(LONGEST_FRAME_S) / 12.0_f64.sqrt()),
        demand_low: median(&pick(&d_t, &d_v, |t| t < -1e-6)).unwrap_or(0.0),
        demand_level: median(&demanded)?,
        demand: d_t
            .iter()
            .copied()
            .zip(d_v)
            .filter(|(t, _)| *t > -0.2)
            .collect(),
        t_s: t_s[..end].to_vec(),
        pressure_bar: p[..end].to_vec(),
    })
}

fn pick(t_s: &[f64], y: &[f64], within: impl Fn(f64) -> bool) -> Vec<f64> {
    let all = t_s.iter().zip(y);
    all.filter(|(t, _)| within(**t)).map(|(_, v)| *v).collect()
}
