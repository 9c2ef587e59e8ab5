//! One drive: the loop in which driver, control units, drivetrain, sensors and buses run together,
//! a millisecond at a time.

use slipwright_decoders::frame::Frame;
use slipwright_decoders::role::Role;

use crate::body;
use crate::brakes::Brakes;
use crate::bus::{Bus, MessageFaults, Received};
use crate::control_unit::{Command, ControlUnit, Sensed};
use crate::driver::{Controls, Driver};
use crate::drivetrain::{Drivetrain, Flows, Inputs};
use crate::engine;
use crate::fault::{self, Foam, Parts, Spells};
use crate::gearbox::{Gearbox, GearboxOutput};
use crate::hydraulics::{HydraulicInputs, Oil};
use crate::integrator;
use crate::layout::Message;
use crate::random::{Purpose, Stream};
use crate::readings::{Instant, ROLE_COUNT, Readings, RoleValues};
use crate::scenario::{DrivePlan, Scenario};
use crate::state::State;
use crate::surface;
use crate::truth::{
    EngagementFinder, ROW_S, Row, TableBuilder, Thresholds, TrueEngagement, TruthTable,
};
use crate::wheel_sensor::{self, WheelSensor};

/// The integrator's step, s.
pub const STEP_S: f64 = 0.000_5;

/// Rows between two periods of the control units.
const CONTROL_ROWS: u64 = 10;
/// ns in a row.
const ROW_NS: i64 = 1_000_000;
/// Time that the buses stay awake after the programme is done, s.
const AFTER_S: f64 = 0.5;
/// Steering wheel angle from which an engagement counts as a turn-in: curvature 0.02 1/m.
const TURN_CURVATURE_PER_M: f64 = 0.02;

/// Takes what a drive makes as it is made.
pub trait DriveSink {
    /// Why it could not take it.
    type Error;

    /// A frame that the recorder received; stamps never step back.
    ///
    /// # Errors
    /// Ends the drive.
    fn frame(&mut self, frame: &Frame<'_>) -> Result<(), Self::Error>;

    /// The next rows of the truth, at most [`crate::truth::TABLE_ROWS`] at a time.
    ///
    /// # Errors
    /// Ends the drive.
    fn truth(&mut self, table: TruthTable) -> Result<(), Self::Error>;

    /// Whether truth rows are wanted; without, none are kept.
    fn wants_truth(&self) -> bool {
        true
    }

    /// How far the drive is, s.
    fn at(&mut self, t_s: f64) {
        let _ = t_s;
    }
}

/// What is true of a drive as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct DriveTruth {
    /// First to last frame, s.
    pub duration_s: f64,
    /// Frames given to the sink.
    pub frames: u64,
    /// Each wheel's rolling radius over the rear mean.
    pub radius_ratio: [f64; 4],
    /// Engagements in time order; times in s from the capture's first frame.
    pub engagements: Vec<TrueEngagement>,
    /// Wheel speed below which the sensors tell nothing, m/s.
    pub dropout_speed_mps: f64,
    /// Standard deviation that the wheel sensors add to slip, m/s.
    pub noise_slip_mps: f64,
    /// Share of its time that each bus was taken, 0 to 1.
    pub bus_load: Vec<f64>,
    /// How well the energy balance closes: residual over the energy turned over.
    pub energy_residual: f64,
}

/// Simulates only the states of a drive, without sensors and buses; gives its engagements, with
/// times in s from the drive's start.
pub fn states(
    scenario: &Scenario,
    seed: u64,
    index: usize,
    mut each: impl FnMut(&Row),
) -> Vec<TrueEngagement> {
    let Some(plan) = scenario.drives.get(index) else { return Vec::new() };
    let mut run = Run::new(scenario, plan, seed, index, STEP_S);
    let wheel_period_s = scenario.layout.wheel_period_ms * 1e-3;
    let mut finder = EngagementFinder::new(Thresholds::of(&scenario.car, wheel_period_s));
    while let Some(row) = run.next_row() {
        finder.push(&row);
        each(&row);
    }
    finder.into_engagements()
}

/// Wheel speed below which the wheel sensors of a scenario's car tell nothing, m/s.
#[must_use]
pub fn dropout_mps(scenario: &Scenario) -> f64 {
    Thresholds::of(&scenario.car, 0.01).dropout_mps
}

/// Everything that runs in a drive.
struct Run<'a> {
    scenario: &'a Scenario,
    plan: &'a DrivePlan,
    drivetrain: Drivetrain,
    built_radius_m: [f64; 4],
    oil: Oil,
    driver: Driver,
    gearbox: Gearbox,
    brakes: Brakes,
    control: ControlUnit,
    command: Command,
    valve_bar: f64,
    parts: Parts,
    foam: Foam,
    spells: [Spells; 4],
    wiring_on: [bool; 4],
    state: State,
    flows: Flows,
    steering_cos_sin: [[f64; 2]; 2],
    steering_rad: f64,
    ratio: f64,
    free_input_rad_s: f64,
    start_energy_j: f64,
    random: Stream,
    step_s: f64,
    /// Rows made so far.
    rows: u64,
    /// Rows still to make after the programme is done.
    rows_after: u64,
}

