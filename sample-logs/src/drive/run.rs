//! What runs in a drive: driver, control units, drivetrain and faults, one row after another.

use slipwright_decoders::role::Role;

use super::{CONTROL_ROWS, ROWS_AFTER};
use crate::body;
use crate::brakes::Brakes;
use crate::control_unit::{Command, ControlUnit, Sensed};
use crate::driver::{Controls, Driver};
use crate::drivetrain::{Drivetrain, Flows, Inputs};
use crate::engine;
use crate::fault::{self, Foam, Parts, Spells, Worst};
use crate::gearbox::{Gearbox, GearboxOutput};
use crate::hydraulics::{HydraulicInputs, Oil};
use crate::integrator;
use crate::random::{Purpose, Stream};
use crate::readings::{Instant, ROLE_COUNT, RoleValues};
use crate::scenario::{DrivePlan, Scenario};
use crate::state::State;
use crate::surface::{self, Surface};
use crate::truth::{ROW_S, Row};
use crate::wind::Wind;

/// Everything that runs in a drive.
pub(super) struct Run<'a> {
    scenario: &'a Scenario,
    plan: &'a DrivePlan,
    pub(super) drivetrain: Drivetrain,
    pub(super) built_radius_m: [f64; 4],
    oil: Oil,
    driver: Driver,
    gearbox: Gearbox,
    brakes: Brakes,
    control: ControlUnit,
    command: Command,
    valve_bar: f64,
    worst: Worst,
    parts: Parts,
    foam: Foam,
    wind: Wind,
    spells: [Spells; 4],
    pub(super) wiring_on: [bool; 4],
    pub(super) state: State,
    flows: Flows,
    steering_cos_sin: [[f64; 2]; 2],
    steering_rad: f64,
    ratio: f64,
    free_input_rad_s: f64,
    start_energy_j: f64,
    random: Stream,
    step_s: f64,
    /// Rows made so far.
    pub(super) rows: u64,
    /// Rows still to make after the programme is done.
    rows_after: u64,
}

impl<'a> Run<'a> {
    pub(super) fn new(
        scenario: &'a Scenario,
        plan: &'a DrivePlan,
        index: usize,
        step_s: f64,
    ) -> Self {
        let (car, seed) = (&scenario.car, scenario.seed);
        let built_radius_m = built_radii(scenario);
        let worst = Worst::of(car);
        let parts = fault::parts_at(car, &worst, &scenario.faults, 0.0);
        let mut programme = Stream::new(seed, index, Purpose::Programme);
        let state = State {
            engine_rad_s: car.engine.idle_rpm * engine::RAD_S_PER_RPM,
            plate_c: plan.fluid_c,
            fluid_c: plan.fluid_c,
            ..State::default()
        };
        let mut run = Self {
            scenario,
            plan,
            drivetrain: Drivetrain::new(car, built_radius_m),
            built_radius_m,
            oil: Oil::new(
                car.hydraulics.viscosity_40_mm2_s,
                car.hydraulics.viscosity_100_mm2_s,
            ),
            driver: Driver::new(&plan.programme, &plan.road, &mut programme),
            gearbox: Gearbox::new(),
            brakes: Brakes::new(),
            control: ControlUnit::new(),
            command: Command::default(),
            valve_bar: 0.0,
            worst,
            parts,
            foam: Foam::default(),
            wind: Wind::new(plan.gust_mps, Stream::new(seed, index, Purpose::Wind)),
            spells: Default::default(),
            wiring_on: [false; 4],
            state,
            flows: Flows::default(),
            steering_cos_sin: [[1.0, 0.0]; 2],
            steering_rad: 0.0,
            ratio: car.driveline.gear_ratios.first().copied().unwrap_or(1.0),
            free_input_rad_s: 0.0,
            start_energy_j: 0.0,
            random: Stream::new(seed, index, Purpose::Plant),
            step_s,
            rows: 0,
            rows_after: ROWS_AFTER,
        };
        run.start_energy_j = run.stored_energy_j();
        run
    }

