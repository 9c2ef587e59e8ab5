//! Faults: what each cause changes in the car, by how much, and from when on.
//!
//! A fault never writes a symptom. It changes a part (a seal's leakage, a lining's coefficient),
//! and the symptom follows from the equations.
//!
//! Which part a cause changes is common practice, no source; that spent fluid makes a pack shudder
//! through a coefficient that falls with sliding speed is the criterion of SAE J3210. How far it
//! changes at severity 1, the spells of a wiring fault and the random share of air at the pump's
//! inlet are our own.

use serde::Deserialize;

use crate::car::Car;
use crate::friction::{Coefficient, effective_radius_m};
use crate::hydraulics::{self, Oil, PA_PER_BAR};
use crate::random::Stream;

macro_rules! causes {
    ($($variant:ident $text:literal $doc:literal;)*) => {
        /// What is wrong with the car.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum Cause {
            $(#[doc = $doc] $variant,)*
        }

        impl Cause {
            /// Every cause.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// As written in scenario and truth files.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $(Self::$variant => $text),* }
            }
        }
    };
}

causes! {
    WeakPump "weak_pump" "The pump delivers less, leaks more inside, and its motor is tired.";
    LeakingPistonSeal "leaking_piston_seal" "Oil passes the piston.";
    WornLining "worn_lining" "The lining's coefficient is down: worn or glazed.";
    ExcessClearance "excess_clearance" "The piston must travel further before the pack closes.";
    DraggingPack "dragging_pack" "The stack is too tight: force without pressure.";
    AeratedFluid "aerated_fluid" "Fluid low or foamed: air in the chamber and at the pump's inlet.";
    WarpedPlate "warped_plate" "A plate runs out: the force swings once per relative turn.";
    Shudder "shudder" "Wrong or spent fluid: the coefficient falls with sliding speed.";
    InhibitedOrWiring "inhibited_or_wiring" "The control unit keeps the coupling open, or a wire or message fails.";
    TyreMismatch "tyre_mismatch" "The front tyres are smaller than the rear ones.";
    LowVoltage "low_voltage" "The supply is weak under load.";
}

/// Which way wiring or the control unit fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WiringForm {
    /// The control unit inhibits the coupling for spells.
    #[default]
    Inhibit,
    /// The wire of the rear left wheel sensor breaks for spells.
    WheelWire,
    /// The coupling's message is missing for spells.
    MessageGaps,
    /// The coupling's message repeats old content for spells.
    Stale,
}

impl WiringForm {
    /// As written in scenario and truth files.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Inhibit => "inhibit",
            Self::WheelWire => "wheel_wire",
            Self::MessageGaps => "message_gaps",
            Self::Stale => "stale",
        }
    }
}

/// One fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// What is wrong.
    pub cause: Cause,
    /// How bad, 0 (sound) to 1 (as bad as it gets on the road).
    pub severity: f64,
    /// When it starts, s from the drive's start; 0 is there from the beginning.
    pub onset_s: f64,
    /// For `inhibited_or_wiring`: how it shows.
    pub form: WiringForm,
}

/// At severity 1 as much passes the seal, at the highest pressure and with warm oil, as so many pumps
/// deliver at their holding voltage: from a quarter on, one pump no longer makes up for it.
const LEAK_OF_HOLDING: f64 = 4.0;
/// Oil as after some kilometres, °C, and the supply under load, V.
pub(crate) const WARM_C: f64 = 50.0;
pub(crate) const SUPPLY_V: f64 = 12.5;
/// Force at severity 1 of a pack built too tight, of its highest: beyond, nobody could park the car.
const TIGHT_SHARE: f64 = 0.4;
/// Share of the fall of friction below which the driveline's damping still holds a shuddering pack:
/// the mildest shudder begins where slow sliding swings by itself. At severity 0.3 most cars then swing
/// along by 0.1 to 0.2 m/s², mostly between 5 and 10 Hz: felt by everybody, and not yet uncomfortable
/// (ISO 2631-1:1997, weighting Wd, annex C; from memory).
const SHUDDER_FROM: f64 = 0.65;
/// Time over which a fault that starts during the drive comes in, s.
const ONSET_RAMP_S: f64 = 1.0;
/// Mean length of a spell of a wiring fault, s.
const SPELL_S: f64 = 2.0;
/// Lag of the foam at the pump's inlet, s.
const FOAM_LAG_S: f64 = 0.12;
/// Rest after which air has gathered at the inlet, s.
const FOAM_REST_S: f64 = 20.0;

