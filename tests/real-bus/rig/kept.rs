//! What a recorder kept, read back.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use slipwright_logger::capture::{Capture, Event};

type Error = Box<dyn std::error::Error>;

/// One frame read back.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct KeptFrame {
    pub(crate) t_ns: i64,
    pub(crate) bus: String,
    pub(crate) id: u32,
    pub(crate) extended: bool,
    pub(crate) flags: slipwright_decoders::frame::FrameFlags,
    pub(crate) data: Vec<u8>,
}

impl KeptFrame {
    /// The number in it.
    pub(crate) fn number(&self) -> u64 {
        self.data
            .as_slice()
            .try_into()
            .map_or(u64::MAX, u64::from_le_bytes)
    }
}

/// Everything under a folder of drives, files in the order of their names.
#[derive(Debug, Default)]
pub(crate) struct Kept {
    pub(crate) files: Vec<PathBuf>,
    pub(crate) frames: Vec<KeptFrame>,
    pub(crate) marks: Vec<String>,
    /// By bus, summed over files.
    pub(crate) dropped: BTreeMap<String, u64>,
    /// Files that end in a cut block.
    pub(crate) cut: usize,
}

impl Kept {
    /// Reads it all, sidecars too.
    pub(crate) fn read(out: &Path) -> Result<Self, Error> {
        let mut kept = Self::default();
        for file in captures(out)? {
            kept.add(&file)
                .map_err(|error| format!("{}: {error}", file.display()))?;
            kept.files.push(file);
        }
        for drive in std::fs::read_dir(out)? {
            let sidecar = drive?.path().join("drive.toml");
            if sidecar.exists() {
                let text = std::fs::read_to_string(&sidecar)?;
                let read = text.parse::<toml::Table>();
                read.map_err(|error| format!("{}: {error}", sidecar.display()))?;
            }
        }
        Ok(kept)
    }

    fn add(&mut self, file: &Path) -> Result<(), Error> {
        let mut names: Vec<String> = Vec::new();
        let mut dropped: BTreeMap<String, u64> = BTreeMap::new();
        let name = |names: &[String], bus: slipwright_decoders::frame::BusIndex| {
            names.get(bus.as_usize()).cloned().unwrap_or_default()
        };
        let summary = Capture::open(file)?.read(|event| {
            match event {
                Event::Bus(_, interface) => names.push(interface.name.clone().unwrap_or_default()),
                Event::Frame(frame) => self.frames.push(KeptFrame {
                    t_ns: frame.t_ns,
                    bus: name(&names, frame.bus),
                    id: frame.id.number(),
                    extended: frame.id.is_extended(),
                    flags: frame.flags,
                    data: frame.data.to_vec(),
                }),
                Event::Mark(mark) => self.marks.push(mark.text.into_owned()),
                Event::Statistics(s) => {
                    dropped.insert(name(&names, s.bus), s.dropped().unwrap_or(0));
                }
                Event::Section(_) => {}
            }
            ControlFlow::Continue(())
        })?;
        for (bus, count) in dropped {
            *self.dropped.entry(bus).or_default() += count;
        }
        self.cut += usize::from(!summary.ending.is_whole());
        Ok(())
    }

    /// The numbers that frames of one bus carry, in file order.
    pub(crate) fn numbers(&self, bus: &str) -> Vec<u64> {
        self.frames
            .iter()
            .filter(|f| f.bus == bus && !f.flags.error)
            .map(KeptFrame::number)
            .collect()
    }

    /// Whether a mark holds this text.
    pub(crate) fn has_mark(&self, text: &str) -> bool {
        self.marks.iter().any(|mark| mark.contains(text))
    }

    /// An error unless one bus's numbers are exactly 0, 1, 2... up to so many.
    pub(crate) fn require_all(&self, bus: &str, sent: u64) -> Result<(), Error> {
        let numbers = self.numbers(bus);
        let wrong = numbers.iter().zip(0..).find(|(a, b)| **a != *b);
        if wrong.is_some() || numbers.len() as u64 != sent {
            let text = format!(
                "{bus}: {} frames kept of {sent}; first out of place: {wrong:?}; dropped {:?}",
                numbers.len(),
                self.dropped
            );
            return Err(text.into());
        }
        Ok(())
    }
}

/// Capture files below a folder, in the order of their names.
pub(crate) fn captures(out: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut files = Vec::new();
    for drive in std::fs::read_dir(out)? {
        let drive = drive?.path();
        if !drive.is_dir() {
            continue;
        }
        for file in std::fs::read_dir(drive)? {
            let file = file?.path();
            let name = file
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            // Killed between the two steps of packing: one file under two names.
            let is_packed_too = file.with_extension("pcapng.zst").exists();
            if name.ends_with(".pcapng.zst") || name.ends_with(".pcapng") && !is_packed_too {
                files.push(file);
            }
        }
    }
    files.sort();
    Ok(files)
}
