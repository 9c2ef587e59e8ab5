//! From raw numbers to km/h: scale and offset of a speed field, with their uncertainty.

use super::proposal::Scaling;
use super::reference::Aligned;
use super::statistics::{far_off, jackknife, line, mean, smooth};
use super::timeline::Timeline;
use crate::unit::Unit;

/// Speed below which the reference counts as standing, m/s.
const STANDING_MPS: f64 = 0.15;
/// Least time at a standstill that settles the code of 0, s.
const LEAST_STANDING_S: f64 = 2.0;
/// Least speed of the points that scale and offset are taken from, m/s.
const LEAST_SPEED_MPS: f64 = 2.0;
/// How far a tyre's rolling radius lies from the one the car was set up with: a speed over ground
/// differs from the car's own by this share. Common practice, no source.
const TYRE_SHARE: f64 = 0.012;
/// The same where the reference is the car's own speed. Common practice, no source.
const OWN_SHARE: f64 = 0.004;
/// What tyres and their creep leave open of a measured scale, as a share of it (standard uncertainty): over
/// ground, and against the car's own speed. Common practice, no source.
const U_GROUND_SHARE: f64 = 0.004;
const U_OWN_SHARE: f64 = 0.002;
/// What a speed in whole km/h lacks in the mean if it was cut off instead of rounded, m/s.
const WHOLE_KMH_BIAS_MPS: f64 = 0.5 / 3.6;
/// Steps, km/h a count, that senders use: decimal ones, halves of whole numbers, and decimal ones
/// of m/s. Common practice, no source.
const USUAL_STEPS_KMH: [f64; 30] = [
    0.001,
    0.002,
    0.003_906_25,
    0.0036,
    0.004,
    0.005,
    0.006_25,
    0.007_812_5,
    0.01,
    0.015_625,
    0.018,
    0.02,
    0.025,
    0.03,
    0.031_25,
    0.036,
    0.04,
    0.05,
    0.056_25,
    0.06,
    0.0625,
    0.075,
    0.08,
    0.1,
    0.125,
    0.2,
    0.25,
    0.36,
    0.5,
    1.0,
];

/// Speed in km/h = raw * scale + offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SpeedScale {
    pub(crate) scale_kmh: f64,
    pub(crate) u_scale_kmh: f64,
    pub(crate) offset_kmh: f64,
    pub(crate) u_offset_kmh: f64,
    /// What the reference alone says, before a usual step was taken.
    pub(crate) measured_scale_kmh: f64,
    pub(crate) usual_step: bool,
    /// The code of a standing car, if the drive showed it.
    pub(crate) standing_raw: Option<f64>,
    /// Standard deviation of what remains, m/s.
    pub(crate) residual_mps: f64,
}

impl From<SpeedScale> for Scaling {
    fn from(scale: SpeedScale) -> Self {
        Self {
            scale: scale.scale_kmh,
            offset: scale.offset_kmh,
            u_scale: scale.u_scale_kmh,
            u_offset: scale.u_offset_kmh,
            unit: Unit::KilometrePerHour,
        }
    }
}

impl SpeedScale {
    pub(crate) fn mps(&self, raw: f64) -> f64 {
        (raw * self.scale_kmh + self.offset_kmh) / 3.6
    }
}

