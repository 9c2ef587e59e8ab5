//! TOML text to a decoder file's value; each entry by itself. What entries do to each other is
//! checked in [`super::check`].

use std::ops::Range;

use toml::de::DeTable;

use super::check::{self, Place};
use super::read_signal::{Room, SIGNAL_KEYS, read_signals};
use super::table::Table;
use super::{DecoderFile, DiagnosticRead, FrameEntry, RequestEntry};
use crate::field::{MAX_ANSWER_BITS, MAX_ANSWER_BYTES, MAX_DATA_BITS};
use crate::frame::{CanId, MAX_DATA_BYTES};
use crate::obd2::addressing::Addressing;
use crate::toml_error::{LineStarts, TomlError};

/// Longest period or timeout, ms: one day. Longer is a slip of the pen, not a signal.
const MAX_TIME_MS: f64 = 86_400_000.0;

const FILE_KEYS: &[&str] = &["decoder", "frame", "request"];
const DECODER_KEYS: &[&str] = &["name"];
const FRAME_KEYS: &[&str] = &[
    "bus",
    "id",
    "extended",
    "name",
    "length_bytes",
    "period_ms",
    "timeout_ms",
    "signal",
];
const REQUEST_KEYS: &[&str] = &[
    "bus",
    "name",
    "service",
    "pid",
    "did",
    "request_id",
    "response_id",
    "extended",
    "length_bytes",
    "period_ms",
    "timeout_ms",
    "signal",
];

/// A decoder file as read, and what is suspicious in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Parsed {
    /// The file.
    pub file: DecoderFile,
    /// What may be meant but seldom is, in the order of the text.
    pub warnings: Vec<TomlError>,
    /// The line of each signal, by frame and position in it: for what only a capture can tell.
    pub signal_lines: Vec<Vec<usize>>,
    /// The same by request.
    pub request_signal_lines: Vec<Vec<usize>>,
}

impl DecoderFile {
    /// Reads a decoder file's text.
    ///
    /// # Errors
    /// [`TomlError`], the first mistake found, with its line and what to write instead: not TOML,
    /// an unknown or missing key, a value of the wrong type or beyond its range, an unknown role
    /// or unit, a unit that does not fit its role, a field beyond its frame, or the same frame,
    /// role or request twice for one bus.
    pub fn parse(text: &str) -> Result<Parsed, TomlError> {
        let root = DeTable::parse(text).map_err(|error| {
            let TomlError { line, message } = TomlError::from_reader(text, &error);
            TomlError {
                line,
                message: format!("{message}; correct the TOML here"),
            }
        })?;
        let root = Table::new(text, "a decoder file", FILE_KEYS, root.get_ref(), 0..0)?;
        let Some(decoder) = root.table("decoder", "[decoder]", DECODER_KEYS)? else {
            return Err(TomlError::whole(
                "[decoder] is missing; start the file with [decoder] and name = \"...\"",
            ));
        };
        let Some(name) = decoder.text("name")? else {
            return Err(decoder.missing("name", "what the file describes, as name = \"...\""));
        };
        let mut file = DecoderFile {
            name: name.value,
            ..DecoderFile::default()
        };
        let mut frames = Vec::new();
        for table in root.tables("frame", "[[frame]]", FRAME_KEYS)? {
            let (frame, place) = read_frame(&table)?;
            file.frames.push(frame);
            frames.push(place);
        }
        let mut requests = Vec::new();
        for table in root.tables("request", "[[request]]", REQUEST_KEYS)? {
            let (request, place) = read_request(&table)?;
            file.requests.push(request);
            requests.push(place);
        }
        let warnings = check::check(text, &file, &frames, &requests)?;
        let lines = LineStarts::of(text);
        let line_of = |at: &Range<usize>| lines.line_at(at.start);
        let lines_of = |places: &[Place]| {
            let of_signals = places.iter().map(|place| &place.signals);
            of_signals
                .map(|signals| signals.iter().map(line_of).collect())
                .collect()
        };
        Ok(Parsed {
            file,
            warnings,
            signal_lines: lines_of(&frames),
            request_signal_lines: lines_of(&requests),
        })
    }
}

fn read_frame(table: &Table<'_>) -> Result<(FrameEntry, Place), TomlError> {
    let extended = table.flag("extended")?;
    let Some(id) = read_id(table, "id", extended)? else {
        return Err(table.missing("id", "it as id = 0x1A0"));
    };
    let range = 1..=MAX_DATA_BYTES as i128;
    let length = table.whole(
        "length_bytes",
        range,
        "is not possible; a frame carries up to 8 data bytes, with CAN FD up to 64",
    )?;
    let length_bytes = length.map_or(MAX_DATA_BYTES as u8, |length| length.value as u8);
    let room = Room {
        bits: 8 * u16::from(length_bytes),
        of: format!("a frame of {length_bytes} bytes"),
        // Nothing makes a frame longer than the longest.
        hint: match usize::from(length_bytes) == MAX_DATA_BYTES {
            true => "correct them",
            false => "correct them, or the frame's length_bytes (more than 8 with CAN FD)",
        },
        last_bit: MAX_DATA_BITS - 1,
        refusal: "is not a bit of a frame; the longest frame has bits 0 to 511; correct it",
    };
    let (signals, places) = read_signals(
        table.tables("signal", "[[frame.signal]]", SIGNAL_KEYS)?,
        &room,
    )?;
    let frame = FrameEntry {
        bus: table.text("bus")?.map(|bus| bus.value),
        id,
        name: table.text("name")?.map(|name| name.value),
        length_bytes,
        period_ms: read_time(table, "period_ms")?,
        timeout_ms: read_time(table, "timeout_ms")?,
        signals,
    };
    Ok((
        frame,
        Place {
            at: table.at(),
            signals: places,
        },
    ))
}

