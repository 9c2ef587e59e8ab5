//! Moments in which the pack slips under pressure: what it carries to the rear is then as its pressure,
//! whatever the front tyres do. They teach the tyres' curve beyond its knee, where the same pressure is
//! met at little slip and at much, without a ground speed.
//!
//! With `k` the rear axle's force for each bar above the touch point, the whole force is
//! `F_all = N_f F(s_f) + k (p - p_touch)`, less what the rear wheels take for themselves; the rear tyres'
//! slip follows from what they carry and the front's from that and the slip between the axles. `k` is
//! learnt along with the curve: it says what the lining is worth, so it must not be presumed.

use slipwright_decoders::role::Role;

use super::curve::{Curve, Learnt};
use super::motion::{Driven, Motion, wheels_take};
use super::pack_slip::slipping;
use super::{Assumed, evenly};
use crate::coupling::{Pack, touch_bar};
use crate::drive::{Channel, Drive, at_seconds};
use crate::engagement::SlipTrace;
use crate::kinematics::Kinematics;
use crate::statistics::spread::mean;
use crate::vehicle::Vehicle;

/// Beforehand, logarithm of `k`, 1/bar, and its standard deviation: a coupling that is rated for half of
/// the weight's force at some 30 bar.
const LN_K: (f64, f64) = (-4.1, 1.5);

/// The same with a vehicle file that describes the pack: a glazed lining has lost a third.
const U_LN_K_OF_PACK: f64 = 0.4;

/// Standard deviation of a moment's force, of the weight: bumps, and force that follows slip late.
const U_FORCE: f64 = 0.02;

/// Standard deviation of what a lining carries at one pressure, relative: its friction changes with
/// sliding speed and heat. Common practice, no source.
const U_FRICTION: f64 = 0.1;

/// Standard deviation of a moment's slip speed, m/s.
const U_SLIP_MPS: f64 = 0.02;

/// Pressure this many times the touch pressure is clearly above it.
const TOUCHES: f64 = 3.0;

/// Pressure changes less than this, relative, over [`STEADY_S`]: then the shafts have wound up.
const STEADY: f64 = 0.1;
const STEADY_S: f64 = 0.1;

/// Moments nearer than this share what is wrong with them, s.
const APART_S: f64 = 0.15;

/// Fewest moments of a closing that counts.
const LEAST: usize = 2;

/// More moments than this add time but hardly knowledge; they are taken evenly over the drive.
const MOST: usize = 300;

/// Moments of a slipping pack, and what is known of it beforehand.
#[derive(Clone, Debug)]
pub(super) struct SlippingPack {
    pub(super) moments: Vec<PackMoment>,
    /// In how many closings of the coupling they lie.
    pub(super) closings: usize,
    /// Logarithm of the rear force of a bar, of the weight, and its standard deviation.
    pub(super) ln_k: (f64, f64),
}

/// A moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct PackMoment {
    slip: f64,
    rear_mps: f64,
    driven: Driven,
    above_touch_bar: f64,
}

impl SlippingPack {
    /// The moments of a drive; none without pressure. `steady` as by [`Motion::steadily_driven`].
    pub(super) fn of(
        drive: &Drive,
        kinematics: &Kinematics,
        motion: &Motion,
        vehicle: &Vehicle,
        steady: &[bool],
    ) -> Self {
        let (found, closings) = moments(drive, kinematics, motion, vehicle, steady);
        Self {
            moments: evenly(found, MOST),
            closings,
            ln_k: prior(motion, vehicle).unwrap_or(LN_K),
        }
    }

    /// Mean pressure above the touch point, bar.
    pub(super) fn mean_above_touch_bar(&self) -> Option<f64> {
        let all: Vec<f64> = self.moments.iter().map(|m| m.above_touch_bar).collect();
        mean(&all)
    }
}

fn prior(motion: &Motion, vehicle: &Vehicle) -> Option<(f64, f64)> {
    let pack = Pack::of(vehicle).ok()?;
    let ratio = vehicle.driveline.rear_drive_ratio?;
    let radius_m = vehicle.tyres.rolling_radius_m?;
    let weight_n = motion.weight_n.as_ref().ok()?;
    let ln_k = (pack.torque_per_bar_nm() * ratio / (radius_m * weight_n)).ln();
    ln_k.is_finite().then_some((ln_k, U_LN_K_OF_PACK))
}

fn moments(
    drive: &Drive,
    kinematics: &Kinematics,
    motion: &Motion,
    vehicle: &Vehicle,
    steady: &[bool],
) -> (Vec<PackMoment>, usize) {
    let Ok(pressure) = drive.channel(Role::CouplingPressure) else {
        return (Vec::new(), 0);
    };
    let trace = SlipTrace::of(drive, kinematics);
    let (touch_bar, _) = touch_bar(vehicle);
    let base = drive.base_ns();
    let (mut found, mut closings) = (Vec::new(), 0);
    for span in &kinematics.closed {
        let samples = drive.base_range(span.start_ns, span.end_ns);
        let slips = slipping(drive, &trace, samples.clone());
        let mut next_ns = i64::MIN;
        let before = found.len();
        for (i, slips) in samples.zip(slips) {
            if base[i] < next_ns || slips != Some(true) || !steady[i] {
                continue;
            }
            let moment = || {
                let bar = steady_bar(pressure, base[i])?;
                Some(PackMoment {
                    slip: motion.followed_slip.get(i).filter(|s| *s > 0.0)?,
                    rear_mps: motion.rear_mps.get(i)?,
                    driven: motion.driven(i)?,
                    above_touch_bar: Some(bar - touch_bar).filter(|_| bar > TOUCHES * touch_bar)?,
                })
            };
            if let Some(moment) = moment() {
                found.push(moment);
                next_ns = at_seconds(base[i], APART_S);
            }
        }
        closings += usize::from(found.len() >= before + LEAST);
    }
    (found, closings)
}

/// Pressure where it hardly changes.
fn steady_bar(pressure: &Channel, t_ns: i64) -> Option<f64> {
    let bar = pressure.at(t_ns)?;
    let before = pressure.at(at_seconds(t_ns, -STEADY_S))?;
    ((bar - before).abs() < STEADY * bar).then_some(bar)
}

impl PackMoment {
    /// Force by curve and pack less force by the source, in standard deviations. `near` is close to what
    /// is looked for, for the weights.
    pub(super) fn residual(
        &self,
        motion: &Motion,
        assumed: &Assumed,
        at: &Learnt,
        near: &Learnt,
    ) -> f64 {
        let all = motion.contact(&self.driven, assumed);
        let loads = assumed.loads(all);
        let take = wheels_take(loads[1], self.driven.axles_mps2[1]);
        let told = |curve: &Curve, per_bar: f64, slip: f64| {
            let rear = per_bar * self.above_touch_bar - take;
            let rear_slip = curve.slip(rear / loads[1]);
            rear + loads[0] * curve.force((1.0 + slip) * (1.0 + rear_slip) - 1.0)
        };
        let h = U_SLIP_MPS / self.rear_mps.max(1.0);
        let nearly = |slip: f64| told(&near.curve, near.rear_per_bar, slip);
        let by_slip = 0.5 * (nearly(self.slip + h) - nearly(self.slip - h));
        let u = U_FORCE
            .hypot(U_FRICTION * near.rear_per_bar * self.above_touch_bar)
            .hypot(by_slip);
        (told(&at.curve, at.rear_per_bar, self.slip) - all) / u
    }
}
