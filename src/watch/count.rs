//! What the drive holds already: its captures measured again and again while they grow, by the same
//! code that measures a finished drive.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use slipwright_analysis::test_card::{Tally, tally};

use super::Count;
use crate::car::Car;
use crate::history::{is_capture, packed, without_doubles};
use crate::input::measure_capture;

/// A count is not repeated sooner than this.
const LEAST_PAUSE: Duration = Duration::from_secs(8);
/// Nor sooner than so many times what it took, so that counting stays a small part of one core.
const PAUSES_A_COUNT: u32 = 40;

/// Counts the captures of a drive's folder.
pub(crate) struct Counter {
    car: Car,
    /// Captures that no longer grow, by their names before packing, with what they hold.
    finished: Vec<(PathBuf, Tally)>,
    next_at: Instant,
}

impl Counter {
    pub(crate) fn new(car: Car) -> Self {
        Self {
            car,
            finished: Vec::new(),
            next_at: Instant::now(),
        }
    }

    /// Counts if it is time to.
    pub(super) fn count(&mut self, out: &Path, drive: &str, growing: &str) -> Option<Count> {
        let begin = Instant::now();
        if begin < self.next_at {
            return None;
        }
        let tally = self.folder(&out.join(drive), growing);
        self.next_at = Instant::now() + LEAST_PAUSE.max(begin.elapsed() * PAUSES_A_COUNT);
        Some(Count {
            drive: drive.to_owned(),
            tally,
        })
    }

    /// What all captures of a folder hold together.
    pub(crate) fn folder(&mut self, folder: &Path, growing: &str) -> Result<Tally, String> {
        let entries = fs::read_dir(folder)
            .map_err(|_| format!("{} cannot be read from here", folder.display()))?;
        let mut captures: Vec<PathBuf> = entries
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|path| is_capture(path))
            .collect();
        without_doubles(&mut captures);
        let mut all = Tally::default();
        for path in captures {
            // Packed or not, it is the same capture.
            let plain = match path.extension().is_some_and(|ending| ending == "zst") {
                true => path.with_extension(""),
                false => path.clone(),
            };
            if let Some((_, known)) = self.finished.iter().find(|(p, _)| *p == plain) {
                all.add(known.clone());
                continue;
            }
            let is_growing = path.file_name().is_some_and(|name| name == growing);
            let measured = match measure_capture(&path, &self.car) {
                // Packed since the folder was looked at.
                Err(_) if !path.exists() => measure_capture(&packed(&path), &self.car),
                measured => measured,
            };
            match measured {
                Ok(drive) => {
                    let held = tally(&drive);
                    if !is_growing {
                        self.finished.push((plain, held.clone()));
                    }
                    all.add(held);
                }
                // Its first second may hold nothing yet.
                Err(_) if is_growing => {}
                Err(failure) => return Err(failure.to_string()),
            }
        }
        Ok(all)
    }
}
