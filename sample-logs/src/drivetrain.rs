//! The drivetrain: one function from state and inputs to rates. Engine, launch clutch, gearbox,
//! front differential, power take-off, propeller shaft, coupling, rear differential, wheels,
//! tyres, body.
//!
//! Power flow: the gearbox output drives the front differential's case; the power take-off turns
//! the propeller shaft with that case, `rear_drive_ratio` times as fast; the coupling joins the
//! shaft's rear end to the pinion of the rear final drive, which turns `rear_drive_ratio` times as
//! fast as the rear differential's case. Both differentials are open: each wheel of an axle gets
//! half the torque of its case, and the case turns at the wheels' mean speed.
//!
//! Sources of the forms, all from memory: open differential and geared inertias, H. Naunheimer et
//! al., "Automotive Transmissions", 2nd ed., Springer 2011; propeller shaft as one spring and
//! damper between two inertias, U. Kiencke, L. Nielsen, "Automotive Control Systems", 2nd ed.,
//! Springer 2005, ch. 5 (driveline model); losses in proportion to the torque, as a gear's
//! efficiency is stated; rolling resistance in proportion to the load, ISO 28580's definition of its
//! coefficient; planar body with yaw, any text on vehicle dynamics (axes of ISO 8855). Plates and
//! fluid are two lumped heat capacities with heat flow in proportion to the temperature difference
//! (Newton's law of cooling). Values are those of [`crate::car`].

use crate::body::{self, GRAVITY_MPS2};
use crate::car::Car;
use crate::friction::{
    BRAKE_BRISTLE, CLUTCH_BRISTLE, COUPLING_BRISTLE, Coefficient, effective_radius_m,
};
use crate::hydraulics::{self, HydraulicInputs, HydraulicRate};
use crate::state::{EnergyPaths, State};
use crate::surface::Contact;
use crate::tyre::{self, Motion, Relaxation, TyreRate};

/// Density of the coupling's fluid, kg/m³ (from memory, a transmission fluid).
const FLUID_DENSITY_KG_M3: f64 = 850.0;
/// A film between plates is never thinner than this in the drag model, m.
const LEAST_FILM_M: f64 = 15e-6;
/// Force at which half of the film is gone, N.
const FILM_FORCE_N: f64 = 40.0;
/// The coefficient never falls below this share of its reference, whatever its slope.
const LEAST_LEVEL: f64 = 0.2;
/// Speeds below which a loss fades in sign: wheels, rad/s.
const STILL_RAD_S: f64 = 0.2;

/// What drives the car from outside the states, held over a millisecond.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inputs {
    /// Torque that the engine is asked for, N·m.
    pub engine_request_nm: f64,
    /// Capacity of the launch clutch, N·m; 0 is open.
    pub clutch_capacity_nm: f64,
    /// Engine over gearbox output; negative in reverse, 0 in neutral.
    pub gear_ratio: f64,
    /// Torque of the synchroniser on the front differential's case, N·m, while a gear is changed.
    pub synchroniser_nm: f64,
    /// Capacity of each wheel's brake, N·m.
    pub brake_capacity_nm: [f64; 4],
    /// Cosine and sine of the front wheels' angles, left and right.
    pub front_wheel_cos_sin: [[f64; 2]; 2],
    /// Sine of the road's grade, positive uphill.
    pub grade: f64,
    /// Sine of the road's fall to the right.
    pub crossfall: f64,
    /// Headwind, m/s.
    pub headwind_mps: f64,
    /// Surface under each wheel.
    pub contact: [Contact; 4],
    /// The hydraulics' inputs.
    pub hydraulics: HydraulicInputs,
    /// The lining's friction.
    pub lining: Coefficient,
    /// Force on the pack that no pressure makes, N: a stack built too tight.
    pub tight_n: f64,
    /// Share by which the pack force swings once per relative turn: a warped plate.
    pub warp_share: f64,
    /// Temperature of the air, °C.
    pub air_c: f64,
}

