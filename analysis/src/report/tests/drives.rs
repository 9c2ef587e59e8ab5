//! Made-up drives of a made-up car, from a seed: before and after a rebuild that helped, before and
//! after nothing at all, and none; compared as any drives are. For the tests of pages, and for the
//! example that prints one.

use crate::comparison::{Comparison, compare};
use crate::engagement::{Conditions, Kind, Reference};
use crate::kinematics::RadiusRatio;
use crate::measure::{Estimate, Measure, Measured, Missing, TransferEstimate, TransferMethod};
use crate::measures::{DriveMeasures, Engagement, Trace};
use crate::report::{ReportNotes, comparison_report};
use crate::trial::Random;
use crate::vehicle::{Coupling, Driveline, Geometry, Mass, PressureLaw, Tyres, Vehicle};
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Unit;

/// All that a report is made of.
pub(crate) struct Made {
    pub(crate) comparison: Comparison,
    pub(crate) before: Vec<DriveMeasures>,
    pub(crate) after: Vec<DriveMeasures>,
    pub(crate) vehicle: Vehicle,
    pub(crate) notes: ReportNotes,
}

impl Made {
    pub(crate) fn report(&self) -> String {
        comparison_report(
            &self.comparison,
            &self.before,
            &self.after,
            &self.vehicle,
            &self.notes,
        )
    }
}

/// A state of the coupling.
#[derive(Clone, Copy)]
struct State {
    dead_time_s: f64,
    time_constant_s: f64,
    torque_nm_per_bar: f64,
}

const WORN: State = State {
    dead_time_s: 0.085,
    time_constant_s: 0.085,
    torque_nm_per_bar: 34.0,
};
const REBUILT: State = State {
    dead_time_s: 0.038,
    time_constant_s: 0.045,
    torque_nm_per_bar: 52.0,
};

/// A rebuild that helped.
pub(crate) fn improved(seed: u64) -> Made {
    made(seed, WORN, REBUILT)
}

/// Nothing was done.
pub(crate) fn unchanged(seed: u64) -> Made {
    made(seed, WORN, WORN)
}

/// No drive at all.
pub(crate) fn empty() -> Made {
    Made {
        comparison: compare(&[], &[]),
        before: Vec::new(),
        after: Vec::new(),
        vehicle: Vehicle {
            name: "car without data".to_owned(),
            ..Vehicle::default()
        },
        notes: ReportNotes::default(),
    }
}

fn made(seed: u64, before: State, after: State) -> Made {
    let mut noise = Random::new(seed);
    let before = drives(&mut noise, before, "before");
    let after = drives(&mut noise, after, "after");
    let notes = ReportNotes {
        work: Some("new discs, pack set to 1.2 mm; pump strainer cleaned".to_owned()),
        work_details: vec!["found: two discs glazed".to_owned()],
        made: Some("3 May 2026".to_owned()),
        demand_unit: Some(Unit::Percent),
        reminders: Vec::new(),
    };
    Made {
        comparison: compare(&before, &after),
        before,
        after,
        vehicle: car(),
        notes,
    }
}

fn car() -> Vehicle {
    Vehicle {
        name: "training estate car".to_owned(),
        decoder: "training-estate.toml".to_owned(),
        geometry: Geometry {
            wheelbase_m: Some(2.68),
            track_front_m: Some(1.55),
            track_rear_m: Some(1.54),
        },
        tyres: Tyres {
            rolling_radius_m: Some(0.316),
        },
        mass: Mass {
            kg: Some(1640.0),
            ..Mass::default()
        },
        driveline: Driveline {
            gear_ratios: Some(vec![3.36, 2.09, 1.47, 1.1, 0.87]),
            final_drive: Some(3.94),
            rear_drive_ratio: Some(2.53),
            efficiency: Some(0.92),
        },
        coupling: Coupling {
            friction_surfaces: Some(12),
            outer_radius_m: Some(0.0575),
            inner_radius_m: Some(0.0455),
            pressure_law: Some(PressureLaw::UniformPressure),
            piston_area_m2: Some(0.0046),
            return_force_n: Some(180.0),
            friction_coefficient: Some(0.12),
            max_pressure_bar: Some(30.0),
            ..Coupling::default()
        },
    }
}

