//! The cases: for each car a healthy baseline, healthy drives of another day, every cause, and
//! some pairs.

use serde::{Deserialize, Serialize};
use slipwright_analysis::diagnosis::{DriveRecord, observe};
use slipwright_analysis::readiness;
use slipwright_analysis::traffic_watch::TrafficWatch;
use slipwright_decoders::frame::BusIndex;
use slipwright_sample::fault::{Cause, Fault, WiringForm};
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::memory::Recording;
use slipwright_sample::random::{Purpose, Stream};
use slipwright_sample::scenario::{Campaign, Scenario};
use slipwright_sample::surface::{Stretch, Surface};

use crate::measured;

/// How a set is driven.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Set {
    /// How many drives.
    pub(crate) drives: u32,
    /// Whether each holds gentle pull-aways and slow circles with the coupling closed.
    pub(crate) circles: bool,
}

/// One set of drives.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Case {
    /// Seed of the car.
    pub(crate) car: u64,
    /// Whether these are the car's healthy drives to judge against.
    pub(crate) baseline: bool,
    /// What is wrong, as the simulator calls it.
    pub(crate) faults: Vec<(String, f64)>,
    /// What was observed.
    pub(crate) records: Vec<DriveRecord>,
    /// The vehicle file.
    pub(crate) vehicle_toml: String,
}

/// Causes that are both simulated and diagnosed.
const CAUSES: [Cause; 10] = [
    Cause::WeakPump,
    Cause::LeakingPistonSeal,
    Cause::WornLining,
    Cause::ExcessClearance,
    Cause::DraggingPack,
    Cause::AeratedFluid,
    Cause::WarpedPlate,
    Cause::Shudder,
    Cause::InhibitedOrWiring,
    Cause::TyreMismatch,
];
/// Pairs a car.
const PAIRS: usize = 3;
/// Healthy sets a car, beside the baseline.
const HEALTHY: usize = 2;

/// The training car with other tyres and sensors, another car that speaks as it does, or one that
/// nobody has described.
fn car_of(seed: u64) -> Scenario {
    let mut car = match seed % 6 {
        0 | 2 | 4 => Scenario {
            car_seed: seed,
            ..Scenario::default()
        },
        1 | 3 => Scenario {
            car_seed: seed,
            car: slipwright_sample::car::Car::drawn(seed),
            ..Scenario::default()
        },
        _ => Scenario::unknown_car(seed),
    };
    // Traffic that nobody decodes only takes time.
    car.bus.load = [0.0; 2];
    car
}

pub(crate) fn car(seed: u64, how: Set, each: &mut dyn FnMut(Case)) {
    let mut random = Stream::new(seed, 77, Purpose::Programme);
    let car = car_of(seed);
    let mut number = 0;
    let mut case = |faults: Vec<Fault>, baseline: bool, random: &mut Stream| {
        number += 1;
        let records = set(&car, seed * 100 + number, how, faults.clone(), random);
        each(Case {
            car: seed,
            baseline,
            faults: faults
                .iter()
                .map(|f| (f.cause.text().to_owned(), f.severity))
                .collect(),
            records: records.0,
            vehicle_toml: records.1,
        });
    };
    case(Vec::new(), true, &mut random);
    for _ in 0..HEALTHY {
        case(Vec::new(), false, &mut random);
    }
    for cause in CAUSES {
        let fault = fault(cause, &mut random);
        case(vec![fault], false, &mut random);
    }
    for _ in 0..PAIRS {
        let a = pick(&mut random);
        let b = loop {
            let b = pick(&mut random);
            if b != a {
                break b;
            }
        };
        let pair = vec![fault(a, &mut random), fault(b, &mut random)];
        case(pair, false, &mut random);
    }
}

fn pick(random: &mut Stream) -> Cause {
    let k = (random.uniform() * CAUSES.len() as f64) as usize;
    CAUSES[k.min(CAUSES.len() - 1)]
}

fn fault(cause: Cause, random: &mut Stream) -> Fault {
    let severity = random.between(0.3, 1.0);
    match cause {
        Cause::InhibitedOrWiring => {
            let forms = [
                WiringForm::Inhibit,
                WiringForm::WheelWire,
                WiringForm::MessageGaps,
                WiringForm::Stale,
            ];
            let k = (random.uniform() * 4.0) as usize;
            Fault::wiring(forms[k.min(3)], severity)
        }
        _ => Fault::new(cause, severity),
    }
}