/// What flows at one instant beside the states: for the truth table, the sensors and the control
/// units.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flows {
    /// Torque of the launch clutch on the gearbox, N·m.
    pub clutch_nm: f64,
    /// Torque of the coupling on the pinion, N·m.
    pub coupling_nm: f64,
    /// Speed of the coupling's input over its output, rad/s.
    pub coupling_slip_rad_s: f64,
    /// Torque of the front differential on the front wheels, N·m.
    pub front_axle_nm: f64,
    /// Torque of the rear differential on the rear wheels, N·m.
    pub rear_axle_nm: f64,
    /// Tyre forces along each wheel, N.
    pub tyre_long_n: [f64; 4],
    /// Tyre forces across each wheel, N.
    pub tyre_lat_n: [f64; 4],
    /// Wheel loads, N.
    pub load_n: [f64; 4],
    /// Acceleration along the car, as a sensor fixed to it feels it on the level, m/s².
    pub accel_long_mps2: f64,
    /// Acceleration to the left, m/s².
    pub accel_lat_mps2: f64,
    /// The hydraulics.
    pub hydraulics: HydraulicRate,
    /// Power that heats the coupling's plates, W.
    pub coupling_heat_w: f64,
}

/// The car as a system of differential equations.
#[derive(Clone, Debug)]
pub struct Drivetrain {
    car: Car,
    radius_m: [f64; 4],
    places_m: [[f64; 2]; 4],
    friction_radius_m: f64,
    /// `pi/2 (ro⁴ - ri⁴)` of one surface, m⁴.
    drag_area_m4: f64,
}

/// x over its size, without the corner at 0.
fn soft_sign(x: f64, scale: f64) -> f64 {
    x / (x * x + scale * scale).sqrt()
}

impl Drivetrain {
    /// The car with each wheel's own effective rolling radius.
    #[must_use]
    pub fn new(car: &Car, radius_m: [f64; 4]) -> Self {
        let c = &car.coupling;
        let outer2 = c.outer_radius_m * c.outer_radius_m;
        let inner2 = c.inner_radius_m * c.inner_radius_m;
        Self {
            radius_m,
            places_m: body::wheel_places_m(&car.body),
            friction_radius_m: effective_radius_m(c.outer_radius_m, c.inner_radius_m),
            drag_area_m4: std::f64::consts::FRAC_PI_2 * (outer2 * outer2 - inner2 * inner2),
            car: car.clone(),
        }
    }

    /// The car's parameters.
    #[must_use]
    pub fn car(&self) -> &Car {
        &self.car
    }

    /// Each wheel's own effective rolling radius, m.
    #[must_use]
    pub fn radius_m(&self) -> [f64; 4] {
        self.radius_m
    }

    /// Rolling radii from now on: a tyre change, or a fault of the tyres.
    pub fn set_radius_m(&mut self, radius_m: [f64; 4]) {
        self.radius_m = radius_m;
    }

    /// Inertia that turns with the front differential's case at this gear, kg m².
    fn front_carrier_inertia(&self, gear_ratio: f64) -> f64 {
        let d = &self.car.driveline;
        let input = gear_ratio * d.final_drive;
        d.front_carrier_inertia_kg_m2 + d.input_inertia_kg_m2 * input * input
    }

    /// Inertia that turns with the rear differential's case, kg m².
    fn rear_carrier_inertia(&self) -> f64 {
        let d = &self.car.driveline;
        d.coupling_output_inertia_kg_m2 * d.rear_drive_ratio * d.rear_drive_ratio
    }

    /// Energy that the masses and the shaft's twist hold, J. Presliding holds none here: what a
    /// bristle stores is booked as its heat.
    #[must_use]
    pub fn stored_energy_j(&self, s: &State, gear_ratio: f64) -> f64 {
        let (p, d) = (&self.car.body, &self.car.driveline);
        let w = &s.wheel_rad_s;
        let half = |inertia: f64, speed: f64| 0.5 * inertia * speed * speed;
        half(p.mass_kg, s.forward_mps)
            + half(p.mass_kg, s.sideways_mps)
            + half(p.yaw_inertia_kg_m2, s.yaw_rad_s)
            + half(self.car.engine.inertia_kg_m2, s.engine_rad_s)
            + w.iter()
                .map(|&w| half(self.car.tyres.wheel_inertia_kg_m2, w))
                .sum::<f64>()
            + half(self.front_carrier_inertia(gear_ratio), 0.5 * (w[0] + w[1]))
            + half(self.rear_carrier_inertia(), 0.5 * (w[2] + w[3]))
            + half(d.coupling_input_inertia_kg_m2, s.coupling_input_rad_s)
            + half(d.shaft_stiffness_nm_per_rad, s.shaft_twist_rad)
    }

