//! How often finding is right: cars drawn from seeds, a five-minute drive each, the true layout
//! beside what was found.
//!
//!     cargo run --example find_study -- [CARS] [FIRST_SEED] [wheels|none] [-v]
//!
//! `none` takes the wheel speeds off the bus, as behind a gateway: whatever is then found is false.
//! The reference is the recording's satellite speed; `obd` leaves it out and relies on OBD-II answers
//! in the capture, where the car has them.

#![allow(clippy::print_stdout, reason = "it is a program")]

use std::collections::BTreeMap;
use std::time::Instant;

use slipwright_decoders::decoder_file::SignalEntry;
use slipwright_decoders::field::{BitOrder, Field};
use slipwright_decoders::find::proposal::{Findings, Meaning, Proposal, WheelAnswer};
use slipwright_decoders::find::reference::ReferenceKind;
use slipwright_decoders::find::{ACCEPTANCE_SCORE, FindOptions, SpeedReference, Survey, find};
use slipwright_decoders::frame::BusIndex;
use slipwright_decoders::frame::CanId;
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::{Quantity, Unit};
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::memory::Recording;
use slipwright_sample::scenario::{DrivePlan, Scenario};

/// Roles whose true field should be among the first three candidates.
const OTHERS: [Role; 10] = [
    Role::CouplingPressure,
    Role::CouplingDemand,
    Role::PedalAccelerator,
    Role::PedalBrake,
    Role::EngineSpeed,
    Role::EngineTorque,
    Role::SteeringAngle,
    Role::BodyYawRate,
    Role::Gear,
    Role::CouplingTemperature,
];

#[derive(Default)]
struct Tally {
    cars: usize,
    with_reference: usize,
    found: usize,
    exact: usize,
    false_finds: usize,
    scale_right: usize,
    offset_right: usize,
    turned: usize,
    corners_told: usize,
    corners_right: usize,
    axles_told: usize,
    axles_right: usize,
    first_three: BTreeMap<Role, (usize, usize, usize)>,
    seconds: f64,
}

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

/// A true signal and where it is.
struct Truth<'a> {
    bus: &'a str,
    id: CanId,
    signal: &'a SignalEntry,
}

fn truth_of(recording: &Recording, role: Role) -> Option<Truth<'_>> {
    let frame = recording.decoder.frames_with(role).next()?;
    let signal = frame.signals.iter().find(|s| s.key.role() == Some(role))?;
    Some(Truth {
        bus: frame.bus.as_deref()?,
        id: frame.id,
        signal,
    })
}

/// Lowest bit as sent, whatever the order.
fn lowest_bit(field: &Field) -> u16 {
    match field.order() {
        BitOrder::Big => field.start() + u16::from(field.length()) - 1,
        BitOrder::Little => field.start() / 8 * 8 + 7 - field.start() % 8,
    }
}

/// The same lowest bit, and the same order unless the field lies in one byte.
fn same_field(found: &Proposal, truth: &Truth<'_>) -> bool {
    let field = &truth.signal.field;
    let one_byte = |f: &Field| f.start() / 8 == (f.start() + u16::from(f.length()) - 1) / 8;
    found.bus == truth.bus
        && found.id == truth.id
        && lowest_bit(&found.field) == lowest_bit(field)
        && (found.field.order() == field.order() || one_byte(&found.field))
}