fn read_id(table: &Table<'_>, key: &str, extended: bool) -> Result<Option<CanId>, TomlError> {
    let refusal = match extended {
        false => {
            "is not an 11-bit id (0 to 0x7FF); correct it, or write extended = true for 29 bits"
        }
        true => "is not a 29-bit id (0 to 0x1FFFFFFF); correct it",
    };
    let largest = if extended {
        CanId::MAX_EXTENDED
    } else {
        CanId::MAX_BASE
    };
    let number = table.whole(key, 0..=i128::from(largest), refusal)?;
    Ok(number.and_then(|number| CanId::new(number.value as u32, extended)))
}

fn read_time(table: &Table<'_>, key: &str) -> Result<Option<f64>, TomlError> {
    let time_ms = table.number(key)?;
    match time_ms {
        Some(ms) if ms <= 0.0 || ms > MAX_TIME_MS => Err(table.wrong(
            key,
            format!("{key} {ms} is not possible; write milliseconds above 0, up to one day"),
        )),
        _ => Ok(time_ms),
    }
}

fn read_request(table: &Table<'_>) -> Result<(RequestEntry, Place), TomlError> {
    let read = read_what(table)?;
    let extended = table.flag("extended")?;
    let addressing = match extended {
        true => Addressing::Extended,
        false => Addressing::Base,
    };
    let request_id =
        read_id(table, "request_id", extended)?.unwrap_or(addressing.functional_request());
    let response_id = match read_id(table, "response_id", extended)? {
        Some(id) => id,
        None => RequestEntry::response_to(request_id).ok_or_else(|| {
            table.missing("response_id", "the id of the answer as response_id = 0x7E8")
        })?,
    };
    if request_id == response_id {
        let message =
            format!("request and answer have the same id {request_id}; correct one of them");
        return Err(table.wrong("response_id", message));
    }
    let length_bytes = read_answer_length(table, read)?;
    let room = answer_room(length_bytes);
    let (signals, places) = read_signals(
        table.tables("signal", "[[request.signal]]", SIGNAL_KEYS)?,
        &room,
    )?;
    if signals.is_empty() {
        return Err(table.missing("signal", "what the answer holds as [[request.signal]]"));
    }
    let request = RequestEntry {
        bus: table.text("bus")?.map(|bus| bus.value),
        name: table.text("name")?.map(|name| name.value),
        read,
        request_id,
        response_id,
        length_bytes,
        period_ms: read_time(table, "period_ms")?,
        timeout_ms: read_time(table, "timeout_ms")?,
        signals,
    };
    Ok((
        request,
        Place {
            at: table.at(),
            signals: places,
        },
    ))
}

fn read_answer_length(table: &Table<'_>, read: DiagnosticRead) -> Result<Option<u16>, TomlError> {
    let length = table.whole(
        "length_bytes",
        1..=MAX_ANSWER_BYTES as i128,
        "is not possible; the data of an answer read here have 1 to 8191 bytes",
    )?;
    match (read, &length) {
        (DiagnosticRead::Parameter { .. }, Some(_)) => Err(table.wrong(
            "length_bytes",
            "length_bytes is for the data of a did; leave it out with a pid",
        )),
        _ => Ok(length.map(|length| length.value as u16)),
    }
}

/// The bits of an answer after the echoed parameter number or data identifier.
fn answer_room(length_bytes: Option<u16>) -> Room {
    let (bits, of, hint) = match length_bytes {
        Some(bytes) => (
            8 * bytes,
            format!("an answer of {bytes} data bytes"),
            "correct them, or the request's length_bytes",
        ),
        None => (
            MAX_ANSWER_BITS,
            "the longest answer read here".to_owned(),
            "correct them",
        ),
    };
    Room {
        bits,
        of,
        hint,
        last_bit: MAX_ANSWER_BITS - 1,
        refusal: "is not a bit of an answer; the longest one read here has bits 0 to 65527; correct it",
    }
}

/// Services that only read. Others change a control unit's state and are refused.
fn read_what(table: &Table<'_>) -> Result<DiagnosticRead, TomlError> {
    let service = table.whole(
        "service",
        0..=0xFF,
        "is not a service; use 0x01 or 0x09 with pid, 0x22 with did",
    )?;
    let pid = table.whole(
        "pid",
        0..=0xFF,
        "is not a parameter number (0 to 0xFF); correct it",
    )?;
    let did = table.whole(
        "did",
        0..=0xFFFF,
        "is not a data identifier (0 to 0xFFFF); correct it",
    )?;
    let service = service.map(|service| service.value as u8);
    match (service, pid, did) {
        (None | Some(0x01 | 0x09), Some(pid), None) => Ok(DiagnosticRead::Parameter {
            service: service.unwrap_or(0x01),
            pid: pid.value as u8,
        }),
        (None | Some(0x22), None, Some(did)) => {
            Ok(DiagnosticRead::DataIdentifier(did.value as u16))
        }
        (_, Some(_), Some(_)) => Err(table.wrong(
            "did",
            "a request has a pid or a did, not both; leave one out",
        )),
        (_, None, None) => Err(table.missing(
            "what to read",
            "pid = 0x0C for an OBD-II parameter, or did = 0xF40C for a data identifier",
        )),
        (Some(service), Some(_), None) => Err(table.wrong(
            "service",
            format!("service 0x{service:02X} does not read a pid; use 0x01 or 0x09"),
        )),
        (Some(service), None, Some(_)) => Err(table.wrong(
            "service",
            format!("service 0x{service:02X} does not read a did; use 0x22"),
        )),
    }
}
