//! From demand to pressure: how long the oil takes, whether it holds, and what the pump draws.
//!
//! Rise, hold and ripple are the measures of the same names; dead time and its scatter are told in
//! [`super::filling`]. Beside them: how far settled pressure stays from what is demanded, and the
//! pump's current while filling and holding.

use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use super::feature::Feature;
use super::filling;
use super::record::{Gathered, Observation, Scene};
use crate::drive::{Channel, at_seconds};
use crate::engagement::Found;
use crate::measure::Measure;
use crate::measures::Engagement;
use crate::statistics::quantile::median;
use crate::statistics::spread::{mean, median_and_sigma};

/// After its demand, pressure is settled from this many rise times on, and at least this long, s.
const SETTLED_RISES: f64 = 4.0;
const SETTLED_S: f64 = 0.35;
/// The pump holds from this long after the demand on, s.
const HOLDS_S: f64 = 1.2;
/// The pump's speed has built up and the inrush is over after this, s.
const FILLS_FROM_S: f64 = 0.02;
/// Until here any coupling is still filling, s.
const FILLS_TO_S: f64 = 0.07;
/// Shortest part that tells a level, s.
const SHORTEST_S: f64 = 0.15;
/// A hold told worse than this says nothing, per cent per second.
const HOLD_TOLD: f64 = 1.5;
/// A rise told worse than this share of the drive's usual one says nothing, nor ripple told worse than this
/// share of it.
const RISE_TOLD: f64 = 0.12;
const RIPPLE_TOLD: f64 = 0.6;

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let drive = scene.drive;
    let pressure = drive.channel(Role::CouplingPressure);
    let demand = drive.channel(Role::CouplingDemand);
    if let Err(why) = &pressure {
        for feature in [
            Feature::DeadTime,
            Feature::FillingTime,
            Feature::RiseTime,
            Feature::DeadTimeScatter,
            Feature::Hold,
            Feature::PressureShort,
            Feature::Ripple,
        ] {
            gathered.lacks(feature, why.to_string());
        }
    }
    if let Err(why) = &demand {
        for feature in [
            Feature::DeadTime,
            Feature::FillingTime,
            Feature::DeadTimeScatter,
            Feature::PressureShort,
        ] {
            gathered.lacks(feature, why.to_string());
        }
    }
    // Without a demand signal times count from slip, which says nothing of the oil's way.
    if demand.is_ok() {
        filling::gather(scene, gathered);
    }
    rises(scene, gathered);
    for (engagement, found) in scene.engagements() {
        steadiness(engagement, gathered);
        if let (Ok(pressure), Ok(demand)) = (&pressure, &demand) {
            shortfall(scene, (pressure, demand), engagement, found, gathered);
        }
        currents(scene, engagement, found, gathered);
    }
    if let Err(why) = drive.channel(Role::CouplingPumpCurrent) {
        gathered.lacks(Feature::FillCurrent, why.to_string());
        gathered.lacks(Feature::HoldCurrent, why.to_string());
    }
}

/// The drive's rises that are told well beside the usual one: beside itself the longest would be told best,
/// and on slow frames none but those.
fn rises(scene: &Scene<'_>, gathered: &mut Gathered) {
    let told = || {
        let all = scene.engagements();
        all.filter_map(|(e, _)| Some((e, e.measured(Measure::RiseTime).as_ref().ok()?)))
            .filter(|(_, rise)| rise.value > 0.0)
    };
    let Some(usual_ms) = median(&told().map(|(_, rise)| rise.value).collect::<Vec<_>>()) else {
        return;
    };
    for (engagement, rise) in told().filter(|(_, rise)| rise.u < RISE_TOLD * usual_ms) {
        let relative = rise.u / rise.value;
        let observation = Observation::of(engagement, rise.value.ln(), relative);
        gathered.add(Feature::RiseTime, observation);
    }
}

fn steadiness(engagement: &Engagement, gathered: &mut Gathered) {
    let measured = |measure| engagement.measured(measure).as_ref().ok();
    if let Some(ripple) = measured(Measure::Ripple)
        && ripple.value > 0.0
        && ripple.u < RIPPLE_TOLD * ripple.value
    {
        let relative = ripple.u / ripple.value;
        let observation = Observation::of(engagement, ripple.value.ln(), relative);
        gathered.add(Feature::Ripple, observation);
    }
    if let Some(hold) = measured(Measure::Hold)
        && hold.u < HOLD_TOLD
    {
        gathered.add(
            Feature::Hold,
            Observation::of(engagement, hold.value, hold.u),
        );
    }
}

