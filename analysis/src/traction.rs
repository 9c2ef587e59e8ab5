//! Traction: how the driving force divides between the axles, as the tyres' creep shows it.
//!
//! Takes the aligned drive and its kinematics; gives the force at the tyres' contact, the tyres' curve
//! of force over slip as learnt where the coupling is open, and the scale and lag of ground speed.
//! The transfer estimates `balance` and `tyre` (definition 11), the coupling model's torque and the
//! tested share of the rated torque all rest on it.
//!
//! Forces are shares of the car's weight, loads shares of it as well: then neither mass nor friction
//! has to be known to tell how a force divides.
//!
//! - [`motion`]: speeds, acceleration and driving force on the time base.
//! - [`curve`]: force over slip and load of a tyre, learnt with the coupling open.
//! - `closed`: what a trusted ground speed adds to it from hard launches.
//! - `pack`: what a slipping pack under pressure adds to it, and when the pack slips (`pack_slip`).
//! - [`split`]: front and rear force from their sum and the slip between the axles.
//! - [`ground_speed`]: scale and lag of ground speed against the wheels.

mod closed;
pub(crate) mod curve;
pub(crate) mod ground_speed;
pub(crate) mod motion;
mod pack;
pub(crate) mod pack_slip;
pub(crate) mod split;

use rayon::prelude::*;

use self::closed::closed_moments;
use self::curve::{Curve, Evidence, Learnt, learn};
pub use self::ground_speed::GroundSpeed;
use self::motion::Motion;
use self::pack::SlippingPack;
use crate::drive::Drive;
use crate::kinematics::Kinematics;
use crate::measure::Missing;
use crate::vehicle::Vehicle;

/// Standard gravity, m/s² (ISO 80000-3).
pub(crate) const GRAVITY_MPS2: f64 = 9.80665;

/// Rolling resistance over load, and with it what a wheel takes off the contact force. Common
/// practice, no source: 0.010 to 0.015 on firm roads.
pub(crate) const ROLLING_RESISTANCE: f64 = 0.012;

/// What nobody measures on the way, with its standard uncertainty. Common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Assumed {
    /// Share of the weight on the rear axle at rest.
    pub(crate) rear_share: f64,
    /// Height of the centre of gravity over the wheelbase: load that moves to the rear per driving
    /// force.
    pub(crate) height_share: f64,
    /// Way over which a tyre's force follows its slip, m.
    pub(crate) relaxation_m: f64,
    /// Inertia of the engine with its flywheel, kg m².
    pub(crate) engine_inertia_kg_m2: f64,
}

/// Front-engined cars with a driven rear axle carry 38 to 46 per cent on it.
pub(crate) const REAR_SHARE: (f64, f64) = (0.42, 0.02);
/// Centres of gravity lie 0.5 to 0.65 m high on wheelbases of 2.5 to 2.9 m.
pub(crate) const HEIGHT_SHARE: (f64, f64) = (0.205, 0.025);
const RELAXATION_M: (f64, f64) = (0.35, 0.15);
const ENGINE_INERTIA_KG_M2: (f64, f64) = (USUAL_ENGINE_INERTIA_KG_M2, 0.05);

/// Inertia of a car's engine with its flywheel, kg m². Common practice, no source.
pub(crate) const USUAL_ENGINE_INERTIA_KG_M2: f64 = 0.16;

impl Assumed {
    /// The middle values, the vehicle file's where it has them.
    fn middle(vehicle: &Vehicle) -> Self {
        Self {
            rear_share: vehicle.mass.rear_share.unwrap_or(REAR_SHARE.0),
            height_share: height_share(vehicle).unwrap_or(HEIGHT_SHARE.0),
            relaxation_m: RELAXATION_M.0,
            engine_inertia_kg_m2: ENGINE_INERTIA_KG_M2.0,
        }
    }

    /// Each value moved by its standard uncertainty, the others in the middle.
    fn moved(self, vehicle: &Vehicle) -> Vec<Self> {
        let mut all = vec![
            Self {
                relaxation_m: self.relaxation_m + RELAXATION_M.1,
                ..self
            },
            Self {
                engine_inertia_kg_m2: self.engine_inertia_kg_m2 + ENGINE_INERTIA_KG_M2.1,
                ..self
            },
        ];
        // A stated share is taken as weighed with some passenger or luggage more or less.
        let u_share = vehicle.mass.rear_share.map_or(REAR_SHARE.1, |_| 0.01);
        let u_height = height_share(vehicle).map_or(HEIGHT_SHARE.1, |_| 0.01);
        all.push(Self {
            rear_share: self.rear_share + u_share,
            ..self
        });
        all.push(Self {
            height_share: self.height_share + u_height,
            ..self
        });
        all
    }

    /// Shares of the weight on the front and on the rear axle under a driving force, of the weight.
    /// The force tips the car, whatever it is spent on: acceleration, a grade, or air. The wheels'
    /// own acceleration would not do: they spin up without the car.
    pub(crate) fn loads(&self, force: f64) -> [f64; 2] {
        let rear = self.rear_share + self.height_share * force;
        let rear = rear.clamp(0.1, 0.9);
        [1.0 - rear, rear]
    }
}

fn height_share(vehicle: &Vehicle) -> Option<f64> {
    Some(vehicle.mass.centre_height_m? / vehicle.geometry.wheelbase_m?)
}

