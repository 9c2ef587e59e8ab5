//! What was measured of a capture, kept beside it, so that two years of drives are read once.
//!
//! The file belongs to the capture's bytes, the vehicle and decoder files' bytes and this very
//! program: with any of them changed it is made anew. It may be deleted at any time; where it
//! cannot be written nothing is lost but time.

use std::ffi::OsString;
use std::fs::{self, File};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use slipwright_analysis::trend::DriveSummary;

use crate::failure::Failure;
use crate::input::{Car, measure_capture};
use crate::output::write_whole;

/// Ending of the kept file, after the capture's whole name.
const ENDING: &str = ".measured.json";
/// Blocks of a capture that stand for all of it, and their size. A capture of up to four megabytes
/// is taken whole.
const BLOCKS: u64 = 64;
const BLOCK_BYTES: u64 = 64 * 1024;

/// Where measured drives come from.
pub(crate) struct Measured {
    /// What car and program are worth; none if nothing shall be kept.
    car_key: Option<u64>,
}

#[derive(Serialize, Deserialize)]
struct Kept {
    key: String,
    summary: DriveSummary,
}

impl Measured {
    /// Measured drives are kept for this vehicle file and the decoder file it names.
    pub(crate) fn kept(vehicle: &Path, car: &Car) -> Result<Self, Failure> {
        let mut hasher = DefaultHasher::new();
        env!("CARGO_PKG_VERSION").hash(&mut hasher);
        for path in [vehicle, car.decoder.path()] {
            fs::read(path)
                .map_err(Failure::reading(path))?
                .hash(&mut hasher);
        }
        // A rebuilt program may measure otherwise.
        if let Ok(program) = std::env::current_exe().and_then(fs::metadata) {
            program.len().hash(&mut hasher);
            program.modified().ok().hash(&mut hasher);
        }
        Ok(Self {
            car_key: Some(hasher.finish()),
        })
    }

    /// Every drive is measured, and nothing is kept.
    pub(crate) fn fresh() -> Self {
        Self { car_key: None }
    }

    /// What a capture holds: as kept, or measured now and kept.
    pub(crate) fn summary(&self, capture: &Path, car: &Car) -> Result<DriveSummary, Failure> {
        let measure = || as_read_back(DriveSummary::from(&measure_capture(capture, car)?));
        let Some(car_key) = self.car_key else {
            return measure();
        };
        // A capture that cannot be read is named by who reads it in full.
        let Ok(content) = content_key(capture) else {
            return measure();
        };
        let key = format!("{car_key:016x}-{content:016x}");
        let path = kept_path(capture);
        let kept = fs::read(&path).ok();
        let kept = kept.and_then(|bytes| serde_json::from_slice::<Kept>(&bytes).ok());
        if let Some(kept) = kept
            && kept.key == key
        {
            return Ok(kept.summary);
        }
        let drive = DriveSummary::from(&measure_capture(capture, car)?);
        let kept = Kept {
            key,
            summary: drive,
        };
        if let Ok(bytes) = serde_json::to_vec(&kept) {
            // A folder that cannot be written to costs only the time of the next run.
            let _ = write_whole(&path, &bytes);
        }
        as_read_back(kept.summary)
    }
}

/// A summary as a kept one reads: the last bit of a number may differ from what was written, and
/// the first run shall say what the second says.
fn as_read_back(summary: DriveSummary) -> Result<DriveSummary, Failure> {
    let internal = |error: serde_json::Error| Failure::Internal(error.to_string());
    let text = serde_json::to_vec(&summary).map_err(internal)?;
    serde_json::from_slice(&text).map_err(internal)
}

fn kept_path(capture: &Path) -> PathBuf {
    let mut name: OsString = capture.as_os_str().to_owned();
    name.push(ENDING);
    PathBuf::from(name)
}

/// Size and content of a capture; of a long one, blocks from its beginning to its very end.
fn content_key(capture: &Path) -> io::Result<u64> {
    let mut file = File::open(capture)?;
    let length = file.metadata()?.len();
    let mut hasher = DefaultHasher::new();
    length.hash(&mut hasher);
    let whole = BLOCKS * BLOCK_BYTES;
    if length <= whole {
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        bytes.hash(&mut hasher);
        return Ok(hasher.finish());
    }
    let mut block = vec![0; BLOCK_BYTES as usize];
    for index in 0..BLOCKS {
        // Counted in parts, as the product of both lengths may not fit.
        let last = length - BLOCK_BYTES;
        let start = last / (BLOCKS - 1) * index;
        let start = if index == BLOCKS - 1 { last } else { start };
        file.seek(SeekFrom::Start(start))?;
        file.read_exact(&mut block)?;
        block.hash(&mut hasher);
    }
    Ok(hasher.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_content_is_another_key() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        let key = |bytes: &[u8]| {
            fs::write(&path, bytes).unwrap();
            content_key(&path).unwrap()
        };
        let long = vec![7; 5_000_000];
        let mut last = long.clone();
        last[4_999_999] = 8;
        let keys = [
            key(b"a"),
            key(b"b"),
            key(b""),
            key(&long),
            key(&last),
            key(&long[1..]),
        ];
        for (index, a) in keys.iter().enumerate() {
            assert!(keys[..index].iter().all(|b| a != b), "{index}");
        }
        assert_eq!(key(&long), keys[3]);
        assert!(content_key(&folder.path().join("absent")).is_err());
    }
}
