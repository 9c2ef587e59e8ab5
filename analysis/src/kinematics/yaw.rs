//! Yaw rate (definition 3): the sensor's, its offset taken out; otherwise from the rear wheels, while
//! neither of them spins.

use slipwright_decoders::role::Role;

use super::rear_spin::Turn;
use super::stretch::Stretch;
use crate::drive::{Column, Drive, centred_average, seconds_between};
use crate::measure::Missing;
use crate::statistics::quantile::median;
use crate::statistics::spread::mean;
use crate::vehicle::Vehicle;

/// Fewest samples at rest from which a sensor's offset is taken.
const LEAST_AT_REST: usize = 20;

/// The rear wheels' difference is averaged over this long, s: a car's yaw rate changes slower, and
/// wheel-speed noise must not square into the free front speed.
const DIFFERENCE_AVERAGE_S: f64 = 0.15;

/// Offset of the yaw sensor, rad/s; `None` if there is none or nothing shows its offset. At rest the
/// sensor reads its offset; a drive without rest is straight most of the time.
pub(super) fn sensor_offset_rad_s(drive: &Drive, stretches: &[Stretch]) -> Option<f64> {
    let sensor = drive.channel(Role::BodyYawRate).ok()?;
    let [Ok(fl), Ok(fr), Ok(rl), Ok(rr)] = drive.wheel_mps() else {
        return median(sensor.value());
    };
    let mut at_rest = Vec::new();
    let mut still_since = None;
    for (i, &t) in drive.base_ns().iter().enumerate() {
        let still = [fl, fr, rl, rr]
            .iter()
            .all(|w| w.get(i).is_some_and(|v| v.abs() < 0.05));
        if !still {
            still_since = None;
            continue;
        }
        // The body still rocks when the wheels have just stopped.
        let since = *still_since.get_or_insert(t);
        if seconds_between(since, t) > 0.5
            && let Some(rate) = sensor.at(t)
        {
            at_rest.push(rate);
        }
    }
    if at_rest.len() >= LEAST_AT_REST {
        return mean(&at_rest);
    }
    let moving: Vec<f64> = stretches
        .iter()
        .filter(|s| s.rear_mps > 3.0)
        .filter_map(|s| s.yaw_rad_s)
        .collect();
    median(&moving)
}

/// Yaw rate on the base, and where it cannot be that of the rear wheels.
pub(super) struct Yaw {
    /// Yaw rate, rad/s.
    pub(super) rad_s: Result<Column, Missing>,
    /// Where one rear wheel spins.
    pub(super) rear_spins: Vec<bool>,
}

/// Yaw rate on the base, rad/s: missing with [`Missing::VehicleKey`] if it has to come from the rear
/// wheels and their track is unknown, with [`Missing::Role`] if a rear wheel is missing as well.
pub(super) fn yaw(
    drive: &Drive,
    vehicle: &Vehicle,
    offset_rad_s: Option<f64>,
    factor: &[f64; 4],
    axle_mps: [&Result<Column, Missing>; 2],
) -> Yaw {
    let sensor: Option<Column> = drive
        .aligned(Role::BodyYawRate)
        .ok()
        .zip(offset_rad_s)
        .map(|(sensor, offset)| sensor.iter().map(|rate| Some(rate? - offset)).collect());
    let rear = apart(drive, [2, 3], factor);
    let front = apart(drive, [0, 1], factor);
    let turn = match (&front, &rear, axle_mps) {
        (Ok(front), Ok(rear), [Ok(front_mps), Ok(rear_mps)]) => Some(Turn::new(
            drive,
            vehicle,
            [front, rear],
            [front_mps, rear_mps],
            sensor.as_ref(),
        )),
        _ => None,
    };
    let rear_spins: Vec<bool> = turn.as_ref().map_or_else(Vec::new, |turn| {
        let all = 0..drive.base_ns().len();
        all.map(|i| turn.rear_spins(i)).collect()
    });
    let by_rear = || -> Result<Column, Missing> {
        let rear = rear.as_ref().map_err(Clone::clone)?;
        let track_m = vehicle.track_rear_m()?;
        let spins = |i: usize| rear_spins.get(i) == Some(&true);
        let rates = rear.iter().enumerate().map(|(i, apart)| match &turn {
            Some(turn) if spins(i) => turn.without_rear_rad_s(i),
            _ => Some(apart? / track_m),
        });
        Ok(rates.collect())
    };
    let rad_s = match &sensor {
        Some(sensor) => Ok(sensor.clone()),
        None => by_rear(),
    };
    Yaw { rad_s, rear_spins }
}

/// Right less left wheel of an axle on the base, averaged, m/s.
fn apart(drive: &Drive, wheels: [usize; 2], factor: &[f64; 4]) -> Result<Column, Missing> {
    let [left, right] = wheels.map(|w| drive.wheel_mps()[w].as_ref());
    let (left, right) = (left.map_err(Clone::clone)?, right.map_err(Clone::clone)?);
    let [by_left, by_right] = wheels.map(|w| factor[w]);
    let apart: Column = (0..drive.base_ns().len())
        .map(|i| Some(right.get(i)? * by_right - left.get(i)? * by_left))
        .collect();
    Ok(centred_average(
        drive.base_ns(),
        &apart,
        DIFFERENCE_AVERAGE_S,
    ))
}
