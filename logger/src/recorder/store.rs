//! Files, written by a thread of their own: a slow disk must not keep frames waiting in the kernel.
//!
//! The recorder hands over [`Job`]s of whole pcapng blocks and asks for a [`Report`]. When a write
//! fails, the file is cut back to its last whole block, everything before it is kept, and no
//! further write is tried until the next file.

use std::io;
use std::path::{Path, PathBuf};

use super::lifecycle::End;
use super::sidecar::Record;
use crate::system_error;

mod disk;

pub use disk::{DiskStore, Room};

/// One thing to do with files.
#[derive(Clone, Debug, PartialEq)]
pub enum Job {
    /// Make a drive's folder.
    MakeFolder(PathBuf),
    /// Begin a new capture file; its folder is there. It has its name only once its head is safe.
    Open {
        /// The file.
        path: PathBuf,
        /// Its first whole blocks.
        head: Vec<u8>,
    },
    /// Append whole blocks.
    Write(Vec<u8>),
    /// Bring everything written to the disk itself. Once done, so many frames are safe.
    Sync {
        /// Frames of the drive that the sync covers.
        frames: u64,
    },
    /// Close the file; pack it if asked.
    Close {
        /// Compress it with zstd.
        compress: bool,
    },
    /// Write a drive's sidecar.
    Sidecar {
        /// The file.
        path: PathBuf,
        /// The person's part, should there be no file yet.
        persons_part: String,
        /// The recorder's part.
        record: Record,
    },
}

/// Why writing stopped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// Full, or broken in another way.
    pub end: End,
    /// The file or folder, and what the system said.
    pub message: String,
}

/// How the disk is doing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Bytes handed over and not yet written.
    pub backlog_bytes: usize,
    /// Frames of the drive that a power loss can no longer take.
    pub synced_frames: u64,
    /// Bytes free for us on the disk; `None` before the first look.
    pub free_bytes: Option<u64>,
    /// Set once writing has failed.
    pub failure: Option<Failure>,
    /// Jobs handed over and not yet done.
    pub jobs_waiting: usize,
}

/// Where jobs go.
pub trait Store {
    /// Hands over a job.
    fn submit(&mut self, job: Job);
    /// How the disk is doing.
    fn report(&self) -> Report;
    /// Things that went wrong without ending the drive, each handed out once.
    fn complaints(&mut self) -> Vec<String>;
    /// Whether a folder or file of this name is there already.
    fn is_taken(&self, path: &Path) -> bool;
}

/// A store that keeps its jobs for a test to look at.
#[derive(Clone, Debug, Default)]
pub struct MemoryStore {
    /// Everything submitted, in order.
    pub jobs: Vec<Job>,
    /// What to answer.
    pub report: Report,
}

impl Store for MemoryStore {
    fn submit(&mut self, job: Job) {
        if let Job::Sync { frames } = job {
            self.report.synced_frames = frames;
        }
        self.jobs.push(job);
    }

    fn report(&self) -> Report {
        self.report.clone()
    }

    fn complaints(&mut self) -> Vec<String> {
        Vec::new()
    }

    fn is_taken(&self, path: &Path) -> bool {
        self.jobs
            .iter()
            .any(|job| matches!(job, Job::MakeFolder(folder) if folder == path))
    }
}

/// A failure in plain words.
pub(super) fn failure(path: &Path, error: &io::Error) -> Failure {
    let end = match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => End::DiskFull,
        _ => End::DiskFailed,
    };
    let what = match error.kind() {
        io::ErrorKind::StorageFull => {
            "the disk is full; free some space and start again".to_owned()
        }
        io::ErrorKind::QuotaExceeded => {
            "the disk quota is used up; free some space and start again".to_owned()
        }
        io::ErrorKind::ReadOnlyFilesystem => {
            "the disk is read-only; choose another place".to_owned()
        }
        io::ErrorKind::PermissionDenied => {
            "not allowed to write there; choose another place".to_owned()
        }
        _ => format!("cannot be written: {}", system_error::plain(error)),
    };
    Failure {
        end,
        message: format!("{}: {what}", path.display()),
    }
}
