//! `slipwright check`: ready to test?

#[cfg(target_os = "linux")]
mod asking;
mod codes;
#[cfg(target_os = "linux")]
mod live;

use std::io::Write;
use std::path::Path;

use slipwright_analysis::measure::Measure;
use slipwright_analysis::readiness::{Recording, assess};
use slipwright_analysis::traffic_watch::TrafficWatch;
use slipwright_logger::capture::Event;

use crate::Answer;
use crate::car::{Car, read_car};
use crate::cli::CheckArgs;
use crate::contract;
use crate::contract::check::{CheckOutput, TroubleCodesOutput};
use crate::failure::Failure;
use crate::input::read_capture;
use crate::text;

pub(crate) fn run(args: &CheckArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let car = read_car(&args.vehicle, Some(&args.text))?;
    let chosen = chosen(&args.measures)?;
    let files: Vec<&Path> = args
        .from
        .iter()
        .map(AsRef::as_ref)
        .filter(|path| is_capture(path))
        .collect();
    let output = match (files.as_slice(), args.from.len()) {
        ([capture], 1) => {
            if args.ask.is_some() {
                return Err(Failure::Usage(
                    "--ask needs a live bus; a capture cannot be asked".into(),
                ));
            }
            of_capture(capture, &car, &chosen)?
        }
        ([], _) => of_bus(args, &car, &chosen)?,
        _ => {
            return Err(Failure::Usage(
                "name one capture, or one or more CAN interfaces".into(),
            ));
        }
    };
    match args.json.json {
        true => contract::print(out, &output)?,
        false => out
            .write_all(text::check::check(&output).as_bytes())
            .map_err(Failure::Printing)?,
    }
    Ok(if output.ready {
        Answer::Done
    } else {
        Answer::No
    })
}

/// An interface's name is short and has no path or ending.
fn is_capture(path: &Path) -> bool {
    let text = path.to_string_lossy();
    path.exists() || text.contains('/') || text.contains('.') || text.len() > 15
}

fn chosen(names: &[String]) -> Result<Vec<Measure>, Failure> {
    if names.is_empty() {
        return Ok(Measure::ALL.to_vec());
    }
    names
        .iter()
        .map(|name| {
            let found = Measure::ALL
                .iter()
                .copied()
                .find(|m| m.key() == name.trim());
            found.ok_or_else(|| {
                let known: Vec<&str> = Measure::ALL.iter().map(|m| m.key()).collect();
                Failure::Usage(format!(
                    "--measures {name}: no such measure; choose from {}",
                    known.join(", ")
                ))
            })
        })
        .collect()
}

fn of_capture(path: &Path, car: &Car, chosen: &[Measure]) -> Result<CheckOutput, Failure> {
    let mut watch = TrafficWatch::new();
    let mut heard = codes::Heard::new(&car.decoder.file);
    let read = read_capture(path, &car.decoder, &mut |event| match event {
        Event::Bus(bus, interface) => {
            watch.add_bus(*bus, interface.name.as_deref().unwrap_or_default());
        }
        Event::Frame(frame) => {
            watch.push(frame);
            heard.push(frame);
        }
        _ => {}
    })?;
    let traffic = watch.finish();
    let recording = Recording {
        signals: &read.decoded.signals,
        described: &car.decoder.file,
        traffic: &traffic,
        span: read.decoded.span,
    };
    let mut readiness = assess(&recording, &car.vehicle, chosen);
    readiness.notes.extend(read.decoded.warnings);
    let answers: Vec<TroubleCodesOutput> = heard.finish();
    let told = (!answers.is_empty()).then_some(answers);
    Ok(CheckOutput::new(&readiness, told))
}

#[cfg(not(target_os = "linux"))]
fn of_bus(_: &CheckArgs, _: &Car, _: &[Measure]) -> Result<CheckOutput, Failure> {
    Err(super::needs_linux("check on a live bus"))
}

#[cfg(target_os = "linux")]
fn of_bus(args: &CheckArgs, car: &Car, chosen: &[Measure]) -> Result<CheckOutput, Failure> {
    let names: Vec<String> = args
        .from
        .iter()
        .map(|path| path.to_string_lossy().into_owned())
        .collect();
    let ask = args.ask.as_deref().map(asking::requests).transpose()?;
    if !(0.5..=8.0).contains(&args.listen) {
        return Err(Failure::Usage(format!(
            "--listen {}: must lie between 0.5 and 8 s",
            args.listen
        )));
    }
    let heard = live::listen(&names, car, args.listen, ask.as_deref())?;
    let recording = Recording {
        signals: &heard.signals,
        described: &car.decoder.file,
        traffic: &heard.traffic,
        span: heard.span,
    };
    let mut readiness = assess(&recording, &car.vehicle, chosen);
    readiness.notes.extend(heard.notes);
    Ok(CheckOutput::new(&readiness, heard.trouble_codes))
}
