//! A decoder file's value to TOML text, as a person would write it.

use std::fmt::{self, Write};

use super::{DecoderFile, DiagnosticRead, FrameEntry, RequestEntry, Selector, SignalEntry};
use crate::field::{Coding, Field};
use crate::frame::MAX_DATA_BYTES;
use crate::signal::SignalKey;

impl DecoderFile {
    /// The file's text. Whatever equals its default and needs no saying is left out; reading the
    /// text gives an equal value, if the value is one that [`DecoderFile::parse`] accepts.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let _ = self.write(&mut text);
        text
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "[decoder]\nname = {}", quoted(&self.name))?;
        for frame in &self.frames {
            write_frame(out, frame)?;
        }
        for request in &self.requests {
            write_request(out, request)?;
        }
        Ok(())
    }
}

fn write_frame(out: &mut String, frame: &FrameEntry) -> fmt::Result {
    writeln!(out, "\n[[frame]]")?;
    write_text(out, "bus", frame.bus.as_deref())?;
    writeln!(out, "id = {}", frame.id)?;
    if frame.id.is_extended() {
        writeln!(out, "extended = true")?;
    }
    write_text(out, "name", frame.name.as_deref())?;
    if usize::from(frame.length_bytes) != MAX_DATA_BYTES {
        writeln!(out, "length_bytes = {}", frame.length_bytes)?;
    }
    write_number(out, "period_ms", frame.period_ms)?;
    write_number(out, "timeout_ms", frame.timeout_ms)?;
    frame
        .signals
        .iter()
        .try_for_each(|signal| write_signal(out, "frame", signal))
}

fn write_request(out: &mut String, request: &RequestEntry) -> fmt::Result {
    writeln!(out, "\n[[request]]")?;
    write_text(out, "bus", request.bus.as_deref())?;
    match request.read {
        DiagnosticRead::Parameter { service, pid } => {
            writeln!(out, "service = 0x{service:02X}\npid = 0x{pid:02X}")?;
        }
        DiagnosticRead::DataIdentifier(did) => writeln!(out, "service = 0x22\ndid = 0x{did:04X}")?,
    }
    writeln!(
        out,
        "request_id = {}\nresponse_id = {}",
        request.request_id, request.response_id
    )?;
    if request.request_id.is_extended() {
        writeln!(out, "extended = true")?;
    }
    write_text(out, "name", request.name.as_deref())?;
    if let Some(length_bytes) = request.length_bytes {
        writeln!(out, "length_bytes = {length_bytes}")?;
    }
    write_number(out, "period_ms", request.period_ms)?;
    write_number(out, "timeout_ms", request.timeout_ms)?;
    request
        .signals
        .iter()
        .try_for_each(|signal| write_signal(out, "request", signal))
}

fn write_signal(out: &mut String, parent: &str, signal: &SignalEntry) -> fmt::Result {
    let mut lines = String::new();
    match &signal.key {
        SignalKey::Role(role) => writeln!(lines, "role = {}", quoted(role.text()))?,
        SignalKey::Name(name) => writeln!(lines, "name = {}", quoted(name))?,
    }
    let field = &signal.field;
    writeln!(
        lines,
        "start = {}\nlength = {}",
        field.start(),
        field.length()
    )?;
    writeln!(lines, "order = \"{}\"", field.order().text())?;
    match field.coding() {
        Coding::Unsigned => {}
        Coding::Signed => writeln!(lines, "signed = true")?,
        Coding::Float => writeln!(lines, "float = true")?,
    }
    // `{:?}` gives the shortest text that reads back as the same f64.
    writeln!(
        lines,
        "scale = {:?}\noffset = {:?}",
        signal.scale, signal.offset
    )?;
    writeln!(lines, "unit = {}", quoted(signal.unit.text()))?;
    write_number(&mut lines, "min", signal.min)?;
    write_number(&mut lines, "max", signal.max)?;
    if !signal.invalid_raw.is_empty() {
        let codes: Vec<_> = signal
            .invalid_raw
            .iter()
            .map(|&raw| code(field, raw))
            .collect();
        writeln!(lines, "invalid_raw = [{}]", codes.join(", "))?;
    }
    if let Some(Selector { field, equals }) = &signal.when {
        writeln!(
            lines,
            "when = {{ start = {}, length = {}, order = \"{}\", equals = {} }}",
            field.start(),
            field.length(),
            field.order().text(),
            code(field, *equals),
        )?;
    }
    writeln!(out, "\n  [[{parent}.signal]]")?;
    lines.lines().try_for_each(|line| writeln!(out, "  {line}"))
}

/// A raw code with as many hexadecimal digits as its field has.
fn code(field: &Field, raw: u64) -> String {
    let digits = usize::from(field.length().div_ceil(4));
    format!("0x{raw:0digits$X}")
}

fn write_text(out: &mut String, key: &str, value: Option<&str>) -> fmt::Result {
    value.map_or(Ok(()), |text| writeln!(out, "{key} = {}", quoted(text)))
}

fn write_number(out: &mut String, key: &str, value: Option<f64>) -> fmt::Result {
    value.map_or(Ok(()), |number| writeln!(out, "{key} = {number:?}"))
}

/// The text as a TOML basic string on one line (TOML 1.0, "String").
fn quoted(text: &str) -> String {
    let mut quoted = String::from('"');
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            '\n' => quoted.push_str("\\n"),
            '\r' => quoted.push_str("\\r"),
            '\t' => quoted.push_str("\\t"),
            // Control characters other than these may not stand in TOML as they are.
            c if c.is_control() => quoted.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}
