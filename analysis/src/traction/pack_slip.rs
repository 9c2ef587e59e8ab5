//! Whether the pack itself slips: its input turns with the front wheels and its output with the rear
//! ones, so a locked pack makes both axles turn alike, whatever the tyres' radii and creep. The decoded
//! speeds, uncorrected, tell that. While torque builds up the shafts wind up, which looks like slip for
//! a short way; only slip that goes on further is the pack's.

use std::ops::Range;

use crate::drive::{Column, Drive, seconds_between};
use crate::engagement::SlipTrace;
use crate::measure::Missing;

/// Slip is averaged over this long before it is judged, s.
const MEAN_S: f64 = 0.2;

/// Deviations of such a mean that slip has to leave.
const DEVIATIONS: f64 = 3.0;

/// What decoded speeds of a locked pack may differ by, of the speed, where they were corrected for tyres
/// of different size before they were sent.
const CORRECTED: f64 = 0.002;

/// The driveline from coupling to wheels winds up by this much, m at the tyre, before slip is certain.
/// Common practice, no source: half a radian at the coupling.
const WIND_UP_M: f64 = 0.08;

/// For each of a range of samples, whether the pack slips; `None` where the wheels do not tell.
pub(crate) fn slipping(
    drive: &Drive,
    trace: &Result<SlipTrace<'_>, Missing>,
    samples: Range<usize>,
) -> Vec<Option<bool>> {
    let [Ok(fl), Ok(fr), Ok(rl), Ok(rr)] = drive.wheel_mps() else {
        return samples.map(|_| None).collect();
    };
    let Ok(trace) = trace else {
        return samples.map(|_| None).collect();
    };
    let base = drive.base_ns();
    let half_ns = (MEAN_S * 0.5e9) as i64;
    let limit = DEVIATIONS * trace.noise().of_mean_mps(MEAN_S);
    let at = |c: &Column, i: usize| c.get(i);
    let difference = |i: usize| {
        trace.slip_mps(i)?;
        let (front, rear) = (
            0.5 * (at(fl, i)? + at(fr, i)?),
            0.5 * (at(rl, i)? + at(rr, i)?),
        );
        Some((front - rear, rear))
    };
    let mean = |i: usize| {
        difference(i)?;
        let near = trace.range(
            base[i].saturating_sub(half_ns),
            base[i].saturating_add(half_ns),
        );
        let all: Vec<(f64, f64)> = near.filter_map(difference).collect();
        let n = all.len() as f64;
        let sum = all.iter().fold((0.0, 0.0), |(s, r), (d, v)| (s + d, r + v));
        Some((sum.0 / n, sum.1 / n))
    };
    let mut gone_m = 0.0;
    samples
        .map(|i| {
            let (slip, rear) = mean(i)?;
            if slip.abs() <= limit + CORRECTED * rear {
                gone_m = 0.0;
                return Some(false);
            }
            let dt = base
                .get(i + 1)
                .map_or(0.0, |&next| seconds_between(base[i], next));
            gone_m += slip.abs() * dt;
            Some(gone_m > WIND_UP_M)
        })
        .collect()
}
