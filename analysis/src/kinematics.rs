//! Kinematics: radius correction, axle speeds, yaw rate and front-rear slip (definitions 1 to 4).
//!
//! Takes the aligned [`Drive`] and the spans in which the bus shows the coupling closed; gives
//! slip on the drive's time base with its noise and its systematic uncertainty.

mod dropout;
mod noise;
mod radius;
mod stretch;
mod yaw;

use slipwright_decoders::role::Role;

pub use self::noise::SlipNoise;
pub(crate) use crate::drive::pressed_above;
use crate::drive::{Column, Drive, RadiusRatio, at_seconds, seconds_between};
use crate::measure::{Measured, Missing};
use crate::robust::{median_and_sigma, quantile};
use crate::vehicle::Vehicle;

/// Least denominator of the slip ratio, m/s (definition 4).
const LEAST_RATIO_SPEED_MPS: f64 = 1.0;

/// A time in which the coupling is closed, as far as demand or pressure tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClosedSpan {
    /// When it began to close, ns since the epoch.
    pub start_ns: i64,
    /// When it was open again, ns since the epoch.
    pub end_ns: i64,
}

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
}

impl Kinematics {
    /// Works out the kinematics of a drive. Never fails: what is missing is missing by name.
    #[must_use]
    pub fn of(drive: &Drive, vehicle: &Vehicle, closed: &[ClosedSpan]) -> Self {
        let dropout_mps = dropout::dropout_mps(drive);
        let stretches = stretch::stretches(drive, closed, dropout_mps);
        let yaw_offset = yaw::sensor_offset_rad_s(drive, &stretches);
        let missing_wheel = drive.wheel_mps().iter().find_map(|w| w.as_ref().err());
        let correction = radius::radius_correction(&stretches, yaw_offset, vehicle, missing_wheel);
        let yaw_rad_s = yaw::yaw_rate_rad_s(drive, vehicle, yaw_offset, &correction.factor);
        let front_mps = axle(drive, [0, 1], &correction.factor);
        let rear_mps = axle(drive, [2, 3], &correction.factor);
        let free_mps = free_front(&rear_mps, &yaw_rad_s, vehicle);
        let slip_mps = slip(drive, &front_mps, &free_mps, dropout_mps);
        let noise = match &slip_mps {
            Ok(slip) => noise(drive, slip, closed),
            Err(why) => straight_slip(drive, &front_mps, &rear_mps, dropout_mps)
                .ok_or_else(|| why.clone())
                .and_then(|slip| noise(drive, &slip, closed)),
        };
        Self {
            radius_ratio: correction.ratio,
            front_mps,
            rear_mps,
            yaw_rad_s,
            free_mps,
            slip_mps,
            noise,
            u_front_ratio: correction.u_front,
            dropout_mps,
        }
    }

