//! The driver: works through the programme with feet and hands, once a millisecond. Speed is kept
//! by a proportional and integral law, heading by a proportional one with yaw damping; the numbers
//! are our own.

use std::collections::VecDeque;

use crate::car::Car;
use crate::engine::RAD_S_PER_RPM;
use crate::gearbox::{Gear, Gearbox};
use crate::manoeuvre::{Action, GearPolicy, Manoeuvre, Phase, phases};
use crate::random::Stream;
use crate::state::State;
use crate::surface::Stretch;

/// Fastest turning of the steering wheel, deg/s.
const STEERING_DEG_S: f64 = 450.0;
/// Fastest lifting of the pedal, per cent per second.
const LIFT_PERCENT_S: f64 = 600.0;
/// Fastest pressing of the pedal in gentle driving, per cent per second.
const GENTLE_PERCENT_S: f64 = 25.0;
/// Brake pedal per second when pressed or let go.
const BRAKE_PER_S: f64 = 5.0;
/// Longest time that a speed may take to be reached, s.
const LONGEST_REACH_S: f64 = 60.0;
/// Time constant in which the road's grade comes and goes, s.
const GRADE_LAG_S: f64 = 0.5;

/// What the driver's limbs do now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Controls {
    /// Accelerator, per cent.
    pub pedal_percent: f64,
    /// Brake pedal, 0 to 1.
    pub brake: f64,
    /// Steering wheel, rad, positive to the left.
    pub steering_rad: f64,
    /// Gear wanted.
    pub gear: Gear,
    /// Grade of the road, as a slope; not a limb, but it comes with the programme.
    pub grade: f64,
}

#[derive(Debug)]
struct Programme {
    phases: VecDeque<Phase>,
    road: Vec<Stretch>,
    /// Longest time of the whole manoeuvre, s.
    limit_s: f64,
}

/// The driver and the programme still to do.
#[derive(Debug)]
pub struct Driver {
    programmes: VecDeque<Programme>,
    /// Manoeuvres begun so far.
    begun: usize,
    drive_road: Vec<Stretch>,
    /// Actions of this manoeuvre still to come.
    left: VecDeque<Phase>,
    phase: Option<Phase>,
    phase_s: f64,
    manoeuvre_s: f64,
    manoeuvre_from_m: f64,
    road: Vec<Stretch>,
    limit_s: f64,
    controls: Controls,
    integral: f64,
    straight_for_s: f64,
    heading_rad: f64,
    since_change_s: f64,
}

impl Driver {
    /// A driver at rest with this programme, on this road where a manoeuvre has none of its own.
    #[must_use]
    pub fn new(programme: &[Manoeuvre], road: &[Stretch], random: &mut Stream) -> Self {
        let programmes = programme
            .iter()
            .map(|m| {
                let composite = matches!(
                    m.kind,
                    crate::manoeuvre::Kind::Motorway | crate::manoeuvre::Kind::Everyday
                );
                Programme {
                    phases: phases(m, random).into(),
                    road: m.road.clone(),
                    limit_s: if composite { m.seconds } else { f64::INFINITY },
                }
            })
            .collect();
        Self {
            programmes,
            begun: 0,
            drive_road: road.to_vec(),
            left: VecDeque::new(),
            phase: None,
            phase_s: 0.0,
            manoeuvre_s: 0.0,
            manoeuvre_from_m: 0.0,
            road: road.to_vec(),
            limit_s: f64::INFINITY,
            controls: Controls {
                brake: 0.5,
                gear: 1,
                ..Controls::default()
            },
            integral: 0.0,
            straight_for_s: 0.0,
            heading_rad: 0.0,
            since_change_s: 0.0,
        }
    }

    /// The road of the manoeuvre under way, and the distance at which it began.
    #[must_use]
    pub fn road(&self) -> (&[Stretch], f64) {
        (&self.road, self.manoeuvre_from_m)
    }

    /// Place of the manoeuvre under way in the programme, counted from 0.
    #[must_use]
    pub fn manoeuvre(&self) -> usize {
        self.begun.saturating_sub(1)
    }

    /// One millisecond; `None` when the programme is done.
    pub fn tick(&mut self, car: &Car, s: &State, step_s: f64) -> Option<Controls> {
        self.phase_s += step_s;
        self.manoeuvre_s += step_s;
        self.since_change_s += step_s;
        if self.phase.is_none_or(|phase| self.is_done(&phase, s)) {
            self.next_phase(s)?;
        }
        let phase = self.phase?;
        self.feet(car, &phase, s, step_s);
        self.hands(&phase, s, step_s);
        self.controls.gear = self.gear(car, &phase, s);
        let grade = phase.grade_percent / 100.0;
        self.controls.grade += (grade - self.controls.grade) * step_s / GRADE_LAG_S;
        Some(self.controls)
    }

