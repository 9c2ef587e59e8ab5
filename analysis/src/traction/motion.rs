//! Speeds, acceleration and driving force on the drive's time base.
//!
//! Force at the contact, as a share of the weight: from engine torque through gear and final drive,
//! less what spins up the engine and the wheels and what rolling takes; where the bus or the vehicle
//! file lacks something for that, from acceleration (the sensor's, which feels a grade as well, or
//! the rear axle's) plus air resistance. Whatever scale the source has wrong, the tyres' curve is
//! learnt with the same, so that it cancels.

mod learning;

use slipwright_decoders::role::Role;

use super::{Assumed, GRAVITY_MPS2, RELAXATION_M, ROLLING_RESISTANCE};
use crate::drive::{Column, Drive, centred_average, centred_slope, seconds_between};
use crate::driveline::Driveline;
use crate::kinematics::Kinematics;
use crate::measure::Missing;
use crate::statistics::quantile::median;
use crate::vehicle::Vehicle;

/// Span of slopes and averages, s: short against a launch, long against frames.
const SPAN_S: f64 = 0.1;
const AVERAGE_S: f64 = 0.05;

/// Inertia of an axle's wheels over the square of their radius, of the car's mass. Common practice,
/// no source: 1.1 kg m² a wheel at 0.31 m for 1600 kg.
const WHEEL_INERTIA_SHARE: f64 = 0.0143;

/// Air resistance at 1 m/s, of the weight: 0.65 m² of drag area, 1600 kg.
const AIR_PER_SPEED_SQUARED: f64 = 2.5e-5;

/// Used where the vehicle file has no mass, kg: it scales force and curve alike.
const USUAL_MASS_KG: f64 = 1600.0;

/// Where the force comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Source {
    /// Engine torque.
    Engine,
    /// Acceleration.
    Acceleration,
}

/// What moves the car.
#[derive(Clone, Debug)]
pub(crate) struct Motion {
    /// Front over free front speed, less 1: slip between the axles; missing below the sensors' speed.
    pub(crate) slip: Column,
    /// The same as the tyres' force follows it, over the usual relaxation length.
    pub(super) followed_slip: Column,
    /// Rear axle, m/s.
    pub(crate) rear_mps: Column,
    /// Its acceleration, m/s².
    pub(crate) accel_mps2: Column,
    /// Acceleration of the front wheels, m/s²: more than the car's while they spin up.
    front_accel_mps2: Column,
    /// Force before inertia and rolling, of the weight.
    drive: Column,
    /// What it loses per kg m² of engine inertia, of the weight.
    spin: Column,
    /// Where it comes from.
    pub(crate) source: Source,
    /// The weight that forces are shares of, N; missing where no torque follows from them.
    pub(crate) weight_n: Result<f64, Missing>,
}

/// A moment in which the coupling is open and the front tyres alone drive.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OpenMoment {
    pub(super) slip: f64,
    pub(super) driven: Driven,
    pub(super) rear_mps: f64,
}

/// What drives at a moment, before inertia and rolling are taken off.
#[derive(Clone, Copy, Debug)]
pub(super) struct Driven {
    force: f64,
    /// What it loses per kg m² of engine inertia, of the weight.
    spin: f64,
    /// Accelerations of the front and the rear wheels, m/s².
    pub(super) axles_mps2: [f64; 2],
}

impl Motion {
    /// The motion of a drive.
    ///
    /// # Errors
    /// Why the axles' speeds are missing.
    pub(super) fn of(
        drive: &Drive,
        kinematics: &Kinematics,
        vehicle: &Vehicle,
    ) -> Result<Self, Missing> {
        let base = drive.base_ns();
        let slip = kinematics.slip_mps.as_ref().map_err(Clone::clone)?;
        let free = kinematics.free_mps.as_ref().map_err(Clone::clone)?;
        let rear = kinematics.rear_mps.as_ref().map_err(Clone::clone)?;
        let ratio: Column = (0..slip.len())
            .map(|i| Some(slip.get(i)? / free.get(i).filter(|v| *v > 0.1)?))
            .collect();
        let front = kinematics.front_mps.as_ref().map_err(Clone::clone)?;
        // Each walks the whole drive.
        let ((accel_mps2, front_accel_mps2), (engine, slip)) = rayon::join(
            || {
                let of = |speed| centred_slope(base, speed, SPAN_S);
                (of(rear), of(front))
            },
            || {
                let engine = by_engine(drive, kinematics, vehicle);
                (engine, centred_average(base, &ratio, AVERAGE_S))
            },
        );
        let source = match engine {
            Some(_) => Source::Engine,
            None => Source::Acceleration,
        };
        let weight_n = match source {
            // The same number made shares of the engine's force: it cancels.
            Source::Engine => Ok(vehicle.mass.kg.unwrap_or(USUAL_MASS_KG) * GRAVITY_MPS2),
            Source::Acceleration => vehicle.mass_kg().map(|kg| kg * GRAVITY_MPS2),
        };
        let (force, spin) = engine.unwrap_or_else(|| by_acceleration(drive, &accel_mps2, rear));
        let (followed_slip, (force, spin)) = rayon::join(
            || followed(drive, &slip, front, RELAXATION_M.0),
            || {
                let average = |column| centred_average(base, column, AVERAGE_S);
                (average(&force), average(&spin))
            },
        );
        Ok(Self {
            followed_slip,
            slip,
            rear_mps: rear.clone(),
            drive: force,
            spin,
            accel_mps2,
            front_accel_mps2,
            source,
            weight_n,
        })
    }

