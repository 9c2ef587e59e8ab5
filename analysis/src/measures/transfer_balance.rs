//! Transfer fraction, `balance` (definition 11): what the engine gives beyond what the front tyres'
//! creep accounts for went to the rear.
//!
//! The front tyres' force over slip is learnt where the coupling is open and all force goes to the
//! front axle. While the coupling is held, the whole force and the slip between the axles leave one
//! way to divide it (see `traction::split`): no ground speed is needed, because the rear tyres' own
//! creep follows from what they carry. `f = integral(F_rear dt) / integral((F_front + F_rear) dt)`
//! over the held part.
//!
//! Where the wheels turn too slowly for their sensors, as in the first moments of a launch, the
//! rear's share lies between nothing and that of the first moments told.
//!
//! `u` from the axle loads, the tyres' curve and its relaxation, the engine's inertia, the moments
//! that are not told, and what the model itself is wrong by.

use std::ops::Range;

use super::transfer::{NOT_TOLD, UNTOLD_SHARE, model_uncertainty, rear_rolls};
use super::view::{LEAST_HELD, View};
use crate::measure::{Estimate, Measured, Missing, TransferEstimate, TransferMethod};
use crate::traction::Traction;
use crate::traction::motion::Source;
use crate::traction::split::{Divided, Force, divided};

const BY_ENGINE: &str = "the rear tyres creep under force as the front ones do with the coupling open, and the axle loads follow from acceleration";
const BY_ACCELERATION: &str = "the rear tyres creep under force as the front ones do with the coupling open, the axle loads follow from acceleration, and the driving force follows from it too because engine torque cannot be had";

/// Largest standard uncertainty of an estimate for which no curve was learnt.
const TOLD_BY_LOADS: f64 = 0.06;

/// Less force than this is no drive, of the weight.
const LEAST_FORCE: f64 = 0.01;

/// The first moment told is the mean over this many samples.
const FIRST: usize = 10;

pub(super) fn transfer_balance(view: &View<'_>) -> TransferEstimate {
    let source = view.traction.as_ref().map(|t| t.motion.source);
    TransferEstimate {
        method: TransferMethod::Balance,
        fraction: fraction(view),
        assumption: match source {
            Ok(Source::Acceleration) => BY_ACCELERATION,
            _ => BY_ENGINE,
        },
        upper_bound: false,
    }
}

fn fraction(view: &View<'_>) -> Measured {
    let traction = view.traction.as_ref().map_err(Clone::clone)?;
    let sights = traction
        .learnt
        .as_ref()
        .unwrap_or(&traction.prior_wide_slope);
    let samples = view.held_samples()?;
    rear_rolls(view)?;
    let all = |sight: &_| {
        let forces = divided(
            view.drive,
            view.kinematics,
            &traction.motion,
            sight,
            samples.clone(),
        );
        share(view, traction, &forces, samples.clone())
    };
    let middle = all(&sights.middle)?;
    let (value, by_sights) = sights
        .value_and_u(|sight| all(sight).ok().map(|s| s.value))
        .ok_or(Missing::NoHeldPart)?;
    let model = model_uncertainty(view);
    let u = by_sights.hypot(middle.u).hypot(model);
    // Without a curve the axle loads still tell, as long as the axles turn alike.
    if let Err(why) = &traction.learnt
        && u > TOLD_BY_LOADS
    {
        return Err(why.clone());
    }
    if u.is_nan() || u >= NOT_TOLD {
        return Err(Missing::NotIdentifiable(
            "the driving force was too small or too unsteady to tell how it divides",
        ));
    }
    Ok(Estimate {
        value: value.clamp(0.0, 1.0),
        u,
        method: match traction.motion.source {
            _ if traction.learnt.is_err() => {
                "axle loads, for axles that turned alike; no creep could be learnt"
            }
            Source::Engine => "balance of engine force and creep learnt with the coupling open",
            Source::Acceleration => {
                "balance of force from acceleration and creep learnt with the coupling open"
            }
        },
        samples: middle.samples,
    })
}

struct Share {
    value: f64,
    /// From the moments that are not told.
    u: f64,
    samples: usize,
}

fn share(
    view: &View<'_>,
    traction: &Traction,
    forces: &[Force],
    samples: Range<usize>,
) -> Result<Share, Missing> {
    let (mut front, mut rear, mut untold, mut told_s, mut missing_s) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut first: Vec<Divided> = Vec::with_capacity(FIRST);
    let mut count = 0;
    for (force, i) in forces.iter().zip(samples) {
        let dt = view.drive.step_s(i);
        match force {
            Force::Divided(d) => {
                front += d.front * dt;
                rear += d.rear * dt;
                told_s += dt;
                count += 1;
                if first.len() < FIRST {
                    first.push(*d);
                }
            }
            Force::Sum(all) => untold += all.max(0.0) * dt,
            Force::Missing => missing_s += dt,
        }
    }
    if count < LEAST_HELD {
        return Err(match traction.motion.slip.count() {
            0 => Missing::NoHeldPart,
            _ => Missing::BelowSensorSpeed,
        });
    }
    // A gear change or the first moments without acceleration are short; a longer lack is a gap.
    if missing_s > told_s {
        return Err(Missing::NotIdentifiable(
            "the driving force is known for less than half of the held part",
        ));
    }
    let driven = front + rear;
    if driven + untold < LEAST_FORCE * (told_s + missing_s) {
        return Err(Missing::NotIdentifiable(
            "the engine did not drive while the coupling was held",
        ));
    }
    if untold > driven {
        return Err(Missing::BelowSensorSpeed);
    }
    let sum = first.iter().map(|d| d.front + d.rear).sum::<f64>();
    let first_share = if sum > 0.0 {
        (first.iter().map(|d| d.rear).sum::<f64>() / sum).clamp(0.0, 1.0)
    } else {
        0.5
    };
    let total = driven + untold;
    Ok(Share {
        value: (rear + UNTOLD_SHARE.0 * first_share * untold) / total,
        u: UNTOLD_SHARE.1 * first_share * untold / total,
        samples: count,
    })
}
