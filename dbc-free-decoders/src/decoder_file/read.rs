//! TOML text to a decoder file's value; each entry by itself. What entries do to each other is
//! checked in [`super::check`].

use std::ops::Range;

use toml::de::DeTable;

use super::check::{self, Place};
use super::table::{Located, Table, listed};
use super::{
    CLASSIC_DATA_BYTES, DecoderFile, FrameEntry, Read, RequestEntry, Selector, SignalEntry,
};
use crate::field::{BitOrder, Coding, Field, MAX_DATA_BITS};
use crate::frame::{CanId, MAX_DATA_BYTES};
use crate::role::Role;
use crate::signal::SignalKey;
use crate::toml_error::TomlError;
use crate::unit::Unit;

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
    "period_ms",
    "timeout_ms",
    "signal",
];
const SIGNAL_KEYS: &[&str] = &[
    "role",
    "name",
    "start",
    "length",
    "order",
    "signed",
    "float",
    "scale",
    "offset",
    "unit",
    "min",
    "max",
    "invalid_raw",
    "when",
];
const WHEN_KEYS: &[&str] = &["start", "length", "order", "equals"];

/// A decoder file as read, and what is suspicious in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Parsed {
    /// The file.
    pub file: DecoderFile,
    /// What may be meant but seldom is, in the order of the text.
    pub warnings: Vec<TomlError>,
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
        let root = DeTable::parse(text).map_err(|error| TomlError::from_reader(text, &error))?;
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
        Ok(Parsed { file, warnings })
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
    let length_bytes = length.map_or(CLASSIC_DATA_BYTES, |length| length.value as u8);
    let room = Room {
        bits: 8 * u16::from(length_bytes),
        of: format!("a frame of {length_bytes} bytes"),
        // Nothing makes a frame longer than the longest.
        hint: match usize::from(length_bytes) == MAX_DATA_BYTES {
            true => "correct them",
            false => "correct them, or state the frame's length_bytes (more than 8 with CAN FD)",
        },
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

/// The bits in which a signal's fields must lie.
struct Room {
    bits: u16,
    of: String,
    hint: &'static str,
}

fn read_signals(
    tables: Vec<Table<'_>>,
    room: &Room,
) -> Result<(Vec<SignalEntry>, Vec<Range<usize>>), TomlError> {
    let mut signals = Vec::with_capacity(tables.len());
    let mut places = Vec::with_capacity(tables.len());
    for table in tables {
        signals.push(read_signal(&table, room)?);
        places.push(table.at());
    }
    Ok((signals, places))
}

fn read_signal(table: &Table<'_>, room: &Room) -> Result<SignalEntry, TomlError> {
    let key = read_key(table)?;
    let signed = table.flag("signed")?;
    let coding = match table.flag("float")? {
        true if signed => {
            return Err(table.wrong("signed", "a float has its own sign; leave signed out"));
        }
        true => Coding::Float,
        false if signed => Coding::Signed,
        false => Coding::Unsigned,
    };
    let field = read_field(table, coding, room)?;
    let unit = read_unit(table, &key)?;
    let scale = table.number("scale")?.unwrap_or(1.0);
    if scale == 0.0 {
        return Err(table.wrong("scale", "scale 0 makes every value the same; write another"));
    }
    let offset = table.number("offset")?.unwrap_or(0.0);
    let (min, max) = (table.number("min")?, table.number("max")?);
    if let (Some(min), Some(max)) = (min, max)
        && min >= max
    {
        let message = format!("min {min} is not below max {max}; a value between them is valid");
        return Err(table.wrong("min", message));
    }
    let invalid_raw = read_invalid_raw(table, &field)?;
    let when = table
        .table("when", "when", WHEN_KEYS)?
        .map(|when| read_when(&when, room));
    Ok(SignalEntry {
        key,
        field,
        scale,
        offset,
        unit,
        min,
        max,
        invalid_raw,
        when: when.transpose()?,
    })
}

fn read_key(table: &Table<'_>) -> Result<SignalKey, TomlError> {
    match (table.text("role")?, table.text("name")?) {
        (Some(role), None) => match role.value.parse() {
            Ok(role) => Ok(SignalKey::Role(role)),
            Err(unknown) => {
                let message = format!(
                    "{unknown}; use {}, or give the signal a name instead",
                    listed(&roles_like(&role.value))
                );
                Err(table.wrong_at(role.at, message))
            }
        },
        (None, Some(name)) => Ok(SignalKey::Name(name.value)),
        (Some(_), Some(_)) => {
            Err(table.wrong("name", "the signal has a role and a name; leave one of them out"))
        }
        (None, None) => Err(table.wrong_at(
            table.at(),
            "the signal has no role and no name; write role = \"...\", or name = \"...\" for one without a role",
        )),
    }
}

/// The roles of the same group as an unknown one, or all.
fn roles_like(unknown: &str) -> Vec<&'static str> {
    let group = |text: &str| text.split('.').next().map(str::to_owned);
    let all = || Role::ALL.iter().map(|role| role.text());
    let alike: Vec<_> = all().filter(|role| group(role) == group(unknown)).collect();
    if alike.is_empty() {
        all().collect()
    } else {
        alike
    }
}