/// The demand as a pressure, bar, if its unit tells or the vehicle file's highest pressure does.
fn demanded_bar(scene: &Scene<'_>, demand: &Channel, value: f64) -> Option<f64> {
    let highest = scene.vehicle.coupling.max_pressure_bar;
    match demand.quantity {
        Quantity::Pressure => Some(value),
        Quantity::Percent => Some(value / 100.0 * highest?),
        _ => None,
    }
}

fn rise_s(engagement: &Engagement) -> f64 {
    engagement
        .measured(Measure::RiseTime)
        .as_ref()
        .map_or(0.1, |e| e.value * 1e-3)
}

/// Settled pressure less what is demanded, bar. Where the demand's unit tells no pressure, its
/// ratio to the demand, scaled to bar by the pressure itself.
fn shortfall(
    scene: &Scene<'_>,
    (pressure, demand): (&Channel, &Channel),
    engagement: &Engagement,
    found: &Found,
    gathered: &mut Gathered,
) {
    let settled_s = SETTLED_S.max(SETTLED_RISES * rise_s(engagement));
    let delay_s = engagement
        .measured(Measure::EngagementDelay)
        .as_ref()
        .map_or(0.1, |e| e.value * 1e-3);
    let from_ns = at_seconds(found.reference_ns, delay_s + settled_s);
    let to_ns = found.release_ns;
    if to_ns.saturating_sub(from_ns) < (SHORTEST_S * 1e9) as i64 {
        return;
    }
    let range = pressure.range(from_ns, to_ns);
    if range.len() < 8 || !pressure.unbroken(range.clone()) {
        return;
    }
    let mut apart = Vec::new();
    let mut ratios = Vec::new();
    for i in range {
        let (Some(&t), Some(&bar)) = (pressure.t_ns().get(i), pressure.value().get(i)) else {
            continue;
        };
        let Some(wanted) = demand.held_at(t) else {
            continue;
        };
        match demanded_bar(scene, demand, wanted) {
            Some(wanted_bar) => apart.push(bar - wanted_bar),
            None if wanted > 0.0 => ratios.push(bar / wanted),
            None => {}
        }
    }
    if let Some((middle, sigma)) = median_and_sigma(&apart) {
        let u = 1.25 * sigma / (apart.len() as f64).sqrt();
        gathered.add(
            Feature::PressureShort,
            Observation::of(engagement, middle, u),
        );
    } else if !ratios.is_empty() {
        gathered.lacks(
            Feature::PressureShort,
            "the demand's unit does not tell the pressure that it means",
        );
    }
}

fn currents(scene: &Scene<'_>, engagement: &Engagement, found: &Found, gathered: &mut Gathered) {
    let Ok(current) = scene.drive.channel(Role::CouplingPumpCurrent) else {
        return;
    };
    let over = |from_ns: i64, to_ns: i64| {
        let range = current.range(from_ns, to_ns);
        let values = current.value().get(range)?;
        (values.len() >= 3).then(|| mean(values)).flatten()
    };
    let fill = over(
        at_seconds(found.reference_ns, FILLS_FROM_S),
        at_seconds(found.reference_ns, FILLS_TO_S),
    );
    if let Some(amps) = fill.filter(|a| *a > 0.3) {
        gathered.add(
            Feature::FillCurrent,
            Observation::of(engagement, amps.ln(), 0.0),
        );
    }
    let from_ns = at_seconds(found.reference_ns, HOLDS_S);
    if found.release_ns.saturating_sub(from_ns) > (SHORTEST_S * 1e9) as i64
        && let Some(amps) = over(from_ns, found.release_ns).filter(|a| *a > 0.2)
    {
        // What a pump draws to hold depends on the pressure that it holds, whatever was demanded.
        let held = scene.drive.channel(Role::CouplingPressure).ok();
        let bar = held.and_then(|p| median(p.value().get(p.range(from_ns, found.release_ns))?));
        gathered.add(
            Feature::HoldCurrent,
            Observation {
                log_step: bar.filter(|bar| *bar > 0.0).map(f64::ln),
                ..Observation::of(engagement, amps.ln(), 0.0)
            },
        );
    }
}