fn judge(
    seed: u64,
    recording: &Recording,
    findings: &Findings,
    none: bool,
    verbose: bool,
    tally: &mut Tally,
) {
    let wheels: Vec<&Proposal> = findings
        .proposals
        .iter()
        .filter(|p| p.meaning.is_wheel_speed() && p.score >= ACCEPTANCE_SCORE)
        .collect();
    tally.with_reference += usize::from(findings.reference.is_some());
    tally.found += usize::from(!wheels.is_empty());
    let mut line = format!("car {seed}: ");
    if none {
        tally.false_finds += usize::from(!wheels.is_empty());
        if !wheels.is_empty() {
            line += &format!("FALSE {:?} {:?}", wheels[0].id, wheels[0].evidence);
        }
    } else {
        let truths: Vec<Truth<'_>> = Role::WHEELS
            .iter()
            .filter_map(|&role| truth_of(recording, role))
            .collect();
        let pairs: Vec<(&Proposal, usize)> = wheels
            .iter()
            .filter_map(|p| Some((*p, truths.iter().position(|t| same_field(p, t))?)))
            .collect();
        let exact = pairs.len() == 4 && wheels.len() == 4;
        tally.exact += usize::from(exact);
        if !exact {
            tally.false_finds += usize::from(!wheels.is_empty());
            line += &format!(
                "NOT EXACT found {} of them right {}; ",
                wheels.len(),
                pairs.len()
            );
            if let WheelAnswer::None { why } = &findings.wheels {
                line += why;
            }
            for p in &wheels {
                line += &format!(
                    "[{} {} {:?}]",
                    p.id,
                    p.bus,
                    (p.field.start(), p.field.length(), p.field.order())
                );
            }
            for t in &truths {
                let f = &t.signal.field;
                line += &format!(
                    " true {} {:?} {} {}",
                    t.id,
                    (f.start(), f.length(), f.order()),
                    t.signal.scale,
                    t.signal.offset
                );
            }
        } else {
            scale(&pairs, &truths, recording, tally, &mut line);
            corners(&pairs, findings, tally, &mut line);
        }
    }
    for role in OTHERS {
        let Some(truth) = truth_of(recording, role) else {
            continue;
        };
        let of_role = findings
            .proposals
            .iter()
            .filter(|p| p.meaning == Meaning::Role(role));
        let rank = of_role
            .clone()
            .find(|p| same_field(p, &truth))
            .map(|p| p.rank);
        let entry = tally.first_three.entry(role).or_default();
        entry.0 += 1;
        entry.1 += usize::from(rank == Some(1));
        entry.2 += usize::from(rank.is_some_and(|rank| rank <= 3));
        if rank.is_none_or(|rank| rank > 3) {
            line += &format!("\n    {role} at {rank:?}: ");
            let f = &truth.signal.field;
            line += &format!(
                "true {} {:?} {:?} {}",
                truth.id,
                (f.start(), f.length(), f.order()),
                f.coding(),
                truth.signal.scale
            );
            if let Some(id) = findings
                .ids
                .iter()
                .find(|id| id.bus == truth.bus && id.id == truth.id)
            {
                let fields: Vec<_> = id
                    .fields
                    .iter()
                    .map(|f| {
                        (
                            f.field.start(),
                            f.field.length(),
                            f.field.order().text(),
                            f.distinct,
                        )
                    })
                    .collect();
                line += &format!(" found {fields:?}");
            }
            for p in of_role.take(3) {
                line += &format!(
                    "\n      {:.2} {} {} {} {:?}",
                    p.score,
                    p.bus,
                    p.id,
                    p.field.start(),
                    p.evidence
                );
            }
        }
    }
    if verbose {
        println!("{line}");
    }
}