    /// Takes the next action, from the next manoeuvre if this one is done or out of time.
    fn next_phase(&mut self, s: &State) -> Option<()> {
        if self.manoeuvre_s >= self.limit_s {
            self.left.clear();
        }
        while self.left.is_empty() {
            let programme = self.programmes.pop_front()?;
            self.begun += 1;
            self.left = programme.phases;
            self.limit_s = programme.limit_s;
            self.manoeuvre_s = 0.0;
            self.manoeuvre_from_m = s.distance_m;
            self.road = if programme.road.is_empty() {
                self.drive_road.clone()
            } else {
                programme.road
            };
        }
        self.phase = self.left.pop_front();
        self.phase_s = 0.0;
        self.integral = 0.0;
        self.phase.map(|_| ())
    }

    fn is_done(&self, phase: &Phase, s: &State) -> bool {
        if self.manoeuvre_s >= self.limit_s {
            return true;
        }
        let v = s.forward_mps;
        match phase.action {
            Action::Stop { .. } => {
                v.abs() < 0.03 && self.phase_s > 0.2 || self.phase_s > LONGEST_REACH_S
            }
            Action::Rest { seconds }
            | Action::Keep { seconds, .. }
            | Action::Ease { seconds, .. }
            | Action::Lift { seconds } => self.phase_s >= seconds,
            Action::Reach { mps } => (v - mps).abs() < 0.25 || self.phase_s > LONGEST_REACH_S,
            Action::Press {
                until_mps, seconds, ..
            } => v >= until_mps || self.phase_s >= seconds,
            Action::Coast { until_mps, seconds } => v <= until_mps || self.phase_s >= seconds,
        }
    }

    fn feet(&mut self, car: &Car, phase: &Phase, s: &State, step_s: f64) {
        let v = s.forward_mps;
        let c = &mut self.controls;
        let to = |now: f64, target: f64, rate: f64| {
            now + (target - now).clamp(-rate * step_s, rate * step_s)
        };
        let lift = |now: f64| to(now, 0.0, LIFT_PERCENT_S);
        match phase.action {
            Action::Stop { decel_mps2 } => {
                c.pedal_percent = lift(c.pedal_percent);
                // Brake torque over weight and radius, held through the last metre.
                let force = car.body.mass_kg * decel_mps2 * car.tyres.rolling_radius_m;
                let share = (force / car.body.brake_torque_nm).min(1.0);
                let soft = (v.abs() / 1.5).clamp(0.35, 1.0);
                c.brake = to(c.brake, share * soft, BRAKE_PER_S);
            }
            Action::Rest { .. } => {
                c.pedal_percent = lift(c.pedal_percent);
                c.brake = to(c.brake, 0.5, BRAKE_PER_S);
            }
            Action::Press {
                percent, rise_s, ..
            } => {
                let rate = percent / rise_s.max(0.02);
                c.pedal_percent = to(c.pedal_percent, percent, rate);
                c.brake = to(c.brake, 0.0, 2.0 * BRAKE_PER_S);
            }
            Action::Ease { mps, .. } => {
                let error = mps - v;
                self.integral = (self.integral + 6.0 * error * step_s).clamp(-30.0, 30.0);
                let base = car.control.pedal_on_percent;
                let least = car.control.pedal_off_percent + 4.0;
                let wanted = (base + 12.0 * error + self.integral).clamp(least, 70.0);
                c.pedal_percent = to(c.pedal_percent, wanted, 2.0 * GENTLE_PERCENT_S);
                c.brake = to(c.brake, 0.0, BRAKE_PER_S);
            }
            Action::Lift { .. } | Action::Coast { .. } => {
                c.pedal_percent = lift(c.pedal_percent);
                c.brake = to(c.brake, 0.0, BRAKE_PER_S);
            }
            Action::Reach { mps } | Action::Keep { mps, .. } => {
                let backwards = if mps < 0.0 { -1.0 } else { 1.0 };
                let error = backwards * (mps - v);
                // Gentle: below the pedal that would close the coupling.
                let most =
                    car.control.pedal_on_percent + car.control.pedal_on_slope * v.abs() - 7.0;
                let base = 4.0 + 0.45 * v.abs();
                self.integral = (self.integral + 0.8 * error * step_s).clamp(-4.0, 14.0);
                let wanted = (base + 7.0 * error + self.integral).clamp(0.0, most);
                let brake = ((-error - 0.6) * 0.06).clamp(0.0, 0.22);
                if brake > 0.0 {
                    c.pedal_percent = lift(c.pedal_percent);
                } else {
                    c.pedal_percent = to(c.pedal_percent, wanted, GENTLE_PERCENT_S);
                }
                c.brake = to(c.brake, brake, BRAKE_PER_S);
            }
        }
    }

