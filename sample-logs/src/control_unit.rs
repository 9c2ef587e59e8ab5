//! The coupling's control unit: every ten milliseconds, from pedal, speed, slip and steering to a
//! pressure demand, a valve setting and a motor voltage.
//!
//! Demand has a pre-emptive part, which comes with the pedal before any wheel slips, and a
//! reactive part, which slip adds. Valve and motor follow the demand by map: the pressure sensor
//! is watched, not controlled on, so that what wears shows in the pressure.
//!
//! That such units combine a pre-emptive and a reactive part, release for brake control and by a
//! temperature model, and open for tight turns is common practice without a source; the laws and
//! their numbers are our own.

use crate::car::{ControlParameters, HydraulicParameters};

/// Its period, s (control loops of 100 Hz are common practice).
pub const CONTROL_PERIOD_S: f64 = 0.010;

/// How far ahead the pedal is looked at by its rate, s.
const PEDAL_LOOK_AHEAD_S: f64 = 0.20;
/// Share of the demanded pressure at which filling counts as done.
const FILLED_SHARE: f64 = 0.90;
/// Longest time at full voltage, s: the motor is not made for more.
const LONGEST_FILL_S: f64 = 0.8;
/// Cooling below the hot limit before it closes again, K.
const HOT_HYSTERESIS_K: f64 = 15.0;
/// Hold of the reactive part, per cent per second.
const SLIP_DECAY_PERCENT_S: f64 = 8.0;

/// What the control unit knows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sensed {
    /// Accelerator, per cent.
    pub pedal_percent: f64,
    /// Rear axle speed, m/s; negative in reverse.
    pub speed_mps: f64,
    /// Front axle speed less what the curve explains, m/s.
    pub slip_mps: f64,
    /// Steering wheel angle, deg.
    pub steering_deg: f64,
    /// Pressure, bar.
    pub pressure_bar: f64,
    /// Plate temperature of its model, °C.
    pub plate_c: f64,
    /// Anti-lock braking asks it to open.
    pub abs_active: bool,
    /// A fault somewhere keeps it open.
    pub inhibit: bool,
    /// The brake is applied.
    pub braking: bool,
}

/// What it commands.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Command {
    /// Demand, per cent of the highest pressure.
    pub demand_percent: f64,
    /// Setting of the pressure valve, bar.
    pub valve_bar: f64,
    /// Share of the supply voltage at the motor.
    pub motor_share: f64,
    /// It keeps the coupling open for protection or a fault.
    pub inhibited: bool,
}

/// The control unit's memory.
#[derive(Clone, Debug)]
pub struct ControlUnit {
    last_pedal_percent: f64,
    closed: bool,
    hot: bool,
    level_percent: f64,
    slip_percent: f64,
    command: Command,
    filling_s: Option<f64>,
    held_s: f64,
    filled_for_percent: f64,
}

impl ControlUnit {
    /// A control unit just woken, coupling open.
    #[must_use]
    pub fn new() -> Self {
        Self {
            last_pedal_percent: 0.0,
            closed: false,
            hot: false,
            level_percent: 0.0,
            slip_percent: 0.0,
            command: Command::default(),
            filling_s: None,
            held_s: 0.0,
            filled_for_percent: 0.0,
        }
    }

    /// One period.
    pub fn tick(
        &mut self,
        p: &ControlParameters,
        hydraulics: &HydraulicParameters,
        sensed: &Sensed,
    ) -> Command {
        self.hot = sensed.plate_c > p.hot_plate_c - if self.hot { HOT_HYSTERESIS_K } else { 0.0 };
        let inhibited = self.hot || sensed.inhibit;
        let wanted = if inhibited || sensed.abs_active {
            self.closed = false;
            self.level_percent = 0.0;
            self.slip_percent = 0.0;
            0.0
        } else {
            self.wanted_percent(p, sensed)
        };
        self.last_pedal_percent = sensed.pedal_percent;

        let rise = p.rise_percent_per_s * CONTROL_PERIOD_S;
        let fall = p.fall_percent_per_s * CONTROL_PERIOD_S;
        let at_once = inhibited || sensed.abs_active || sensed.braking || is_tight(p, sensed);
        let least = if at_once {
            0.0
        } else {
            self.command.demand_percent - fall
        };
        let demand_percent = wanted.clamp(least.max(0.0), self.command.demand_percent + rise);
        let motor_share = self.motor_share(p, hydraulics, sensed, demand_percent);
        self.command = Command {
            demand_percent,
            valve_bar: demand_percent / 100.0 * hydraulics.max_pressure_bar,
            motor_share,
            inhibited,
        };
        self.command
    }

