//! `status`: what a running recorder is doing.

use std::io::Write;

use crate::Answer;
use crate::cli::StatusArgs;
use crate::failure::Failure;

#[cfg(not(target_os = "linux"))]
pub(crate) fn run(_: &StatusArgs, _: &mut impl Write) -> Result<Answer, Failure> {
    Err(super::needs_linux("status"))
}

#[cfg(target_os = "linux")]
pub(crate) fn run(args: &StatusArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    use slipwright_logger::recorder::control::{self, ControlError, Reply, Request};

    use crate::contract::{self, StatusOutput};

    let status = match control::ask(args.socket.as_deref(), &Request::Status) {
        Ok(Reply::Status(status)) => Some(*status),
        Ok(_) => return Err(super::wrong_answer()),
        Err(ControlError::Nobody) => None,
        Err(error) => return Err(Failure::Usage(error.to_string())),
    };
    let answer = if status.is_some() {
        Answer::Done
    } else {
        Answer::No
    };
    if args.json.json {
        contract::print(out, &StatusOutput::new(status))?;
        return Ok(answer);
    }
    match status {
        Some(status) => write_text(out, &status),
        None => writeln!(out, "{}", ControlError::Nobody),
    }
    .map_err(Failure::Printing)?;
    Ok(answer)
}

/// The state in a few lines.
#[cfg(target_os = "linux")]
fn write_text(
    out: &mut impl Write,
    status: &slipwright_logger::recorder::live::Status,
) -> std::io::Result<()> {
    let unknown = || "unknown".to_owned();
    match &status.drive {
        Some(drive) => writeln!(
            out,
            "recording {} in {}: {:.0} s, {} frames, {:.1} MB, {} marks",
            drive.folder,
            status.out,
            drive.length_s,
            drive.frames,
            drive.bytes as f64 / 1e6,
            drive.marks
        )?,
        None => writeln!(
            out,
            "waiting for a bus to wake; drives go to {}",
            status.out
        )?,
    }
    for bus in &status.buses {
        let load = bus
            .load_percent
            .map_or_else(unknown, |load| format!("{load:.0} %"));
        writeln!(
            out,
            "{}: {}, {:.0} frames/s, load {load}, {} error frames, {} dropped, stamps by {}",
            bus.name, bus.state, bus.rate_hz, bus.error_frames, bus.dropped, bus.stamps
        )?;
    }
    for signal in &status.signals {
        match (signal.value, signal.age_s) {
            (Some(value), Some(age)) => {
                writeln!(
                    out,
                    "{}: {value:.2} {}, {age:.1} s old",
                    signal.role, signal.unit
                )?;
            }
            _ => writeln!(out, "{}: not seen yet", signal.role)?,
        }
    }
    match (status.slip_mps, &status.slip_why) {
        (Some(slip), _) => writeln!(out, "front-rear slip: {slip:.2} m/s")?,
        (None, Some(why)) => writeln!(out, "front-rear slip: {why}")?,
        (None, None) => {}
    }
    if let Some(asking) = &status.asking {
        writeln!(
            out,
            "requests: {} sent, {} answered, {} refused, {} silent, {} broken off",
            asking.asked, asking.answered, asking.refused, asking.silent, asking.broken
        )?;
    }
    if let Some(gnss) = &status.gnss {
        let speed = gnss
            .speed_mps
            .map_or_else(unknown, |v| format!("{v:.1} m/s"));
        writeln!(out, "ground speed: {speed} ({})", gnss.source)?;
    }
    if let Some(free) = status.disk_free_bytes {
        let left = status.disk_left_s.map_or_else(String::new, |s| {
            format!(", enough for {:.1} h", s / 3_600.0)
        });
        writeln!(out, "disk: {:.1} GB free{left}", free as f64 / 1e9)?;
    }
    for warning in &status.warnings {
        writeln!(out, "note: {warning}")?;
    }
    Ok(())
}