    fn hands(&mut self, phase: &Phase, s: &State, step_s: f64) {
        let target_rad = match phase.steering_deg {
            Some(deg) => {
                self.straight_for_s = 0.0;
                deg.to_radians()
            }
            None => {
                self.straight_for_s += step_s;
                // A heading is chosen once the bend is behind; before that, straighten up.
                if self.straight_for_s < 0.8 {
                    self.heading_rad = s.heading_rad;
                    0.0
                } else {
                    let off = s.heading_rad - self.heading_rad;
                    let sign = if s.forward_mps < 0.0 { -1.0 } else { 1.0 };
                    (sign * (-6.0 * off - 1.5 * s.yaw_rad_s)).clamp(-2.0, 2.0)
                }
            }
        };
        let most = STEERING_DEG_S.to_radians() * step_s;
        let c = &mut self.controls;
        c.steering_rad += (target_rad - c.steering_rad).clamp(-most, most);
    }

    fn gear(&mut self, car: &Car, phase: &Phase, s: &State) -> Gear {
        let now = self.controls.gear;
        let wish = match phase.gear {
            GearPolicy::Fixed(gear) => gear,
            GearPolicy::Lively(rpm) => {
                if rpm <= 0.0 && now < 1 {
                    1
                } else if rpm > 0.0 && self.phase_s < 0.01 && !is_press(phase) {
                    highest_above(car, s.forward_mps, rpm)
                } else if self.rpm(car, s, now) > 5900.0 {
                    next_up(car, now)
                } else if now == 0 {
                    highest_above(car, s.forward_mps, rpm)
                } else {
                    now
                }
            }
            GearPolicy::Auto => {
                let pedal = self.controls.pedal_percent;
                let up = 1900.0 + 32.0 * pedal;
                let down = 1150.0 + 10.0 * (pedal - 25.0).max(0.0);
                let rpm = self.rpm(car, s, now);
                if now <= 0 {
                    highest_above(car, s.forward_mps, 1500.0)
                } else if self.since_change_s < 1.2 {
                    now
                } else if rpm > up && self.rpm(car, s, next_up(car, now)) > down + 60.0 {
                    next_up(car, now)
                } else if rpm < down && now > 1 {
                    now - 1
                } else {
                    now
                }
            }
        };
        if wish != now {
            self.since_change_s = 0.0;
        }
        wish
    }

    /// Engine speed in a gear if the clutch were closed, rpm; from the car's speed, as a driver
    /// hears it, not from a spinning wheel.
    fn rpm(&self, car: &Car, s: &State, gear: Gear) -> f64 {
        let wheel = s.forward_mps / car.tyres.rolling_radius_m;
        (Gearbox::ratio_of(car, gear) * car.driveline.final_drive * wheel / RAD_S_PER_RPM).abs()
    }
}

fn is_press(phase: &Phase) -> bool {
    matches!(phase.action, Action::Press { .. })
}

fn next_up(car: &Car, gear: Gear) -> Gear {
    let most = Gear::try_from(car.driveline.gear_ratios.len()).unwrap_or(Gear::MAX);
    (gear + 1).min(most)
}

/// The highest gear in which the engine turns at least `rpm` at this speed; first if none does.
fn highest_above(car: &Car, forward_mps: f64, rpm: f64) -> Gear {
    let wheel = forward_mps.max(0.0) / car.tyres.rolling_radius_m;
    let turns = |gear: Gear| {
        Gearbox::ratio_of(car, gear) * car.driveline.final_drive * wheel / RAD_S_PER_RPM
    };
    let count = Gear::try_from(car.driveline.gear_ratios.len()).unwrap_or(Gear::MAX);
    (1..=count)
        .rev()
        .find(|&gear| turns(gear) >= rpm)
        .unwrap_or(1)
}
