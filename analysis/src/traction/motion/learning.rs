//! Where a drive can teach the tyres' curve: straight, unbraked, in one gear, under a force that changes
//! little; and there, with the coupling open, moments in which the front tyres alone drive.

use slipwright_decoders::role::Role;

use super::{Driven, Motion, OpenMoment};
use crate::closing::ClosedSpan;
use crate::drive::{Column, Drive, at_work_above};
use crate::kinematics::Kinematics;
use crate::measure::Missing;
use crate::traction::{Assumed, evenly};

/// Slower moments do not teach the curve, m/s.
const LEAST_LEARN_MPS: f64 = 2.5;

/// Straight enough to learn from, rad/s.
const STRAIGHT_RAD_S: f64 = 0.05;

/// Before and after the coupling closes, s.
const BEFORE_CLOSED_S: f64 = 0.1;
const AFTER_CLOSED_S: f64 = 0.4;

/// A moment, s: slip and force are averaged over it.
const MOMENT_S: f64 = 0.1;

/// Force changes little within this of a moment, s, by this much of the weight or of itself.
const STEADY_S: f64 = 0.15;
const STEADY_FORCE: f64 = 0.03;
const STEADY_SHARE: f64 = 0.25;

/// No gear change within this, s.
const SAME_GEAR_S: f64 = 0.3;

/// Fewest moments to learn from, and the most: of an hour they are taken evenly.
const LEAST_MOMENTS: usize = 30;
const MOST_MOMENTS: usize = 1000;

impl Motion {
    /// Where the tyres' curve can be learnt. `steady` as by [`Self::steadily_driven`].
    pub(in crate::traction) fn open_moments(
        &self,
        drive: &Drive,
        closed: &[ClosedSpan],
        steady: &[bool],
    ) -> Result<Vec<OpenMoment>, Missing> {
        let told = drive.channel(Role::CouplingDemand).is_ok()
            || drive.channel(Role::CouplingPressure).is_ok();
        if !told {
            return Err(Missing::NotIdentifiable(
                "the bus carries neither coupling demand nor pressure, so nothing shows where the coupling is open",
            ));
        }
        let fit = open_to_learn(drive, closed, steady);
        let base = drive.base_ns();
        let mut moments = Vec::new();
        let mut from = 0;
        while from < base.len() {
            let until_ns = base[from].saturating_add((MOMENT_S * 1e9) as i64);
            let to = base.partition_point(|&t| t < until_ns).max(from + 1);
            if fit[from..to].iter().all(|f| *f)
                && to - from >= 2
                && let Some(moment) = self.moment(from, to)
            {
                moments.push(moment);
            }
            from = to;
        }
        if moments.len() < LEAST_MOMENTS {
            return Err(Missing::NoSuitableStretch(
                "gently driven, straight stretch with the coupling open",
            ));
        }
        Ok(evenly(moments, MOST_MOMENTS))
    }

    fn moment(&self, from: usize, to: usize) -> Option<OpenMoment> {
        let mean = |column: &Column| {
            let sum: Option<f64> = (from..to).map(|i| column.get(i)).sum();
            Some(sum? / (to - from) as f64)
        };
        Some(OpenMoment {
            slip: mean(&self.slip)?,
            driven: Driven {
                force: mean(&self.drive)?,
                spin: mean(&self.spin)?,
                axles_mps2: [mean(&self.front_accel_mps2)?, mean(&self.accel_mps2)?],
            },
            rear_mps: mean(&self.rear_mps)?,
        })
    }

    /// Where the car goes straight, fast enough for its sensors, unbraked, in one gear and under a force
    /// that changes little.
    pub(in crate::traction) fn steadily_driven(
        &self,
        drive: &Drive,
        kinematics: &Kinematics,
        assumed: Assumed,
    ) -> Vec<bool> {
        let base = drive.base_ns();
        let mut fit: Vec<bool> = (0..base.len())
            .map(|i| {
                let yaw = kinematics.yaw_rad_s.as_ref().ok().and_then(|y| y.get(i));
                self.rear_mps.get(i).is_some_and(|v| v > LEAST_LEARN_MPS)
                    && yaw.is_some_and(|r| r.abs() < STRAIGHT_RAD_S)
                    && self.slip.get(i).is_some()
            })
            .collect();
        let mut clear = |from_ns: i64, to_ns: i64| clear(&mut fit, base, from_ns, to_ns);
        let s = |seconds: f64| (seconds * 1e9) as i64;
        let braking = [Role::PedalBrake, Role::AbsActive, Role::TractionActive];
        for (channel, limit) in at_work_above(drive, &braking) {
            for (t, v) in channel.t_ns().iter().zip(channel.value()) {
                if *v > limit {
                    clear(t.saturating_sub(s(0.1)), t.saturating_add(s(0.2)));
                }
            }
        }
        if let Ok(gear) = drive.channel(Role::Gear) {
            for (t, pair) in gear.t_ns()[1..].iter().zip(gear.value().windows(2)) {
                if pair[0] != pair[1] {
                    clear(
                        t.saturating_sub(s(SAME_GEAR_S)),
                        t.saturating_add(s(SAME_GEAR_S)),
                    );
                }
            }
        }
        let force: Vec<Option<f64>> = (0..base.len()).map(|i| self.force(i, &assumed)).collect();
        let steady = steady(base, &force);
        fit.iter().zip(steady).map(|(f, s)| *f && s).collect()
    }
}

/// The steady samples with the coupling open.
fn open_to_learn(drive: &Drive, closed: &[ClosedSpan], steady: &[bool]) -> Vec<bool> {
    let mut fit = steady.to_vec();
    let s = |seconds: f64| (seconds * 1e9) as i64;
    for span in closed {
        clear(
            &mut fit,
            drive.base_ns(),
            span.start_ns.saturating_sub(s(BEFORE_CLOSED_S)),
            span.end_ns.saturating_add(s(AFTER_CLOSED_S)),
        );
    }
    fit
}

/// Takes a span of time out.
fn clear(fit: &mut [bool], base: &[i64], from_ns: i64, to_ns: i64) {
    let from = base.partition_point(|&t| t < from_ns);
    let to = base.partition_point(|&t| t <= to_ns).max(from);
    fit[from..to].fill(false);
}

/// Whether the force stays near itself around each sample.
fn steady(base: &[i64], force: &[Option<f64>]) -> Vec<bool> {
    let reach = (STEADY_S * 1e9) as i64;
    let (mut from, mut to) = (0, 0);
    base.iter()
        .zip(force)
        .map(|(&t, here)| {
            while base[from] < t.saturating_sub(reach) {
                from += 1;
            }
            while to < base.len() && base[to] <= t.saturating_add(reach) {
                to += 1;
            }
            let Some(here) = here else { return false };
            let allowed = STEADY_FORCE.max(STEADY_SHARE * here.abs());
            let (mut low, mut high) = (*here, *here);
            for value in &force[from..to] {
                let Some(value) = value else { return false };
                low = low.min(*value);
                high = high.max(*value);
            }
            high - low < allowed
        })
        .collect()
}
