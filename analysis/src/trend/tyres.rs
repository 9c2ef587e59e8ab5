//! Other tyres: the radius ratios step from one drive to the next.
//!
//! Tyres that no longer match make the axles turn unlike each other. A closed coupling then drags
//! one pair over the road: slip, friction work and the share of the torque differ from before, though
//! the coupling does what it did. So measures that rest on the tyres are not followed across such a day.

use super::{TrendDrive, wording};
use crate::measure::Measure;
use crate::number;
use crate::statistics::quantile::median;
use crate::words;

/// Names of the wheels, in the order of a summary's ratios.
pub const WHEELS: [&str; 4] = ["front left", "front right", "rear left", "rear right"];

/// A smaller step of a radius ratio is no other tyre: pressure moves a ratio by 0.1 or 0.2 %, a pack
/// that is never quite open by up to 0.3 %. New tread is 4 to 6 mm, more than 1 %. Common practice,
/// no source.
const LEAST_STEP: f64 = 0.005;
/// A step is this many of its standard uncertainties at least.
const CLEAR: f64 = 4.0;
/// The drives on either side keep apart by this share of the step: wear is no step.
const APART: f64 = 0.5;
/// Drives on each side that tell it, at most and at least.
const BESIDE: usize = 4;
const LEAST_BESIDE: usize = 2;

/// A day on which the rolling radii changed.
#[derive(Clone, Debug, PartialEq)]
pub struct TyreChange {
    /// Start of the last drive before it, ns since the epoch.
    pub after_ns: i64,
    /// Start of the first drive after it, ns since the epoch.
    pub t_ns: i64,
    /// Distance on the odometer at that drive, km.
    pub odometer_km: Option<f64>,
    /// Change of each wheel's radius ratio, its rolling radius over the rear mean; nothing where it
    /// did not step.
    pub shifts: [Option<f64>; 4],
}

/// The days on which radii changed, in order of time. The drives are in order of time.
pub(super) fn changes(drives: &[TrendDrive]) -> Vec<TyreChange> {
    let mut found: Vec<TyreChange> = Vec::new();
    for wheel in 0..WHEELS.len() {
        let known: Vec<(&TrendDrive, f64, f64)> = (drives.iter())
            .filter_map(|d| {
                let (ratio, u) = d.summary.radius_ratios[wheel]?;
                Some((d, ratio, u))
            })
            .collect();
        for cut in LEAST_BESIDE..(known.len() + 1).saturating_sub(LEAST_BESIDE) {
            let before = &known[cut.saturating_sub(BESIDE)..cut];
            let after = &known[cut..known.len().min(cut + BESIDE)];
            let Some(shift) = step(before, after) else {
                continue;
            };
            let mut shifts = [None; 4];
            shifts[wheel] = Some(shift);
            found.push(TyreChange {
                after_ns: known[cut - 1].0.summary.start_ns,
                t_ns: known[cut].0.summary.start_ns,
                odometer_km: known[cut].0.odometer_km,
                shifts,
            });
        }
    }
    found.sort_by_key(|c| c.t_ns);
    // Wheels that changed between the same drives changed together.
    let mut together: Vec<TyreChange> = Vec::new();
    for change in found {
        match together
            .last_mut()
            .filter(|last| change.after_ns < last.t_ns)
        {
            Some(last) => {
                last.after_ns = last.after_ns.max(change.after_ns);
                for (own, shift) in last.shifts.iter_mut().zip(change.shifts) {
                    *own = own.or(shift);
                }
            }
            None => together.push(change),
        }
    }
    together
}

/// The step between drives, with each one's ratio and its standard uncertainty, if there is one.
fn step(before: &[(&TrendDrive, f64, f64)], after: &[(&TrendDrive, f64, f64)]) -> Option<f64> {
    let ratios = |of: &[(&TrendDrive, f64, f64)]| of.iter().map(|d| d.1).collect::<Vec<_>>();
    let u = |of: &[(&TrendDrive, f64, f64)]| median(&of.iter().map(|d| d.2).collect::<Vec<_>>());
    let (low, high) = (ratios(before), ratios(after));
    let shift = median(&high)? - median(&low)?;
    let least = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let apart = if shift > 0.0 {
        least(&high) - most(&low)
    } else {
        least(&low) - most(&high)
    };
    let size = shift.abs();
    let is_clear = size >= LEAST_STEP.max(CLEAR * u(before)?.hypot(u(after)?));
    (is_clear && apart >= APART * size).then_some(shift)
}

