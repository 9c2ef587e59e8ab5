//! How much of the coupling's rated torque was tested: per cent of what the pack carries at its
//! highest pressure, `100 T / T(max_pressure)`.
//!
//! While the pack slips it carries what its pressure lets it; while it is locked it carries what the
//! rear axle got, as the tyres tell (see `traction::split`), and no more than its pressure allows.
//! Where neither is known the engine's torque bounds it. The value is the level that is exceeded in
//! one twentieth of the held part, so that a single spike does not count.

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::carried_torque::rear_torque_nm;
use super::view::{View, Whole};
use crate::coupling::Pack;
use crate::driveline::Driveline;
use crate::measure::{Estimate, Missing};
use crate::measures::Engagement;
use crate::statistics::quantile::quantile;
use crate::tested::{Reach, Tested, TestedDrive};
use crate::traction::pack_slip::slipping;
use crate::vehicle::Vehicle;

/// Share of the held part that may carry more.
const ABOVE_SHARE: f64 = 0.05;

/// Slip this long counts as a test of the lining, s.
const SLIPPED_S: f64 = 0.2;

/// Relative standard uncertainty of torque from the tyres' side against the pack's rated torque: bus
/// torque and the lining's coefficient. Common practice, no source.
const U_RELATIVE: f64 = 0.12;

/// Share of the driving torque that goes to the rear of a launching car with both axles gripping alike.
const GRIPPING_SHARE: f64 = 0.45;

/// Torque at the highest pressure, N·m.
fn rated_nm(vehicle: &Vehicle) -> Result<(Pack, f64), Missing> {
    let pack = Pack::of(vehicle)?;
    let most = vehicle.max_pressure_bar()?;
    let rated = pack.torque_nm(most);
    if rated > 0.0 {
        Ok((pack, rated))
    } else {
        Err(Missing::NotIdentifiable(
            "the vehicle file's return_force_n leaves no torque at max_pressure_bar",
        ))
    }
}

/// What one engagement tested.
pub(super) fn of_engagement(view: &View<'_>) -> Tested {
    let slips = view
        .held_samples()
        .map(|samples| (slipping(view.drive, &view.slip, samples.clone()), samples));
    let slipped_s = slips.as_ref().map_or(0.0, |(slips, samples)| {
        let held = slips.iter().zip(samples.clone());
        held.filter(|(slips, _)| **slips == Some(true))
            .map(|(_, i)| view.drive.step_s(i))
            .sum()
    });
    match slips.and_then(|(slips, samples)| percent(view, &slips, samples)) {
        Ok((estimate, upper_bound)) => Tested {
            percent: Ok(estimate),
            upper_bound,
            slipped_s,
        },
        Err(why) => Tested {
            percent: Err(why),
            upper_bound: false,
            slipped_s,
        },
    }
}

fn percent(
    view: &View<'_>,
    slips: &[Option<bool>],
    samples: Range<usize>,
) -> Result<(Estimate, bool), Missing> {
    let (pack, rated) = rated_nm(view.vehicle)?;
    let pressure = view.drive.channel(Role::CouplingPressure)?;
    let rear = rear_torque_nm(view, samples.clone());
    let bound = engine_bound_nm(view);
    if let (Err(why), Err(_)) = (&rear, &bound) {
        return Err(why.clone());
    }
    let base = view.drive.base_ns();
    let mut carried = Vec::with_capacity(samples.len());
    for (k, i) in samples.enumerate() {
        let Some(capacity) = pressure.at(base[i]).map(|bar| pack.torque_nm(bar)) else {
            continue;
        };
        let by_tyres = rear.as_ref().ok().and_then(|r| r.get(k).copied().flatten());
        let limit = match (by_tyres, &bound) {
            (Some(torque), _) => torque,
            (None, Ok(bound)) => bound(base[i]).unwrap_or(capacity),
            (None, Err(_)) => capacity,
        };
        carried.push(match slips.get(k) {
            Some(Some(true)) => capacity,
            _ => limit.clamp(0.0, capacity),
        });
    }
    let value = quantile(&carried, 1.0 - ABOVE_SHARE).ok_or(Missing::NoHeldPart)?;
    let percent = 100.0 * value / rated;
    let estimate = Estimate {
        value: percent,
        u: U_RELATIVE * percent,
        method: match rear {
            Ok(_) => "torque at the rear axle, within what pressure allows",
            Err(_) => "engine torque as the bound, within what pressure allows",
        },
        samples: carried.len(),
    };
    Ok((estimate, rear.is_err()))
}

/// The most that the engine can bring to the coupling at a time, N·m.
fn engine_bound_nm<'a>(view: &View<'a>) -> Result<impl Fn(i64) -> Option<f64> + 'a, Missing> {
    let ratio = view.vehicle.rear_drive_ratio()?;
    let driveline = Driveline::of(view.drive, view.kinematics, view.vehicle)?;
    let torque = view.drive.channel(Role::EngineTorque)?;
    Ok(move |t_ns: i64| {
        let at_wheels = torque.at(t_ns)? * driveline.wheel_ratio(t_ns).ok()??;
        Some(at_wheels / ratio)
    })
}

/// What a drive tested.
pub(super) fn of_drive(whole: &Whole<'_>, engagements: &[Engagement]) -> TestedDrive {
    let known = |e: &Engagement| !e.tested.upper_bound;
    let value = |e: &Engagement| e.tested.percent.as_ref().map_or(-1.0, |p| p.value);
    let most = engagements
        .iter()
        .max_by(|a, b| known(a).cmp(&known(b)).then(value(a).total_cmp(&value(b))));
    TestedDrive {
        most: most.map_or_else(Tested::default, |e| e.tested.clone()),
        slipped: engagements
            .iter()
            .filter(|e| e.tested.slipped_s >= SLIPPED_S)
            .count(),
        engagements: engagements.len(),
        reach: reach(whole),
    }
}

fn reach(whole: &Whole<'_>) -> Reach {
    let engine_nm = whole
        .drive
        .channel(Role::EngineTorque)
        .ok()
        .and_then(|c| quantile(c.value(), 0.995));
    let percent = |engine_nm: f64| {
        let d = &whole.vehicle.driveline;
        let (_, rated) = rated_nm(whole.vehicle).ok()?;
        let first = d.gear_ratios.as_ref()?.iter().copied().reduce(f64::max)?;
        let at_wheels = engine_nm * first * d.final_drive? * d.efficiency?;
        Some(100.0 * at_wheels / d.rear_drive_ratio? / rated)
    };
    let rear_alone_percent = engine_nm.and_then(percent);
    Reach {
        engine_nm,
        gripping_percent: rear_alone_percent.map(|p| GRIPPING_SHARE * p),
        rear_alone_percent,
    }
}
