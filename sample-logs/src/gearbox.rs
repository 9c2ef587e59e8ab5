//! Gearbox and launch clutch as an automated manual: which ratio is in, how far the clutch is
//! closed, and what the engine may give meanwhile. Runs every millisecond.
//!
//! The order of a change (clutch opens, synchroniser brings the input shaft to the new gear's
//! speed, gear goes in, clutch closes) is that of H. Naunheimer, B. Bertsche, J. Ryborz, W. Novak,
//! "Automotive Transmissions", 2nd ed., Springer 2011, ch. 9 (from memory); times, torques and the
//! pull-away law, a clutch that closes with engine speed as a centrifugal one does, are our own.

use crate::car::Car;
use crate::engine::RAD_S_PER_RPM;

/// A gear: 1 to the number of ratios, -1 reverse, 0 neutral.
pub type Gear = i8;

/// Time to open the clutch, s.
const OPEN_S: f64 = 0.10;
/// Time out of gear while the synchroniser works, s.
const SELECT_S: f64 = 0.15;
/// Most torque of the synchroniser at the input shaft, N·m.
const SYNCHRONISER_NM: f64 = 60.0;
/// Time to close the clutch again, s.
const CLOSE_S: f64 = 0.35;
/// Rise of capacity once the clutch has stopped slipping, N·m/s.
const LOCK_NM_S: f64 = 1500.0;
/// Slip below which the launch clutch counts as locked, rad/s.
const LOCKED_RAD_S: f64 = 4.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    Driving,
    Opening { left_s: f64 },
    Selecting { left_s: f64 },
    Closing { left_s: f64 },
}

/// What the gearbox does in this millisecond.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GearboxOutput {
    /// Engine over gearbox output; 0 out of gear.
    pub ratio: f64,
    /// Capacity of the launch clutch, N·m.
    pub clutch_capacity_nm: f64,
    /// Share of the driver's torque wish that the engine may give.
    pub allowed: f64,
    /// Speed that the engine should turn at before the clutch closes, rad/s.
    pub match_rad_s: Option<f64>,
    /// A gear went in: the speed of the input shaft before it did, rad/s.
    pub engaged_from_rad_s: Option<f64>,
    /// Speed of the input shaft while no gear is in, rad/s.
    pub free_input_rad_s: f64,
    /// Torque of the synchroniser on the input shaft of the gear to come, N·m, and that gear's
    /// ratio to the front differential's case; the case feels the torque times the ratio.
    pub synchroniser: Option<(f64, f64)>,
}

/// The automated gearbox.
#[derive(Clone, Debug)]
pub struct Gearbox {
    gear: Gear,
    target: Gear,
    stage: Stage,
    locked: bool,
    capacity_nm: f64,
    input_rad_s: f64,
}

impl Gearbox {
    /// A gearbox at rest in first gear, clutch open.
    #[must_use]
    pub fn new() -> Self {
        Self {
            gear: 1,
            target: 1,
            stage: Stage::Driving,
            locked: false,
            capacity_nm: 0.0,
            input_rad_s: 0.0,
        }
    }

    /// The gear that is in: 0 while none is.
    #[must_use]
    pub fn gear(&self) -> Gear {
        match self.stage {
            Stage::Selecting { .. } => 0,
            _ => self.gear,
        }
    }

    /// Whether a change is under way.
    #[must_use]
    pub fn is_changing(&self) -> bool {
        self.stage != Stage::Driving
    }

    /// Ratio of a gear, engine over gearbox output.
    #[must_use]
    pub fn ratio_of(car: &Car, gear: Gear) -> f64 {
        match gear {
            0 => 0.0,
            ..0 => -car.driveline.reverse_ratio,
            1.. => {
                let index = usize::try_from(gear - 1).unwrap_or(0);
                car.driveline.gear_ratios.get(index).copied().unwrap_or(0.0)
            }
        }
    }