/// Drives of one set: another road, driver and temperature than the next.
fn scenario_of(
    car: &Scenario,
    seed: u64,
    how: Set,
    faults: Vec<Fault>,
    random: &mut Stream,
) -> Scenario {
    let surfaces = [
        vec![Surface::Gravel],
        vec![Surface::Wet, Surface::Gravel],
        vec![Surface::Gravel, Surface::Dry],
        vec![Surface::Gravel, Surface::Snow],
    ];
    // Most people go back to the road where they drove before.
    let k = match random.chance(0.7) {
        true => car.car_seed as usize % surfaces.len(),
        false => (random.uniform() * surfaces.len() as f64) as usize,
    };
    let low = random.between(58.0, 70.0);
    let cold = random.between(25.0, 45.0);
    let campaign = Campaign {
        drives: how.drives,
        launches: 5,
        tip_ins: 4,
        turn_ins: 1,
        coasts: 2,
        throttle_percent: [low, low + 20.0],
        fluid_c: [cold, cold + 20.0],
        surfaces: surfaces[k.min(surfaces.len() - 1)].clone(),
        ..Campaign::default()
    };
    let mut scenario = Scenario {
        seed,
        faults,
        ..car.clone()
    }
    .with_campaign(&campaign);
    for plan in scenario.drives.iter_mut().filter(|_| how.circles) {
        let at = plan.programme.len().saturating_sub(2);
        let slow = slow_sliding(car.car.control.pedal_on_percent, random);
        plan.programme.splice(at..at, slow);
    }
    scenario
}

/// What is observed of such a set, and the vehicle file.
fn set(
    car: &Scenario,
    seed: u64,
    how: Set,
    faults: Vec<Fault>,
    random: &mut Stream,
) -> (Vec<DriveRecord>, String) {
    let scenario = scenario_of(car, seed, how, faults, random);
    let mut toml = String::new();
    let records = (0..how.drives as usize)
        .map(|index| {
            let recording = Recording::of(&scenario, index).expect("the layout fits");
            toml.clone_from(&recording.vehicle_toml);
            record(&format!("{seed}-{index}"), &recording)
        })
        .collect();
    (records, toml)
}

/// What makes the pack slip slowly for long, as a mechanic would drive to hear shudder or feel a
/// plate: gentle pull-aways with the pedal just past where the coupling closes, and slow circles uphill.
fn slow_sliding(pedal_on_percent: f64, random: &mut Stream) -> Vec<Manoeuvre> {
    let mut list = Vec::new();
    let firm = random.pick(&[Surface::Dry, Surface::Wet]);
    // One way at jogging pace, the other a little faster: some packs shudder only there.
    for (side, mps) in [(1.0, 4.1), (-1.0, 5.1)] {
        list.push(Manoeuvre {
            throttle_percent: pedal_on_percent + random.between(7.0, 16.0),
            rise_s: random.between(0.6, 1.0),
            rest_s: 1.0,
            seconds: 5.0,
            to_mps: 12.0,
            ..Manoeuvre::usual(Kind::Launch)
        });
        list.push(Manoeuvre {
            throttle_percent: pedal_on_percent + random.between(8.0, 14.0),
            from_mps: mps - random.between(0.2, 0.6),
            to_mps: mps + random.between(0.0, 0.4),
            steering_deg: side * random.between(270.0, 310.0),
            grade_percent: random.between(10.0, 13.0),
            road: vec![Stretch {
                from_m: 0.0,
                left: firm,
                right: firm,
            }],
            ..Manoeuvre::usual(Kind::Circle)
        });
    }
    list
}

/// What the diagnosis observes of a recording.
fn record(name: &str, recording: &Recording) -> DriveRecord {
    let vehicle = measured::vehicle(recording);
    let mut watch = TrafficWatch::new();
    for (index, name) in (0..).zip(&recording.buses) {
        watch.add_bus(BusIndex::new(index), name);
    }
    for stored in &recording.frames {
        watch.push(&stored.frame());
    }
    let traffic = watch.finish();
    let signals = recording.signals();
    let span = measured::span(recording);
    let recorded = readiness::Recording {
        signals: &signals,
        described: &recording.decoder,
        traffic: &traffic,
        span,
    };
    observe(name, &recorded, &vehicle)
}