    /// The next row: control units and inputs of the millisecond that begins at it, and what then
    /// flows. The states go on to the row after it. `None` when the drive is over.
    pub(super) fn next_row(&mut self) -> Option<Row> {
        let controls = match self.driver.tick(self.drivetrain.car(), &self.state, ROW_S) {
            Some(controls) => controls,
            None if self.rows_after == 0 => return None,
            None => {
                self.rows_after -= 1;
                Controls {
                    brake: 0.5,
                    gear: 1,
                    ..Controls::default()
                }
            }
        };
        let controls = &controls;
        let t_s = self.rows as f64 * ROW_S;
        if self.rows.is_multiple_of(CONTROL_ROWS) {
            self.control_tick(t_s, controls);
        }
        self.rows += 1;
        let gearbox = self.gearbox_tick(controls);
        let inputs = self.inputs(controls, &gearbox);

        let (first, flows) = self.drivetrain.rates(&self.state, &inputs);
        self.flows = flows;
        let row = Row {
            t_s,
            state: self.state,
            flows,
            demand_percent: self.command.demand_percent,
            pedal_percent: controls.pedal_percent,
            brake: controls.brake,
            steering_rad: self.steering_rad,
            gear: f64::from(self.gearbox.gear()),
            supply_v: self.supply_v(),
            manoeuvre: self.driver.manoeuvre(),
            surfaces: self.surfaces(),
            contact_mps: [0.0; 4],
            slip_mps: 0.0,
            slip_rad_s: 0.0,
        }
        .with_slip(self.drivetrain.car(), self.drivetrain.radius_m());
        self.integrate(first, &inputs);
        Some(row)
    }

    fn integrate(&mut self, first: State, inputs: &Inputs) {
        let steps = (ROW_S / self.step_s).round() as u32;
        let rates = |s: &State| self.drivetrain.rates(s, inputs).0;
        let mut state = integrator::step(&self.state, &first, self.step_s, rates);
        for _ in 1..steps {
            let first = rates(&state);
            state = integrator::step(&state, &first, self.step_s, rates);
        }
        self.state = state;
    }

    fn control_tick(&mut self, t_s: f64, controls: &Controls) {
        let car = self.drivetrain.car();
        self.parts = fault::parts_at(car, &self.worst, &self.scenario.faults, t_s);
        for form in 0..4 {
            self.wiring_on[form] =
                self.spells[form].at(t_s, self.parts.wiring[form], &mut self.random);
        }
        let (w, r) = (&self.state.wheel_rad_s, self.drivetrain.radius_m());
        let nominal = car.tyres.rolling_radius_m;
        let front = 0.5 * (w[0] + w[1]) * nominal;
        let rear = 0.5 * (w[2] + w[3]) * nominal;
        let turn = self.state.yaw_rad_s * car.body.wheelbase_m;
        let sensed = Sensed {
            pedal_percent: controls.pedal_percent,
            speed_mps: rear,
            slip_mps: front.abs() - (rear * rear + turn * turn).sqrt(),
            steering_deg: controls.steering_rad.to_degrees(),
            pressure_bar: self.state.pressure_bar,
            plate_c: self.state.plate_c,
            abs_active: self.brakes.is_active(),
            inhibit: self.wiring_on[0],
            braking: controls.brake > 0.05,
        };
        self.command = self.control.tick(&car.control, &car.hydraulics, &sensed);
        let factor = self.parts.front_radius_factor;
        let b = self.built_radius_m;
        let radius_m = [b[0] * factor, b[1] * factor, b[2], b[3]];
        if radius_m != r {
            self.drivetrain.set_radius_m(radius_m);
        }
    }