impl Fault {
    /// The cause with this severity, 0 to 1, from the drive's start on.
    #[must_use]
    pub fn new(cause: Cause, severity: f64) -> Self {
        Self {
            cause,
            severity,
            onset_s: 0.0,
            form: WiringForm::default(),
        }
    }

    /// A failing wire, message or control unit, for this share of the time from the drive's start
    /// on.
    #[must_use]
    pub fn wiring(form: WiringForm, share: f64) -> Self {
        Self {
            form,
            ..Self::new(Cause::InhibitedOrWiring, share)
        }
    }

    /// Severity at a time.
    #[must_use]
    pub fn severity_at(&self, t_s: f64) -> f64 {
        if self.onset_s <= 0.0 {
            return self.severity;
        }
        self.severity * ((t_s - self.onset_s) / ONSET_RAMP_S).clamp(0.0, 1.0)
    }
}

/// The car's parts as they are now, faults included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parts {
    /// Share of its displacement that the pump delivers, air at the inlet aside.
    pub pump_delivery: f64,
    /// Factor on the pump's inner leakage.
    pub pump_leakage_factor: f64,
    /// Factor on the motor's resistance and dry friction.
    pub motor_wear_factor: f64,
    /// Leakage past the piston seal at 1 mm²/s, m³/s per Pa.
    pub seal_leakage_m3_s_pa: f64,
    /// Piston travel until the pack closes, m.
    pub clearance_m: f64,
    /// The lining's friction.
    pub lining: Coefficient,
    /// Force on the pack that no pressure makes, N.
    pub tight_n: f64,
    /// Share by which the force swings once per relative turn.
    pub warp_share: f64,
    /// Undissolved air in the chamber at atmospheric pressure, of the oil volume.
    pub air_share: f64,
    /// Foaming at the pump's inlet, 0 to 1.
    pub foam: f64,
    /// Factor on the front tyres' radii.
    pub front_radius_factor: f64,
    /// Supply voltage without load, V.
    pub supply_v: f64,
    /// Inner resistance of the supply as the motor feels it, ohm.
    pub supply_ohm: f64,
    /// Share of time of each wiring form: inhibit, wheel wire, message gaps, stale.
    pub wiring: [f64; 4],
}

/// What severity 1 of those faults that are sized by the car means in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// Leakage past the piston seal at 1 mm²/s, m³/s per Pa.
    seal_leakage_m3_s_pa: f64,
    /// Force on a pack built too tight, N.
    tight_n: f64,
    /// How much steeper friction must fall than in the training car for the same shudder.
    steepness: f64,
}

impl Worst {
    /// The sizes in a car.
    #[must_use]
    pub fn of(car: &Car) -> Self {
        let h = &car.hydraulics;
        let warm = Oil::new(h.viscosity_40_mm2_s, h.viscosity_100_mm2_s).viscosity_mm2_s(WARM_C);
        let held_v = car.control.hold_share * SUPPLY_V;
        let flow = hydraulics::steady_flow_m3_s(h, held_v, h.max_pressure_bar, warm);
        // Sliding drives a swing by torque times slope, and the propeller shaft's damping takes it away.
        let training = Car::default();
        let steepness = damped_by(car) / damped_by(&training);
        Self {
            seal_leakage_m3_s_pa: LEAK_OF_HOLDING * flow * warm / (h.max_pressure_bar * PA_PER_BAR),
            tight_n: TIGHT_SHARE * highest_pack_n(car),
            steepness: steepness.clamp(0.5, 1.5),
        }
    }
}

