//! A drive begun, its files opened and closed one after another, and its end.

use std::cell::RefCell;
use std::io::{self, Write};
use std::path::PathBuf;

use super::super::clock::Reading;
use super::super::lifecycle::{Change, End};
use super::super::sidecar::{self, Record};
use super::super::store::{Job, Store};
use super::bus::{Bus, BusId, Counts};
use super::{HAND_OVER_BYTES, Recorder};
use crate::capture::{CaptureWriter, Section, Statistics};

/// Blocks on their way to the disk.
#[derive(Default)]
pub(super) struct Blocks(RefCell<Vec<u8>>);

impl Write for Blocks {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.get_mut().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

pub(super) struct OpenFile {
    pub(super) writer: CaptureWriter<Blocks>,
    pub(super) name: String,
    pub(super) start_ns: i64,
    /// Bytes handed to the disk.
    pub(super) bytes: u64,
}

pub(super) struct Drive {
    pub(super) folder: PathBuf,
    pub(super) name: String,
    pub(super) start_ns: i64,
    pub(super) last_ns: i64,
    pub(super) files: Vec<String>,
    pub(super) frames: u64,
    pub(super) bytes: u64,
    pub(super) marks: u64,
    pub(super) synced_at_ns: i64,
    /// Something was handed to the disk since the last sync.
    pub(super) unsynced: bool,
    pub(super) sidecar_at_ns: i64,
}

impl<S: Store> Recorder<S> {
    pub(super) fn change(&mut self, change: Change, boot_ns: i64, now: Reading) {
        match change {
            Change::Start => self.start(boot_ns),
            Change::NextFile => {
                self.close_file(now);
                self.open_file(boot_ns);
                self.write_sidecar(None);
            }
            Change::End(why) => self.end(why, now),
        }
    }

    fn start(&mut self, boot_ns: i64) {
        self.timeline.restart();
        let start_ns = self.timeline.at(boot_ns);
        let base = drive_name(start_ns);
        let mut name = base.clone();
        let mut folder = self.plan.out.join(&name);
        for n in 2.. {
            // A clock that was set back may have used this name before.
            if !self.store.is_taken(&folder) {
                break;
            }
            name = format!("{base}-{n}");
            folder = self.plan.out.join(&name);
        }
        tracing::info!("drive {name} begins");
        self.store.submit(Job::MakeFolder(folder.clone()));
        for bus in &mut self.buses {
            bus.drive = Counts::default();
        }
        self.drive = Some(Drive {
            folder,
            name,
            start_ns,
            last_ns: start_ns,
            files: Vec::new(),
            frames: 0,
            bytes: 0,
            marks: 0,
            synced_at_ns: boot_ns,
            unsynced: false,
            sidecar_at_ns: boot_ns,
        });
        self.open_file(boot_ns);
        for bus in &mut self.buses {
            let before = std::mem::take(&mut bus.dropped_before);
            bus.file.dropped += before;
            bus.drive.dropped += before;
        }
        self.write_sidecar(None);
    }

    fn open_file(&mut self, boot_ns: i64) {
        let start_ns = self.timeline.at(boot_ns);
        let Some(drive) = self.drive.as_mut() else {
            return;
        };
        let name = (0..).map(|ms| capture_name(start_ns + ms * 1_000_000));
        let name = name
            .into_iter()
            .find(|name| !drive.files.contains(name))
            .unwrap_or_default();
        for bus in &mut self.buses {
            bus.in_file = None;
            bus.file = Counts::default();
        }
        drive.files.push(name.clone());
        // Writing into memory fails only for a text that is too long, and ours is not.
        let Ok(writer) = CaptureWriter::new(Blocks::default(), &Section::ours()) else {
            return;
        };
        let head = writer.get_ref().0.take();
        let bytes = head.len() as u64;
        drive.bytes += bytes;
        self.store.submit(Job::Open {
            path: drive.folder.join(&name),
            head,
        });
        self.file = Some(OpenFile {
            writer,
            name,
            start_ns,
            bytes,
        });
    }