fn read_field(table: &Table<'_>, coding: Coding, room: &Room) -> Result<Field, TomlError> {
    let Some(length) = table.whole(
        "length",
        1..=64,
        "is not possible; a field has 1 to 64 bits",
    )?
    else {
        return Err(table.missing("length", "the number of bits as length = 16"));
    };
    if coding == Coding::Float && length.value != 32 && length.value != 64 {
        let message = format!(
            "length {} is not possible; a float has 32 or 64 bits",
            length.value
        );
        return Err(table.wrong("length", message));
    }
    let last = i128::from(MAX_DATA_BITS) - 1;
    let refusal = "is not a bit of a frame; the longest frame has bits 0 to 511";
    let Some(start) = table.whole("start", 0..=last, refusal)? else {
        return Err(table.missing("start", "the first bit as start = 0"));
    };
    let order = read_order(table)?;
    let end = start.value + length.value;
    if end > i128::from(room.bits) {
        let message = format!(
            "start {} and length {} reach bit {}, but {} has bits 0 to {}; {}",
            start.value,
            length.value,
            end - 1,
            room.of,
            room.bits - 1,
            room.hint
        );
        return Err(table.wrong("start", message));
    }
    // The ranges above leave no error here.
    Field::new(start.value as u16, length.value as u8, order, coding)
        .map_err(|error| table.wrong("start", error.to_string()))
}

fn read_order(table: &Table<'_>) -> Result<BitOrder, TomlError> {
    let Some(order) = table.text("order")? else {
        return Err(table.missing("order", "order = \"big\" or order = \"little\""));
    };
    match order.value.as_str() {
        "big" => Ok(BitOrder::Big),
        "little" => Ok(BitOrder::Little),
        other => {
            let message = format!(
                "unknown order \"{}\"; write \"big\" or \"little\"",
                other.escape_debug()
            );
            Err(table.wrong_at(order.at, message))
        }
    }
}

fn read_unit(table: &Table<'_>, key: &SignalKey) -> Result<Unit, TomlError> {
    let written = table.text_or_empty("unit")?;
    let unit = match &written {
        Some(Located { value, at }) => value
            .parse::<Unit>()
            .map_err(|unknown| table.wrong_at(at.clone(), unknown.to_string()))?,
        None => Unit::Bare,
    };
    match key {
        SignalKey::Role(role) if !role.accepts(unit) => {
            let fitting: Vec<_> = Unit::ALL
                .iter()
                .filter(|unit| role.accepts(**unit))
                .map(|unit| {
                    if *unit == Unit::Bare {
                        "\"\""
                    } else {
                        unit.text()
                    }
                })
                .collect();
            let fitting = listed(&fitting);
            let message = match written {
                Some(_) => format!("unit \"{unit}\" does not fit role {role}; use {fitting}"),
                None => format!("role {role} needs a unit; use {fitting}"),
            };
            Err(table.wrong("unit", message))
        }
        _ => Ok(unit),
    }
}

fn read_invalid_raw(table: &Table<'_>, field: &Field) -> Result<Vec<u64>, TomlError> {
    // A signed code may be given as its bits or as the number that they stand for.
    let lowest = match field.coding() {
        Coding::Signed => -i128::from(field.mask() >> 1) - 1,
        Coding::Unsigned | Coding::Float => 0,
    };
    let highest = i128::from(field.mask());
    let codes = table.whole_list("invalid_raw")?;
    codes
        .into_iter()
        .map(|code| match code.value.filter(|code| (lowest..=highest).contains(code)) {
            Some(raw) => Ok(raw as u64 & field.mask()),
            None => {
                let written = table.written(&code.at);
                let bits = field.length();
                let message = format!(
                    "invalid_raw {written} does not fit the field's {bits} bits ({lowest} to 0x{highest:X})"
                );
                Err(table.wrong_at(code.at, message))
            }
        })
        .collect()
}

fn read_when(table: &Table<'_>, room: &Room) -> Result<Selector, TomlError> {
    let field = read_field(table, Coding::Unsigned, room)?;
    let refusal = format!(
        "does not fit the selector's {} bits (0 to 0x{:X})",
        field.length(),
        field.mask()
    );
    let Some(equals) = table.whole("equals", 0..=i128::from(field.mask()), &refusal)? else {
        return Err(table.missing("equals", "the code that selects the signal as equals = 1"));
    };
    Ok(Selector {
        field,
        equals: equals.value as u64,
    })
}

fn read_request(table: &Table<'_>) -> Result<(RequestEntry, Place), TomlError> {
    let read = read_what(table)?;
    let extended = table.flag("extended")?;
    let request_id = read_id(table, "request_id", extended)?
        .unwrap_or(RequestEntry::functional_request(extended));
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
    let room = Room {
        bits: MAX_DATA_BITS,
        of: "the longest answer read here".to_owned(),
        hint: "correct them",
    };
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

/// Services that only read. Others change a control unit's state and are refused.
fn read_what(table: &Table<'_>) -> Result<Read, TomlError> {
    let service = table.whole("service", 0..=0xFF, "is not a service (0x01, 0x09 or 0x22)")?;
    let pid = table.whole("pid", 0..=0xFF, "is not a parameter number (0 to 0xFF)")?;
    let did = table.whole("did", 0..=0xFFFF, "is not a data identifier (0 to 0xFFFF)")?;
    let service = service.map(|service| service.value as u8);
    match (service, pid, did) {
        (None | Some(0x01 | 0x09), Some(pid), None) => Ok(Read::Parameter {
            service: service.unwrap_or(0x01),
            pid: pid.value as u8,
        }),
        (None | Some(0x22), None, Some(did)) => Ok(Read::DataIdentifier(did.value as u16)),
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