/// Damping of the propeller shaft over what a fall of friction at the least demand drives.
fn damped_by(car: &Car) -> f64 {
    let c = &car.coupling;
    let radius_m = effective_radius_m(c.outer_radius_m, c.inner_radius_m);
    let base = car.control.demand_base_percent / 100.0;
    let surfaces = f64::from(c.friction_surfaces);
    let torque_nm = surfaces * c.friction_coefficient * radius_m * base * highest_pack_n(car);
    car.driveline.shaft_damping_nm_s / (torque_nm * radius_m)
}

/// Force on the sound pack at the highest pressure, N.
fn highest_pack_n(car: &Car) -> f64 {
    let h = &car.hydraulics;
    h.max_pressure_bar * PA_PER_BAR * h.piston_area_m2 - h.touch_n(car.coupling.clearance_m)
}

/// The parts at a time. Sizes at severity 1 are ours; ranges of workshop experience where there
/// are any are common practice without a source.
#[must_use]
pub fn parts_at(car: &Car, worst: &Worst, faults: &[Fault], t_s: f64) -> Parts {
    let mut severity = [0.0_f64; Cause::ALL.len()];
    let mut wiring = [0.0_f64; 4];
    for fault in faults {
        let now = fault.severity_at(t_s);
        if let Some(slot) = severity.get_mut(fault.cause as usize) {
            *slot = slot.max(now);
        }
        if fault.cause == Cause::InhibitedOrWiring
            && let Some(slot) = wiring.get_mut(fault.form as usize)
        {
            *slot = slot.max(now);
        }
    }
    let of = |cause: Cause| severity.get(cause as usize).copied().unwrap_or(0.0);
    let (c, h) = (&car.coupling, &car.hydraulics);
    let worn = of(Cause::WornLining);
    let shudder = match of(Cause::Shudder) {
        none if none <= 0.0 => 0.0,
        severity => SHUDDER_FROM + (1.0 - SHUDDER_FROM) * severity,
    };
    let pump = of(Cause::WeakPump);
    let tight = of(Cause::DraggingPack);
    let foam = of(Cause::AeratedFluid);
    let voltage = of(Cause::LowVoltage);
    Parts {
        pump_delivery: 1.0 - 0.5 * pump,
        pump_leakage_factor: 1.0 + 6.0 * pump,
        motor_wear_factor: 1.0 + 0.8 * pump,
        seal_leakage_m3_s_pa: h.seal_leakage_m3_s_pa
            + of(Cause::LeakingPistonSeal) * worst.seal_leakage_m3_s_pa,
        clearance_m: c.clearance_m * (1.0 + 2.0 * of(Cause::ExcessClearance)) * (1.0 - 0.8 * tight),
        lining: Coefficient {
            // Spent fluid has lost its friction modifier: more friction at rest, a little less sliding.
            sliding: c.friction_coefficient * (1.0 - 0.6 * worn) * (1.0 - 0.2 * shudder),
            static_ratio: c.static_ratio * (1.0 + 0.6 * shudder * worst.steepness)
                / (1.0 - 0.2 * shudder),
            fade_mps: c.fade_speed_mps * (1.0 + 0.2 * shudder),
            slope_s_per_m: c.speed_slope_s_per_m,
            loss_per_k: c.temperature_slope_per_k,
        },
        tight_n: worst.tight_n * tight,
        warp_share: 0.35 * of(Cause::WarpedPlate),
        air_share: h.air_share + 0.07 * foam,
        foam,
        front_radius_factor: 1.0 - 0.03 * of(Cause::TyreMismatch),
        supply_v: 13.8 - 3.6 * voltage,
        supply_ohm: 0.02 + 0.10 * voltage,
        wiring,
    }
}

