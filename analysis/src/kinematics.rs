//! Kinematics: radius correction, axle speeds, yaw rate and front-rear slip (definitions 1 to 4).
//!
//! Takes the aligned [`Drive`]; gives slip on the drive's time base with its noise and its systematic
//! uncertainty, and the spans in which the bus shows the coupling closed, without which nobody knows
//! where nothing drives slip.

mod dropout;
mod noise;
mod quiet;
mod radius;
mod rear_spin;
mod stretch;
mod yaw;

pub use self::noise::SlipNoise;
pub use self::radius::RadiusRatio;
use crate::closing::{ClosedSpan, closed_spans};
use crate::drive::{Column, Drive};
use crate::measure::{Measured, Missing};
use crate::vehicle::Vehicle;

/// Least denominator of the slip ratio, m/s (definition 4).
const LEAST_RATIO_SPEED_MPS: f64 = 1.0;

/// Speeds at the contact and what follows from them, on the drive's time base.
#[derive(Clone, Debug, PartialEq)]
pub struct Kinematics {
    /// Radius corrections, for the record.
    pub radius_ratio: RadiusRatio,
    /// Front axle, m/s.
    pub front_mps: Result<Column, Missing>,
    /// Rear axle, m/s.
    pub rear_mps: Result<Column, Missing>,
    /// Yaw rate, rad/s.
    pub yaw_rad_s: Result<Column, Missing>,
    /// Where one rear wheel spins, so that the rear axle's speed is not the road's; empty where a wheel is
    /// missing.
    rear_spins: Vec<bool>,
    /// Speed of a front axle that does not slip, m/s.
    pub free_mps: Result<Column, Missing>,
    /// Front-rear slip, m/s; missing below the wheel sensors' dropout speed.
    pub slip_mps: Result<Column, Missing>,
    /// Deviation of slip where nothing drives it.
    pub noise: Result<SlipNoise, Missing>,
    /// Standard uncertainty of the front axle's radius correction. Times speed it is slip's
    /// systematic uncertainty, the same over one drive.
    pub u_front_ratio: f64,
    /// Slip is missing where a wheel is slower, m/s.
    pub dropout_mps: f64,
    /// Where demand, or else pressure, shows the coupling closed, in time order.
    pub closed: Vec<ClosedSpan>,
}

impl Kinematics {
    /// Works out the kinematics of a drive. Never fails: what is missing is missing by name.
    #[must_use]
    pub fn of(drive: &Drive, vehicle: &Vehicle) -> Self {
        let closed = closed_spans(drive);
        let dropout_mps = dropout::dropout_mps(drive);
        let stretches = stretch::stretches(drive, &closed, dropout_mps);
        let yaw_offset = yaw::sensor_offset_rad_s(drive, &stretches);
        let missing_wheel = drive.wheel_mps().iter().find_map(|w| w.as_ref().err());
        let correction = radius::radius_correction(&stretches, yaw_offset, vehicle, missing_wheel);
        let front_mps = axle(drive, [0, 1], &correction.factor);
        let rear_mps = axle(drive, [2, 3], &correction.factor);
        let axles = [&front_mps, &rear_mps];
        let yaw = yaw::yaw(drive, vehicle, yaw_offset, &correction.factor, axles);
        let (yaw_rad_s, rear_spins) = (yaw.rad_s, yaw.rear_spins);
        let free_mps = free_front(&rear_mps, &yaw_rad_s, vehicle);
        let slip_mps = slip(drive, &front_mps, &free_mps, dropout_mps);
        let noise = match &slip_mps {
            Ok(slip) => quiet::noise(drive, slip, &closed),
            Err(why) => straight_slip(drive, &front_mps, &rear_mps, dropout_mps)
                .ok_or_else(|| why.clone())
                .and_then(|slip| quiet::noise(drive, &slip, &closed)),
        };
        Self {
            radius_ratio: correction.ratio,
            front_mps,
            rear_mps,
            yaw_rad_s,
            rear_spins,
            free_mps,
            slip_mps,
            noise,
            u_front_ratio: correction.u_front,
            dropout_mps,
            closed,
        }
    }

    /// Noise of slip as a measured value, m/s.
    pub fn noise_slip_mps(&self) -> Measured {
        noise::measured(&self.noise)
    }

    /// Whether one rear wheel spins at an index of the base.
    #[must_use]
    pub fn rear_spins(&self, i: usize) -> bool {
        self.rear_spins.get(i) == Some(&true)
    }

