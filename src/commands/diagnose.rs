//! `slipwright diagnose`: ranked causes, with evidence.

use std::io::Write;
use std::path::{Path, PathBuf};

use slipwright_analysis::diagnosis::{DriveRecord, diagnose, observe};
use slipwright_analysis::drive::DriveMeasures;
use slipwright_analysis::measures::measure_drive;
use slipwright_analysis::readiness::Recording;
use slipwright_analysis::report::{DiagnosisNotes, diagnosis_report};
use slipwright_analysis::traffic_watch::TrafficWatch;
use slipwright_decoders::role::Role;
use slipwright_logger::capture::Event;

use crate::Answer;
use crate::cli::DiagnoseArgs;
use crate::contract;
use crate::contract::diagnose::DiagnoseOutput;
use crate::failure::Failure;
use crate::input::{Car, name, read_capture, read_car, refuse_foreign};
use crate::output::{make_folder, write_whole};
use crate::page::{PageFiles, made_now};
use crate::text;

pub(crate) fn run(args: &DiagnoseArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let car = read_car(&args.vehicle, Some(&args.text))?;
    refuse_same_file(args)?;
    let page = args.out.as_ref().map(|folder| {
        let page = folder.join("diagnosis.html");
        PageFiles::at(page, args.pictures.pictures)
    });
    let mut warnings = Vec::new();
    let mut look = |paths| observe_all(paths, &car, page.is_some(), &mut warnings);
    let now = look(&args.captures)?;
    let baseline = look(&args.baseline)?;
    let diagnosis = diagnose(&now.records, &baseline.records, &car.vehicle);
    let output = DiagnoseOutput::new(&diagnosis, warnings, page.as_ref());
    let mut text = text::diagnose::diagnosis(&output);
    if let (Some(folder), Some(page)) = (&args.out, &page) {
        make_folder(folder)?;
        let mut json = Vec::new();
        contract::print(&mut json, &output)?;
        write_whole(&folder.join("diagnosis.json"), &json)?;
        write_whole(&folder.join("diagnosis.txt"), text.as_bytes())?;
        let notes = DiagnosisNotes {
            made: Some(made_now()),
            demand_unit: car.decoder.unit_of(Role::CouplingDemand),
            warnings: output.warnings.clone(),
        };
        let (now, baseline) = (&now.measures, &baseline.measures);
        page.write(&diagnosis_report(
            &diagnosis,
            now,
            baseline,
            &car.vehicle,
            &notes,
        ))?;
        text.push_str(&page.text());
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

/// One set of drives: as the diagnosis sees them, and their engagements for the page.
#[derive(Default)]
struct Drives {
    records: Vec<DriveRecord>,
    measures: Vec<DriveMeasures>,
}

fn observe_all(
    paths: &[PathBuf],
    car: &Car,
    for_page: bool,
    warnings: &mut Vec<String>,
) -> Result<Drives, Failure> {
    let mut drives = Drives::default();
    for path in paths {
        add(&mut drives, path, car, for_page, warnings)?;
    }
    Ok(drives)
}

fn add(
    drives: &mut Drives,
    path: &Path,
    car: &Car,
    for_page: bool,
    warnings: &mut Vec<String>,
) -> Result<(), Failure> {
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
    let name = name(path);
    drives
        .records
        .push(observe(&name, &recording, &car.vehicle));
    if for_page {
        let span = read.decoded.span;
        drives.measures.push(measure_drive(
            &name,
            &read.decoded.signals,
            span,
            &car.vehicle,
        ));
    }
    Ok(())
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
