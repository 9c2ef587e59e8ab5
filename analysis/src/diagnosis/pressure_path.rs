//! From demand to pressure: how long the oil takes, whether it holds, and what the pump draws.
//!
//! Dead, rise, hold and ripple are the measures of the same names. Beside them: how far settled
//! pressure stays from what is demanded, and the pump's current while filling and holding.

use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use super::feature::Feature;
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

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let drive = scene.drive;
    let pressure = drive.channel(Role::CouplingPressure);
    let demand = drive.channel(Role::CouplingDemand);
    if let Err(why) = &pressure {
        for feature in [
            Feature::DeadTime,
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
            Feature::DeadTimeScatter,
            Feature::PressureShort,
        ] {
            gathered.lacks(feature, why.to_string());
        }
    }
    let mut dead = Vec::new();
    for (engagement, found) in scene.engagements() {
        times(engagement, demand.is_ok(), gathered, &mut dead);
        if let (Ok(pressure), Ok(demand)) = (&pressure, &demand) {
            shortfall(scene, (pressure, demand), engagement, found, gathered);
        }
        currents(scene, engagement, found, gathered);
    }
    scatter(&dead, gathered);
    if let Err(why) = drive.channel(Role::CouplingPumpCurrent) {
        gathered.lacks(Feature::FillCurrent, why.to_string());
        gathered.lacks(Feature::HoldCurrent, why.to_string());
    }
}

fn with_conditions(engagement: &Engagement, value: f64, u: f64) -> Observation {
    let c = &engagement.conditions;
    Observation {
        value,
        u,
        temperature_c: c.fluid_temperature_c,
        log_step: c.demand_step.filter(|s| *s > 0.0).map(f64::ln),
    }
}

fn times(
    engagement: &Engagement,
    demanded: bool,
    gathered: &mut Gathered,
    dead: &mut Vec<Observation>,
) {
    let measured = |measure| engagement.measured(measure).as_ref().ok();
    let mut ratio = |feature, measure, u_most: f64| {
        let estimate = measured(measure)?;
        let relative = estimate.u / estimate.value;
        (estimate.value > 0.0 && relative < u_most).then(|| {
            let observation = with_conditions(engagement, estimate.value.ln(), relative);
            gathered.add(feature, observation);
            observation
        })
    };
    // Without a demand signal times count from slip, which says nothing of the oil's way.
    if demanded {
        dead.extend(ratio(Feature::DeadTime, Measure::DeadTime, 0.15));
    }
    ratio(Feature::RiseTime, Measure::RiseTime, 0.12);
    ratio(Feature::Ripple, Measure::Ripple, 0.6);
    if let Some(hold) = measured(Measure::Hold)
        && hold.u < HOLD_TOLD
    {
        gathered.add(
            Feature::Hold,
            with_conditions(engagement, hold.value, hold.u),
        );
    }
}

/// Scatter of dead time over the drive, ms: erratic filling is air or foam.
fn scatter(dead: &[Observation], gathered: &mut Gathered) {
    let values: Vec<f64> = dead.iter().map(|o| o.value).collect();
    let own: Vec<f64> = dead.iter().map(|o| o.u).collect();
    let (Some((centre, sigma)), Some(u)) = (median_and_sigma(&values), median(&own)) else {
        return;
    };
    if values.len() < 4 {
        gathered.lacks(
            Feature::DeadTimeScatter,
            "fewer than four dead times in the drive",
        );
        return;
    }
    // One wild filling in ten is as telling as a wide middle.
    let spread = (values.iter().map(|v| (v - centre).powi(2)).sum::<f64>()
        / (values.len() - 1) as f64)
        .sqrt();
    // What the crossing times leave uncertain would scatter even a perfect filling.
    let relative = (0.5 * (sigma + spread)).max(u).max(0.004);
    gathered.add(
        Feature::DeadTimeScatter,
        Observation::plain(
            relative.ln() + centre,
            1.0 / (2.0 * (values.len() - 1) as f64).sqrt(),
        ),
    );
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
            with_conditions(engagement, middle, u),
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
            with_conditions(engagement, amps.ln(), 0.0),
        );
    }
    let from_ns = at_seconds(found.reference_ns, HOLDS_S);
    if found.release_ns.saturating_sub(from_ns) > (SHORTEST_S * 1e9) as i64
        && let Some(amps) = over(from_ns, found.release_ns).filter(|a| *a > 0.2)
    {
        gathered.add(
            Feature::HoldCurrent,
            with_conditions(engagement, amps.ln(), 0.0),
        );
    }
}
