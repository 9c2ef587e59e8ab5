//! Where nothing drives slip, so that all there is of it is noise: the coupling open, the brake released,
//! the accelerator at rest, and the driveline done with swinging.

use slipwright_decoders::role::Role;

use super::noise::{LEAST_SAMPLES, SlipNoise, slip_noise};
use crate::closing::ClosedSpan;
use crate::drive::{Column, Drive, at_seconds, pressed_above, seconds_between};
use crate::measure::Missing;
use crate::statistics::quantile::quantile;
use crate::statistics::spread::median_and_sigma;

/// Before the coupling closes slip may already be driven, s.
const BEFORE_CLOSING_S: f64 = 0.3;

/// After the coupling opens, the pedal is let go or the brake is released, the driveline swings this
/// long, s. Common practice, no source.
const SETTLING_S: f64 = 0.8;

/// The noise of slip where nothing drives it.
pub(super) fn noise(
    drive: &Drive,
    slip: &Column,
    closed: &[ClosedSpan],
) -> Result<SlipNoise, Missing> {
    let base = drive.base_ns();
    let mut quiet = vec![true; base.len()];
    let mut clear = |from_ns: i64, to_ns: i64| {
        let driven = drive.base_range(at_seconds(from_ns, -BEFORE_CLOSING_S), to_ns);
        quiet[driven].fill(false);
    };
    for span in closed {
        clear(span.start_ns, span.end_ns);
    }
    // What stands out for long is taken for driven: the bus may tell nothing of the coupling, and a
    // front axle that spun with the coupling open is long in coming back.
    for (from_ns, to_ns) in standing_out(base, slip) {
        clear(from_ns, to_ns);
    }
    if let Ok(brake) = drive.channel(Role::PedalBrake) {
        let limit = pressed_above(brake);
        for (quiet, held) in quiet.iter_mut().zip(brake.held(base).iter()) {
            *quiet &= held.is_none_or(|v| v <= limit);
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
        if (0..base.len()).filter(told).take(LEAST_SAMPLES).count() == LEAST_SAMPLES {
            return slip_noise(base, slip, |i| chosen[i]);
        }
    }
    slip_noise(base, slip, |_| false)
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
fn pedal_at_rest(drive: &Drive) -> impl Fn(usize) -> bool {
    /// Share of the pedal's range that still is rest.
    const REST_SHARE: f64 = 0.03;
    let pedal = drive
        .channel(Role::PedalAccelerator)
        .ok()
        .and_then(|pedal| {
            let rest = quantile(pedal.value(), 0.01)?;
            let top = pedal.value().iter().copied().fold(rest, f64::max);
            let limit = rest + REST_SHARE * (top - rest);
            Some((pedal.held(drive.base_ns()), limit))
        });
    move |i| {
        pedal
            .as_ref()
            .is_none_or(|(held, limit)| held.get(i).is_some_and(|v| v <= *limit))
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
