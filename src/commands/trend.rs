//! `slipwright trend`: measures over months and kilometres.

use std::io::Write;
use std::path::{Path, PathBuf};

use slipwright_analysis::book::Due;
use slipwright_analysis::report::trend_report;
use slipwright_analysis::trend::{Trend, trend};

use crate::Answer;
use crate::book::{Book, marks};
use crate::cache::Cache;
use crate::car::{Car, read_car};
use crate::cli::TrendArgs;
use crate::contract::{self, TrendOutput};
use crate::failure::Failure;
use crate::history::{find_drives, measure_drives};
use crate::output::{make_folder, write_whole};
use crate::page::{PageFiles, made_now};
use crate::{progress, reminders, text};

pub(crate) fn run(args: &TrendArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let book = Book::around(&args.folder);
    let found = match &book {
        Some(book) => book.drives()?,
        None => find_drives(&args.folder)?,
    };
    let vehicle = vehicle_file(args, book.as_ref())?;
    if found.is_empty() {
        return Err(Failure::content(
            &args.folder,
            "no capture in this folder; a capture ends in .pcapng or .pcapng.zst",
        ));
    }
    let car = read_car(&vehicle, None)?;
    let work = match &book {
        Some(book) => marks(&book.work()?),
        None => Vec::new(),
    };
    let cache = Cache::kept_unless(args.fresh.fresh);
    let (drives, mut failures) = measure_drives(&found, &args.folder, &car, cache);
    if drives.is_empty() && failures.len() == 1 {
        return Err(failures.remove(0));
    }
    let due = match &book {
        Some(book) => Some(reminders::of(book, &drives, &reminders::today()?)?),
        None => None,
    };
    let due = due.as_deref();
    let failures: Vec<String> = failures.iter().map(ToString::to_string).collect();
    for failure in &failures {
        progress::say(failure);
    }
    let trend = trend(drives, work, args.healthy.into());
    let report = match &args.out {
        Some(folder) => {
            let page = PageFiles::at(folder.join("trend.html"), args.pictures.pictures);
            Some(write_report(page, folder, &trend, &car, &failures, due)?)
        }
        None => None,
    };
    match args.json.json {
        true => contract::print(
            out,
            &TrendOutput::new(&trend, &failures, due, report.as_ref()),
        )?,
        false => {
            let mut text = text::trend(&trend);
            text.push_str(&text::reminders(due.unwrap_or_default()));
            if let Some(report) = &report {
                text.push_str(&report.text());
            }
            out.write_all(text.as_bytes()).map_err(Failure::Printing)?;
        }
    }
    Ok(match (failures.is_empty(), trend.is_judgeable()) {
        (false, _) => Answer::Partly,
        (true, true) => Answer::Done,
        (true, false) => Answer::No,
    })
}

/// The vehicle file named, or the book's own.
fn vehicle_file(args: &TrendArgs, book: Option<&Book>) -> Result<PathBuf, Failure> {
    let own = || book.map(Book::vehicle);
    args.vehicle.clone().or_else(own).ok_or_else(|| {
        Failure::Usage(format!(
            "{} is no book with a vehicle.toml; name the vehicle file with --vehicle",
            args.folder.display()
        ))
    })
}

/// Writes the report's files into a folder.
fn write_report(
    page: PageFiles,
    folder: &Path,
    trend: &Trend,
    car: &Car,
    failures: &[String],
    due: Option<&[Due]>,
) -> Result<PageFiles, Failure> {
    make_folder(folder)?;
    let mut json = Vec::new();
    contract::print(
        &mut json,
        &TrendOutput::new(trend, failures, due, Some(&page)),
    )?;
    write_whole(&folder.join("trend.json"), &json)?;
    let html = trend_report(
        trend,
        &car.vehicle,
        due.unwrap_or_default(),
        Some(&made_now()),
    );
    page.write(&html)?;
    Ok(page)
}
