//! A tyre's longitudinal force over its slip, learnt from the front axle while it drives alone.
//!
//! The sine of an arc tangent that fits measured tyres (H. B. Pacejka, Tyre and Vehicle Dynamics,
//! chapter 4; from memory): with the load share `N`, `F = N c s_k sin(C atan(s / (C s_k)))` up to its
//! peak, then held there, because what falls beyond it differs from road to road. `c` is the slope at
//! no slip over the load, `s_k` the slip at which that slope would reach the friction limit; the
//! shape `C` is the usual one of longitudinal force. It stands for tyre and surface together; both
//! axles are taken to have the same.
//!
//! With the coupling open the rear tyres roll freely, so the slip between the axles is the front
//! tyres' own, less the little that rolling takes. The slope follows well from gentle driving; the
//! knee hardly does where no moment comes near it, and then keeps the width that is known
//! beforehand.

use std::f64::consts::FRAC_PI_2;

use super::closed::ClosedMoment;
use super::motion::{Motion, OpenMoment, contact, wheels_take};
use super::{Assumed, soft};
use crate::measure::Missing;
use crate::robust::neighbour_widening;
use crate::statistics::least_squares::{Solution, least_squares};

/// Shape of longitudinal force over slip.
const SHAPE: f64 = 1.65;

/// Beforehand, logarithms of slope and knee and their standard deviations: published curves have slopes
/// of 20 to 25 on asphalt, 5 to 8 on loose ground, 3 on snow and 1 on ice, and knees at 0.04 to 0.13.
const LN_SLOPE: (f64, f64) = (2.3, 1.5);
const LN_KNEE: (f64, f64) = (-2.55, 0.5);

/// A steep curve has its knee early, because friction limits on any road hardly exceed 1: beforehand
/// the knee is at this slip, or where the slope reaches that limit if this is earlier.
const KNEE_OF_LOOSE_GROUND: f64 = 0.1;

/// Logarithm of the knee as expected beforehand for the logarithm of a slope.
fn ln_knee(ln_slope: f64) -> f64 {
    KNEE_OF_LOOSE_GROUND.ln().min(-ln_slope)
}

/// Standard deviation of a moment's force, of the weight: bumps, wind, shifts of load.
const U_FORCE: f64 = 0.012;

/// Standard deviation of a moment's slip speed, m/s.
const U_SLIP_MPS: f64 = 0.02;

/// The slope is not told if its logarithm is uncertain by more than this.
const NOT_TOLD: f64 = 0.3;

/// Force over slip of a tyre with a load share of 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Curve {
    /// Slope at no slip.
    pub(crate) slope: f64,
    /// Slip at which that slope reaches the friction limit.
    pub(crate) knee: f64,
}

impl Curve {
    /// What is known without a drive: the middle, and with a knee that is one standard deviation
    /// narrower.
    pub(super) fn beforehand() -> [Self; 2] {
        [0.0, LN_KNEE.1].map(|less| Self {
            slope: LN_SLOPE.0.exp(),
            knee: (LN_KNEE.0 - less).exp(),
        })
    }

    /// The same with a slope that is one standard deviation lower or higher.
    pub(super) fn beforehand_slopes() -> [Self; 2] {
        [-LN_SLOPE.1, LN_SLOPE.1].map(|by| Self {
            slope: (LN_SLOPE.0 + by).exp(),
            knee: LN_KNEE.0.exp(),
        })
    }

    /// Force over load at a slip.
    pub(crate) fn force(&self, slip: f64) -> f64 {
        let limit = self.slope * self.knee;
        let angle = SHAPE * (slip.abs() / (SHAPE * self.knee)).atan();
        limit * angle.min(FRAC_PI_2).sin() * slip.signum()
    }
}