fn drives(noise: &mut Random, state: State, name: &str) -> Vec<DriveMeasures> {
    (0..4_i64)
        .map(|i| drive(noise, state, &format!("{name} {}.pcapng.zst", i + 1), i))
        .collect()
}

fn drive(noise: &mut Random, state: State, name: &str, index: i64) -> DriveMeasures {
    let start_ns = 1_772_000_000_000_000_000 + index * 86_400_000_000_000;
    let temperature_c = 36.0 + 9.0 * index as f64 + 3.0 * noise.normal();
    let mut at_ns = start_ns + 40_000_000_000;
    let engagements = (0..12)
        .map(|k| {
            at_ns += 25_000_000_000 + (noise.uniform() * 2e10) as i64;
            let kind = if k % 2 == 0 {
                Kind::Launch
            } else {
                Kind::TipIn
            };
            engagement(
                noise,
                state,
                kind,
                at_ns,
                temperature_c + 0.8 * f64::from(k),
            )
        })
        .collect();
    let ratio = |noise: &mut Random| good(1.0 + 0.002 * noise.normal(), 0.0004, "coasting", 4000);
    DriveMeasures {
        name: name.to_owned(),
        start_ns,
        duration_s: 540.0 + 60.0 * noise.uniform(),
        frames: 412_000 + (noise.uniform() * 5e4) as u64,
        noise_slip_mps: good(0.021 + 0.002 * noise.normal(), 0.0008, "coasting", 4000),
        radius_ratio: RadiusRatio {
            front_left: ratio(noise),
            front_right: ratio(noise),
            rear_left: ratio(noise),
            rear_right: Err(Missing::NoSuitableStretch("straight coasting stretch")),
        },
        engagements,
        coupling_model: Default::default(),
        tested: Default::default(),
        ground_speed: Default::default(),
        warnings: if index == 2 && name.starts_with('b') {
            vec!["the capture is cut off after 9.2 minutes; all whole blocks were read".to_owned()]
        } else {
            Vec::new()
        },
    }
}

fn good(value: f64, u: f64, method: &'static str, samples: usize) -> Measured {
    Ok(Estimate {
        value,
        u,
        method,
        samples,
    })
}

