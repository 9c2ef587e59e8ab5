//! Whether the pack itself slips: its input turns with the front wheels and its output with the rear
//! ones, so a locked pack makes both axles turn alike, whatever the tyres' radii and creep. The decoded
//! speeds, uncorrected, tell that. While torque builds up the shafts wind up, which looks like slip for
//! a short way; only slip that goes on further is the pack's.

use std::ops::Range;

use crate::drive::Drive;
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
    let difference = |i: usize| {
        trace.slip_mps(i)?;
        let (front, rear) = (
            0.5 * (fl.get(i)? + fr.get(i)?),
            0.5 * (rl.get(i)? + rr.get(i)?),
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
    let first = samples.start;
    samples
        .map(|i| {
            // Nobody saw whether the pack stuck in a gap.
            if i > first && !drive.base_joined(i - 1) {
                gone_m = 0.0;
            }
            let (slip, rear) = mean(i)?;
            if slip.abs() <= limit + CORRECTED * rear {
                gone_m = 0.0;
                return Some(false);
            }
            gone_m += slip.abs() * drive.step_s(i);
            Some(gone_m > WIND_UP_M)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use slipwright_decoders::role::Role;
    use slipwright_decoders::signal::Signals;
    use slipwright_decoders::unit::Unit;

    use super::*;
    use crate::kinematics::Kinematics;
    use crate::trial::{Random, series, stamps, vehicle};

    /// Rear wheels at 12 m/s, front wheels ahead by what is asked, nothing received in the gap.
    fn judged(
        ahead_mps: impl Fn(f64) -> f64,
        gap: std::ops::Range<f64>,
    ) -> Vec<(f64, Option<bool>)> {
        let mut random = Random::new(3);
        let mut t = stamps(&mut random, 0.0, 40.0, 0.01, 0.05);
        t.retain(|t| !gap.contains(t));
        let all = Role::WHEELS.into_iter().enumerate();
        let signals = Signals {
            series: all
                .map(|(w, role)| {
                    let mut wheel = series(role, Unit::MetrePerSecond, &t, |t| {
                        12.0 + if w < 2 { ahead_mps(t) } else { 0.0 }
                    });
                    for v in &mut wheel.value {
                        *v += 0.01 * random.normal();
                    }
                    wheel
                })
                .collect(),
        };
        let drive = Drive::from_signals(&signals, &vehicle());
        let kinematics = Kinematics::of(&drive, &vehicle());
        let slip = SlipTrace::of(&drive, &kinematics);
        t.iter()
            .copied()
            .zip(slipping(&drive, &slip, 0..t.len()))
            .collect()
    }

    /// 0.05 m of wind-up on either side of two seconds in which nothing was received.
    #[test]
    fn a_gap_winds_nothing_up() {
        let swell = |t: f64| if (30.0..32.1).contains(&t) { 1.0 } else { 0.0 };
        let judged = judged(swell, 30.05..32.05);
        assert!(judged.iter().all(|(_, slips)| *slips != Some(true)));
    }

    #[test]
    fn slip_that_goes_on_is_the_packs() {
        let swell = |t: f64| if (30.0..31.0).contains(&t) { 1.0 } else { 0.0 };
        let judged = judged(swell, 39.0..39.0);
        let share = |from: f64, to: f64| {
            let within = judged.iter().filter(|(t, _)| (from..to).contains(t));
            let slips = within.clone().filter(|(_, slips)| *slips == Some(true));
            slips.count() as f64 / within.count() as f64
        };
        assert_eq!(share(30.3, 30.9), 1.0);
        assert_eq!((share(0.0, 29.8), share(31.3, 40.0)), (0.0, 0.0));
    }
}