    fn wanted_percent(&mut self, p: &ControlParameters, sensed: &Sensed) -> f64 {
        let speed = sensed.speed_mps.abs();
        let on = p.pedal_on_percent + p.pedal_on_slope * speed;
        let rate = (sensed.pedal_percent - self.last_pedal_percent) / CONTROL_PERIOD_S;
        let ahead = (sensed.pedal_percent + rate.max(0.0) * PEDAL_LOOK_AHEAD_S).min(100.0);
        if sensed.pedal_percent < p.pedal_off_percent || sensed.braking || is_tight(p, sensed) {
            self.closed = false;
        } else if ahead > on && sensed.pedal_percent > 0.6 * on {
            self.closed = true;
        }
        if !self.closed {
            self.level_percent = 0.0;
            self.slip_percent = 0.0;
            return 0.0;
        }
        // Pre-emptive: jumps up with the pedal, comes down slowly while the pedal stays on.
        let level = (p.demand_base_percent + p.demand_per_pedal * (ahead - on).max(0.0)).min(100.0);
        self.level_percent =
            level.max(self.level_percent - p.decay_percent_per_s * CONTROL_PERIOD_S);
        // Reactive: slip adds, and what it added fades.
        let extra = p.demand_per_slip * (sensed.slip_mps - p.slip_on_mps).max(0.0);
        let faded = self.slip_percent - SLIP_DECAY_PERCENT_S * CONTROL_PERIOD_S;
        self.slip_percent = extra.min(p.slip_share_percent).max(faded).max(0.0);
        (self.level_percent + self.slip_percent).min(100.0)
    }

    /// Full voltage until the chamber is filled, then down to the holding share.
    fn motor_share(
        &mut self,
        p: &ControlParameters,
        hydraulics: &HydraulicParameters,
        sensed: &Sensed,
        demand_percent: f64,
    ) -> f64 {
        if demand_percent <= 0.0 {
            self.filling_s = None;
            self.filled_for_percent = 0.0;
            return 0.0;
        }
        // A clear rise of demand is filled for anew.
        if self.filling_s.is_none() && demand_percent > self.filled_for_percent + 10.0 {
            self.filling_s = Some(0.0);
        }
        if let Some(filling_s) = self.filling_s {
            let target_bar = demand_percent / 100.0 * hydraulics.max_pressure_bar;
            if sensed.pressure_bar < FILLED_SHARE * target_bar && filling_s < LONGEST_FILL_S {
                self.filling_s = Some(filling_s + CONTROL_PERIOD_S);
                return 1.0;
            }
            self.filling_s = None;
            self.held_s = 0.0;
            self.filled_for_percent = demand_percent;
        }
        self.held_s += CONTROL_PERIOD_S;
        let ramp = (self.held_s / p.hold_ramp_s).min(1.0);
        1.0 + (p.hold_share - 1.0) * ramp
    }
}

/// Parking: the axles have to turn at different speeds.
fn is_tight(p: &ControlParameters, sensed: &Sensed) -> bool {
    sensed.steering_deg.abs() > p.tight_steering_deg && sensed.speed_mps.abs() < p.tight_speed_mps
}

impl Default for ControlUnit {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Bench {
        unit: ControlUnit,
        control: ControlParameters,
        hydraulics: HydraulicParameters,
    }

    impl Bench {
        fn new() -> Self {
            Self {
                unit: ControlUnit::new(),
                control: ControlParameters::default(),
                hydraulics: HydraulicParameters::default(),
            }
        }

        /// `pedal` over time at 100 Hz; the demands.
        fn run(&mut self, pedal: impl Fn(f64) -> f64, seconds: f64, base: Sensed) -> Vec<f64> {
            (0..(seconds * 100.0) as usize)
                .map(|k| {
                    let pedal_percent = pedal(k as f64 * 0.01);
                    let sensed = Sensed {
                        pedal_percent,
                        ..base
                    };
                    self.unit
                        .tick(&self.control, &self.hydraulics, &sensed)
                        .demand_percent
                })
                .collect()
        }
    }

    #[test]
    fn demand_is_a_step_when_the_pedal_is_a_ramp() {
        let demand = Bench::new().run(|t| (t / 0.25).min(1.0) * 70.0, 2.0, Sensed::default());
        let last = demand[60];
        let start = demand.iter().position(|&d| d > 0.05 * last).unwrap();
        let full = demand.iter().position(|&d| d > 0.85 * last).unwrap();
        assert!(last > 40.0, "{last}");
        assert!(full - start <= 3, "{start} {full}");
    }

    #[test]
    fn it_opens_for_brake_control_heat_faults_and_tight_turns() {
        let check = |sensed: Sensed, inhibited: bool| {
            let mut bench = Bench::new();
            bench.run(|_| 70.0, 1.0, Sensed::default());
            let command = bench.unit.tick(
                &bench.control,
                &bench.hydraulics,
                &Sensed {
                    pedal_percent: 70.0,
                    ..sensed
                },
            );
            assert_eq!(command.demand_percent, 0.0, "{sensed:?}");
            assert_eq!(command.inhibited, inhibited, "{sensed:?}");
        };
        check(
            Sensed {
                abs_active: true,
                ..Sensed::default()
            },
            false,
        );
        check(
            Sensed {
                plate_c: 160.0,
                ..Sensed::default()
            },
            true,
        );
        check(
            Sensed {
                inhibit: true,
                ..Sensed::default()
            },
            true,
        );
        check(
            Sensed {
                steering_deg: -400.0,
                speed_mps: 2.0,
                ..Sensed::default()
            },
            false,
        );
    }

    #[test]
    fn slip_adds_demand_and_a_gentle_pedal_asks_for_none() {
        let steady = Bench::new().run(|_| 60.0, 1.0, Sensed::default());
        let slipping = Bench::new().run(
            |_| 60.0,
            1.0,
            Sensed {
                slip_mps: 1.0,
                ..Sensed::default()
            },
        );
        assert!(slipping[99] > steady[99] + 5.0);
        let gentle = Bench::new().run(|t| 20.0 * t.min(1.0), 3.0, Sensed::default());
        assert!(gentle.iter().all(|&d| d == 0.0));
    }
}