    /// The state after a gear is engaged whose input shaft turned at `input_rad_s`, and the heat
    /// of the synchroniser, J. The shaft and the front differential's case take a common speed,
    /// as two inertias that stick (momentum is kept, energy is not).
    #[must_use]
    pub fn engage_gear(&self, s: &State, gear_ratio: f64, input_rad_s: f64) -> (State, f64) {
        let d = &self.car.driveline;
        let total = gear_ratio * d.final_drive;
        let wheels = 2.0 * self.car.tyres.wheel_inertia_kg_m2;
        let carrier = wheels + d.front_carrier_inertia_kg_m2;
        let mean = 0.5 * (s.wheel_rad_s[0] + s.wheel_rad_s[1]);
        let input = d.input_inertia_kg_m2;
        let common =
            (carrier * mean + input * total * input_rad_s) / (carrier + input * total * total);
        let mut after = *s;
        after.wheel_rad_s[0] += common - mean;
        after.wheel_rad_s[1] += common - mean;
        let before = 0.5 * carrier * mean * mean + 0.5 * input * input_rad_s * input_rad_s;
        let now = 0.5 * (carrier + input * total * total) * common * common;
        (after, before - now)
    }

    /// Rates of all states, and what flows.
    #[must_use]
    pub fn rates(&self, s: &State, u: &Inputs) -> (State, Flows) {
        let (p, d, t) = (&self.car.body, &self.car.driveline, &self.car.tyres);
        let w = &s.wheel_rad_s;
        let front_mean = 0.5 * (w[0] + w[1]);
        let rear_mean = 0.5 * (w[2] + w[3]);

        let load_n = body::wheel_loads_n(p, s.pitch_accel_mps2, s.roll_accel_mps2);
        let ground = self.ground_motion(s, u);
        let relaxation = Relaxation {
            long_m: t.relaxation_long_m,
            lat_m: t.relaxation_lat_m,
        };
        let tyres: [TyreRate; 4] = std::array::from_fn(|i| {
            let (long, lat) = (s.tyre_slip_long[i], s.tyre_slip_lat[i]);
            tyre::rate(long, lat, ground[i], relaxation, load_n[i], &u.contact[i])
        });
        let brakes = std::array::from_fn::<_, 4, _>(|i| {
            BRAKE_BRISTLE.rate(s.brake_presliding[i], w[i], 1.0)
        });
        let brake_nm: [f64; 4] = std::array::from_fn(|i| u.brake_capacity_nm[i] * brakes[i].share);
        let rolling_nm: [f64; 4] = std::array::from_fn(|i| {
            let arm = t.rolling_resistance * self.radius_m[i];
            arm * load_n[i] * soft_sign(w[i], 2.0 * STILL_RAD_S)
        });

        // Engine, launch clutch, gearbox.
        let total_ratio = u.gear_ratio * d.final_drive;
        let clutch_slip = s.engine_rad_s - total_ratio * front_mean;
        let clutch_capacity = if u.gear_ratio == 0.0 {
            0.0
        } else {
            u.clutch_capacity_nm
        };
        let clutch = CLUTCH_BRISTLE.rate(s.clutch_presliding, clutch_slip, 1.0);
        let clutch_nm = clutch_capacity * clutch.share;
        let gearbox_nm = clutch_nm * total_ratio;
        let front_loss_nm =
            (1.0 - d.front_efficiency) * gearbox_nm.abs() * soft_sign(front_mean, STILL_RAD_S);

        // Propeller shaft and coupling.
        let take_off_rad_s = d.rear_drive_ratio * front_mean;
        let twist_rad_s = take_off_rad_s - s.coupling_input_rad_s;
        let spring_nm = d.shaft_stiffness_nm_per_rad * s.shaft_twist_rad;
        let damper_nm = d.shaft_damping_nm_s * twist_rad_s;
        let shaft_nm = spring_nm + damper_nm;
        let slip = s.coupling_input_rad_s - d.rear_drive_ratio * rear_mean;
        let hydraulic = hydraulics::rate(
            &self.car.hydraulics,
            &u.hydraulics,
            s.pump_rad_s,
            s.pressure_bar,
        );
        let level = u
            .lining
            .level(slip.abs() * self.friction_radius_m)
            .max(LEAST_LEVEL);
        let coupling = COUPLING_BRISTLE.rate(s.coupling_presliding, slip, level);
        let coupling_nm = self.coupling_reference_nm(s, u, &hydraulic) * coupling.share
            + self.open_drag_nm_s(u, &hydraulic) * slip;
        let pinion_nm = coupling_nm * d.rear_drive_ratio;
        let rear_loss_nm =
            (1.0 - d.rear_efficiency) * pinion_nm.abs() * soft_sign(rear_mean, STILL_RAD_S);

        // Axles: the case's torque halves to both wheels; case and wheels move as one.
        let front_case_nm =
            gearbox_nm + u.synchroniser_nm - front_loss_nm - d.rear_drive_ratio * shaft_nm;
        let rear_case_nm = pinion_nm - rear_loss_nm;
        let resisting: [f64; 4] = std::array::from_fn(|i| {
            self.radius_m[i] * tyres[i].long_n + brake_nm[i] + rolling_nm[i]
        });
        let front_inertia = self.front_carrier_inertia(u.gear_ratio);
        let rear_inertia = self.rear_carrier_inertia();
        let wheel_inertia = t.wheel_inertia_kg_m2;
        let axle = |case_nm: f64, left: f64, right: f64, case_inertia: f64| {
            let sum = (case_nm - left - right) / (wheel_inertia + 0.5 * case_inertia);
            let difference = (right - left) / wheel_inertia;
            [0.5 * (sum + difference), 0.5 * (sum - difference)]
        };
        let front = axle(front_case_nm, resisting[0], resisting[1], front_inertia);
        let rear = axle(rear_case_nm, resisting[2], resisting[3], rear_inertia);

        // Body.
        let (force, moment) = self.planar_forces(u, &tyres);
        let air_n = body::air_drag_n(p, s.forward_mps + u.headwind_mps);
        let grade_n = p.mass_kg * GRAVITY_MPS2 * u.grade;
        let accel_long = (force[0] - air_n) / p.mass_kg;
        let accel_lat = force[1] / p.mass_kg;

        let coupling_heat_w = coupling_nm * slip;
        let to_fluid_w = self.car.coupling.plate_to_fluid_w_per_k * (s.plate_c - s.fluid_c);
        let to_air_w = self.car.coupling.fluid_to_air_w_per_k * (s.fluid_c - u.air_c);
        let dot = |a: &[f64; 4], b: &[f64; 4]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let tyre_heat_w = (0..4)
            .map(|i| {
                let sliding = ground[i].tread_mps - ground[i].ground_mps;
                tyres[i].long_n * sliding - tyres[i].lat_n * ground[i].across_mps
            })
            .sum();

        let rates = State {
            engine_rad_s: (s.engine_torque_nm - clutch_nm) / self.car.engine.inertia_kg_m2,
            engine_torque_nm: (u.engine_request_nm - s.engine_torque_nm)
                / self.car.engine.torque_lag_s,
            wheel_rad_s: [front[0], front[1], rear[0], rear[1]],
            wheel_rad: *w,
            coupling_input_rad_s: (shaft_nm - coupling_nm) / d.coupling_input_inertia_kg_m2,
            shaft_twist_rad: twist_rad_s,
            coupling_turn_rad: slip,
            forward_mps: accel_long - GRAVITY_MPS2 * u.grade + s.yaw_rad_s * s.sideways_mps,
            sideways_mps: accel_lat - GRAVITY_MPS2 * u.crossfall - s.yaw_rad_s * s.forward_mps,
            yaw_rad_s: moment / p.yaw_inertia_kg_m2,
            heading_rad: s.yaw_rad_s,
            distance_m: s.forward_mps,
            pitch_accel_mps2: (accel_long - s.pitch_accel_mps2) / p.load_transfer_lag_s,
            roll_accel_mps2: (accel_lat - s.roll_accel_mps2) / p.load_transfer_lag_s,
            tyre_slip_long: tyres.map(|t| t.long_per_s),
            tyre_slip_lat: tyres.map(|t| t.lat_per_s),
            clutch_presliding: clutch.z_per_s,
            coupling_presliding: coupling.z_per_s,
            brake_presliding: brakes.map(|b| b.z_per_s),
            pump_rad_s: hydraulic.pump_rad_s2,
            pressure_bar: hydraulic.pressure_bar_s,
            plate_c: (coupling_heat_w - to_fluid_w) / self.car.coupling.plate_capacity_j_per_k,
            fluid_c: (to_fluid_w - to_air_w) / self.car.coupling.fluid_capacity_j_per_k,
            energy: EnergyPaths {
                engine_j: s.engine_torque_nm * s.engine_rad_s,
                grade_j: -grade_n * s.forward_mps
                    - p.mass_kg * GRAVITY_MPS2 * u.crossfall * s.sideways_mps,
                clutch_j: clutch_nm * clutch_slip,
                gears_j: (front_loss_nm - u.synchroniser_nm) * front_mean
                    + rear_loss_nm * rear_mean,
                shaft_j: damper_nm * twist_rad_s,
                coupling_j: coupling_heat_w,
                brakes_j: dot(&brake_nm, w),
                tyres_j: tyre_heat_w,
                rolling_j: dot(&rolling_nm, w),
                air_j: air_n * s.forward_mps,
            },
        };
        let flows = Flows {
            clutch_nm,
            coupling_nm,
            coupling_slip_rad_s: slip,
            front_axle_nm: front_case_nm - front_inertia * 0.5 * (front[0] + front[1]),
            rear_axle_nm: rear_case_nm - rear_inertia * 0.5 * (rear[0] + rear[1]),
            tyre_long_n: tyres.map(|t| t.long_n),
            tyre_lat_n: tyres.map(|t| t.lat_n),
            load_n,
            accel_long_mps2: accel_long,
            accel_lat_mps2: accel_lat,
            hydraulics: hydraulic,
            coupling_heat_w,
        };
        (rates, flows)
    }