/// Simulates drive number `index` of a scenario into a sink.
///
/// # Errors
/// The sink's.
pub fn simulate<S: DriveSink>(
    scenario: &Scenario,
    seed: u64,
    index: usize,
    messages: &[Message],
    sink: &mut S,
) -> Result<DriveTruth, S::Error> {
    let Some(plan) = scenario.drives.get(index) else {
        return Ok(DriveTruth::empty());
    };
    let mut run = Run::new(scenario, plan, seed, index, STEP_S);
    let mut readings = Readings::new(
        scenario.car_seed,
        Stream::new(seed, index, Purpose::Sensors),
        scenario.car.tyres.rolling_radius_m,
        scenario.rings,
        Instant::start(&run.state),
    );
    let mut buses: Vec<Bus> = (0..scenario.layout.buses)
        .map(|bus| {
            let options = scenario.bus.clone();
            Bus::new((scenario.car_seed, seed), index, bus, options, messages, scenario.layout.extended)
        })
        .collect();
    let wheel_period_s = scenario.layout.wheel_period_ms * 1e-3;
    let thresholds = Thresholds::of(&scenario.car, wheel_period_s);
    let mut out = Output::new(plan.start_ns, EngagementFinder::new(thresholds));

    while let Some(row) = run.next_row() {
        let t_ns = (run.rows - 1) as i64 * ROW_NS;
        readings.advance(run.instant(t_ns, &row));
        if t_ns > 0 {
            let faults = MessageFaults { gap: run.wiring_on[2], stale: run.wiring_on[3] };
            for bus in &mut buses {
                bus.advance(t_ns, &mut readings, faults, &mut out.received);
            }
        }
        out.take(&row, t_ns, sink)?;
        if run.rows % 1000 == 0 {
            sink.at(row.t_s);
        }
    }
    let duration_ns = run.rows as i64 * ROW_NS;
    let bits: Vec<u64> = buses.iter().map(Bus::bits_sent).collect();
    out.finish(sink)?;
    let rear_m = 0.5 * (run.built_radius_m[2] + run.built_radius_m[3]);
    let radius_m = run.drivetrain.radius_m();
    Ok(DriveTruth {
        duration_s: out.duration_s(),
        frames: out.frames,
        radius_ratio: radius_m.map(|r| r / rear_m),
        engagements: out.engagements(),
        dropout_speed_mps: thresholds.dropout_mps,
        noise_slip_mps: thresholds.onset_mps / Thresholds::ONSET_DEVIATIONS,
        bus_load: bits
            .iter()
            .map(|&bits| bits as f64 / scenario.bus.bit_rate_bps / (duration_ns as f64 * 1e-9))
            .collect(),
        energy_residual: run.energy_residual(),
    })
}

impl DriveTruth {
    fn empty() -> Self {
        Self {
            duration_s: 0.0,
            frames: 0,
            radius_ratio: [1.0; 4],
            engagements: Vec::new(),
            dropout_speed_mps: 0.0,
            noise_slip_mps: 0.0,
            bus_load: Vec::new(),
            energy_residual: 0.0,
        }
    }
}

impl Thresholds {
    /// Deviations of noise that slip must leave (definition 8).
    pub const ONSET_DEVIATIONS: f64 = 3.0;

    fn of(car: &crate::car::Car, wheel_period_s: f64) -> Self {
        let radius_m = car.tyres.rolling_radius_m;
        let noise = wheel_sensor::slip_noise_rad_s(wheel_period_s) * radius_m;
        let angle = libm::atan(TURN_CURVATURE_PER_M * car.body.wheelbase_m);
        Self {
            dropout_mps: WheelSensor::dropout_rad_s() * radius_m,
            onset_mps: Self::ONSET_DEVIATIONS * noise,
            steering_rad: angle * car.body.steering_ratio,
        }
    }
}