    /// Slip ratio at an index of the base (definition 4): slip over the larger of the front speeds,
    /// at least 1 m/s.
    #[must_use]
    pub fn slip_ratio(&self, i: usize) -> Option<f64> {
        let get = |c: &Result<Column, Missing>| c.as_ref().ok()?.get(i);
        let scale = get(&self.front_mps)?
            .max(get(&self.free_mps)?)
            .max(LEAST_RATIO_SPEED_MPS);
        Some(get(&self.slip_mps)? / scale)
    }
}

/// Slip at the coupling, rad/s: front-rear slip times the ratio of coupling shaft to rear wheel,
/// over the rolling radius (definition 4).
#[must_use]
pub fn slip_rad_s(slip_mps: f64, rear_drive_ratio: f64, rolling_radius_m: f64) -> f64 {
    rear_drive_ratio * slip_mps / rolling_radius_m
}

/// Speed of a front axle that does not slip, m/s, from the rear axle's speed, the yaw rate and the
/// wheelbase (definition 3).
#[must_use]
pub fn free_front_mps(rear_mps: f64, yaw_rad_s: f64, wheelbase_m: f64) -> f64 {
    rear_mps.hypot(yaw_rad_s * wheelbase_m)
}

fn axle(drive: &Drive, wheels: [usize; 2], factor: &[f64; 4]) -> Result<Column, Missing> {
    let [left, right] = wheels.map(|i| drive.wheel_mps()[i].as_ref());
    let (left, right) = (left.map_err(Clone::clone)?, right.map_err(Clone::clone)?);
    let [f_left, f_right] = wheels.map(|i| factor[i]);
    Ok((0..drive.base_ns().len())
        .map(|i| Some((left.get(i)? * f_left + right.get(i)? * f_right) / 2.0))
        .collect())
}

fn free_front(
    rear_mps: &Result<Column, Missing>,
    yaw_rad_s: &Result<Column, Missing>,
    vehicle: &Vehicle,
) -> Result<Column, Missing> {
    let rear = rear_mps.as_ref().map_err(Clone::clone)?;
    let wheelbase_m = vehicle.wheelbase_m()?;
    let yaw = yaw_rad_s.as_ref().map_err(Clone::clone)?;
    Ok((0..rear.len())
        .map(|i| Some(free_front_mps(rear.get(i)?, yaw.get(i)?, wheelbase_m)))
        .collect())
}

fn slip(
    drive: &Drive,
    front_mps: &Result<Column, Missing>,
    free_mps: &Result<Column, Missing>,
    dropout_mps: f64,
) -> Result<Column, Missing> {
    let front = front_mps.as_ref().map_err(Clone::clone)?;
    let free = free_mps.as_ref().map_err(Clone::clone)?;
    let told = told(drive, dropout_mps);
    Ok((0..front.len())
        .map(|i| told(i).then_some(front.get(i)? - free.get(i)?))
        .collect())
}

/// Whether every wheel turns fast enough for its sensor.
fn told(drive: &Drive, dropout_mps: f64) -> impl Fn(usize) -> bool + '_ {
    move |i| {
        drive.wheel_mps().iter().all(|wheel| {
            wheel
                .as_ref()
                .is_ok_and(|w| w.get(i).is_some_and(|v| v >= dropout_mps))
        })
    }
}

/// Front less rear where the rear wheels turn alike. Needs nothing of the vehicle, so that the noise
/// can be told even where the car's geometry is unknown.
fn straight_slip(
    drive: &Drive,
    front_mps: &Result<Column, Missing>,
    rear_mps: &Result<Column, Missing>,
    dropout_mps: f64,
) -> Option<Column> {
    /// A turn of 100 m radius and a metre and a half of track.
    const ALIKE: f64 = 0.015;
    let (front, rear) = (front_mps.as_ref().ok()?, rear_mps.as_ref().ok()?);
    let [_, _, Ok(left), Ok(right)] = drive.wheel_mps() else {
        return None;
    };
    let told = told(drive, dropout_mps);
    Some(
        (0..front.len())
            .map(|i| {
                let alike = (right.get(i)? - left.get(i)?).abs() < ALIKE * rear.get(i)?;
                (alike && told(i)).then_some(front.get(i)? - rear.get(i)?)
            })
            .collect(),
    )
}

#[cfg(test)]
mod tests;