    /// Ground and tread speeds of each wheel, in its own plane.
    fn ground_motion(&self, s: &State, u: &Inputs) -> [Motion; 4] {
        std::array::from_fn(|i| {
            let [x, y] = self.places_m[i];
            let along = s.forward_mps - s.yaw_rad_s * y;
            let across = s.sideways_mps + s.yaw_rad_s * x;
            let [cos, sin] = u.front_wheel_cos_sin.get(i).copied().unwrap_or([1.0, 0.0]);
            Motion {
                tread_mps: s.wheel_rad_s[i] * self.radius_m[i],
                ground_mps: along * cos + across * sin,
                across_mps: across * cos - along * sin,
            }
        })
    }

    /// Sum of the tyre forces in the car's axes, N, and their moment about the vertical, N·m.
    fn planar_forces(&self, u: &Inputs, tyres: &[TyreRate; 4]) -> ([f64; 2], f64) {
        let mut force = [0.0; 2];
        let mut moment = 0.0;
        for (i, tyre) in tyres.iter().enumerate() {
            let [cos, sin] = u.front_wheel_cos_sin.get(i).copied().unwrap_or([1.0, 0.0]);
            let x = tyre.long_n * cos - tyre.lat_n * sin;
            let y = tyre.long_n * sin + tyre.lat_n * cos;
            let [px, py] = self.places_m[i];
            force[0] += x;
            force[1] += y;
            moment += px * y - py * x;
        }
        (force, moment)
    }

