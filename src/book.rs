//! The car's book as files: read, made, written to.

use std::fs;
use std::path::{Path, PathBuf};

use slipwright_analysis::book::{Reminder, Work};
use slipwright_analysis::trend::WorkMark;

use crate::failure::Failure;
use crate::history::{FoundDrive, find_drives};

/// Names in a book.
pub(crate) const VEHICLE: &str = "vehicle.toml";
pub(crate) const DECODER: &str = "decoder.toml";
pub(crate) const REMINDERS: &str = "reminders.toml";
pub(crate) const WORK: &str = "work";
pub(crate) const DRIVES: &str = "drives";

/// A book's folder.
pub(crate) struct Book {
    folder: PathBuf,
}

impl Book {
    /// A folder that is a book: it has a vehicle file.
    pub(crate) fn open(folder: &Path) -> Result<Self, Failure> {
        if !folder.is_dir() {
            return Err(Failure::content(
                folder,
                "no such folder; begin a book with slipwright book new",
            ));
        }
        let book = Self {
            folder: folder.to_owned(),
        };
        if !book.vehicle().is_file() {
            return Err(Failure::content(
                folder,
                "this folder is no book: it has no vehicle.toml; begin one with slipwright book new",
            ));
        }
        Ok(book)
    }

    /// The book that a folder is, or that it is the drives of, if any.
    pub(crate) fn around(folder: &Path) -> Option<Self> {
        let is_book = |at: &Path| at.join(VEHICLE).is_file() && at.join(WORK).is_dir();
        let of_drives = || {
            let whole = fs::canonicalize(folder).ok()?;
            let parent = (whole.file_name()? == DRIVES).then(|| whole.parent())?;
            parent.map(Path::to_owned)
        };
        let at = if is_book(folder) {
            folder.to_owned()
        } else {
            of_drives().filter(|parent| is_book(parent))?
        };
        Some(Self { folder: at })
    }

    pub(crate) fn vehicle(&self) -> PathBuf {
        self.folder.join(VEHICLE)
    }

    pub(crate) fn work_folder(&self) -> PathBuf {
        self.folder.join(WORK)
    }

    /// Where drives lie: the book's folder for them, or the book itself.
    pub(crate) fn drives_folder(&self) -> PathBuf {
        let drives = self.folder.join(DRIVES);
        if drives.is_dir() {
            drives
        } else {
            self.folder.clone()
        }
    }

    pub(crate) fn drives(&self) -> Result<Vec<FoundDrive>, Failure> {
        find_drives(&self.drives_folder())
    }

    /// All work, in order of time.
    pub(crate) fn work(&self) -> Result<Vec<Work>, Failure> {
        let folder = self.work_folder();
        if !folder.is_dir() {
            return Ok(Vec::new());
        }
        let mut work = Vec::new();
        for entry in fs::read_dir(&folder).map_err(Failure::reading(&folder))? {
            let path = entry.map_err(Failure::reading(&folder))?.path();
            if path.extension().is_none_or(|ending| ending != "toml") {
                continue;
            }
            let name = path
                .file_stem()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            // A parts file may lie beside the work it belongs to, as parts.toml or NAME.parts.toml.
            if name.starts_with('.') || name == "parts" || name.ends_with(".parts") {
                continue;
            }
            let text = fs::read_to_string(&path).map_err(Failure::reading(&path))?;
            work.push(Work::parse(&name, &text).map_err(Failure::toml(&path))?);
        }
        work.sort_by(|a, b| (a.date, &a.name).cmp(&(b.date, &b.name)));
        Ok(work)
    }

    /// The owner's intervals; none without the file.
    pub(crate) fn reminders(&self) -> Result<Vec<Reminder>, Failure> {
        let path = self.folder.join(REMINDERS);
        if !path.exists() {
            return Ok(Vec::new());
        }
        let text = fs::read_to_string(&path).map_err(Failure::reading(&path))?;
        Reminder::parse_all(&text).map_err(Failure::toml(&path))
    }
}

/// Work as a trend marks it.
pub(crate) fn marks(work: &[Work]) -> Vec<WorkMark> {
    work.iter()
        .map(|w| WorkMark {
            name: w.name.clone(),
            title: w.title.clone(),
            t_ns: w.date.middle_ns(),
            odometer_km: w.odometer_km,
        })
        .collect()
}