    fn gearbox_tick(&mut self, controls: &Controls) -> GearboxOutput {
        let front = 0.5 * (self.state.wheel_rad_s[0] + self.state.wheel_rad_s[1]);
        let d = &self.scenario.car.driveline;
        let out = self.gearbox.tick(
            self.drivetrain.car(),
            controls.gear,
            self.state.engine_rad_s,
            front,
            controls.pedal_percent,
            ROW_S,
        );
        // What the input shaft loses the synchroniser turns to heat, less what it does on the case
        // (see the rates).
        if self.ratio == 0.0 {
            let energy = |speed: f64| 0.5 * d.input_inertia_kg_m2 * speed * speed;
            self.state.energy.gears_j +=
                energy(self.free_input_rad_s) - energy(out.free_input_rad_s);
        }
        self.free_input_rad_s = out.free_input_rad_s;
        if let Some(input_rad_s) = out.engaged_from_rad_s {
            let (state, heat_j) = self
                .drivetrain
                .engage_gear(&self.state, out.ratio, input_rad_s);
            self.state = state;
            self.state.energy.gears_j += heat_j;
        }
        self.ratio = out.ratio;
        out
    }

    fn supply_v(&self) -> f64 {
        self.parts.supply_v - self.parts.supply_ohm * self.flows.hydraulics.current_a
    }

    /// Surfaces under the front wheels.
    fn surfaces(&self) -> [Surface; 2] {
        let (road, from_m) = self.driver.road();
        let at_m = self.state.distance_m - from_m + self.scenario.car.body.front_to_centre_m;
        surface::at(road, at_m)
    }

    fn inputs(&mut self, controls: &Controls, gearbox: &GearboxOutput) -> Inputs {
        let (w, r) = (self.state.wheel_rad_s, self.drivetrain.radius_m());
        let brake_capacity_nm = self.brakes.tick(
            &self.scenario.car,
            controls.brake,
            std::array::from_fn(|i| w[i] * r[i]),
            self.state.forward_mps,
            ROW_S,
        );
        let car = &self.scenario.car;
        let share = engine::pedal_share(controls.pedal_percent);
        let mut engine_request_nm =
            engine::requested_nm(&car.engine, self.state.engine_rad_s, share, gearbox.allowed);
        if let Some(target) = gearbox.match_rad_s {
            // The gearbox asks the engine to turn as fast as the input shaft will.
            let ask = 1.2 * (target - self.state.engine_rad_s);
            engine_request_nm = ask.clamp(engine_request_nm.min(0.0), 140.0);
        }
        if self.steering_rad != controls.steering_rad {
            self.steering_rad = controls.steering_rad;
            let angles = body::road_wheel_angles_rad(&car.body, controls.steering_rad);
            self.steering_cos_sin = angles.map(|a| {
                let (sin, cos) = libm::sincos(a);
                [cos, sin]
            });
        }
        let (road, from_m) = self.driver.road();
        let along = self.state.distance_m - from_m;
        let places = body::wheel_places_m(&car.body);
        let contact = std::array::from_fn(|i| {
            let at = along + places[i][0];
            surface::under(road, at, i % 2 == 0)
        });
        let valve_share = 1.0 - libm::exp(-ROW_S / car.hydraulics.valve_lag_s);
        self.valve_bar += (self.command.valve_bar - self.valve_bar) * valve_share;
        let delivery = self.foam.delivery(
            self.parts.foam,
            self.flows.accel_lat_mps2,
            self.state.pump_rad_s,
            ROW_S,
            &mut self.random,
        );
        let (h, parts) = (&car.hydraulics, &self.parts);
        Inputs {
            engine_request_nm,
            clutch_capacity_nm: gearbox.clutch_capacity_nm,
            gear_ratio: gearbox.ratio,
            synchroniser_nm: gearbox
                .synchroniser
                .map_or(0.0, |(torque_nm, ratio)| -torque_nm * ratio),
            brake_capacity_nm,
            front_wheel_cos_sin: self.steering_cos_sin,
            grade: libm::sin(libm::atan(controls.grade)),
            crossfall: libm::sin(libm::atan(0.01 * self.plan.crossfall_percent)),
            headwind_mps: self.wind.tick(ROW_S),
            contact,
            hydraulics: HydraulicInputs {
                motor_v: self.command.motor_share * self.supply_v(),
                valve_bar: self.valve_bar,
                viscosity_mm2_s: self.oil.viscosity_mm2_s(self.state.fluid_c),
                clearance_m: parts.clearance_m,
                seal_leakage_m3_s_pa: parts.seal_leakage_m3_s_pa,
                pump_leakage_m3_s_pa: h.pump_leakage_m3_s_pa * parts.pump_leakage_factor,
                delivery: parts.pump_delivery * delivery,
                motor_resistance_ohm: h.motor_resistance_ohm * parts.motor_wear_factor,
                motor_friction_nm: h.motor_friction_nm * parts.motor_wear_factor,
                air_share: parts.air_share,
            },
            lining: parts.lining,
            tight_n: parts.tight_n,
            warp_share: parts.warp_share,
            air_c: self.plan.air_c,
        }
    }

