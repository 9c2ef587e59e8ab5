//! Intermittent faults, placed by what drops out together: one wheel's sensor or wire, one control
//! unit, a branch of the bus, all of a bus, or the supply.

use std::collections::BTreeMap;

use slipwright_decoders::frame::CanId;
use slipwright_decoders::obd2::addressing::is_diagnostic;
use slipwright_decoders::role::Role;

use super::signal_state::{SignalState, State, counts};
use super::silence::{Event, events, take_common};
use super::sleep::Sleep;
use super::{ReadinessFinding, Recording, circumstances};
use crate::drive::{Drive, at_seconds};
use crate::number;
use crate::traffic_watch::{Span, WatchedBus};

/// An identifier belongs to what drops out if it takes part in this share of the times.
const TAKES_PART: f64 = 0.5;
/// Error frames this close to a drop-out belong to it, s.
const ERRORS_NEAR_S: f64 = 0.5;
/// At or below this supply a control unit drops out, V. Common practice, no source.
const LOW_V: f64 = 10.5;

pub(super) fn findings(
    recording: &Recording<'_>,
    drive: &Drive,
    states: &[SignalState],
    sleep: &Sleep<'_>,
) -> Vec<ReadinessFinding> {
    let mut findings = Vec::new();
    let buses = &recording.traffic.buses;
    // Who asks and who answers stops when it likes.
    let periodic = |id: CanId| !is_diagnostic(id) && !is_asked(recording, id);
    let mut silences: Vec<Vec<Event>> = buses
        .iter()
        .map(|bus| events(bus, periodic, |from_ns| sleep.from(bus, from_ns)))
        .collect();
    findings.extend(recorder(recording, &take_common(&mut silences)));
    for (bus, events) in buses.iter().zip(&silences) {
        findings.extend(silent(recording, drive, bus, events));
        findings.extend(frozen(recording, drive, bus));
        findings.extend(errors(bus));
    }
    findings.extend(wheels(recording, drive, states));
    findings.extend(invalid_unit(recording, states));
    findings
}

/// Several buses that fall silent at the same times: they share nothing but the recorder and the supply.
fn recorder(recording: &Recording<'_>, times: &[Span]) -> Option<ReadinessFinding> {
    let total_s: f64 = times.iter().map(Span::seconds).sum();
    let of_s = recording.span.duration_s();
    (!times.is_empty()).then(|| ReadinessFinding {
        what: "recording",
        why: "All buses fall silent at the same times. The recorder lost them, or the supply of all: look at the recorder's plug and supply first, not at the car's control units.".into(),
        evidence: vec![told(times.len(), total_s, of_s)],
        blocking: counts(times, of_s),
    })
}

/// How often, how long and how much.
fn told(times: usize, total_s: f64, of_s: f64) -> String {
    let share = number::rough(100.0 * total_s / of_s.max(1e-3));
    format!(
        "{}, {total_s:.1} s in all, {share} % of the time",
        number::count(times, "drop-out", "drop-outs")
    )
}

fn is_asked(recording: &Recording<'_>, id: CanId) -> bool {
    let mut requests = recording.described.requests.iter();
    requests.any(|request| request.request_id == id || request.response_id == id)
}

/// Identifiers that fell silent on one bus.
fn silent(
    recording: &Recording<'_>,
    drive: &Drive,
    bus: &WatchedBus,
    events: &[Event],
) -> Vec<ReadinessFinding> {
    let single: Vec<&Event> = events
        .iter()
        .filter(|e| !e.whole_bus && e.ids.len() == 1)
        .collect();
    let groups: Vec<&Event> = events
        .iter()
        .filter(|e| !e.whole_bus && e.ids.len() > 1)
        .collect();
    let whole: Vec<&Event> = events.iter().filter(|e| e.whole_bus).collect();
    let mut findings = Vec::new();
    let mut by_id: BTreeMap<CanId, Vec<&Event>> = BTreeMap::new();
    for event in single {
        if let Some(id) = event.ids.first() {
            by_id.entry(*id).or_default().push(event);
        }
    }
    for (id, events) in by_id {
        // A frame lost here and there is the recorder's, not a wire's.
        let spans: Vec<Span> = events.iter().map(|e| e.span).collect();
        if spans.iter().map(Span::seconds).sum::<f64>() < 0.2 {
            continue;
        }
        findings.push(ReadinessFinding {
            what: "control_unit",
            why: format!(
                "Frame {} drops out alone{}. Its control unit stops sending: look at that unit, its supply and its plug, not at the bus.",
                id,
                carried(recording, &[id])
            ),
            evidence: evidence(drive, bus, &events),
            blocking: is_described(recording, &[id])
                && counts(&spans, bus.span.seconds()),
        });
    }
    let ids = members(&groups);
    if !ids.is_empty() {
        let near = errors_near(bus, &groups);
        let why = if near {
            "They share a branch of the bus, and error frames rise with it: look for a chafed wire, water or a loose plug where these units join."
        } else {
            "They share a control unit, a branch of the bus or a supply: look where these units join, plugs and earth first."
        };
        findings.push(ReadinessFinding {
            what: "bus_branch",
            why: format!(
                "{} together on {}: {}{}. {why}",
                match ids.len() {
                    1 => "1 identifier and others drop out".to_owned(),
                    n => format!("{n} identifiers drop out"),
                },
                bus.bus,
                list(&ids),
                carried(recording, &ids)
            ),
            evidence: evidence(drive, bus, &groups),
            blocking: is_described(recording, &ids),
        });
    }
    if !whole.is_empty() {
        findings.push(ReadinessFinding {
            what: "bus",
            why: format!(
                "All of {} falls silent at once. Its wires, its termination, the plug of the recorder or the supply of all: look at the recorder's own plug first.",
                bus.bus
            ),
            evidence: evidence(drive, bus, &whole),
            blocking: true,
        });
    }
    if let Some(volts) = low_supply(drive, events) {
        for finding in &mut findings {
            finding
                .evidence
                .push(format!("supply down to {volts:.1} V at those times"));
            finding.what = "supply_voltage";
            finding
                .why
                .push_str(" The supply breaks down with it: battery, earth and fuse first.");
        }
    }
    findings
}

