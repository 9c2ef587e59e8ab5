//! Yaw rate (definition 3): the sensor's, its offset taken out; otherwise from the rear wheels.

use slipwright_decoders::role::Role;

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

/// Yaw rate on the base, rad/s.
///
/// # Errors
/// [`Missing::VehicleKey`] if it has to come from the rear wheels and their track is unknown;
/// [`Missing::Role`] if a rear wheel is missing as well.
pub(super) fn yaw_rate_rad_s(
    drive: &Drive,
    vehicle: &Vehicle,
    offset_rad_s: Option<f64>,
    factor: &[f64; 4],
) -> Result<Column, Missing> {
    if let (Ok(sensor), Some(offset)) = (drive.aligned(Role::BodyYawRate), offset_rad_s) {
        return Ok(sensor.iter().map(|rate| Some(rate? - offset)).collect());
    }
    let [_, _, rear_left, rear_right] = drive.wheel_mps();
    let (left, right) = (
        rear_left.as_ref().map_err(Clone::clone)?,
        rear_right.as_ref().map_err(Clone::clone)?,
    );
    let track_m = vehicle.track_rear_m()?;
    let rate: Column = (0..drive.base_ns().len())
        .map(|i| Some((right.get(i)? * factor[3] - left.get(i)? * factor[2]) / track_m))
        .collect();
    Ok(centred_average(
        drive.base_ns(),
        &rate,
        DIFFERENCE_AVERAGE_S,
    ))
}
