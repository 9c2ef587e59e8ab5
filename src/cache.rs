//! What was read and measured of a capture, kept beside it, so that a year of drives is read once.
//!
//! Two files a capture, after its whole name:
//!
//! - `.signals.parquet`: its decoded signals, and who was silent when;
//! - `.measured`: what was measured of them.
//!
//! Each belongs to the capture's bytes, to the decoder file's (and the vehicle file's) and to this
//! very program: [`key`]. With any of them changed, damaged or made elsewhere it is passed over and
//! made anew. Both may be deleted at any time; where they cannot be written nothing is lost but
//! time.

#[cfg(any(test, fuzzing))]
mod any_bytes;
mod key;
mod measured;
mod seal;
mod signals;

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::traffic_watch::{Traffic, TrafficWatch};
use slipwright_logger::capture::Event;

#[cfg(any(test, fuzzing))]
pub(crate) use self::any_bytes::{read_measures, read_signals, read_traces};
use self::key::Key;
use crate::car::Car;
use crate::content::Content;
use crate::failure::Failure;
use crate::input::{Decoded, decode_capture, measure_decoded, read_capture, refuse_foreign};
use crate::output::write_whole;

/// Ending of the file of signals.
const SIGNALS: &str = ".signals.parquet";
/// Ending of the file of measures.
const MEASURED: &str = ".measured";

/// What a command does with what is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cache {
    /// Everything is read and measured, and nothing is kept.
    Off,
    /// What is there is used; nothing is written.
    Used,
    /// What is there is used, and what is missing is written.
    Kept,
}

/// Whether the traces for pictures are asked for; they are most of what is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Traces {
    /// They are.
    Wanted,
    /// Their vectors may be empty.
    Spared,
}

impl Cache {
    /// As a command that keeps does, unless its user wants everything fresh.
    pub(crate) fn kept_unless(fresh: bool) -> Self {
        if fresh { Self::Off } else { Self::Kept }
    }

    /// Capture file to measures.
    pub(crate) fn measures(
        self,
        capture: &Path,
        car: &Car,
        traces: Traces,
    ) -> Result<DriveMeasures, Failure> {
        let path = beside(capture, MEASURED);
        let found = self.content(capture, &[&path, &beside(capture, SIGNALS)]);
        let Some(content) = found else {
            return measure_decoded(capture, decode_capture(capture, &car.decoder)?, car);
        };
        let key = Key::of_measures(content, car);
        if let Some(drive) = measured::read(&path, key, traces) {
            // Its own name: the same bytes may lie under another.
            return Ok(DriveMeasures {
                name: crate::input::name(capture),
                ..drive
            });
        }
        let drive = measure_decoded(capture, self.signals_of(capture, car, content)?, car)?;
        if self == Self::Kept {
            keep(&path, measured::write(&drive, key));
        }
        Ok(drive)
    }

    /// Capture file to signals.
    fn signals_of(self, capture: &Path, car: &Car, content: Content) -> Result<Decoded, Failure> {
        let path = beside(capture, SIGNALS);
        let key = Key::of_signals(content, &car.decoder);
        if let Some(kept) = signals::read(&path, key) {
            return Ok(kept.decoded);
        }
        let decoded = decode_capture(capture, &car.decoder)?;
        if self == Self::Kept {
            keep(&path, signals::write(&decoded, None, key));
        }
        Ok(decoded)
    }

    /// Capture file to signals, and who was silent when.
    pub(crate) fn watched(self, capture: &Path, car: &Car) -> Result<(Decoded, Traffic), Failure> {
        let path = beside(capture, SIGNALS);
        let key = self
            .content(capture, &[&path])
            .map(|content| Key::of_signals(content, &car.decoder));
        if let Some(kept) = key.and_then(|key| signals::read(&path, key))
            && let Some(traffic) = kept.traffic
        {
            return Ok((kept.decoded, traffic));
        }
        let mut watch = TrafficWatch::new();
        let mut read = read_capture(capture, &car.decoder, &mut |event| match event {
            Event::Bus(bus, interface) => {
                watch.add_bus(*bus, interface.name.as_deref().unwrap_or_default());
            }
            Event::Frame(frame) => watch.push(frame),
            _ => {}
        })?;
        refuse_foreign(capture, &car.decoder, &mut read)?;
        let traffic = watch.finish();
        if let (Self::Kept, Some(key)) = (self, key) {
            keep(&path, signals::write(&read.decoded, Some(&traffic), key));
        }
        Ok((read.decoded, traffic))
    }

    /// The capture's content, if anything may be kept of it or is: hashing it is not free.
    fn content(self, capture: &Path, kept: &[&Path]) -> Option<Content> {
        match self {
            Self::Off => return None,
            Self::Used if !kept.iter().any(|path| is_plain_file(path)) => return None,
            Self::Used | Self::Kept => {}
        }
        // What cannot be read, or not twice, is read by who names its faults.
        Content::of_file(capture).ok()
    }
}

/// Longest kept file that is written, and read: whoever put a longer one there means no good.
const LONGEST_BYTES: u64 = 512 << 20;

/// Writes what is kept. A folder that cannot be written to costs only the time of the next run.
fn keep(path: &Path, bytes: Option<Vec<u8>>) {
    if let Some(bytes) = bytes.filter(|bytes| bytes.len() as u64 <= LONGEST_BYTES) {
        let _ = write_whole(path, &bytes);
    }
}

/// A file's name with an ending added, whatever endings it has.
pub(crate) fn beside(capture: &Path, ending: &str) -> PathBuf {
    let mut name: OsString = capture.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// Not a link, nor a pipe or a hole that would never end.
fn is_plain_file(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|about| about.is_file() && about.len() <= LONGEST_BYTES)
}

#[cfg(test)]
mod tests;
