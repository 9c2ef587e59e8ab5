//! A tyre's longitudinal force over its slip, learnt from the front axle while it drives alone.
//!
//! The sine of an arc tangent that fits measured tyres (H. B. Pacejka, Tyre and Vehicle Dynamics,
//! chapter 4; from memory): with the load share `N`, `F = N c s_k sin(C atan(s / (C s_k)))` up to its
//! peak. Beyond it the angle grows by only a share `d` of what it would: what a sliding tyre loses
//! differs from road to road, from nothing on loose ground to a quarter on wet asphalt. `c` is the slope
//! at no slip over the load, `s_k` the slip at which that slope would reach the friction limit; the
//! shape `C` is the usual one of longitudinal force. It stands for tyre and surface together; both
//! axles are taken to have the same.
//!
//! With the coupling open the rear tyres roll freely, so the slip between the axles is the front
//! tyres' own, less the little that rolling takes. The slope follows well from gentle driving; the
//! knee and what follows it hardly do where no moment comes near, and then keep the width that is
//! known beforehand.

use std::f64::consts::FRAC_PI_2;

use nalgebra::{Matrix4, Vector4};

use super::closed::ClosedMoment;
use super::motion::{Motion, OpenMoment, wheels_take};
use super::pack::SlippingPack;
use super::{Assumed, soft};
use crate::measure::Missing;
use crate::statistics::huber::neighbour_widening;
use crate::statistics::least_squares::{Solution, least_squares};

/// Shape of longitudinal force over slip.
const SHAPE: f64 = 1.65;

/// Beforehand, logarithms of slope and knee and their standard deviations: published curves have slopes
/// of 20 to 25 on asphalt, 5 to 8 on loose ground, 3 on snow and 1 on ice, and knees at 0.04 to 0.13.
const LN_SLOPE: (f64, f64) = (2.3, 1.5);
const LN_KNEE: (f64, f64) = (-2.55, 0.5);

/// Beforehand, share of the fall beyond the peak: published curves keep 0.75 to 1 of their peak at three
/// times its slip, where the whole fall would leave 0.78.
const FALL: (f64, f64) = (0.5, 0.3);

/// A steep curve has its knee early, because the friction limits of firm roads lie together, from wet
/// to dry asphalt at 0.75 to 1.1: beforehand the knee is at this slip, or where the slope reaches such
/// a limit if this is earlier, and then it is known better.
const KNEE_OF_LOOSE_GROUND: f64 = 0.1;
const LIMIT_OF_FIRM_ROAD: f64 = 0.92;
const U_LN_LIMIT: f64 = 0.2;

/// Logarithm of the knee as expected beforehand for the logarithm of a slope.
fn ln_knee(ln_slope: f64) -> f64 {
    let of_firm_road = LIMIT_OF_FIRM_ROAD.ln() - ln_slope;
    KNEE_OF_LOOSE_GROUND.ln().min(of_firm_road)
}

/// Its standard deviation.
fn u_ln_knee(slope: f64) -> f64 {
    if slope * KNEE_OF_LOOSE_GROUND > LIMIT_OF_FIRM_ROAD {
        U_LN_LIMIT
    } else {
        LN_KNEE.1
    }
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
    /// Share of the sine's fall beyond its peak, 0 to 1.
    pub(crate) fall: f64,
}

impl Curve {
    /// What is known without a drive: the middle, and with a knee that is one standard deviation
    /// narrower.
    pub(super) fn prior() -> [Self; 2] {
        [0.0, LN_KNEE.1].map(|less| Self {
            slope: LN_SLOPE.0.exp(),
            knee: (LN_KNEE.0 - less).exp(),
            fall: FALL.0,
        })
    }

    /// The same with a slope that is one standard deviation lower or higher.
    pub(super) fn prior_slopes() -> [Self; 2] {
        [-LN_SLOPE.1, LN_SLOPE.1].map(|by| Self {
            slope: (LN_SLOPE.0 + by).exp(),
            knee: LN_KNEE.0.exp(),
            fall: FALL.0,
        })
    }

    /// Force over load at a slip.
    pub(crate) fn force(&self, slip: f64) -> f64 {
        let limit = self.slope * self.knee;
        let angle = SHAPE * (slip.abs() / (SHAPE * self.knee)).atan();
        let beyond = (angle - FRAC_PI_2).max(0.0) * self.fall.clamp(0.0, 1.0);
        limit * (angle.min(FRAC_PI_2) + beyond).sin() * slip.signum()
    }

    /// Slip up to the peak at a force over load; the peak's beyond it.
    pub(crate) fn slip(&self, force: f64) -> f64 {
        let share = (force.abs() / (self.slope * self.knee)).min(1.0);
        SHAPE * self.knee * (share.asin() / SHAPE).tan() * force.signum()
    }

    /// Slip of the largest force.
    pub(crate) fn peak_slip(&self) -> f64 {
        SHAPE * self.knee * (FRAC_PI_2 / SHAPE).tan()
    }
}

/// What a drive teaches.
#[derive(Clone, Copy, Debug)]
pub(super) struct Learnt {
    pub(super) curve: Curve,
    /// Rear axle's force for each bar above the touch point while the pack slips, of the weight.
    pub(super) rear_per_bar: f64,
}

/// What it is learnt from.
pub(super) struct Evidence {
    pub(super) open: Vec<OpenMoment>,
    pub(super) closed: Vec<ClosedMoment>,
    pub(super) pack: SlippingPack,
}

