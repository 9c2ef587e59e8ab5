//! Moments with the coupling closed in which a trusted ground speed tells both axles' slips: they teach
//! the tyres' curve up to the slips of a hard launch, where the knee shows.
//!
//! The whole force is known and so is each axle's slip, so that
//! `N_f F(s_f) + N_r F(s_r) = F_all` holds at every moment whatever the coupling does.

use slipwright_decoders::role::Role;

use super::curve::Curve;
use super::ground_speed::GroundSpeed;
use super::motion::{Driven, Motion};
use super::split::Balance;
use super::{Assumed, evenly};
use crate::drive::{Drive, at_seconds};
use crate::kinematics::Kinematics;

/// Slower moments tell no slip worth the name, m/s.
const LEAST_MPS: f64 = 3.0;

/// The axles' slips differ by this much: then the front tyres are well on their way to the knee. To
/// choose by the slip against the ground would choose the noise of ground speed.
const LEAST_BETWEEN: f64 = 0.04;

/// Less force than this teaches nothing that the open coupling does not, of the weight.
const LEAST_FORCE: f64 = 0.03;

/// Standard deviation of a moment's force, of the weight: bumps, and force that follows slip late.
const U_FORCE: f64 = 0.03;

/// More moments than this add time but hardly knowledge; they are taken evenly over the drive.
const MOST: usize = 200;

/// A moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct ClosedMoment {
    /// Slip between the axles, as the tyres' force follows it.
    between: f64,
    /// Slip of the rear tyres against the ground.
    rear_slip: f64,
    u_slip: f64,
    driven: Driven,
}

/// The moments of a drive; none without ground speed. `steady` as by [`Motion::steadily_driven`].
pub(super) fn closed_moments(
    drive: &Drive,
    kinematics: &Kinematics,
    motion: &Motion,
    ground: Option<&GroundSpeed>,
    steady: &[bool],
) -> Vec<ClosedMoment> {
    let found = moments(drive, kinematics, motion, ground, steady).unwrap_or_default();
    evenly(found, MOST)
}

fn moments(
    drive: &Drive,
    kinematics: &Kinematics,
    motion: &Motion,
    ground: Option<&GroundSpeed>,
    steady: &[bool],
) -> Option<Vec<ClosedMoment>> {
    let ground = ground?;
    let (scale, lag) = (ground.scale.as_ref().ok()?, ground.lag_s.as_ref().ok()?);
    let channel = drive.channel(Role::GroundSpeed).ok()?;
    let rear = kinematics.rear_mps.as_ref().ok()?;
    let base = drive.base_ns();
    let spans = &kinematics.closed;
    let moment = |t_ns: i64, told_mps: f64| {
        let i = base.partition_point(|&t| t < t_ns).min(base.len() - 1);
        let ground_mps = told_mps / scale.value;
        let driven = motion.driven(i)?;
        let moment = ClosedMoment {
            between: motion.followed_slip.get(i)?,
            rear_slip: drive.column_at(rear, t_ns)? / ground_mps - 1.0,
            u_slip: ground.sigma_mps.hypot(driven.axles_mps2[1].abs() * lag.u) / ground_mps,
            driven,
        };
        let clear = motion.slip.get(i)? > LEAST_BETWEEN;
        (clear && steady[i] && ground_mps > LEAST_MPS).then_some(moment)
    };
    let all = channel.t_ns().iter().zip(channel.value());
    Some(
        all.map(|(&t, &v)| (at_seconds(t, -lag.value), v))
            .filter(|(t, _)| spans.iter().any(|s| (s.start_ns..=s.end_ns).contains(t)))
            .filter_map(|(t, v)| moment(t, v))
            .collect(),
    )
}

impl ClosedMoment {
    /// Slip of the rear tyres as measured less that by the curve, in standard deviations, and force that
    /// the curve cannot give at all; 0 where hardly anything drives. Compared is slip, because its noise
    /// is the larger and is the same at every slip, while the curve's force hardly tells slips beyond its
    /// knee. `near` is a curve close to the one looked for, for the weights.
    pub(super) fn residuals(
        &self,
        motion: &Motion,
        assumed: &Assumed,
        curve: &Curve,
        near: &Curve,
    ) -> [f64; 2] {
        let all = motion.contact(&self.driven, assumed);
        if all < LEAST_FORCE {
            return [0.0; 2];
        }
        let by = |curve| Balance {
            all,
            slip: self.between,
            loads: assumed.loads(all),
            curve,
        };
        let told = by(curve);
        let slip = told.rear_slip();
        let nearly = by(near);
        let at = nearly.rear_slip();
        let sum = |slip: f64| {
            let d = nearly.forces(slip);
            d.front + d.rear
        };
        let h = 0.01 * near.peak_slip();
        // At the peak the slip for a force is anything.
        let stiffness = ((sum(at) - sum(at - h)) / h).max(1e-3);
        let u = self.u_slip.hypot(U_FORCE / stiffness);
        let peak = told.forces(curve.peak_slip());
        let excess = (all - peak.front - peak.rear).max(0.0);
        [(self.rear_slip - slip) / u, excess / U_FORCE]
    }
}
