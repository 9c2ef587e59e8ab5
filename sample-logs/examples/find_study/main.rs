//! How often finding is right: cars drawn from seeds, a five-minute drive each, the true layout
//! beside what was found.
//!
//!     cargo run --example find_study -- [CARS] [FIRST_SEED] [wheels|none] [-v]
//!
//! `none` takes the wheel speeds off the bus, as behind a gateway: whatever is then found is false.
//! The reference is the recording's satellite speed; `obd` leaves it out and relies on OBD-II answers
//! in the capture, where the car has them.

#![allow(clippy::print_stdout, reason = "it is a program")]

mod judge;
mod tally;

use std::time::Instant;

use slipwright_decoders::find::reference::ReferenceKind;
use slipwright_decoders::find::{FindOptions, SpeedReference, Survey, find};
use slipwright_decoders::frame::BusIndex;
use slipwright_decoders::role::Role;
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::memory::Recording;
use slipwright_sample::scenario::{DrivePlan, Scenario};

use judge::judge;
use tally::{Tally, print};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |k: usize| words.get(k).and_then(|word| word.parse::<u64>().ok());
    let (cars, first) = (number(0).unwrap_or(20), number(1).unwrap_or(1000));
    let has = |word: &str| words.iter().any(|w| w == word);
    let mut tally = Tally::default();
    for seed in first..first + cars {
        one_car(
            seed,
            has("none"),
            has("obd"),
            has("straight"),
            has("-v"),
            &mut tally,
        )?;
    }
    print(&tally, has("none"));
    Ok(())
}

/// Five minutes: town, a turn each way, launches, coasting, braking.
fn programme(seed: u64, straight: bool) -> Vec<Manoeuvre> {
    let with = |kind: Kind, change: &dyn Fn(&mut Manoeuvre)| {
        let mut manoeuvre = Manoeuvre::usual(kind);
        change(&mut manoeuvre);
        manoeuvre
    };
    let turn = if seed.is_multiple_of(2) { 1.0 } else { -1.0 };
    if straight {
        return vec![
            with(Kind::Stand, &|_| {}),
            with(Kind::Launch, &|m| m.throttle_percent = 50.0),
            with(Kind::Motorway, &|m| m.seconds = 250.0),
        ];
    }
    vec![
        with(Kind::Stand, &|m| m.seconds = 4.0),
        with(Kind::Launch, &|m| m.throttle_percent = 70.0),
        with(Kind::Everyday, &|m| m.seconds = 150.0),
        with(Kind::TightTurn, &|m| m.steering_deg = turn * 400.0),
        with(Kind::TipIn, &|_| {}),
        with(Kind::Coast, &|_| {}),
        with(Kind::TurnIn, &|m| m.steering_deg = -turn * 200.0),
        with(Kind::Cruise, &|_| {}),
        with(Kind::Brake, &|_| {}),
        with(Kind::Launch, &|m| m.throttle_percent = 45.0),
        with(Kind::Everyday, &|m| m.seconds = 60.0),
        with(Kind::TipIn, &|m| m.throttle_percent = 90.0),
        with(Kind::Brake, &|_| {}),
    ]
}

fn one_car(
    seed: u64,
    none: bool,
    obd: bool,
    straight: bool,
    verbose: bool,
    tally: &mut Tally,
) -> Result<(), Box<dyn std::error::Error>> {
    let mut scenario = Scenario::unknown_car(seed);
    if none {
        scenario.layout.omit.extend(Role::WHEELS);
    }
    let scenario = scenario.with_drive(DrivePlan::new("study", programme(seed, straight)));
    let recording = Recording::of(&scenario, 0)?;
    let mut survey = Survey::new();
    survey.begin_capture();
    for (index, name) in (0..).zip(&recording.buses) {
        survey.add_bus(BusIndex::new(index), name);
    }
    for stored in &recording.frames {
        survey.push(&stored.frame());
    }
    let reference = SpeedReference {
        kind: ReferenceKind::File,
        t_ns: recording.satellite_speed.iter().map(|s| s.t_ns).collect(),
        speed_mps: recording
            .satellite_speed
            .iter()
            .map(|s| s.speed_mps)
            .collect(),
        course_deg: Vec::new(),
    };
    let started = Instant::now();
    let options = FindOptions {
        speed: (!obd).then_some(reference),
        ..FindOptions::default()
    };
    let findings = find(survey, &options);
    tally.seconds += started.elapsed().as_secs_f64();
    tally.cars += 1;
    judge(seed, &recording, &findings, none, verbose, tally);
    Ok(())
}