/// Identifiers that take part in most of the events; where there are none, those of the longest.
fn members(events: &[&Event]) -> Vec<CanId> {
    let mut counts: BTreeMap<CanId, usize> = BTreeMap::new();
    for event in events {
        for id in &event.ids {
            *counts.entry(*id).or_default() += 1;
        }
    }
    let needed = TAKES_PART * events.len() as f64;
    let most = counts.into_iter().filter(|(_, n)| *n as f64 >= needed);
    let members: Vec<CanId> = most.map(|(id, _)| id).collect();
    if !members.is_empty() {
        return members;
    }
    let seconds = |event: &&&Event| event.span.seconds();
    let longest = events
        .iter()
        .max_by(|a, b| seconds(a).total_cmp(&seconds(b)));
    longest.map(|event| event.ids.clone()).unwrap_or_default()
}

fn list(ids: &[CanId]) -> String {
    const SHOWN: usize = 8;
    let mut shown: Vec<String> = ids.iter().take(SHOWN).map(ToString::to_string).collect();
    if ids.len() > SHOWN {
        shown.push(format!("{} more", ids.len() - SHOWN));
    }
    shown.join(", ")
}

/// What the identifiers carry, as far as the decoder file tells.
fn carried(recording: &Recording<'_>, ids: &[CanId]) -> String {
    let names: Vec<String> = recording
        .described
        .frames
        .iter()
        .filter(|frame| ids.contains(&frame.id))
        .map(|frame| {
            frame.name.clone().unwrap_or_else(|| {
                let roles = frame.signals.iter().map(|s| s.key.text().to_owned());
                roles.collect::<Vec<_>>().join(", ")
            })
        })
        .collect();
    match names.is_empty() {
        true => String::new(),
        false => format!(" ({})", names.join("; ")),
    }
}

fn is_described(recording: &Recording<'_>, ids: &[CanId]) -> bool {
    recording
        .described
        .frames
        .iter()
        .any(|frame| ids.contains(&frame.id))
}

fn evidence(drive: &Drive, bus: &WatchedBus, events: &[&Event]) -> Vec<String> {
    let total_s: f64 = events.iter().map(|e| e.span.seconds()).sum();
    let mut lines = vec![told(events.len(), total_s, bus.span.seconds())];
    if errors_near(bus, events) {
        lines.push("error frames come with most of them".into());
    }
    let begins: Vec<i64> = events.iter().map(|e| e.span.from_ns).collect();
    lines.extend(circumstances::describe(drive, &begins));
    lines
}

fn errors_near(bus: &WatchedBus, events: &[&Event]) -> bool {
    let with = events
        .iter()
        .filter(|event| {
            let from = at_seconds(event.span.from_ns, -ERRORS_NEAR_S);
            let to = at_seconds(event.span.to_ns, ERRORS_NEAR_S);
            let next = bus.error_ns.partition_point(|&t| t < from);
            bus.error_ns.get(next).is_some_and(|&t| t <= to)
        })
        .count();
    with > 0 && 2 * with >= events.len()
}

fn low_supply(drive: &Drive, events: &[Event]) -> Option<f64> {
    let supply = drive.channel(Role::SupplyVoltage).ok()?;
    let lowest: Vec<f64> = events
        .iter()
        .filter_map(|event| {
            let around = supply.range(
                at_seconds(event.span.from_ns, -1.0),
                at_seconds(event.span.to_ns, 1.0),
            );
            supply.value().get(around)?.iter().copied().reduce(f64::min)
        })
        .collect();
    let low = lowest.iter().filter(|v| **v < LOW_V).count();
    (low > 0 && 2 * low >= events.len())
        .then(|| lowest.into_iter().reduce(f64::min))
        .flatten()
}

