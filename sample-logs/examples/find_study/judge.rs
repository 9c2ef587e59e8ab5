//! Holds what was found in one car against its true layout.

use std::collections::BTreeSet;

use slipwright_decoders::decoder_file::SignalEntry;
use slipwright_decoders::field::{BitOrder, Field};
use slipwright_decoders::find::ACCEPTANCE_SCORE;
use slipwright_decoders::find::proposal::{Findings, Meaning, Proposal, WheelAnswer};
use slipwright_decoders::frame::CanId;
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::{Quantity, Unit};
use slipwright_sample::memory::Recording;
use slipwright_sample::satellite::SATELLITE_DELAY_S;
use slipwright_sample::source::{Other, Source};

use crate::tally::Tally;

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

/// Holds what was found in one car against its true layout, and counts it.
pub(crate) fn judge(
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
    if let Some(reference) = &findings.reference {
        let error_s = reference.lag_s - SATELLITE_DELAY_S;
        tally.lag_error_s.0 += error_s;
        tally.lag_error_s.1 += error_s * error_s;
    }
    contents(recording, findings, tally);
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

/// Which identifiers were parted by content, of those whose make-up is known.
fn contents(recording: &Recording, findings: &Findings, tally: &mut Tally) {
    let parted = findings.ids.iter().filter(|id| id.selector.is_some());
    let parted: BTreeSet<(&str, CanId)> = parted.map(|id| (id.bus.as_str(), id.id)).collect();
    for message in &recording.messages {
        let Some(bus) = recording.buses.get(usize::from(message.bus)) else {
            continue;
        };
        let is_parted = parted.contains(&(*bus, message.entry.id));
        let pages = |source: &Source| matches!(source, Source::Other(Other::Page(_)));
        if message.sources.iter().any(pages) {
            tally.paged += 1;
            tally.paged_parted += usize::from(is_parted);
        } else {
            tally.parted_wrongly += usize::from(is_parted);
        }
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
