//! The driveline from the engine to the wheels: which ratio is engaged, and what the engine gives.
//!
//! The gear comes from the bus; without it, from engine speed over wheel speed, as the listed ratio
//! that fits within 10 %, and while the launch clutch still slips, as the first. Torque at the wheels
//! is engine torque times ratio, less what spins up the engine.

use slipwright_decoders::role::Role;

use crate::drive::{Channel, Column, Drive, centred_slope};
use crate::kinematics::Kinematics;
use crate::measure::Missing;
use crate::vehicle::Vehicle;

/// A listed gear fits within this share of the ratio seen.
const GEAR_TOLERANCE: f64 = 0.1;

/// Span over which the engine's acceleration is taken, s.
const SPAN_S: f64 = 0.12;

/// The driveline of a vehicle in a drive.
pub(crate) struct Driveline<'a> {
    drive: &'a Drive,
    kinematics: &'a Kinematics,
    gears: Vec<f64>,
    final_drive: f64,
    efficiency: f64,
    radius_m: Option<f64>,
    gear: Option<&'a Channel>,
    engine_speed: Option<&'a Channel>,
}

impl<'a> Driveline<'a> {
    /// The driveline.
    ///
    /// # Errors
    /// The first key of the vehicle file, or role on the bus, that is missing.
    pub(crate) fn of(
        drive: &'a Drive,
        kinematics: &'a Kinematics,
        vehicle: &Vehicle,
    ) -> Result<Self, Missing> {
        let gears = vehicle.gear_ratios()?.to_vec();
        let final_drive = vehicle.final_drive()?;
        let efficiency = vehicle.efficiency()?;
        drive.channel(Role::EngineTorque)?;
        let gear = drive.channel(Role::Gear).ok();
        let engine_speed = drive.channel(Role::EngineSpeed).ok();
        let radius_m = vehicle.tyres.rolling_radius_m;
        if gear.is_none() {
            vehicle.rolling_radius_m()?;
            if engine_speed.is_none() {
                return Err(Missing::Role(Role::Gear));
            }
        }
        Ok(Self {
            drive,
            kinematics,
            gears,
            final_drive,
            efficiency,
            radius_m,
            gear,
            engine_speed,
        })
    }

    /// Torque at the wheels over engine torque at a time, losses taken off; `None` where no gear is
    /// engaged.
    ///
    /// # Errors
    /// [`Missing::Gap`] where the bus fell silent.
    pub(crate) fn wheel_ratio(&self, t_ns: i64) -> Result<Option<f64>, Missing> {
        let gear = self.gear_ratio(t_ns)?;
        Ok(gear.map(|ratio| ratio * self.final_drive * self.efficiency))
    }

    fn gear_ratio(&self, t_ns: i64) -> Result<Option<f64>, Missing> {
        if let Some(gear) = self.gear {
            let Some(number) = gear.held_at(t_ns) else {
                return Err(Missing::Gap(Role::Gear));
            };
            let index = number.round() - 1.0;
            return Ok(if index >= 0.0 {
                self.gears.get(index as usize).copied()
            } else {
                None
            });
        }
        let (Some(radius_m), Some(engine)) = (self.radius_m, self.engine_speed) else {
            return Err(Missing::Role(Role::Gear));
        };
        let engine = engine.at(t_ns).ok_or(Missing::Gap(Role::EngineSpeed))?;
        let front = self.kinematics.front_mps.as_ref().map_err(Clone::clone)?;
        let Some(front_mps) = self.drive.column_at(front, t_ns).filter(|v| *v > 0.5) else {
            return Ok(None);
        };
        let seen = engine / (front_mps / radius_m) / self.final_drive;
        let first = self.gears.iter().copied().fold(0.0, f64::max);
        if seen > first && front_mps < 4.0 {
            return Ok(Some(first));
        }
        let nearest = self
            .gears
            .iter()
            .copied()
            .min_by(|a, b| (a / seen).ln().abs().total_cmp(&(b / seen).ln().abs()));
        Ok(nearest.filter(|ratio| (ratio / seen - 1.0).abs() < GEAR_TOLERANCE))
    }

    /// The engine's acceleration on a time base, rad/s²; missing where the bus carries no engine speed.
    pub(crate) fn engine_rad_s2(&self, base_ns: &[i64]) -> Column {
        match self.drive.aligned_to(Role::EngineSpeed, base_ns) {
            Ok(speed) => centred_slope(base_ns, &speed, SPAN_S),
            Err(_) => base_ns.iter().map(|_| None).collect(),
        }
    }
}