/// Spells of a wiring fault: on for a share of the time, for random lengths.
#[derive(Clone, Copy, Debug, Default)]
pub struct Spells {
    on: bool,
    until_s: f64,
}

impl Spells {
    /// Whether it is on at this time, at this share of the time.
    pub fn at(&mut self, t_s: f64, share: f64, random: &mut Stream) -> bool {
        if share <= 0.0 {
            *self = Self::default();
            return false;
        }
        if share >= 1.0 {
            return true;
        }
        while t_s >= self.until_s {
            // Mean lengths on and off stand as share to 1 - share.
            let started = self.until_s > 0.0;
            self.on = if started {
                !self.on
            } else {
                random.chance(share)
            };
            let mean = if self.on {
                SPELL_S
            } else {
                SPELL_S * (1.0 - share) / share
            };
            self.until_s = self.until_s.max(t_s) - mean * libm::log(1.0 - random.uniform());
        }
        self.on
    }
}

/// Air at the pump's inlet: a lagged random share that bends and rest make worse.
#[derive(Clone, Copy, Debug, Default)]
pub struct Foam {
    noise: f64,
    rest_s: f64,
    gathered: f64,
}

impl Foam {
    /// Share of the pump's delivery that is oil, after one millisecond.
    pub fn delivery(
        &mut self,
        foam: f64,
        accel_lat_mps2: f64,
        pump_rad_s: f64,
        step_s: f64,
        random: &mut Stream,
    ) -> f64 {
        if foam <= 0.0 {
            return 1.0;
        }
        let running = pump_rad_s > 50.0;
        if running {
            self.rest_s = 0.0;
            self.gathered -= self.gathered * (step_s / 0.4).min(1.0);
        } else {
            self.rest_s += step_s;
            self.gathered = (self.gathered + step_s / FOAM_REST_S).min(1.0);
        }
        let k = step_s / FOAM_LAG_S;
        self.noise += -k * self.noise + (2.0 * k).sqrt() * random.normal();
        let air = 0.22 + 0.22 * self.noise + 0.06 * accel_lat_mps2.abs() + 0.35 * self.gathered;
        1.0 - (foam * air).clamp(0.0, 0.95)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Purpose;

    #[test]
    fn a_sound_car_has_its_own_parts_and_a_fault_waits_for_its_onset() {
        let car = Car::default();
        let worst = Worst::of(&car);
        let fault = Fault {
            cause: Cause::ExcessClearance,
            severity: 0.5,
            onset_s: 100.0,
            form: WiringForm::default(),
        };
        let sound = parts_at(&car, &worst, &[], 0.0);
        assert_eq!(sound.clearance_m, car.coupling.clearance_m);
        assert_eq!(sound.lining.sliding, car.coupling.friction_coefficient);
        assert_eq!(parts_at(&car, &worst, &[fault], 99.0), sound);
        assert_eq!(
            parts_at(&car, &worst, &[fault], 101.0).clearance_m,
            2.0 * car.coupling.clearance_m
        );
    }

    #[test]
    fn every_cause_changes_something() {
        let car = Car::default();
        let worst = Worst::of(&car);
        let sound = parts_at(&car, &worst, &[], 0.0);
        for &cause in Cause::ALL {
            let fault = Fault {
                cause,
                severity: 1.0,
                onset_s: 0.0,
                form: WiringForm::default(),
            };
            assert_ne!(parts_at(&car, &worst, &[fault], 0.0), sound, "{cause:?}");
        }
    }

    #[test]
    fn spells_are_on_for_their_share_of_the_time() {
        let mut random = Stream::new(3, 0, Purpose::Plant);
        let mut spells = Spells::default();
        let n = 400_000;
        let on = (0..n)
            .filter(|&k| spells.at(f64::from(k) * 0.01, 0.3, &mut random))
            .count();
        let share = on as f64 / f64::from(n);
        assert!((share - 0.3).abs() < 0.03, "{share}");
    }
}
