//! Where one rear wheel spins: the rear wheels' difference is then no turn of the car, and their mean is
//! no speed over the road.
//!
//! With a yaw sensor the difference must be what the turn makes it. Without one it must be a turn that
//! a car can drive: no tighter than it steers, nor faster than tyres hold it, nor tighter than the
//! steering wheel stands.

use slipwright_decoders::role::Role;

use crate::drive::{Column, Drive};
use crate::statistics::quantile::median;
use crate::vehicle::Vehicle;

/// The rear axle's middle turns about no nearer point, m: cars turn within 9 to 12 m from kerb to kerb.
/// Common practice, no source.
const LEAST_RADIUS_M: f64 = 3.0;

/// Tyres on the road hold no car at more, m/s². Common practice, no source.
const MOST_LATERAL_MPS2: f64 = 11.0;

/// The road wheels turn by no more than this share of the steering wheel's angle; usual are a twelfth to
/// an eighteenth. Common practice, no source.
const STEERING_SHARE: f64 = 0.1;
/// What a steering wheel that stands straight leaves open, 1/m: its middle is not known well, and a car
/// may slide.
const STRAIGHT_PER_M: f64 = 0.03;

/// Track and wheelbase where the vehicle file has none, m.
const USUAL_TRACK_M: f64 = 1.55;
const USUAL_WHEELBASE_M: f64 = 2.65;

/// A wheel spins if the difference is beyond by this much, m/s, and this share of the speed: tyres creep,
/// and sensors are slow.
const BEYOND_MPS: f64 = 0.3;
const BEYOND_SHARE: f64 = 0.1;

/// What the rear wheels' difference is judged by.
pub(super) struct Turn<'a> {
    /// Right less left on the base, m/s, averaged, of the front and of the rear axle.
    pub(super) apart_mps: [&'a Column; 2],
    /// Mean of an axle, m/s.
    pub(super) axle_mps: [&'a Column; 2],
    /// Yaw rate by a sensor, rad/s.
    pub(super) sensor_rad_s: Option<&'a Column>,
    pub(super) track_rear_m: f64,
    pub(super) track_front_m: f64,
    wheelbase_m: f64,
    /// The steering wheel's angle on the base, rad, and its middle.
    steering: Option<(Column, f64)>,
}

impl<'a> Turn<'a> {
    pub(super) fn new(
        drive: &Drive,
        vehicle: &Vehicle,
        apart_mps: [&'a Column; 2],
        axle_mps: [&'a Column; 2],
        sensor_rad_s: Option<&'a Column>,
    ) -> Self {
        let g = &vehicle.geometry;
        let steering = drive.channel(Role::SteeringAngle).ok().and_then(|channel| {
            let angle = drive.aligned(Role::SteeringAngle).ok()?;
            Some((angle, median(channel.value())?))
        });
        let track_rear_m = g.track_rear_m.unwrap_or(USUAL_TRACK_M);
        Self {
            apart_mps,
            axle_mps,
            sensor_rad_s,
            track_rear_m,
            track_front_m: g.track_front_m.unwrap_or(track_rear_m),
            wheelbase_m: g.wheelbase_m.unwrap_or(USUAL_WHEELBASE_M),
            steering,
        }
    }

    /// Whether a rear wheel spins at a sample of the base.
    pub(super) fn rear_spins(&self, i: usize) -> bool {
        let Some((apart, v)) = self.apart_mps[1].get(i).zip(self.speed_mps(i)) else {
            return false;
        };
        let beyond = match self.sensor_rad_s {
            Some(sensor) => match sensor.get(i) {
                Some(rate) => (apart - rate * self.track_rear_m).abs(),
                None => return false,
            },
            None => apart.abs() - self.most_rad_s(i, v) * self.track_rear_m,
        };
        beyond > BEYOND_MPS + BEYOND_SHARE * v
    }

    /// Yaw rate, rad/s, while a rear wheel spins and no sensor tells it: by the front wheels where they
    /// turn like a car that is steered; else none that the steering wheel excludes.
    pub(super) fn without_rear_rad_s(&self, i: usize) -> Option<f64> {
        let v = self.speed_mps(i)?;
        let most = self.most_rad_s(i, v);
        let by_front = self.apart_mps[0].get(i)? / self.track_front_m;
        let beyond = (by_front.abs() - most) * self.track_front_m;
        let told = beyond < BEYOND_MPS + BEYOND_SHARE * v || self.steering.is_some();
        told.then_some(by_front.clamp(-most, most))
    }

    /// The slower axle's speed, m/s: what spins is faster than the road.
    fn speed_mps(&self, i: usize) -> Option<f64> {
        let [front, rear] = self.axle_mps;
        Some(front.get(i)?.min(rear.get(i)?).max(0.0))
    }

    /// The fastest turn that a car can drive here, rad/s.
    fn most_rad_s(&self, i: usize, v: f64) -> f64 {
        let grip = MOST_LATERAL_MPS2 / v.max(f64::MIN_POSITIVE);
        let lock = v / LEAST_RADIUS_M;
        let steered = self.steering.as_ref().and_then(|(angle, middle)| {
            let angle = angle.get(i)?;
            // Which of the two is straight is not known for certain.
            let turned = angle.abs().max((angle - middle).abs());
            Some(v * (turned * STEERING_SHARE / self.wheelbase_m + STRAIGHT_PER_M))
        });
        grip.min(lock).min(steered.unwrap_or(f64::INFINITY))
    }
}
