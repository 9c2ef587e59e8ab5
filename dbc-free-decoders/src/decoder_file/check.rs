//! What the entries of a decoder file do to each other: the same thing said twice is an error,
//! fields that share bits are a warning.

use std::collections::HashMap;
use std::ops::Range;

use super::{DecoderFile, SignalEntry};
use crate::role::Role;
use crate::signal::SignalKey;
use crate::toml_error::{TomlError, line_at};

/// Where a frame or request stands in the text, and where each of its signals does.
pub(super) struct Place {
    pub(super) at: Range<usize>,
    pub(super) signals: Vec<Range<usize>>,
}

/// A frame or request, as far as these checks tell them apart.
struct Source<'a> {
    bus: Option<&'a str>,
    signals: &'a [SignalEntry],
    place: &'a Place,
}

/// Finds what is wrong, gives what is suspicious.
pub(super) fn check(
    text: &str,
    file: &DecoderFile,
    frames: &[Place],
    requests: &[Place],
) -> Result<Vec<TomlError>, TomlError> {
    same_entry_twice(text, file, frames, requests)?;
    let of_frames = file.frames.iter().zip(frames).map(|(frame, place)| Source {
        bus: frame.bus.as_deref(),
        signals: &frame.signals,
        place,
    });
    let of_requests = file
        .requests
        .iter()
        .zip(requests)
        .map(|(request, place)| Source {
            bus: request.bus.as_deref(),
            signals: &request.signals,
            place,
        });
    let sources: Vec<Source<'_>> = of_frames.chain(of_requests).collect();
    let mut warnings = same_signal_twice(text, &sources)?;
    for source in &sources {
        shared_bits(text, source, &mut warnings);
        names_of_roles(text, source, &mut warnings);
    }
    let of_frames = file.frames.iter().map(|f| (f.period_ms, f.timeout_ms));
    let of_requests = file.requests.iter().map(|r| (r.period_ms, r.timeout_ms));
    let places = frames.iter().chain(requests);
    for ((period_ms, timeout_ms), place) in of_frames.chain(of_requests).zip(places) {
        if let (Some(period_ms), Some(timeout_ms)) = (period_ms, timeout_ms)
            && timeout_ms < period_ms
        {
            let message = format!(
                "timeout_ms {timeout_ms} is below period_ms {period_ms}: every value is out of date before the next one comes"
            );
            warnings.push(TomlError::at(text, place.at.clone(), message));
        }
    }
    if sources.is_empty() {
        warnings.push(TomlError::whole(
            "no [[frame]] and no [[request]]: this decoder file decodes nothing",
        ));
    }
    warnings.sort_by_key(|warning| warning.line);
    Ok(warnings)
}

/// Whether two entries may meet on one bus; an entry without a bus is on every bus.
fn share_a_bus(a: Option<&str>, b: Option<&str>) -> bool {
    a.is_none() || b.is_none() || a == b
}

fn line(text: &str, at: &Range<usize>) -> usize {
    line_at(text, at.start)
}

fn same_entry_twice(
    text: &str,
    file: &DecoderFile,
    frames: &[Place],
    requests: &[Place],
) -> Result<(), TomlError> {
    let mut seen: HashMap<_, Vec<(Option<&str>, &Place)>> = HashMap::new();
    for (frame, place) in file.frames.iter().zip(frames) {
        let bus = frame.bus.as_deref();
        let earlier = seen.entry(frame.id).or_default();
        if let Some((_, first)) = earlier.iter().find(|(other, _)| share_a_bus(*other, bus)) {
            let message = format!(
                "frame {} is already described on line {} for the same bus; put its signals there",
                frame.id,
                line(text, &first.at)
            );
            return Err(TomlError::at(text, place.at.clone(), message));
        }
        earlier.push((bus, place));
    }
    let mut seen: HashMap<_, Vec<(Option<&str>, &Place)>> = HashMap::new();
    for (request, place) in file.requests.iter().zip(requests) {
        let bus = request.bus.as_deref();
        let earlier = seen.entry((request.request_id, request.response_id, request.read));
        let earlier = earlier.or_default();
        if let Some((_, first)) = earlier.iter().find(|(other, _)| share_a_bus(*other, bus)) {
            let message = format!(
                "this is already asked for on line {} on the same bus; put its signals there",
                line(text, &first.at)
            );
            return Err(TomlError::at(text, place.at.clone(), message));
        }
        earlier.push((bus, place));
    }
    Ok(())
}