    /// One millisecond: `front_rad_s` is the front differential's speed, `pedal_percent` the
    /// accelerator.
    pub fn tick(
        &mut self,
        car: &Car,
        wish: Gear,
        engine_rad_s: f64,
        front_rad_s: f64,
        pedal_percent: f64,
        step_s: f64,
    ) -> GearboxOutput {
        let d = &car.driveline;
        let total = |gear: Gear| Self::ratio_of(car, gear) * d.final_drive;
        let mut allowed = 1.0;
        let mut match_rad_s = None;
        let mut engaged_from_rad_s = None;
        let mut synchroniser = None;

        if self.stage == Stage::Driving && wish != self.gear {
            self.target = wish;
            self.stage = Stage::Opening { left_s: OPEN_S };
        }
        match self.stage {
            Stage::Driving => {
                self.drive(
                    car,
                    total(self.gear),
                    engine_rad_s,
                    front_rad_s,
                    pedal_percent,
                    step_s,
                );
            }
            Stage::Opening { left_s } => {
                allowed = 0.1;
                self.capacity_nm -= self.capacity_nm * (step_s / left_s).min(1.0);
                self.stage = if left_s > step_s {
                    Stage::Opening {
                        left_s: left_s - step_s,
                    }
                } else {
                    if self.gear != 0 {
                        self.input_rad_s = total(self.gear) * front_rad_s;
                    }
                    self.capacity_nm = 0.0;
                    self.locked = false;
                    self.gear = 0;
                    Stage::Selecting { left_s: SELECT_S }
                };
            }
            Stage::Selecting { left_s } => {
                allowed = 0.1;
                let next = total(self.target) * front_rad_s;
                if self.target != 0 {
                    match_rad_s = Some(next.max(0.0));
                    let wanted = d.input_inertia_kg_m2 * (next - self.input_rad_s)
                        / (0.7 * left_s).max(step_s);
                    let torque_nm = wanted.clamp(-SYNCHRONISER_NM, SYNCHRONISER_NM);
                    self.input_rad_s += torque_nm / d.input_inertia_kg_m2 * step_s;
                    synchroniser = Some((torque_nm, total(self.target)));
                }
                self.stage = if left_s > step_s {
                    Stage::Selecting {
                        left_s: left_s - step_s,
                    }
                } else if self.target == 0 {
                    Stage::Driving
                } else {
                    self.gear = self.target;
                    engaged_from_rad_s = Some(self.input_rad_s);
                    Stage::Closing { left_s: CLOSE_S }
                };
            }
            Stage::Closing { left_s } => {
                let idle = car.engine.idle_rpm * RAD_S_PER_RPM;
                let input = total(self.gear) * front_rad_s;
                if input < 1.1 * idle {
                    // Too slow to lock: leave it to the pull-away logic.
                    self.stage = Stage::Driving;
                } else {
                    let done = 1.0 - left_s / CLOSE_S;
                    allowed = 0.3 + 0.7 * done;
                    match_rad_s = (pedal_percent < 5.0).then_some(input);
                    self.capacity_nm = d.clutch_capacity_nm * done * done;
                    self.stage = if left_s > step_s {
                        Stage::Closing {
                            left_s: left_s - step_s,
                        }
                    } else {
                        self.locked = true;
                        Stage::Driving
                    };
                }
            }
        }
        GearboxOutput {
            ratio: Self::ratio_of(car, self.gear()),
            clutch_capacity_nm: self.capacity_nm,
            allowed,
            match_rad_s,
            engaged_from_rad_s,
            free_input_rad_s: self.input_rad_s,
            synchroniser,
        }
    }

    /// Pull-away and locked driving: like a centrifugal clutch until both sides turn alike.
    fn drive(
        &mut self,
        car: &Car,
        total_ratio: f64,
        engine_rad_s: f64,
        front_rad_s: f64,
        pedal_percent: f64,
        step_s: f64,
    ) {
        let d = &car.driveline;
        if self.gear == 0 {
            self.capacity_nm = 0.0;
            self.locked = false;
            return;
        }
        let idle = car.engine.idle_rpm * RAD_S_PER_RPM;
        let input = total_ratio * front_rad_s;
        if self.locked {
            self.capacity_nm = (self.capacity_nm + LOCK_NM_S * step_s).min(d.clutch_capacity_nm);
            self.locked = input > 0.97 * idle;
            return;
        }
        let bite = idle + 6.0;
        let target = if pedal_percent < 1.0 {
            0.0
        } else {
            (d.clutch_gain_nm_s * (engine_rad_s - bite)).clamp(0.0, d.clutch_capacity_nm)
        };
        // The actuator needs time either way.
        let rate = 2500.0 * step_s;
        self.capacity_nm += (target - self.capacity_nm).clamp(-rate, rate);
        self.locked = pedal_percent >= 1.0
            && input > 1.05 * idle
            && (engine_rad_s - input).abs() < LOCKED_RAD_S;
    }
}

impl Default for Gearbox {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_goes_through_neutral_and_says_when_the_gear_went_in() {
        let car = Car::default();
        let mut gearbox = Gearbox::new();
        let mut engaged = 0;
        let mut neutral_ms = 0;
        for _ in 0..1000 {
            let out = gearbox.tick(&car, 2, 200.0, 20.0, 40.0, 1e-3);
            if out.ratio == 0.0 {
                neutral_ms += 1;
                assert_eq!(out.clutch_capacity_nm, 0.0);
            }
            engaged += i32::from(out.engaged_from_rad_s.is_some());
        }
        assert_eq!(engaged, 1);
        assert!((140..=160).contains(&neutral_ms), "{neutral_ms}");
        assert_eq!(gearbox.gear(), 2);
        assert!(!gearbox.is_changing());
    }

    #[test]
    fn the_clutch_opens_before_the_engine_stalls() {
        let car = Car::default();
        let mut gearbox = Gearbox::new();
        // Lock it at speed, then slow down.
        for _ in 0..2000 {
            gearbox.tick(&car, 1, 150.0, 150.0 / (3.78 * 3.86), 30.0, 1e-3);
        }
        let locked = gearbox.tick(&car, 1, 150.0, 150.0 / (3.78 * 3.86), 30.0, 1e-3);
        assert_eq!(locked.clutch_capacity_nm, car.driveline.clutch_capacity_nm);
        let mut out = locked;
        for _ in 0..1000 {
            out = gearbox.tick(&car, 1, 89.0, 2.0, 0.0, 1e-3);
        }
        assert_eq!(out.clutch_capacity_nm, 0.0);
    }
}