fn scale(
    pairs: &[(&Proposal, usize)],
    truths: &[Truth<'_>],
    recording: &Recording,
    tally: &mut Tally,
    line: &mut String,
) {
    let Some((proposal, truth)) = pairs.first().and_then(|(p, k)| Some((p, truths.get(*k)?)))
    else {
        return;
    };
    let Some(scaling) = proposal.scaling else {
        return;
    };
    let radius: f64 = recording
        .vehicle_toml
        .lines()
        .find_map(|line| line.strip_prefix("rolling_radius_m = "))
        .and_then(|v| v.trim().parse().ok())
        .unwrap_or(0.3);
    let unit: Unit = truth.signal.unit;
    let to_kmh = |v: f64| match unit.quantity() {
        Quantity::AngularSpeed => 3.6 * radius * unit.in_core(v),
        _ => 3.6 * unit.in_core(v),
    };
    let true_scale = to_kmh(truth.signal.scale) - to_kmh(0.0);
    // The speed of one and the same frame, as bits left out change the offset.
    let raw = recording
        .frames
        .iter()
        .filter(|f| f.id == truth.id && recording.buses.get(f.bus.as_usize()) == Some(&truth.bus))
        .nth(500)
        .map(|f| {
            (
                truth.signal.field.extract(f.data()),
                proposal.field.extract(f.data()),
            )
        });
    let Some((Some(true_raw), Some(raw))) = raw else {
        return;
    };
    let zero_true = -to_kmh(truth.signal.offset) / true_scale;
    let zero = -scaling.offset / scaling.scale;
    let zero_error = (raw as f64 - zero) - (truth.signal.field.number(true_raw) - zero_true);
    let ratio = scaling.scale / true_scale;
    let (scale_ok, offset_ok) = (
        (ratio - 1.0).abs() < 0.015,
        (zero_error * true_scale).abs() < 0.3,
    );
    tally.scale_right += usize::from(scale_ok);
    tally.offset_right += usize::from(offset_ok);
    if !scale_ok || !offset_ok {
        *line += &format!(
            "scale {ratio:.4} of the true, zero off by {:.2} km/h; ",
            zero_error * true_scale
        );
    }
}

fn corners(
    pairs: &[(&Proposal, usize)],
    findings: &Findings,
    tally: &mut Tally,
    line: &mut String,
) {
    tally.turned += 1;
    let told = pairs
        .iter()
        .all(|(p, _)| matches!(p.meaning, Meaning::Role(_)));
    let right = pairs.iter().all(|(p, k)| {
        Role::WHEELS
            .get(*k)
            .is_some_and(|&role| p.meaning == Meaning::Role(role))
    });
    tally.corners_told += usize::from(told);
    tally.corners_right += usize::from(told && right);
    let axle = |role: Role| matches!(role, Role::WheelSpeedFrontLeft | Role::WheelSpeedFrontRight);
    if told {
        tally.axles_told += 1;
        let right = pairs.iter().all(|(p, k)| {
            let truth = Role::WHEELS.get(*k).copied();
            match (p.meaning, truth) {
                (Meaning::Role(found), Some(truth)) => axle(found) == axle(truth),
                _ => false,
            }
        });
        tally.axles_right += usize::from(right);
    }
    if !(told && right) {
        let WheelAnswer::Found {
            axle_confidence,
            side_confidence,
            ..
        } = &findings.wheels
        else {
            return;
        };
        *line += &format!(
            "CORNERS told {told} right {right} axle {axle_confidence:.3} side {side_confidence:.3}; "
        );
        if let Some((p, _)) = pairs.first() {
            *line += &p.evidence.last().cloned().unwrap_or_default();
        }
    }
}

fn print(tally: &Tally, none: bool) {
    let share =
        |n: usize, of: usize| format!("{n} of {of} ({:.1} %)", 100.0 * n as f64 / of.max(1) as f64);
    println!("cars                              {}", tally.cars);
    println!(
        "with a reference speed            {}",
        share(tally.with_reference, tally.cars)
    );
    if none {
        println!(
            "false wheel speeds                {}",
            share(tally.false_finds, tally.cars)
        );
    } else {
        println!(
            "wheel speeds exact                {}",
            share(tally.exact, tally.cars)
        );
        println!(
            "wheel speeds wrong and accepted   {}",
            share(tally.false_finds, tally.cars)
        );
        println!(
            "  scale within 1.5 %              {}",
            share(tally.scale_right, tally.exact)
        );
        println!(
            "  zero within 0.3 km/h            {}",
            share(tally.offset_right, tally.exact)
        );
        println!(
            "corners told                      {}",
            share(tally.corners_told, tally.turned)
        );
        println!(
            "corners right                     {}",
            share(tally.corners_right, tally.turned)
        );
        println!(
            "front and rear right, where told  {}",
            share(tally.axles_right, tally.axles_told)
        );
    }
    for (role, (all, first, three)) in &tally.first_three {
        println!(
            "{:32}  first {}, within three {}",
            role.text(),
            share(*first, *all),
            share(*three, *all)
        );
    }
    println!(
        "finding took {:.2} s a car",
        tally.seconds / tally.cars.max(1) as f64
    );
}