/// Simulates slip and pressure of one engagement in steps of 10 ms, and reads its measures off.
fn engagement(
    noise: &mut Random,
    state: State,
    kind: Kind,
    reference_ns: i64,
    temperature_c: f64,
) -> Engagement {
    const STEP_S: f64 = 0.01;
    let launch = kind == Kind::Launch;
    let demand_step = 55.0 + 30.0 * noise.uniform();
    let full_bar = 0.27 * demand_step;
    let scatter = 1.0 + 0.06 * noise.normal();
    let dead_s = state.dead_time_s * scatter * (1.0 + 0.004 * (60.0 - temperature_c));
    let tau_s = state.time_constant_s * (1.0 + 0.05 * noise.normal());
    let drive_nm = (if launch { 2100.0 } else { 1500.0 }) * (1.0 + 0.1 * noise.normal());
    let mut trace = Trace::default();
    let (mut slip, mut peak, mut distance, mut work, mut slipped_s) = (0.0_f64, 0.0, 0.0, 0.0, 0.0);
    let mut t_s = -0.5;
    while t_s < 2.5 {
        let since = t_s - dead_s;
        let bar = if since > 0.0 {
            full_bar * (1.0 - (-since / tau_s).exp())
        } else {
            0.0
        };
        let engine = drive_nm * ((t_s + 0.2) / 0.35).clamp(0.0, 1.0) * (1.0 - 0.15 * t_s.max(0.0));
        let carried = 700.0 + 2.53 * state.torque_nm_per_bar * bar + 160.0 * slip;
        slip = (slip + (engine - carried) / 520.0 * STEP_S * 9.0).max(0.0);
        peak = slip.max(peak);
        distance += slip * STEP_S;
        work += slip / 0.316 * 2.53 * state.torque_nm_per_bar * bar * STEP_S;
        slipped_s += if slip > 0.1 * peak && slip > 0.06 {
            STEP_S
        } else {
            0.0
        };
        trace.slip_t_s.push(t_s);
        trace.slip_mps.push(slip + 0.021 * noise.normal());
        trace.pressure_t_s.push(t_s);
        trace
            .pressure_bar
            .push(((bar + 0.08 * noise.normal()) * 10.0).round() / 10.0);
        trace.demand_t_s.push(t_s);
        trace
            .demand
            .push(if t_s >= 0.0 { demand_step } else { 0.0 });
        t_s += STEP_S;
    }
    let unfinished = noise.uniform() < 0.05;
    let no_crossing = |percent| {
        Err(Missing::NoCrossing {
            role: Role::CouplingPressure,
            percent,
        })
    };
    let read = |value: f64, relative_u: f64, noise: &mut Random| {
        let u = value.abs() * relative_u;
        good(value + u * noise.normal(), u, "crossing times", 30)
    };
    let share = (0.5 * 2.53 * state.torque_nm_per_bar * full_bar / drive_nm).min(0.5);
    let measures = Measure::each(|measure| match measure {
        Measure::DeadTime => good(
            1e3 * (dead_s + 0.105 * tau_s) + 3.0 * noise.normal(),
            3.0,
            "",
            9,
        ),
        Measure::RiseTime if unfinished => no_crossing(90),
        Measure::RiseTime => read(2197.0 * tau_s, 0.03, noise),
        Measure::EngagementDelay => good(
            1e3 * (dead_s + 0.693 * tau_s) + 3.0 * noise.normal(),
            3.0,
            "",
            9,
        ),
        Measure::PeakSlip => good(peak + 0.02 * noise.normal(), 0.021, "largest sample", 1),
        Measure::SlipTime => read(1e3 * slipped_s, 0.03, noise),
        Measure::SlipDistance => read(distance, 0.02, noise),
        Measure::SteadySlip => good(0.02 + 0.01 * noise.normal(), 0.008, "median", 60),
        Measure::FrictionWork => read(work, 0.12, noise),
        Measure::FrictionWorkPerArea => Err(Missing::VehicleKey("coupling.friction_surfaces")),
        Measure::TransferFraction => read(share, 0.08, noise),
        Measure::Hold if launch => good(0.6 + 0.5 * noise.normal(), 0.4, "slope", 120),
        Measure::Hold => Err(Missing::NoHeldPart),
        Measure::Ripple => read(0.11, 0.1, noise),
    });
    Engagement {
        start_ns: reference_ns - 200_000_000,
        end_ns: reference_ns + 2_500_000_000,
        kind,
        reference: Reference::Demand,
        reference_ns,
        conditions: Conditions {
            speed_mps: Some(if launch {
                0.0
            } else {
                6.0 + 8.0 * noise.uniform()
            }),
            demand_step: Some(demand_step),
            accelerator_percent: Some(demand_step + 5.0 * noise.normal()),
            accelerator_rate_percent_per_s: Some(180.0 + 40.0 * noise.normal()),
            fluid_temperature_c: Some(temperature_c),
            engine_torque_nm: Some(drive_nm / 7.0),
        },
        measures,
        tested: Default::default(),
        transfer: vec![TransferEstimate {
            method: TransferMethod::Hydraulic,
            fraction: read(share, 0.08, noise),
            assumption: "the friction coefficient of the vehicle file holds, and driveline losses are \
                         alike on both axles",
            upper_bound: !launch,
        }],
        trace,
    }
}