/// Learns the curve; with it, curves moved along its uncertainty.
pub(super) fn learn(
    motion: &Motion,
    moments: &[OpenMoment],
    closed: &[ClosedMoment],
    assumed: Assumed,
) -> Result<(Curve, Vec<Curve>), Missing> {
    let curve = |x: &[f64]| Curve {
        slope: x[0].exp(),
        knee: x[1].exp(),
    };
    let mut x = vec![LN_SLOPE.0, LN_KNEE.0];
    let mut solved: Option<Solution> = None;
    for _ in 0..3 {
        let near = curve(&x);
        let residuals = |x: &[f64]| {
            let at = curve(x);
            let mut out: Vec<f64> = moments
                .iter()
                .map(|m| moment_residual(motion, m, &assumed, &at, &near))
                .chain(
                    closed
                        .iter()
                        .map(|m| m.residual(motion, &assumed, &at, &near)),
                )
                .map(soft)
                .collect();
            out.push((x[0] - LN_SLOPE.0) / LN_SLOPE.1);
            out.push((x[1] - ln_knee(x[0])) / LN_KNEE.1);
            Some(out)
        };
        let solution = least_squares(&x, &[1e-4, 1e-4], residuals).ok_or(NO_CURVE)?;
        x.clone_from(&solution.x);
        solved = Some(solution);
    }
    let solution = solved.ok_or(NO_CURVE)?;
    let left = &solution.residuals[..moments.len() + closed.len()];
    let squares: f64 = left.iter().map(|r| r * r).sum();
    // Neighbouring moments share wind, road and what the model leaves.
    let widen = neighbour_widening(left) * (squares / left.len() as f64).sqrt().max(1.0);
    let [a, b, ab] = [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]].map(|g| solution.variance(&g));
    let covariance = 0.5 * (ab - a - b);
    let u_slope = a.sqrt() * widen;
    if u_slope > NOT_TOLD {
        return Err(NO_CURVE);
    }
    // The knee is no better known for repetition of what does not test it.
    let u_knee = (b.sqrt() * widen).min(LN_KNEE.1);
    let together = (covariance / (a * b).sqrt()).clamp(-1.0, 1.0);
    let moved = |by_slope: f64, by_knee: f64| curve(&[x[0] + by_slope, x[1] + by_knee]);
    let spread = vec![
        moved(u_slope, together * u_knee),
        moved(0.0, (1.0 - together * together).sqrt() * u_knee),
    ];
    Ok((curve(&x), spread))
}

const NO_CURVE: Missing = Missing::NotIdentifiable(
    "the drive never drove hard enough with the coupling open to learn the front tyres' creep",
);

/// Force by the curve less force by the source, in standard deviations.
fn moment_residual(
    motion: &Motion,
    m: &OpenMoment,
    assumed: &Assumed,
    curve: &Curve,
    near: &Curve,
) -> f64 {
    let axles = [m.front_accel_mps2, m.accel_mps2];
    let all = contact(motion.source, m.drive, m.spin, axles, assumed);
    let [front, rear] = assumed.loads(all);
    // The freely rolling rear wheels take this off, and creep back for it.
    let held_back = wheels_take(rear, m.accel_mps2);
    let rear_slip = -held_back / (curve.slope * rear);
    let front_slip = (1.0 + m.slip) * (1.0 + rear_slip) - 1.0;
    let u = U_FORCE.hypot(front * near.slope * U_SLIP_MPS / m.rear_mps);
    (front * curve.force(front_slip) - all - held_back) / u
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: slope at the origin; the peak where C atan(s / (C s_k)) is a right angle, at
    /// 1.65 tan(pi / 3.3) = 2.315 knees.
    #[test]
    fn the_curve_rises_with_its_slope_and_ends_at_its_limit() {
        let curve = Curve {
            slope: 20.0,
            knee: 0.05,
        };
        assert!((curve.force(1e-6) / 1e-6 - 20.0).abs() < 1e-3);
        assert!(curve.force(2.30 * 0.05) < 1.0 - 1e-5);
        assert!((curve.force(2.32 * 0.05) - 1.0).abs() < 1e-12);
        assert_eq!(curve.force(0.3), curve.force(0.15));
        assert_eq!(curve.force(-0.02), -curve.force(0.02));
    }
}
