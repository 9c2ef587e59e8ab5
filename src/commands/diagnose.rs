//! `slipwright diagnose`: ranked causes, with evidence.

use std::io::Write;
use std::path::{Path, PathBuf};

use slipwright_analysis::diagnosis::{DriveRecord, diagnose, observe};
use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::readiness::Recording;
use slipwright_analysis::report::{DiagnosisNotes, diagnosis_report};
use slipwright_decoders::role::Role;

use crate::Answer;
use crate::cache::{Cache, Traces};
use crate::car::{Car, read_car};
use crate::cli::DiagnoseArgs;
use crate::contract;
use crate::contract::diagnose::DiagnoseOutput;
use crate::failure::Failure;
use crate::input::name;
use crate::once::{refuse_same_drive, refuse_same_file};
use crate::output::{make_folder, write_whole};
use crate::page::{PageFiles, made_now};
use crate::text;
use crate::workers::each;

/// What is refused where a drive is given twice: it cannot be its own baseline.
const ONCE: &str = "a drive can be judged only once, and not against itself";

pub(crate) fn run(args: &DiagnoseArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let car = read_car(&args.vehicle, Some(&args.text))?;
    let captures = || args.captures.iter().chain(&args.baseline);
    refuse_same_file(captures(), ONCE)?;
    let page = args.out.as_ref().map(|folder| {
        let page = folder.join("diagnosis.html");
        PageFiles::at(page, args.pictures.pictures)
    });
    let cache = Cache::kept_unless(args.fresh.fresh);
    let mut warnings = Vec::new();
    let mut look = |paths| observe_all(paths, &car, cache, page.is_some(), &mut warnings);
    let now = look(&args.captures)?;
    let baseline = look(&args.baseline)?;
    let records = now.records.iter().chain(&baseline.records);
    refuse_same_drive(
        captures().zip(records),
        DriveRecord::is_of_same_recording,
        ONCE,
    )?;
    let diagnosis = diagnose(&now.records, &baseline.records, &car.vehicle);
    warnings.extend(diagnosis.warnings.iter().cloned());
    let output = DiagnoseOutput::new(&diagnosis, warnings, page.as_ref());
    let mut text = text::diagnose::diagnosis(&diagnosis, &output.warnings);
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
    cache: Cache,
    for_page: bool,
    warnings: &mut Vec<String>,
) -> Result<Drives, Failure> {
    let mut drives = Drives::default();
    for one in each(paths, |path| observe_one(path, car, cache, for_page))? {
        drives.records.push(one.record);
        drives.measures.extend(one.measures);
        warnings.extend(one.warnings);
    }
    Ok(drives)
}

/// One drive of a set.
struct Observed {
    record: DriveRecord,
    measures: Option<DriveMeasures>,
    warnings: Vec<String>,
}

fn observe_one(path: &Path, car: &Car, cache: Cache, for_page: bool) -> Result<Observed, Failure> {
    let (decoded, traffic) = cache.watched(path, car)?;
    let name = name(path);
    let named = |warning: &String| format!("{name}: {warning}");
    let recording = Recording {
        signals: &decoded.signals,
        described: &car.decoder.file,
        traffic: &traffic,
        span: decoded.span,
    };
    let record = observe(&name, &recording, &car.vehicle);
    let measures = || cache.measures(path, car, Traces::Wanted);
    Ok(Observed {
        record,
        measures: for_page.then(measures).transpose()?,
        warnings: decoded.warnings.iter().map(named).collect(),
    })
}