/// What its owner must know.
pub(super) fn warning(change: &TyreChange, followed: &[Measure]) -> String {
    let wheels: Vec<String> = (WHEELS.iter().zip(change.shifts))
        .filter_map(|(wheel, shift)| {
            let percent = 100.0 * shift?;
            let sign = if percent > 0.0 { "+" } else { "−" };
            Some(format!("{wheel} {sign}{} %", number::rough(percent.abs())))
        })
        .collect();
    let measures: Vec<&str> = (followed.iter().copied())
        .filter(|m| m.rests_on_tyres())
        .map(Measure::label)
        .collect();
    let rest = if measures.is_empty() {
        String::new()
    } else {
        format!(
            " {} rest on how the tyres match: they are not compared across that day, and what they changed by then is no finding on the coupling.",
            words::capital(&words::listed(&measures))
        )
    };
    format!(
        "Rolling radii against the rear axle changed {}: {}. Other tyres?{rest}",
        wording::between(change.after_ns, change.t_ns),
        words::listed(&wheels),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trend::DriveSummary;
    use crate::trial::Random;

    fn series(n: i64, u: f64, seed: u64, ratio: impl Fn(i64) -> f64) -> Vec<TrendDrive> {
        let mut random = Random::new(seed);
        let mut drive = |index: i64| TrendDrive {
            name: index.to_string(),
            summary: DriveSummary {
                start_ns: index * 86_400_000_000_000,
                duration_s: 60.0,
                engagements: Vec::new(),
                radius_ratios: [
                    Some((ratio(index) + u * random.normal(), u)),
                    None,
                    None,
                    None,
                ],
            },
            odometer_km: None,
            healthy: false,
        };
        (0..n).map(&mut drive).collect()
    }

    #[test]
    fn other_tyres_are_seen_on_their_day() {
        let (mut right, mut any) = (0, 0);
        for seed in 37_000..37_100 {
            let drives = series(18, 0.0003, seed, |i| if i < 11 { 1.002 } else { 1.010 });
            let found = changes(&drives);
            any += found.len();
            right += usize::from(found.iter().any(|c| {
                let shift = c.shifts[0].unwrap();
                c.t_ns == drives[11].summary.start_ns && (shift - 0.008).abs() < 0.001
            }));
        }
        assert_eq!((right, any), (100, 100));
        // Two drives after it tell already.
        let drives = series(8, 0.0003, 37_100, |i| if i < 6 { 1.002 } else { 0.990 });
        assert_eq!(changes(&drives).len(), 1);
    }

    #[test]
    fn wear_noise_and_one_odd_drive_are_no_other_tyres() {
        for seed in 37_200..37_300 {
            let quiet = series(30, 0.0003, seed, |_| 1.0);
            let poor = series(30, 0.003, seed, |_| 1.0);
            // A front axle that wears by two millimetres over thirty drives.
            let wear = series(30, 0.0003, seed, |i| 1.0 - 0.0002 * i as f64);
            let odd = series(30, 0.0003, seed, |i| if i == 13 { 1.01 } else { 1.0 });
            for drives in [quiet, poor, wear, odd] {
                assert_eq!(changes(&drives), []);
            }
        }
    }

    #[test]
    fn wheels_that_change_together_are_one_change() {
        let mut drives = series(12, 0.0002, 37_400, |i| if i < 6 { 1.0 } else { 1.008 });
        for (index, drive) in drives.iter_mut().enumerate() {
            let ratio = if index < 6 { 1.0 } else { 0.994 };
            drive.summary.radius_ratios[2] = Some((ratio, 0.0002));
        }
        // One wheel not known in the first drive after it.
        drives[6].summary.radius_ratios[2] = None;
        let found = changes(&drives);
        assert_eq!(found.len(), 1, "{found:?}");
        let text = warning(
            &found[0],
            &[
                Measure::DeadTime,
                Measure::PeakSlip,
                Measure::TransferFraction,
            ],
        );
        assert!(
            text.contains("between 1970-01-06 and 1970-01-07: front left +0.8"),
            "{text}"
        );
        assert!(text.contains(" % and rear left −0.60 %. "), "{text}");
        assert!(
            text.contains("Peak slip and transfer fraction rest on"),
            "{text}"
        );
        assert!(!warning(&found[0], &[Measure::DeadTime]).contains("rest on"));
    }
}
