//! Front told from rear: by the axles' law in turns, or by which axle pulls.
//!
//! First half of [`super::corner`], which has the law in its text.

use super::corner::{Axle, Corners, LEAST_SPEED_MPS, PAIRINGS};
use super::statistics::{deviation, jackknife, regress};

/// How well a pairing fits as sides and another as axles.
pub(super) struct Fit {
    pub(super) sides: usize,
    pub(super) axles: usize,
    pub(super) alpha: f64,
    /// Share of the axles' difference that the law explains, and how much that is.
    pub(super) share: f64,
    pub(super) explained_mps: f64,
    /// Share of the sides' difference in the variance of all three.
    pub(super) dominance: f64,
    /// Standard deviations that the law's number lies off 0, turns counted as seconds.
    pub(super) deviations: f64,
}

impl Fit {
    /// The law is a number of its own: near the car's alpha counts, and so does that turning moves
    /// the sides more than anything else moves any pair.
    pub(super) fn merit(&self, alpha: f64) -> f64 {
        let off = (self.alpha.abs().max(1e-3) / alpha).ln().abs();
        self.share * self.dominance * (-(off / 0.5).powi(2)).exp()
    }
}

/// Fits `A = alpha S^2 / v + tyre v + drive a + constant` for each choice of sides and axles.
pub(super) fn axle_law(
    differences: &[Vec<f64>],
    speed: &[f64],
    accel: &[f64],
    steady: &dyn Fn(usize) -> bool,
    points: usize,
    step_s: f64,
) -> Vec<Fit> {
    let at = |values: &[f64], k: usize| values.get(k).copied().unwrap_or(0.0);
    let mut fits = Vec::new();
    let empty = Vec::new();
    let kept: Vec<usize> = (0..points).filter(|&k| steady(k)).collect();
    // The tyres' own differences first.
    let clear: Vec<Vec<f64>> = differences
        .iter()
        .map(|raw| {
            let share = regress(&[speed], raw, &|k| steady(k))
                .and_then(|c| c.first().copied())
                .unwrap_or(0.0);
            raw.iter().zip(speed).map(|(s, v)| s - share * v).collect()
        })
        .collect();
    let variances: Vec<f64> = clear
        .iter()
        .map(|c| deviation(&kept.iter().map(|&k| at(c, k)).collect::<Vec<_>>()).powi(2))
        .collect();
    for sides in 0..3 {
        let side = clear.get(sides).unwrap_or(&empty);
        let squared: Vec<f64> = (0..points)
            .map(|k| at(side, k).powi(2) / at(speed, k).max(LEAST_SPEED_MPS))
            .collect();
        for axles in (0..3).filter(|&axles| axles != sides) {
            let axle = differences.get(axles).unwrap_or(&empty);
            let columns: [&[f64]; 3] = [&squared, speed, accel];
            let coefficients = regress(&columns, axle, &|k| steady(k));
            let Some(&[a, b, c]) = coefficients.as_deref() else {
                continue;
            };
            let explained: Vec<f64> = kept.iter().map(|&k| a * at(&squared, k)).collect();
            let rest: Vec<f64> = kept
                .iter()
                .map(|&k| at(axle, k) - a * at(&squared, k) - b * at(speed, k) - c * at(accel, k))
                .collect();
            let (signal, noise) = (deviation(&explained), deviation(&rest));
            // Neighbouring points say the same; few turns say it seldom. Their number is that of
            // the seconds that carry the squared term.
            let weights: Vec<f64> = kept.iter().map(|&k| at(&squared, k).powi(2)).collect();
            let (sum, sum2): (f64, f64) =
                (weights.iter().sum(), weights.iter().map(|w| w * w).sum());
            let seconds = sum * sum / sum2.max(1e-30) * step_s;
            let share = signal * signal / (signal * signal + noise * noise).max(1e-12);
            fits.push(Fit {
                sides,
                axles,
                alpha: a,
                share,
                explained_mps: signal,
                dominance: variances.get(sides).copied().unwrap_or(0.0)
                    / variances.iter().sum::<f64>().max(1e-12),
                deviations: (seconds * share / (1.0 - share).max(1e-6)).sqrt(),
            });
        }
    }
    fits
}

/// Front and rear as a fit says.
pub(super) fn set_axles(corners: &mut Corners, fit: &Fit, confidence: f64) {
    let Some(&[a, b, c, d]) = PAIRINGS.get(fit.axles) else {
        return;
    };
    let (first, other) = if fit.alpha > 0.0 {
        (Axle::Front, Axle::Rear)
    } else {
        (Axle::Rear, Axle::Front)
    };
    for (wheel, axle) in [(a, first), (b, first), (c, other), (d, other)] {
        if let Some(entry) = corners.axle.get_mut(wheel) {
            *entry = Some(axle);
        }
    }
    corners.axle_confidence = confidence;
}

/// Deviations from which the driven axle's slip shows, and with which the turns must say the same, with
/// an alpha of roughly a car's, to be sure of it.
const LEAST_DRIVE: f64 = 4.0;
const LEAST_AGREEMENT: f64 = 1.5;
const ROUGH_ALPHA: std::ops::RangeInclusive<f64> = 0.4..=5.0;

/// Where no turn was tight enough: the axle that runs faster when the car pulls and slower when it
/// brakes is the front one of a car whose rear axle is driven through a coupling, and whose front
/// brakes do more. Sure only if the sides are known, it shows clearly, and the turns, as far as they
/// go, say the same.
pub(super) fn axles_by_drive(
    corners: &mut Corners,
    differences: &[Vec<f64>],
    (speed, accel): (&[f64], &[f64]),
    moving: &dyn Fn(usize) -> bool,
    sides: Option<usize>,
    law: &dyn Fn(usize, usize) -> Option<(f64, f64)>,
) {
    let points = speed.len();
    let ones = vec![1.0; points];
    let deviations = |difference: &Vec<f64>| {
        let (beta, u) = jackknife(points, |keep| {
            let columns = [accel, speed, &ones];
            regress(&columns, difference, &|k| moving(k) && keep(k))
                .and_then(|c| c.first().copied())
                .unwrap_or(0.0)
        });
        if u > 0.0 { beta / u } else { 0.0 }
    };
    let best = differences
        .iter()
        .enumerate()
        .filter(|(k, _)| Some(*k) != sides)
        .map(|(k, difference)| (k, deviations(difference)))
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let Some((axles, t)) = best.filter(|(_, t)| t.abs() > LEAST_DRIVE) else {
        return;
    };
    let turns_agree = sides
        .and_then(|sides| law(sides, axles))
        .is_some_and(|(alpha, off)| {
            let likely = ROUGH_ALPHA.contains(&alpha.abs());
            alpha * t > 0.0 && likely && off > LEAST_AGREEMENT
        });
    let confidence = if turns_agree { 0.93 } else { 0.7 };
    let fit = Fit {
        sides: sides.unwrap_or(0),
        axles,
        alpha: t,
        share: 0.0,
        explained_mps: 0.0,
        dominance: 0.0,
        deviations: t.abs(),
    };
    set_axles(corners, &fit, confidence);
    corners.evidence.push(format!(
        "one axle runs faster when the car pulls and slower when it brakes ({:.0} deviations): the front, if the rear is driven through a coupling{}",
        t.abs(),
        if turns_agree { "; it runs faster in turns too" } else { "" },
    ));
}
