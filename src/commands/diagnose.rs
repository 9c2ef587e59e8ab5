//! `slipwright diagnose`: ranked causes, with evidence.

use std::io::Write;
use std::path::{Path, PathBuf};

use slipwright_analysis::diagnosis::{DriveRecord, diagnose, observe};
use slipwright_analysis::readiness::Recording;
use slipwright_analysis::traffic_watch::TrafficWatch;
use slipwright_logger::capture::Event;

use crate::Answer;
use crate::cli::DiagnoseArgs;
use crate::contract;
use crate::contract::diagnose::DiagnoseOutput;
use crate::failure::Failure;
use crate::input::{Car, name, read_capture, read_car, refuse_foreign};
use crate::output::{make_folder, write_whole};
use crate::text;

pub(crate) fn run(args: &DiagnoseArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let car = read_car(&args.vehicle, Some(&args.text))?;
    refuse_same_file(args)?;
    let mut warnings = Vec::new();
    let now = records(&args.captures, &car, &mut warnings)?;
    let baseline = records(&args.baseline, &car, &mut warnings)?;
    let diagnosis = diagnose(&now, &baseline, &car.vehicle);
    let output = DiagnoseOutput::new(&diagnosis, warnings);
    let text = text::diagnose::diagnosis(&output);
    if let Some(folder) = &args.out {
        make_folder(folder)?;
        let mut json = Vec::new();
        contract::print(&mut json, &output)?;
        write_whole(&folder.join("diagnosis.json"), &json)?;
        write_whole(&folder.join("diagnosis.txt"), text.as_bytes())?;
    }
    match args.json.json {
        true => contract::print(out, &output)?,
        false => out.write_all(text.as_bytes()).map_err(Failure::Printing)?,
    }
    Ok(if output.judgeable {
        Answer::Done
    } else {
        Answer::No
    })
}

fn records(
    paths: &[PathBuf],
    car: &Car,
    warnings: &mut Vec<String>,
) -> Result<Vec<DriveRecord>, Failure> {
    paths
        .iter()
        .map(|path| record(path, car, warnings))
        .collect()
}

fn record(path: &Path, car: &Car, warnings: &mut Vec<String>) -> Result<DriveRecord, Failure> {
    let mut watch = TrafficWatch::new();
    let read = read_capture(path, &car.decoder, &mut |event| match event {
        Event::Bus(bus, interface) => {
            watch.add_bus(*bus, interface.name.as_deref().unwrap_or_default());
        }
        Event::Frame(frame) => watch.push(frame),
        _ => {}
    })?;
    refuse_foreign(path, &car.decoder, &read)?;
    let named = |warning: String| format!("{}: {warning}", name(path));
    warnings.extend(read.decoded.warnings.into_iter().map(named));
    let traffic = watch.finish();
    let recording = Recording {
        signals: &read.decoded.signals,
        described: &car.decoder.file,
        traffic: &traffic,
        span: read.decoded.span,
    };
    Ok(observe(&name(path), &recording, &car.vehicle))
}

/// A drive cannot be its own baseline.
fn refuse_same_file(args: &DiagnoseArgs) -> Result<(), Failure> {
    let mut seen: Vec<PathBuf> = Vec::new();
    for path in args.captures.iter().chain(&args.baseline) {
        // A path that cannot be resolved is named when it is opened.
        let Ok(resolved) = std::fs::canonicalize(path) else {
            continue;
        };
        if seen.contains(&resolved) {
            return Err(Failure::content(
                path,
                "given twice; a drive can be judged only once, and not against itself",
            ));
        }
        seen.push(resolved);
    }
    Ok(())
}