/// Scale and offset of a raw number on the axis, or of the mean of several of one format.
pub(crate) fn estimate(raw: &[f64], reference: &Aligned, axis: &Timeline) -> Option<SpeedScale> {
    // A reference carries noise of its own and an integer one steps; over half a second both fade.
    let window = axis.points(0.5);
    let (x, y) = (smooth(raw, window), smooth(&reference.speed_mps, window));
    let valid = |k: usize| reference.valid.get(k).copied().unwrap_or(false);
    let at = |values: &[f64], k: usize| values.get(k).copied().unwrap_or(0.0);
    let standing_raw = standing(raw, reference, axis);
    let rolling = |k: usize| valid(k) && at(&y, k) > LEAST_SPEED_MPS;
    let points = (0..raw.len()).filter(|&k| rolling(k)).count();
    if points < 40 {
        return None;
    }
    let first = line(&x, &y, rolling);
    let off = |k: usize| (at(&y, k) - first.slope * at(&x, k) - first.intercept).abs();
    let all_off: Vec<f64> = (0..raw.len()).filter(|&k| rolling(k)).map(off).collect();
    // A wheel that spins or locks, or a bad fix.
    let limit = far_off(&all_off);
    // Without a standstill the line needs all that spreads the speed.
    let all = standing_raw.is_none() || limit <= 0.0;
    let moving = |k: usize| rolling(k) && (all || off(k) <= limit);
    let through = |x0: f64, keep: &dyn Fn(usize) -> bool| {
        let (mut xy, mut xx) = (0.0, 0.0);
        for k in (0..raw.len()).filter(|&k| moving(k) && keep(k)) {
            let dx = at(&x, k) - x0;
            xy += dx * at(&y, k);
            xx += dx * dx;
        }
        if xx > 0.0 { xy / xx } else { 0.0 }
    };
    let fit = |keep: &dyn Fn(usize) -> bool| line(&x, &y, |k| moving(k) && keep(k));
    let free_zero = |keep: &dyn Fn(usize) -> bool| {
        let fit = fit(keep);
        if fit.slope > 0.0 {
            -fit.intercept / fit.slope
        } else {
            0.0
        }
    };
    let whole = reference.whole_kmh;
    let (slope, u_slope, zero, u_zero) = match standing_raw {
        // Whole km/h may be rounded or cut off: the slope then has a zero of its own.
        Some(x0) if !whole => {
            let (slope, u) = jackknife(raw.len(), |keep| through(x0, keep));
            (slope, u, x0, 0.0)
        }
        _ => {
            let (slope, u) = jackknife(raw.len(), |keep| fit(keep).slope);
            let (zero, u_zero) = jackknife(raw.len(), free_zero);
            match standing_raw {
                Some(x0) => (slope, u, x0, 0.0),
                None if whole && slope > 0.0 => {
                    // In the middle between rounded and cut off.
                    let half = 0.5 * WHOLE_KMH_BIAS_MPS / slope;
                    (slope, u, zero - half, u_zero.hypot(half))
                }
                None => (slope, u, zero, u_zero),
            }
        }
    };
    if slope <= 0.0 {
        return None;
    }
    let measured = slope * 3.6;
    let u = (u_slope * 3.6).max(1e-6 * measured);
    let tyre = if reference.own_speed {
        OWN_SHARE
    } else {
        TYRE_SHARE
    };
    let u_model = measured
        * if reference.own_speed {
            U_OWN_SHARE
        } else {
            U_GROUND_SHARE
        };
    let tolerance = tyre.hypot(2.0 * u / measured);
    let nearest = USUAL_STEPS_KMH.iter().copied().min_by(|a, b| {
        (a / measured)
            .ln()
            .abs()
            .total_cmp(&(b / measured).ln().abs())
    })?;
    let usual_step = (nearest / measured - 1.0).abs() <= tolerance && u / measured < 0.03;
    let scale = if usual_step { nearest } else { measured };
    // A zero code within its uncertainty of 0 is 0.
    let zero = if standing_raw.is_none() && zero.abs() <= 2.0 * u_zero {
        0.0
    } else {
        zero
    };
    let left: Vec<f64> = (0..raw.len())
        .filter(|&k| moving(k))
        .map(|k| at(&y, k) - slope * (at(&x, k) - zero))
        .collect();
    let centre = mean(&left);
    Some(SpeedScale {
        scale_kmh: scale,
        u_scale_kmh: if usual_step {
            u.min(0.5 * tyre * scale)
        } else {
            u.hypot(u_model)
        },
        offset_kmh: if zero == 0.0 { 0.0 } else { -scale * zero },
        u_offset_kmh: scale * u_zero,
        measured_scale_kmh: measured,
        usual_step,
        standing_raw,
        residual_mps: (left.iter().map(|v| (v - centre).powi(2)).sum::<f64>()
            / left.len().max(1) as f64)
            .sqrt(),
    })
}

/// The raw number that holds while the reference stands.
fn standing(raw: &[f64], reference: &Aligned, axis: &Timeline) -> Option<f64> {
    let margin = axis.points(1.0);
    let stands = |k: usize| {
        let speed = reference
            .speed_mps
            .get(k)
            .is_some_and(|v| *v < STANDING_MPS);
        speed && reference.valid.get(k) == Some(&true)
    };
    // Away from the edges of the standstill, where the lag counts.
    let inside: Vec<f64> = (margin..raw.len().saturating_sub(margin))
        .filter(|&k| stands(k) && stands(k - margin) && stands(k + margin))
        .filter_map(|k| raw.get(k).copied())
        .collect();
    if inside.len() < axis.points(LEAST_STANDING_S) {
        return None;
    }
    let mut sorted = inside;
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.get(sorted.len() / 2).copied()?;
    let at_it = sorted.iter().filter(|v| (*v - middle).abs() < 0.75).count();
    if at_it * 10 >= sorted.len() * 8 {
        return Some(middle.round());
    }
    // A reference in whole km/h says 0 of a car that creeps: its lowest code, if it often rests there.
    let lowest = sorted.first().copied()?.round();
    let at_lowest = sorted.iter().filter(|v| (*v - lowest).abs() < 0.75).count();
    (at_lowest * 10 >= sorted.len() * 3).then_some(lowest)
}

/// Steps to name where nothing measured one.
pub(crate) fn usual_steps_text() -> &'static str {
    "0.01, 0.015625, 0.02, 0.03125, 0.05, 0.0625 or 0.1 km/h"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::reference::ReferenceKind;

    /// 10 to 30 m/s over ten minutes, in 0.01 km/h from -67.67 km/h; no standstill.
    fn estimated(own_speed: bool, whole_kmh: bool) -> SpeedScale {
        let axis = Timeline::new(&[(0, 600_000_000_000)]);
        let speed_mps: Vec<f64> = (0..axis.len())
            .map(|k| 20.0 - 10.0 * (k as f64 * 0.003).cos())
            .collect();
        let raw: Vec<f64> = speed_mps
            .iter()
            .map(|v| ((3.6 * v + 67.67) / 0.01).round())
            .collect();
        let reference = Aligned {
            kind: ReferenceKind::Obd,
            own_speed,
            whole_kmh,
            lag_s: 0.0,
            valid: vec![true; axis.len()],
            speed_mps,
            yaw_rad_s: Vec::new(),
        };
        estimate(&raw, &reference, &axis).unwrap()
    }

    /// The mean of the wheels is the car's own speed, but not in whole km/h.
    #[test]
    fn only_a_reference_in_whole_kmh_moves_the_zero_by_their_rounding() {
        let by_wheels = estimated(true, false);
        assert!((by_wheels.offset_kmh + 67.67).abs() < 0.01, "{by_wheels:?}");
        assert!(by_wheels.u_offset_kmh < 0.05, "{by_wheels:?}");
        let by_obd = estimated(true, true);
        assert!(
            (by_obd.offset_kmh + 67.67 - 0.25).abs() < 0.02,
            "{by_obd:?}"
        );
        assert!(by_obd.u_offset_kmh > 0.2, "{by_obd:?}");
    }
}
