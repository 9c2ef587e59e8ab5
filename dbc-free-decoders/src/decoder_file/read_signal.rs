//! One signal's TOML table to its entry.

use std::ops::Range;

use super::table::{Located, Table, listed};
use super::{Selector, SignalEntry};
use crate::field::{BitOrder, Coding, Field};
use crate::role::Role;
use crate::signal::SignalKey;
use crate::toml_error::TomlError;
use crate::unit::{Unit, UnknownUnit};

pub(super) const SIGNAL_KEYS: &[&str] = &[
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

/// The bits in which a signal's fields must lie.
pub(super) struct Room {
    /// How many there are.
    pub(super) bits: u16,
    /// What has them.
    pub(super) of: String,
    /// What to do about a field beyond them.
    pub(super) hint: &'static str,
    /// The last bit that the longest of its kind has.
    pub(super) last_bit: u16,
    /// What is wrong with a start beyond that.
    pub(super) refusal: &'static str,
}

/// Reads the signals of one frame or answer, and where each stands in the text.
pub(super) fn read_signals(
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
        let message = format!("min {min} is not below max {max}; correct them");
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
            Err(_) => {
                let message = format!(
                    "unknown role \"{}\"; use {}, or give the signal a name instead",
                    role.value.escape_debug(),
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
    let last = i128::from(room.last_bit);
    let Some(start) = table.whole("start", 0..=last, room.refusal)? else {
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
    Field::in_answer(start.value as u16, length.value as u8, order, coding)
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
        Some(Located { value, at }) => value.parse::<Unit>().map_err(|_| {
            let unknown = UnknownUnit(value.escape_debug().to_string());
            table.wrong_at(at.clone(), unknown.to_string())
        })?,
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
                    "invalid_raw {written} does not fit the field's {bits} bits ({lowest} to 0x{highest:X}); correct it"
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