/// A signal that was met before under the same key.
struct Earlier<'a> {
    source: usize,
    bus: Option<&'a str>,
    signal: &'a SignalEntry,
    at: &'a Range<usize>,
}

fn same_signal_twice(text: &str, sources: &[Source<'_>]) -> Result<Vec<TomlError>, TomlError> {
    let mut warnings = Vec::new();
    let mut seen: HashMap<&SignalKey, Vec<Earlier<'_>>> = HashMap::new();
    for (index, source) in sources.iter().enumerate() {
        for (signal, at) in source.signals.iter().zip(&source.place.signals) {
            let earlier = seen.entry(&signal.key).or_default();
            let wrong = |message: String| TomlError::at(text, at.clone(), message);
            for first in earlier.iter().filter(|e| e.source == index) {
                if first.signal.may_meet(signal) {
                    return Err(wrong(format!(
                        "{} is already in this frame, on line {}; change one of the two, or tell them apart with when",
                        described(&signal.key),
                        line(text, first.at)
                    )));
                }
                if first.signal.unit != signal.unit {
                    return Err(wrong(format!(
                        "{} has unit \"{}\" here and \"{}\" on line {}; use one unit for both",
                        described(&signal.key),
                        signal.unit,
                        first.signal.unit,
                        line(text, first.at)
                    )));
                }
            }
            let elsewhere = earlier
                .iter()
                .find(|e| e.source != index && share_a_bus(e.bus, source.bus));
            match (elsewhere, &signal.key) {
                (Some(first), SignalKey::Role(role)) => {
                    return Err(wrong(format!(
                        "role {role} is already given on line {} for the same bus; give one of the two a name instead",
                        line(text, first.at)
                    )));
                }
                (Some(first), SignalKey::Name(name)) => warnings.push(wrong(format!(
                    "the name \"{}\" is also on line {}; tables cannot tell the two apart",
                    name.escape_debug(),
                    line(text, first.at)
                ))),
                (None, _) => {}
            }
            earlier.push(Earlier {
                source: index,
                bus: source.bus,
                signal,
                at,
            });
        }
    }
    Ok(warnings)
}

fn described(key: &SignalKey) -> String {
    match key {
        SignalKey::Role(role) => format!("role {role}"),
        SignalKey::Name(name) => format!("the name \"{}\"", name.escape_debug()),
    }
}

/// Warns once a signal: of the first earlier one whose bits it shares, or of its own selector.
fn shared_bits(text: &str, source: &Source<'_>, warnings: &mut Vec<TomlError>) {
    let placed = source.signals.iter().zip(&source.place.signals);
    for (index, (signal, at)) in placed.clone().enumerate() {
        let mut warn = |message| warnings.push(TomlError::at(text, at.clone(), message));
        if signal
            .when
            .is_some_and(|when| when.field.shares_bits(&signal.field))
        {
            warn(format!(
                "{} shares bits with its own selector in when",
                described(&signal.key)
            ));
            continue;
        }
        let first = placed
            .clone()
            .take(index)
            .find(|(other, _)| other.may_meet(signal) && other.field.shares_bits(&signal.field));
        if let Some((other, other_at)) = first {
            warn(format!(
                "{} shares bits with {} on line {}",
                described(&signal.key),
                described(&other.key),
                line(text, other_at)
            ));
        }
    }
}

fn names_of_roles(text: &str, source: &Source<'_>, warnings: &mut Vec<TomlError>) {
    for (signal, at) in source.signals.iter().zip(&source.place.signals) {
        if let SignalKey::Name(name) = &signal.key
            && let Ok(role) = name.parse::<Role>()
        {
            let message = format!(
                "the name \"{role}\" is that of a role, but only role = \"{role}\" gives the signal its meaning"
            );
            warnings.push(TomlError::at(text, at.clone(), message));
        }
    }
}
