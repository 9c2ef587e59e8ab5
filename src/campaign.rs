//! Which drives are compared: those that were named, or those of a book around a piece of work.

use std::path::PathBuf;

use slipwright_analysis::book::Work;
use slipwright_analysis::book::sides::{DriveDate, sides};

use crate::book::Book;
use crate::cli::CompareArgs;
use crate::failure::Failure;
use crate::history::FoundDrive;
use crate::input::first_frame_ns;

/// One drive: its captures in order.
pub(crate) type Captures = Vec<PathBuf>;

/// What is compared.
#[derive(Debug)]
pub(crate) struct Campaign {
    pub(crate) before: Vec<Captures>,
    pub(crate) after: Vec<Captures>,
    pub(crate) vehicle: PathBuf,
    /// The work in between, if a book says so.
    pub(crate) work: Option<Work>,
    /// What a reader must know of the choice.
    pub(crate) warnings: Vec<String>,
}

impl Campaign {
    /// The campaign that was asked for.
    pub(crate) fn of(args: &CompareArgs) -> Result<Self, Failure> {
        let each = |paths: &[PathBuf]| paths.iter().map(|path| vec![path.clone()]).collect();
        match &args.book {
            Some(folder) => Self::around_work(args, &Book::open(folder)?),
            None => Ok(Self {
                before: each(&args.before),
                after: each(&args.after),
                vehicle: args.vehicle.clone().ok_or_else(|| {
                    Failure::Usage("name the vehicle file with --vehicle".to_owned())
                })?,
                work: None,
                warnings: Vec::new(),
            }),
        }
    }

    fn around_work(args: &CompareArgs, book: &Book) -> Result<Self, Failure> {
        let work = book.work()?;
        let index = chosen(args.work.as_deref(), &work, book)?;
        let found = book.drives()?;
        let mut placed = Vec::new();
        for drive in &found {
            let mut starts = Vec::new();
            for capture in &drive.captures {
                starts.push(first_frame_ns(capture)?);
            }
            placed.push(DriveDate {
                start_ns: starts.into_iter().min().unwrap_or(i64::MIN),
                odometer_km: drive.sidecar.odometer_km,
            });
        }
        let sides = sides(&placed, &work, index);
        let of = |positions: &[usize]| -> Vec<Captures> {
            let drives = positions.iter().filter_map(|&i| found.get(i));
            drives
                .map(|drive: &FoundDrive| drive.captures.clone())
                .collect()
        };
        let (before, after) = (of(&sides.before), of(&sides.after));
        let work = work.into_iter().nth(index);
        let title = work.as_ref().map_or("", |w| w.name.as_str());
        for (side, drives) in [("before", &before), ("after", &after)] {
            if drives.is_empty() {
                return Err(Failure::content(
                    &book.drives_folder(),
                    format!(
                        "no drive from {side} the work {title}; record some, or name another with --work"
                    ),
                ));
            }
        }
        let mut warnings = Vec::new();
        if !sides.unknown.is_empty() {
            let names: Vec<String> = of(&sides.unknown)
                .iter()
                .flatten()
                .map(|path| path.display().to_string())
                .collect();
            warnings.push(format!(
                "left out, because they are of the very day of some work and no odometer tells their side: {}; write the time of day into the work's date",
                names.join(", ")
            ));
        }
        Ok(Self {
            before,
            after,
            vehicle: args.vehicle.clone().unwrap_or_else(|| book.vehicle()),
            work,
            warnings,
        })
    }
}

/// The work named, or the newest.
fn chosen(name: Option<&str>, work: &[Work], book: &Book) -> Result<usize, Failure> {
    let folder = book.work_folder();
    let Some(name) = name else {
        return work.len().checked_sub(1).ok_or_else(|| {
            Failure::content(
                &folder,
                "no work is written down; write it with slipwright book work",
            )
        });
    };
    let name = name.strip_suffix(".toml").unwrap_or(name);
    let alike = |w: &Work| w.name == name || w.title == name;
    work.iter().position(alike).ok_or_else(|| {
        let names: Vec<&str> = work.iter().map(|w| w.name.as_str()).collect();
        Failure::content(
            &folder,
            format!("no work is called {name:?}; there is {}", names.join(", ")),
        )
    })
}