/// Messages whose counter stands still.
fn frozen(recording: &Recording<'_>, drive: &Drive, bus: &WatchedBus) -> Vec<ReadinessFinding> {
    bus.ids
        .iter()
        .filter(|id| id.frozen.iter().map(Span::seconds).sum::<f64>() > 0.3)
        .map(|id| {
            let total_s: f64 = id.frozen.iter().map(Span::seconds).sum();
            let mut evidence = vec![format!(
                "{} times, {total_s:.1} s in all, {:.0} % of the time",
                id.frozen.len(),
                100.0 * total_s / bus.span.seconds().max(1e-3)
            )];
            let begins: Vec<i64> = id.frozen.iter().map(|s| s.from_ns).collect();
            evidence.extend(circumstances::describe(drive, &begins));
            ReadinessFinding {
                what: "control_unit",
                why: format!(
                    "Frame {}{} is sent on with old content: its counter stands still. Its control unit hangs, or a gateway repeats it; look at that unit and its supply.",
                    id.id,
                    carried(recording, &[id.id])
                ),
                evidence,
                blocking: is_described(recording, &[id.id]),
            }
        })
        .collect()
}

/// Error frames without anything dropping out.
fn errors(bus: &WatchedBus) -> Vec<ReadinessFinding> {
    let per_s = bus.error_ns.len() as f64 / bus.span.seconds().max(1e-3);
    if bus.error_ns.len() < 3 || per_s < 0.01 {
        return Vec::new();
    }
    vec![ReadinessFinding {
        what: "error_frames",
        why: format!(
            "{} has error frames. A sound bus has next to none: look at plugs, termination and the wiring of the recorder.",
            bus.bus
        ),
        evidence: vec![format!(
            "{} error frames, {:.2} per second",
            bus.error_ns.len(),
            per_s
        )],
        blocking: per_s > 1.0,
    }]
}

/// One wheel alone.
fn wheels(
    recording: &Recording<'_>,
    drive: &Drive,
    states: &[SignalState],
) -> Vec<ReadinessFinding> {
    let bad: Vec<&SignalState> = states
        .iter()
        .filter(|s| Role::WHEELS.contains(&s.role) && s.state == State::Invalid)
        .filter(|s| s.invalid_share < 1.0 || s.rate_hz.is_some_and(|hz| hz > 0.0))
        .collect();
    let [one] = bad.as_slice() else {
        return Vec::new();
    };
    let is_other_wheel = |r: Role| r != one.role && Role::WHEELS.contains(&r);
    let shares_frame = recording.described.frames_with(one.role).any(|frame| {
        frame
            .signals
            .iter()
            .any(|s| s.key.role().is_some_and(is_other_wheel))
    });
    let mut evidence: Vec<String> = one.why.iter().cloned().collect();
    let begins: Vec<i64> = one.outages.iter().map(|s| s.from_ns).collect();
    evidence.extend(circumstances::describe(drive, &begins));
    vec![ReadinessFinding {
        what: "wheel_sensor",
        why: format!(
            "The {} fails while the other wheels{} are good. Its sensor, its wire or its ring: look at the plug and the wire to the wheel carrier first.",
            one.role.label(),
            if shares_frame {
                " in the same message"
            } else {
                ""
            }
        ),
        evidence,
        blocking: true,
    }]
}

/// All signals of one frame invalid at once: its control unit has none of them.
fn invalid_unit(recording: &Recording<'_>, states: &[SignalState]) -> Vec<ReadinessFinding> {
    recording
        .described
        .frames
        .iter()
        .filter_map(|frame| {
            let roles: Vec<Role> = frame.signals.iter().filter_map(|s| s.key.role()).collect();
            let bad = roles.iter().all(|role| {
                states
                    .iter()
                    .any(|s| s.role == *role && s.state == State::Invalid)
            });
            (roles.len() > 1 && bad).then(|| ReadinessFinding {
                what: "control_unit",
                why: format!(
                    "Every signal of frame {}{} is invalid at times: the control unit that sends it lacks them all. Look at that unit's trouble codes.",
                    frame.id,
                    carried(recording, &[frame.id])
                ),
                evidence: roles
                    .iter()
                    .filter_map(|role| {
                        let state = states.iter().find(|s| s.role == *role)?;
                        Some(format!(
                            "{role} invalid for {:.0} % of the time",
                            100.0 * state.invalid_share
                        ))
                    })
                    .collect(),
                blocking: true,
            })
        })
        .collect()
}