    /// Writes what was counted, and closes the file.
    fn close_file(&mut self, now: Reading) {
        // The last frame's time, and not the present: after silence that lies well behind.
        let end_ns = self.drive.as_ref().map_or(0, |d| d.last_ns);
        for i in 0..self.buses.len() {
            // A bus that never spoke is described too: silence is a finding.
            if self
                .buses
                .get(i)
                .is_some_and(|b| b.is_guest && b.in_file.is_none())
            {
                continue;
            }
            let index = self.in_file(BusId(i));
            let (Some(index), Some(file), Some(bus)) =
                (index, self.file.as_mut(), self.buses.get(i))
            else {
                continue;
            };
            let statistics = Statistics {
                start_ns: Some(file.start_ns),
                end_ns: Some(end_ns),
                received: Some(bus.file.frames + bus.file.dropped),
                dropped_by_os: Some(bus.file.dropped),
                delivered: Some(bus.file.frames),
                ..Statistics::at(index, self.timeline.at(now.boot_ns))
            };
            // Only a stamp before 1970 could make this fail; the frames would have failed too.
            let _ = file.writer.write_statistics(&statistics);
        }
        self.hand_over(0);
        self.file = None;
        self.store.submit(Job::Close {
            compress: self.plan.compress,
        });
    }

    fn end(&mut self, why: End, now: Reading) {
        self.close_file(now);
        self.write_sidecar(Some(why));
        if let Some(drive) = self.drive.take() {
            tracing::info!(
                "drive {} ended: {}; {} frames",
                drive.name,
                why.text(),
                drive.frames
            );
        }
        self.timeline.restart();
    }

    /// Hands blocks to the disk if there are more than `above` bytes of them.
    pub(super) fn hand_over(&mut self, above: usize) {
        let (Some(file), Some(drive)) = (self.file.as_mut(), self.drive.as_mut()) else {
            return;
        };
        let mut blocks = file.writer.get_ref().0.borrow_mut();
        if blocks.len() <= above {
            return;
        }
        let bytes = std::mem::replace(&mut *blocks, Vec::with_capacity(HAND_OVER_BYTES + 8_192));
        file.bytes += bytes.len() as u64;
        drive.bytes += bytes.len() as u64;
        drive.unsynced = true;
        self.store.submit(Job::Write(bytes));
    }

    pub(super) fn write_sidecar(&mut self, ended: Option<End>) {
        let Some(drive) = &self.drive else { return };
        let record = Record {
            start_utc: utc(drive.start_ns),
            end_utc: utc(drive.last_ns),
            duration_s: (drive.last_ns - drive.start_ns) as f64 / 1e9,
            ended,
            clock_set_by_s: self.timeline.set_by_ns() as f64 / 1e9,
            files: drive.files.clone(),
            buses: self.buses.iter().map(Bus::line).collect(),
            marks: drive.marks,
        };
        let path = drive.folder.join("drive.toml");
        let persons_part = sidecar::persons_part(&self.plan.about);
        self.store.submit(Job::Sidecar {
            path,
            persons_part,
            record,
        });
    }
}

/// UTC time as a folder's name that sorts by time and that every file system takes.
fn drive_name(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(i128::from(t_ns)).unwrap_or_default();
    time.strftime("%Y-%m-%dT%H-%M-%SZ").to_string()
}

/// The same for a file, to the millisecond: two files of one drive may begin within a second.
fn capture_name(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(i128::from(t_ns)).unwrap_or_default();
    format!("{}.pcapng", time.strftime("%Y-%m-%dT%H-%M-%S%.3fZ"))
}

/// UTC time by RFC 3339, to the millisecond.
pub(super) fn utc(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(i128::from(t_ns)).unwrap_or_default();
    format!("{time:.3}")
}