    /// Force at the contact of all tyres, of the weight.
    pub(crate) fn force(&self, i: usize, assumed: &Assumed) -> Option<f64> {
        let driven = Driven {
            force: self.drive.get(i)?,
            spin: self.spin.get(i)?,
            axles_mps2: [&self.front_accel_mps2, &self.accel_mps2].map(|a| a.get(i).unwrap_or(0.0)),
        };
        Some(self.contact(&driven, assumed))
    }

    /// What drives at a sample, where all of it is known.
    pub(super) fn driven(&self, i: usize) -> Option<Driven> {
        Some(Driven {
            force: self.drive.get(i)?,
            spin: self.spin.get(i)?,
            axles_mps2: [self.front_accel_mps2.get(i)?, self.accel_mps2.get(i)?],
        })
    }

    /// Force at the contact of all tyres, of the weight.
    pub(super) fn contact(&self, driven: &Driven, assumed: &Assumed) -> f64 {
        let [front, rear] = driven.axles_mps2;
        match self.source {
            Source::Engine => {
                driven.force
                    - assumed.engine_inertia_kg_m2 * driven.spin
                    - ROLLING_RESISTANCE
                    - WHEEL_INERTIA_SHARE * (front + rear) / GRAVITY_MPS2
            }
            Source::Acceleration => driven.force,
        }
    }

    /// Force that each axle's wheels take for themselves on top of the contact's, of the weight: rolling
    /// under its load, and spinning up.
    pub(crate) fn wheels_take(&self, i: usize, loads: [f64; 2]) -> [f64; 2] {
        let accel = |a: &Column| a.get(i).unwrap_or(0.0);
        [
            wheels_take(loads[0], accel(&self.front_accel_mps2)),
            wheels_take(loads[1], accel(&self.accel_mps2)),
        ]
    }
}

/// Slip as the force follows it: a step of it is taken over after a way of the relaxation length.
fn followed(drive: &Drive, slip: &Column, front_mps: &Column, relaxation_m: f64) -> Column {
    let base = drive.base_ns();
    let mut before: Option<f64> = None;
    (0..slip.len())
        .map(|i| {
            let slip = slip.get(i)?;
            let joined = i.checked_sub(1).filter(|&k| drive.base_joined(k));
            let dt = joined.map_or(0.0, |k| seconds_between(base[k], base[i]));
            let way = front_mps.get(i).unwrap_or(0.0) * dt / relaxation_m;
            let now = follow(
                before.filter(|_| joined.is_some()).unwrap_or(slip),
                slip,
                way,
            );
            before = Some(now);
            before
        })
        .collect()
}

/// One step of slip after a way in relaxation lengths.
pub(super) fn follow(before: f64, slip: f64, way: f64) -> f64 {
    before + (1.0 - (-way).exp()) * (slip - before)
}

/// Force that an axle's wheels take for themselves, of the weight.
pub(crate) fn wheels_take(load: f64, accel_mps2: f64) -> f64 {
    ROLLING_RESISTANCE * load + WHEEL_INERTIA_SHARE * accel_mps2 / GRAVITY_MPS2
}

fn by_engine(
    drive: &Drive,
    kinematics: &Kinematics,
    vehicle: &Vehicle,
) -> Option<(Column, Column)> {
    let driveline = Driveline::of(drive, kinematics, vehicle).ok()?;
    let radius_m = vehicle.tyres.rolling_radius_m?;
    let weight_n = vehicle.mass.kg.unwrap_or(USUAL_MASS_KG) * GRAVITY_MPS2;
    let base = drive.base_ns();
    let torque = drive.aligned(Role::EngineTorque).ok()?;
    let spin = driveline.engine_rad_s2(base);
    let ratios: Vec<Option<f64>> = base
        .iter()
        .map(|&t| driveline.wheel_ratio(t).ok().flatten())
        .collect();
    let per = radius_m * weight_n;
    let force = (0..base.len())
        .map(|i| Some(torque.get(i)? * ratios[i]? / per))
        .collect();
    let lost = (0..base.len())
        .map(|i| Some(spin.get(i).unwrap_or(0.0) * ratios[i]? / per))
        .collect();
    Some((force, lost))
}

fn by_acceleration(drive: &Drive, accel_mps2: &Column, rear_mps: &Column) -> (Column, Column) {
    let sensor = drive.aligned(Role::BodyAccelLong).ok();
    let n = accel_mps2.len();
    // The sensor's offset, against the wheels', over all of the drive.
    let offset = sensor.as_ref().and_then(|s| {
        let differences: Vec<f64> = (0..n)
            .filter_map(|i| {
                let moving = rear_mps.get(i).is_some_and(|v| v > 2.0);
                Some(s.get(i)? - accel_mps2.get(i)?).filter(|_| moving)
            })
            .collect();
        median(&differences)
    });
    let force = (0..n)
        .map(|i| {
            let speed = rear_mps.get(i).unwrap_or(0.0);
            let accel = match (&sensor, offset) {
                (Some(s), Some(offset)) => s.get(i)? - offset,
                _ => accel_mps2.get(i)?,
            };
            Some(accel / GRAVITY_MPS2 + AIR_PER_SPEED_SQUARED * speed * speed)
        })
        .collect();
    (force, (0..n).map(|_| Some(0.0)).collect())
}