    /// Torque that the pack carries at its coefficient's reference, N·m: surfaces times coefficient
    /// times effective radius times force (the definition of coupling torque).
    fn coupling_reference_nm(&self, s: &State, u: &Inputs, hydraulic: &HydraulicRate) -> f64 {
        let force = hydraulic.pack_n + u.tight_n;
        if force <= 0.0 {
            return 0.0;
        }
        let warp = 1.0 + u.warp_share * libm::sin(s.coupling_turn_rad);
        f64::from(self.car.coupling.friction_surfaces)
            * u.lining.reference(s.plate_c)
            * self.friction_radius_m
            * force
            * warp
    }

    /// Viscous drag of the open pack per slip speed, N·m s/rad: shear of the oil film between
    /// flat rings (Newton's law of friction; Y. Yuan et al. and the drag-torque literature start
    /// from it, from memory). It holds while the film is full, at low slip.
    fn open_drag_nm_s(&self, u: &Inputs, hydraulic: &HydraulicRate) -> f64 {
        let surfaces = f64::from(self.car.coupling.friction_surfaces);
        let open_m = (u.hydraulics.clearance_m - hydraulic.travel_m).max(0.0) / surfaces;
        let viscosity_pa_s = u.hydraulics.viscosity_mm2_s * 1e-6 * FLUID_DENSITY_KG_M3;
        let full = surfaces * viscosity_pa_s * self.drag_area_m4 / open_m.max(LEAST_FILM_M);
        // Pressed together, the film gives way to boundary contact, which the lining's own
        // coefficient stands for.
        full / (1.0 + hydraulic.pack_n / FILM_FORCE_N)
    }
}

#[cfg(test)]
pub(crate) mod tests;