/// Learns the curve; with it, the same moved along its uncertainty.
pub(super) fn learn(
    motion: &Motion,
    evidence: &Evidence,
    assumed: Assumed,
) -> Result<(Learnt, Vec<Learnt>), Missing> {
    let learnt = |x: &[f64]| Learnt {
        curve: Curve {
            slope: x[0].exp(),
            knee: x[1].exp(),
            fall: x[2],
        },
        rear_per_bar: x[3].exp(),
    };
    let Evidence { open, closed, pack } = evidence;
    let mut x = vec![LN_SLOPE.0, LN_KNEE.0, FALL.0, pack.ln_k.0];
    let mut solved: Option<Solution> = None;
    let mut u_knee = LN_KNEE.1;
    for _ in 0..3 {
        let near = learnt(&x);
        u_knee = u_ln_knee(near.curve.slope);
        let residuals = |x: &[f64]| {
            let at = learnt(x);
            let by_open = open
                .iter()
                .map(|m| moment_residual(motion, m, &assumed, &at.curve, &near.curve));
            let by_closed = closed
                .iter()
                .flat_map(|m| m.residuals(motion, &assumed, &at.curve, &near.curve));
            let by_pack = pack
                .moments
                .iter()
                .map(|m| m.residual(motion, &assumed, &at, &near));
            let mut out: Vec<f64> = by_open.chain(by_closed).chain(by_pack).map(soft).collect();
            out.push((x[0] - LN_SLOPE.0) / LN_SLOPE.1);
            out.push((x[1] - ln_knee(x[0])) / u_knee);
            out.push((x[2] - FALL.0) / FALL.1);
            out.push((x[3] - pack.ln_k.0) / pack.ln_k.1);
            Some(out)
        };
        let solution = least_squares(&x, &[1e-4; 4], residuals).ok_or(NO_CURVE)?;
        x.clone_from(&solution.x);
        solved = Some(solution);
    }
    let solution = solved.ok_or(NO_CURVE)?;
    let left = &solution.residuals[..open.len() + 2 * closed.len() + pack.moments.len()];
    let squares: f64 = left.iter().map(|r| r * r).sum();
    // Neighbouring moments share wind, road and what the model leaves.
    let widen = neighbour_widening(left) * (squares / left.len() as f64).sqrt().max(1.0);
    let u_slope = solution.variance(&[1.0, 0.0, 0.0, 0.0]).sqrt() * widen;
    if u_slope > NOT_TOLD {
        return Err(NO_CURVE);
    }
    let axis = |k: usize| Vector4::from_fn(|i, _| f64::from(u8::from(i == k)));
    let covariance = Matrix4::from_fn(|i, j| {
        let variance = |g: Vector4<f64>| solution.variance(g.as_slice());
        0.5 * (variance(axis(i) + axis(j)) - variance(axis(i)) - variance(axis(j)))
    });
    let known = Matrix4::from_diagonal(&Vector4::new(
        LN_SLOPE.1.powi(-2),
        u_knee.powi(-2),
        FALL.1.powi(-2),
        pack.ln_k.1.powi(-2),
    ));
    // What the moments tell is widened, but not what is known beforehand.
    let told = covariance.try_inverse().ok_or(NO_CURVE)? - known;
    let spread = (told / (widen * widen) + known)
        .try_inverse()
        .and_then(Matrix4::cholesky)
        .ok_or(NO_CURVE)?;
    let spread = spread
        .l()
        .column_iter()
        .map(|step| learnt(&[0, 1, 2, 3].map(|i| x[i] + step[i])))
        .collect();
    Ok((learnt(&x), spread))
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
    let all = motion.contact(&m.driven, assumed);
    let [front, rear] = assumed.loads(all);
    // The freely rolling rear wheels take this off, and creep back for it.
    let held_back = wheels_take(rear, m.driven.axles_mps2[1]);
    let rear_slip = -held_back / (curve.slope * rear);
    let front_slip = (1.0 + m.slip) * (1.0 + rear_slip) - 1.0;
    let u = U_FORCE.hypot(front * near.slope * U_SLIP_MPS / m.rear_mps);
    (front * curve.force(front_slip) - all - held_back) / u
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: slope at the origin; the peak where C atan(s / (C s_k)) is a right angle, at
    /// 1.65 tan(pi / 3.3) = 2.317 knees.
    #[test]
    fn the_curve_rises_with_its_slope_and_ends_at_its_limit() {
        let curve = Curve {
            slope: 20.0,
            knee: 0.05,
            fall: 0.0,
        };
        assert!((curve.force(1e-6) / 1e-6 - 20.0).abs() < 1e-3);
        assert!(curve.force(2.30 * 0.05) < 1.0 - 1e-5);
        assert!((curve.force(2.32 * 0.05) - 1.0).abs() < 1e-12);
        assert_eq!(curve.force(0.3), curve.force(0.15));
        assert_eq!(curve.force(-0.02), -curve.force(0.02));
        assert!((curve.peak_slip() / 0.05 - 2.317).abs() < 1e-3);
        // At three times the peak's slip, all of the fall: sin(1.65 atan(3 tan(pi / 3.3))) = 0.804.
        let sliding = Curve { fall: 1.0, ..curve };
        assert!((sliding.force(3.0 * curve.peak_slip()) - 0.804).abs() < 1e-3);
    }
}