impl<'a> Run<'a> {
    fn new(
        scenario: &'a Scenario,
        plan: &'a DrivePlan,
        seed: u64,
        index: usize,
        step_s: f64,
    ) -> Self {
        let car = &scenario.car;
        let built_radius_m = built_radii(scenario);
        let parts = fault::parts_at(car, &scenario.faults, 0.0);
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
            oil: Oil::new(car.hydraulics.viscosity_40_mm2_s, car.hydraulics.viscosity_100_mm2_s),
            driver: Driver::new(&plan.programme, &plan.road, &mut programme),
            gearbox: Gearbox::new(),
            brakes: Brakes::new(),
            control: ControlUnit::new(),
            command: Command::default(),
            valve_bar: 0.0,
            parts,
            foam: Foam::default(),
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
            rows_after: (AFTER_S / ROW_S) as u64,
        };
        run.start_energy_j = run.stored_energy_j();
        run
    }

    /// The next row: control units and inputs of the millisecond that begins at it, and what then
    /// flows. The states go on to the row after it. `None` when the drive is over.
    fn next_row(&mut self) -> Option<Row> {
        let controls = match self.driver.tick(self.drivetrain.car(), &self.state, ROW_S) {
            Some(controls) => controls,
            None if self.rows_after == 0 => return None,
            None => {
                self.rows_after -= 1;
                Controls { brake: 0.5, gear: 1, ..Controls::default() }
            }
        };
        let controls = &controls;
        let t_s = self.rows as f64 * ROW_S;
        if self.rows % CONTROL_ROWS == 0 {
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
        self.parts = fault::parts_at(car, &self.scenario.faults, t_s);
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
        let out = self.gearbox.tick(
            self.drivetrain.car(),
            controls.gear,
            self.state.engine_rad_s,
            front,
            controls.pedal_percent,
            ROW_S,
        );
        if out.disengaged {
            self.free_input_rad_s =
                self.ratio * self.drivetrain.car().driveline.final_drive * front;
        }
        if let Some(input_rad_s) = out.engaged_from_rad_s {
            let (state, heat_j) = self.drivetrain.engage_gear(&self.state, out.ratio, input_rad_s);
            self.state = state;
            self.state.energy.gears_j += heat_j;
            self.free_input_rad_s = 0.0;
        }
        self.ratio = out.ratio;
        out
    }

    fn supply_v(&self) -> f64 {
        self.parts.supply_v - self.parts.supply_ohm * self.flows.hydraulics.current_a
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
            brake_capacity_nm,
            front_wheel_cos_sin: self.steering_cos_sin,
            grade: libm::sin(libm::atan(controls.grade)),
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

    fn instant(&self, t_ns: i64, row: &Row) -> Instant {
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
    fn energy_residual(&self) -> f64 {
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

#[cfg(test)]
mod checks;

/// Puts frames and rows in order and gives them to the sink.
struct Output {
    start_ns: i64,
    received: Vec<Received>,
    /// When the first and last frame came, ns from the drive's start.
    first_ns: Option<i64>,
    last_ns: i64,
    frames: u64,
    /// Rows before the first frame: their time cannot be told yet.
    early: Vec<Row>,
    table: TableBuilder,
    finder: Option<EngagementFinder>,
    found: Vec<TrueEngagement>,
}

impl Output {
    fn new(start_ns: i64, finder: EngagementFinder) -> Self {
        Self {
            start_ns,
            received: Vec::new(),
            first_ns: None,
            last_ns: 0,
            frames: 0,
            early: Vec::new(),
            table: TableBuilder::default(),
            finder: Some(finder),
            found: Vec::new(),
        }
    }

    /// Hands on what was received before `t_ns`; nothing earlier can come any more.
    fn frames_until<S: DriveSink>(&mut self, t_ns: i64, sink: &mut S) -> Result<(), S::Error> {
        self.received.sort_by_key(|frame| frame.t_ns);
        let ready = self.received.partition_point(|frame| frame.t_ns < t_ns);
        for received in self.received.drain(..ready) {
            self.first_ns.get_or_insert(received.t_ns);
            self.last_ns = received.t_ns;
            self.frames += 1;
            sink.frame(&received.frame(self.start_ns))?;
        }
        Ok(())
    }

    fn take<S: DriveSink>(&mut self, row: &Row, t_ns: i64, sink: &mut S) -> Result<(), S::Error> {
        // A frame that begins before this row may end after it, but none that begins later can
        // end before it.
        self.frames_until(t_ns, sink)?;
        match self.first_ns {
            None => self.early.push(*row),
            Some(_) => {
                for row in std::mem::take(&mut self.early) {
                    self.row(row, sink)?;
                }
                self.row(*row, sink)?;
            }
        }
        Ok(())
    }

    fn row<S: DriveSink>(&mut self, mut row: Row, sink: &mut S) -> Result<(), S::Error> {
        row.t_s -= self.first_ns.unwrap_or(0) as f64 * 1e-9;
        if let Some(finder) = &mut self.finder {
            finder.push(&row);
        }
        if sink.wants_truth()
            && let Some(table) = self.table.push(&row)
        {
            sink.truth(table)?;
        }
        Ok(())
    }

    fn finish<S: DriveSink>(&mut self, sink: &mut S) -> Result<(), S::Error> {
        self.frames_until(i64::MAX, sink)?;
        for row in std::mem::take(&mut self.early) {
            self.row(row, sink)?;
        }
        if sink.wants_truth() {
            let table = self.table.take();
            if table.rows() > 0 {
                sink.truth(table)?;
            }
        }
        if let Some(finder) = self.finder.take() {
            self.found = finder.into_engagements();
        }
        Ok(())
    }

    fn duration_s(&self) -> f64 {
        (self.last_ns - self.first_ns.unwrap_or(0)) as f64 * 1e-9
    }

    fn engagements(&mut self) -> Vec<TrueEngagement> {
        std::mem::take(&mut self.found)
    }
}
