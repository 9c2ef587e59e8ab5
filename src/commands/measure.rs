//! `slipwright measure`: engagements and their measures, drive by drive.

use std::io::Write;
use std::path::{Path, PathBuf};

use slipwright_analysis::measures::DriveMeasures;

use crate::Answer;
use crate::cache::{Cache, Traces};
use crate::car::{Car, read_car};
use crate::cli::MeasureArgs;
use crate::contract::{self, DatasetOutput, MeasureOutput};
use crate::dataset;
use crate::failure::Failure;
use crate::progress;
use crate::text;
use crate::workers::in_order;

pub(crate) fn run(args: &MeasureArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let car = read_car(&args.vehicle, Some(&args.text))?;
    let mut drives = Vec::new();
    let mut failures = Vec::new();
    let mut files = Vec::new();
    // One drive measured once shall be measured soon: writing down its signals takes longer.
    let cache = match args.fresh.fresh {
        true => Cache::Off,
        false => Cache::Used,
    };
    let work = |path: &PathBuf| measure(path, &car, cache, args.out.as_deref());
    in_order(&args.captures, work, |measured| {
        match measured {
            Ok((drive, file)) => {
                // People see each drive as it comes; a program gets one object at the end.
                if !args.json.json {
                    writeln!(out, "{}", text::drive(&drive)).map_err(Failure::Printing)?;
                }
                drives.push(drive);
                files.extend(file.map(|file| file.display().to_string()));
            }
            Err(failure) if args.captures.len() == 1 => return Err(failure),
            Err(failure) => failures.push(failure.to_string()),
        }
        Ok(())
    })?;
    for failure in &failures {
        progress::say(failure);
    }
    let dataset = args.out.as_ref().map(|folder| DatasetOutput {
        folder: folder.display().to_string(),
        files,
    });
    if args.json.json {
        if !drives.is_empty() {
            contract::print(out, &MeasureOutput::new(&drives, &failures, dataset))?;
        }
    } else if let Some(dataset) = dataset {
        out.write_all(text::dataset(&dataset).as_bytes())
            .map_err(Failure::Printing)?;
    }
    Ok(if failures.is_empty() {
        Answer::Done
    } else {
        Answer::Partly
    })
}

/// One capture's measures, and the file of the dataset that they were written to.
fn measure(
    path: &Path,
    car: &Car,
    cache: Cache,
    dataset: Option<&Path>,
) -> Result<(DriveMeasures, Option<PathBuf>), Failure> {
    let drive = cache.measures(path, car, Traces::Spared)?;
    let write = |folder| dataset::write(folder, path, &drive, car);
    let file = dataset.map(write).transpose()?;
    Ok((drive, file))
}