    /// Noise of slip as a measured value, m/s.
    pub fn noise_slip_mps(&self) -> Measured {
        noise::measured(&self.noise)
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

/// Before the coupling closes slip may already be driven, s.
const BEFORE_CLOSING_S: f64 = 0.3;

/// After the coupling opens, the pedal is let go or the brake is released, the driveline swings this
/// long, s. Common practice, no source.
const SETTLING_S: f64 = 0.8;

fn noise(drive: &Drive, slip: &Column, closed: &[ClosedSpan]) -> Result<SlipNoise, Missing> {
    let base = drive.base_ns();
    let mut quiet = vec![true; base.len()];
    let mut clear = |from_ns: i64, to_ns: i64| {
        let driven = drive.base_range(at_seconds(from_ns, -BEFORE_CLOSING_S), to_ns);
        quiet[driven].fill(false);
    };
    for span in closed {
        clear(span.start_ns, span.end_ns);
    }
    // Where the bus tells nothing of the coupling, what stands out for long is taken for driven.
    let bus_tells = drive.channel(Role::CouplingDemand).is_ok()
        || drive.channel(Role::CouplingPressure).is_ok();
    if !bus_tells {
        for (from_ns, to_ns) in standing_out(base, slip) {
            clear(from_ns, to_ns);
        }
    }
    if let Ok(brake) = drive.channel(Role::PedalBrake) {
        let limit = pressed_above(brake);
        for (i, &t) in base.iter().enumerate() {
            quiet[i] &= brake.held_at(t).is_none_or(|v| v <= limit);
        }
    }
    // Drive makes tyres creep: where the pedal tells when nothing drives, that is what counts. With
    // too little of it, as on a drive without a coasting moment, all of the open coupling does.
    let at_rest = pedal_at_rest(drive);
    let coasting: Vec<bool> = quiet
        .iter()
        .enumerate()
        .map(|(i, q)| *q && at_rest(i))
        .collect();
    for chosen in [settled(base, &coasting), settled(base, &quiet), quiet] {
        let told = |&i: &usize| chosen[i] && slip.get(i).is_some();
        if (0..base.len())
            .filter(told)
            .take(noise::LEAST_SAMPLES)
            .count()
            == noise::LEAST_SAMPLES
        {
            return noise::slip_noise(base, slip, |i| chosen[i]);
        }
    }
    noise::slip_noise(base, slip, |_| false)
}

/// Leaves out the first moments of each run of `true` that begins within the drive.
fn settled(base: &[i64], chosen: &[bool]) -> Vec<bool> {
    let mut begun_ns = None;
    let mut within = false;
    base.iter()
        .zip(chosen)
        .map(|(&t, &chosen)| {
            if !chosen {
                (begun_ns, within) = (None, true);
                return false;
            }
            let begun = *begun_ns.get_or_insert(t);
            !within || seconds_between(begun, t) >= SETTLING_S
        })
        .collect()
}

/// Whether the accelerator is at rest at an index of the base; everywhere where the bus has no pedal.
fn pedal_at_rest(drive: &Drive) -> impl Fn(usize) -> bool + '_ {
    /// Share of the pedal's range that still is rest.
    const REST_SHARE: f64 = 0.03;
    let pedal = drive
        .channel(Role::PedalAccelerator)
        .ok()
        .and_then(|pedal| {
            let rest = quantile(pedal.value(), 0.01)?;
            let top = pedal.value().iter().copied().fold(rest, f64::max);
            Some((pedal, rest + REST_SHARE * (top - rest)))
        });
    move |i| {
        pedal.is_none_or(|(pedal, limit)| {
            drive
                .base_ns()
                .get(i)
                .and_then(|&t| pedal.held_at(t))
                .is_some_and(|v| v <= limit)
        })
    }
}

/// Spans in which slip stays beyond five robust deviations of its middle on one side, longer than a
/// wheel that hops over a bump can.
fn standing_out(base: &[i64], slip: &Column) -> Vec<(i64, i64)> {
    const DEVIATIONS: f64 = 5.0;
    const LONGER_THAN_A_BUMP_S: f64 = 0.12;
    let values: Vec<f64> = slip.iter().flatten().collect();
    let Some((middle, sigma)) = median_and_sigma(&values) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    let mut open: Option<(i64, i64, bool)> = None;
    for (i, &t) in base.iter().enumerate() {
        let side = slip
            .get(i)
            .filter(|v| (v - middle).abs() > DEVIATIONS * sigma)
            .map(|v| v > middle);
        open = match (open, side) {
            (Some((from, _, was)), Some(now)) if was == now => Some((from, t, was)),
            (ended, now) => {
                if let Some((from, to, _)) = ended
                    && seconds_between(from, to) > LONGER_THAN_A_BUMP_S
                {
                    found.push((from, to));
                }
                now.map(|side| (t, t, side))
            }
        };
    }
    if let Some((from, to, _)) = open
        && seconds_between(from, to) > LONGER_THAN_A_BUMP_S
    {
        found.push((from, to));
    }
    found
}

#[cfg(test)]
mod tests;