    pub(super) fn instant(&self, t_ns: i64, row: &Row) -> Instant {
        Instant {
            t_ns,
            wheel_rad: row.state.wheel_rad,
            values: self.role_values(row),
            wire_broken: self.wiring_on[1],
        }
    }

    /// What each role truly is, in core units.
    fn role_values(&self, row: &Row) -> RoleValues {
        let mut values = [0.0; ROLE_COUNT];
        let s = &row.state;
        let flag = |on: bool| f64::from(u8::from(on));
        let pairs = [
            (Role::CouplingPressure, s.pressure_bar),
            (Role::CouplingDemand, row.demand_percent),
            (Role::CouplingTemperature, s.fluid_c),
            (Role::CouplingPumpCurrent, row.flows.hydraulics.current_a),
            (Role::CouplingInhibited, flag(self.command.inhibited)),
            (Role::EngineTorque, s.engine_torque_nm),
            (Role::EngineSpeed, s.engine_rad_s),
            (Role::PedalAccelerator, row.pedal_percent),
            (Role::PedalBrake, 100.0 * row.brake),
            (Role::Gear, row.gear),
            (Role::SteeringAngle, row.steering_rad),
            (Role::BodyYawRate, s.yaw_rad_s),
            (Role::BodyAccelLong, row.flows.accel_long_mps2),
            (Role::BodyAccelLat, row.flows.accel_lat_mps2),
            (Role::GroundSpeed, s.forward_mps.abs()),
            (Role::AmbientTemperature, self.plan.air_c),
            (Role::AbsActive, flag(self.brakes.is_active())),
            (Role::TractionActive, 0.0),
            (Role::SupplyVoltage, row.supply_v),
        ];
        for (role, value) in pairs {
            if let Some(slot) = values.get_mut(role as usize) {
                *slot = value;
            }
        }
        values
    }

    fn stored_energy_j(&self) -> f64 {
        let free = self.free_input_rad_s;
        let shaft = if self.ratio == 0.0 {
            0.5 * self.scenario.car.driveline.input_inertia_kg_m2 * free * free
        } else {
            0.0
        };
        self.drivetrain.stored_energy_j(&self.state, self.ratio) + shaft
    }

    /// Energy that came in less what is stored and lost, over what came in.
    pub(super) fn energy_residual(&self) -> f64 {
        let e = &self.state.energy;
        let lost = e.clutch_j
            + e.gears_j
            + e.shaft_j
            + e.coupling_j
            + e.brakes_j
            + e.tyres_j
            + e.rolling_j
            + e.air_j;
        let stored = self.stored_energy_j() - self.start_energy_j;
        let turned_over = lost + stored.abs();
        (e.engine_j + e.grade_j - lost - stored) / turned_over.max(1.0)
    }
}

/// Each wheel's rolling radius as the car was built.
fn built_radii(scenario: &Scenario) -> [f64; 4] {
    let tyres = &scenario.car.tyres;
    // A stream of its own drive number keeps these draws clear of the sensors'.
    let mut random = Stream::new(scenario.car_seed, usize::from(u16::MAX), Purpose::Car);
    std::array::from_fn(|_| {
        tyres.rolling_radius_m * (1.0 + tyres.radius_spread * random.normal().clamp(-2.5, 2.5))
    })
}
