//! `slipwright compare`: the proof, and its report.

use std::io::Write;
use std::path::Path;

use slipwright_analysis::book::{Due, Work};
use slipwright_analysis::comparison::sets::same_recording;
use slipwright_analysis::comparison::{Comparison, Verdict, compare};
use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::report::{ReportNotes, comparison_report};
use slipwright_analysis::table;
use slipwright_decoders::role::Role;

use crate::Answer;
use crate::book::Book;
use crate::cache::{Cache, Traces};
use crate::campaign::{Campaign, Captures};
use crate::car::{Car, read_car};
use crate::cli::CompareArgs;
use crate::contract::{self, CompareOutput};
use crate::failure::Failure;
use crate::history::{measure_drives, measure_parts};
use crate::once::{refuse_same_drive, refuse_same_file};
use crate::output::{make_folder, write_whole};
use crate::page::{PageFiles, made_now};
use crate::reminders;
use crate::text;
use crate::workers::each;

/// What is refused where a drive is given twice.
const ONCE: &str = "a drive can stand in the comparison only once";

pub(crate) fn run(args: &CompareArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let campaign = Campaign::of(args)?;
    let car = read_car(&campaign.vehicle, Some(&args.text))?;
    let captures = || campaign.before.iter().chain(&campaign.after);
    refuse_same_file(captures().flatten(), ONCE)?;
    let cache = Cache::kept_unless(args.fresh.fresh);
    let traces = match args.out {
        Some(_) => Traces::Wanted,
        None => Traces::Spared,
    };
    let drives: Vec<&Captures> = captures().collect();
    let mut before = each(&drives, |captures| {
        measure_parts(captures, &car, cache, traces)
    })?;
    let after = before.split_off(campaign.before.len());
    let firsts = captures().filter_map(|parts| parts.first());
    let measured = before.iter().chain(&after);
    refuse_same_drive(firsts.zip(measured), same_recording, ONCE)?;
    let mut comparison = compare(&before, &after);
    comparison
        .warnings
        .extend(campaign.warnings.iter().cloned());
    let due = due(args, &car, cache, &mut comparison.warnings)?;
    let told = of_drives(&before, &after);
    let report = match &args.out {
        Some(folder) => Some(write_report(
            PageFiles::at(folder.join("report.html"), args.pictures.pictures),
            folder,
            &Proof {
                comparison: &comparison,
                before: &before,
                after: &after,
                due: due.as_deref(),
                told: &told,
            },
            &car,
            &campaign,
        )?),
        None => None,
    };
    match args.json.json {
        true => contract::print(
            out,
            &CompareOutput::new(
                &comparison,
                [&before, &after],
                &told,
                due.as_deref(),
                report.as_ref(),
            ),
        )?,
        false => {
            let mut text = text::comparison(&comparison, &told);
            text.push_str(&text::reminders(due.as_deref().unwrap_or_default()));
            if let Some(report) = &report {
                text.push_str(&report.text());
            }
            out.write_all(text.as_bytes()).map_err(Failure::Printing)?;
        }
    }
    Ok(match comparison.verdict {
        Verdict::NotEnoughData => Answer::No,
        _ => Answer::Done,
    })
}

/// What each drive says of itself, by its name: the report has it beside the drive.
fn of_drives(before: &[DriveMeasures], after: &[DriveMeasures]) -> Vec<String> {
    let of = |drive: &DriveMeasures| {
        let named = |warning: &String| format!("{}: {warning}", drive.name);
        drive.warnings.iter().map(named).collect::<Vec<_>>()
    };
    before.iter().chain(after).flat_map(of).collect()
}

/// How the reminders of the book stand, if the comparison is of one. They count every drive of the
/// book, so those beside the campaign are measured too; which cannot be is a warning.
fn due(
    args: &CompareArgs,
    car: &Car,
    cache: Cache,
    warnings: &mut Vec<String>,
) -> Result<Option<Vec<Due>>, Failure> {
    let Some(folder) = &args.book else {
        return Ok(None);
    };
    let book = Book::open(folder)?;
    if book.reminders()?.is_empty() {
        return Ok(Some(Vec::new()));
    }
    let (drives, failures) = measure_drives(&book.drives()?, folder, car, cache);
    let left_out = |failure: &Failure| format!("left out of the service reminders: {failure}");
    warnings.extend(failures.iter().map(left_out));
    reminders::of(&book, &drives, &reminders::today()?).map(Some)
}

/// What a report shows.
struct Proof<'a> {
    comparison: &'a Comparison,
    before: &'a [DriveMeasures],
    after: &'a [DriveMeasures],
    due: Option<&'a [Due]>,
    /// What the drives say of themselves.
    told: &'a [String],
}

/// Writes the report's files into a folder.
fn write_report(
    page: PageFiles,
    folder: &Path,
    proof: &Proof<'_>,
    car: &Car,
    campaign: &Campaign,
) -> Result<PageFiles, Failure> {
    let &Proof {
        comparison,
        before,
        after,
        due,
        told,
    } = proof;
    make_folder(folder)?;
    let internal = |error: polars::error::PolarsError| Failure::Internal(error.to_string());
    let mut engagements = table::engagements(before, after).map_err(internal)?;
    write_whole(
        &folder.join("engagements.parquet"),
        &table::parquet(&mut engagements).map_err(internal)?,
    )?;
    let mut json = Vec::new();
    let output = CompareOutput::new(comparison, [before, after], told, due, Some(&page));
    contract::print(&mut json, &output)?;
    write_whole(&folder.join("comparison.json"), &json)?;
    let notes = ReportNotes {
        work: campaign.work.as_ref().map(|work| work.title.clone()),
        work_details: campaign.work.as_ref().map_or_else(Vec::new, Work::details),
        made: Some(made_now()),
        demand_unit: car.decoder.unit_of(Role::CouplingDemand),
        reminders: due.unwrap_or_default().to_vec(),
    };
    let html = comparison_report(comparison, before, after, &car.vehicle, &notes);
    page.write(&html)?;
    Ok(page)
}
