//! What a book's owner wanted to be reminded of, and how it stands.

use slipwright_analysis::book::reminder::{Driven, due};
use slipwright_analysis::book::sides::DriveDate;
use slipwright_analysis::book::{Due, Moment};
use slipwright_analysis::trend::{TrendDrive, without_copies};

use crate::book::Book;
use crate::failure::Failure;

/// How every reminder of a book stands after these drives of it.
pub(crate) fn of(book: &Book, drives: &[TrendDrive], now: &Moment) -> Result<Vec<Due>, Failure> {
    // Work that a copy did was done once.
    let (drives, _) = without_copies(drives.to_vec());
    let mut driven: Vec<Driven> = drives
        .iter()
        .map(|drive| Driven {
            placed: DriveDate {
                start_ns: drive.summary.start_ns,
                odometer_km: drive.odometer_km,
            },
            friction_work_j: drive.summary.friction_work_j(),
        })
        .collect();
    driven.sort_by_key(|d| d.placed.start_ns);
    Ok(due(&book.reminders()?, &book.work()?, &driven, now.end_ns))
}

/// The day it is.
pub(crate) fn today() -> Result<Moment, Failure> {
    let now = jiff::Timestamp::now().strftime("%Y-%m-%d").to_string();
    Moment::parse(&now).map_err(Failure::Internal)
}