/// One way to see the drive's traction: what is assumed, and the curve that follows from it.
#[derive(Clone, Debug)]
pub(crate) struct Sight {
    pub(crate) assumed: Assumed,
    pub(crate) curve: Curve,
    /// Rear axle's force for each bar above the touch point while the pack slips, of the weight; where it
    /// was learnt.
    pub(crate) rear_per_bar: Option<f64>,
}

impl Sight {
    fn learnt(assumed: Assumed, learnt: Learnt) -> Self {
        Self {
            assumed,
            curve: learnt.curve,
            rear_per_bar: Some(learnt.rear_per_bar),
        }
    }

    fn prior(assumed: Assumed, curve: Curve) -> Self {
        Self {
            assumed,
            curve,
            rear_per_bar: None,
        }
    }
}

/// What the drive shows of its tyres: the middle, and the middle with one thing after the other moved
/// by its standard uncertainty. The squares of what that changes add up to the variance.
#[derive(Clone, Debug)]
pub(crate) struct Sights {
    pub(crate) middle: Sight,
    pub(crate) moved: Vec<Sight>,
}

impl Sights {
    /// A value by the middle and its standard uncertainty by the moved ones.
    pub(crate) fn value_and_u(&self, value: impl Fn(&Sight) -> Option<f64>) -> Option<(f64, f64)> {
        let middle = value(&self.middle)?;
        let variance: f64 = self
            .moved
            .iter()
            .filter_map(|sight| Some((value(sight)? - middle).powi(2)))
            .sum();
        Some((middle, variance.sqrt()))
    }
}

/// How much of a slipping pack a drive has.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slipping {
    pub(crate) moments: usize,
    /// Closings of the coupling in which they lie.
    pub(crate) closings: usize,
    /// Mean pressure above the touch point, bar.
    pub(crate) above_touch_bar: Option<f64>,
}

/// The traction of a drive.
#[derive(Clone, Debug)]
pub(crate) struct Traction {
    pub(crate) motion: Motion,
    /// How much of a slipping pack was seen.
    pub(crate) slipping: Slipping,
    /// With the curve learnt from the drive, or why it cannot be.
    pub(crate) learnt: Result<Sights, Missing>,
    /// With a curve that is only known beforehand: it tells ratios of forces, not forces.
    pub(crate) prior: Sights,
    /// The same with its slope as uncertain as it is beforehand.
    pub(crate) prior_wide_slope: Sights,
}

impl Traction {
    /// The traction of a drive.
    ///
    /// # Errors
    /// Why the axles' speeds are missing.
    pub(crate) fn of(
        drive: &Drive,
        kinematics: &Kinematics,
        vehicle: &Vehicle,
        ground: Option<&GroundSpeed>,
    ) -> Result<Self, Missing> {
        let motion = Motion::of(drive, kinematics, vehicle)?;
        let assumed = Assumed::middle(vehicle);
        let moved = assumed.moved(vehicle);
        let steady = motion.steadily_driven(drive, kinematics, assumed);
        let closed = closed_moments(drive, kinematics, &motion, ground, &steady);
        let pack = SlippingPack::of(drive, kinematics, &motion, vehicle, &steady);
        let slipping = Slipping {
            moments: pack.moments.len(),
            closings: pack.closings,
            above_touch_bar: pack.mean_above_touch_bar(),
        };
        let learnt = motion
            .open_moments(drive, &kinematics.closed, &steady)
            .and_then(|open| {
                let evidence = Evidence { open, closed, pack };
                let by_assumed = || -> Vec<Sight> {
                    let each = moved.par_iter().filter_map(|&assumed| {
                        let (learnt, _) = learn(&motion, &evidence, assumed).ok()?;
                        Some(Sight::learnt(assumed, learnt))
                    });
                    each.collect()
                };
                let (middle, by_assumed) =
                    rayon::join(|| learn(&motion, &evidence, assumed), by_assumed);
                let (middle, spread) = middle?;
                let by_curve = spread
                    .into_iter()
                    .map(|learnt| Sight::learnt(assumed, learnt));
                Ok(Sights {
                    middle: Sight::learnt(assumed, middle),
                    moved: by_assumed.into_iter().chain(by_curve).collect(),
                })
            });
        let [curve, sharper] = Curve::prior();
        let prior = Sights {
            middle: Sight::prior(assumed, curve),
            moved: moved
                .into_iter()
                .map(|assumed| Sight::prior(assumed, curve))
                .chain([Sight::prior(assumed, sharper)])
                .collect(),
        };
        let mut prior_wide_slope = prior.clone();
        let slopes = Curve::prior_slopes();
        prior_wide_slope
            .moved
            .extend(slopes.map(|curve| Sight::prior(assumed, curve)));
        Ok(Self {
            motion,
            slipping,
            learnt,
            prior,
            prior_wide_slope,
        })
    }

    /// The best there is for ratios of forces.
    pub(crate) fn for_ratios(&self) -> &Sights {
        self.learnt.as_ref().unwrap_or(&self.prior)
    }
}

/// At most so many of the moments found, evenly over the drive.
fn evenly<T>(found: Vec<T>, most: usize) -> Vec<T> {
    let every = found.len().div_ceil(most).max(1);
    found.into_iter().step_by(every).collect()
}

/// A residual, in deviations, that grows with the square root of its size when it is large, so that
/// what does not fit the model does not rule it.
fn soft(r: f64) -> f64 {
    (2.0 * ((1.0 + r * r).sqrt() - 1.0)).sqrt() * r.signum()
}
