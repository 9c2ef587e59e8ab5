//! The thread for all that can wait: sidecars, and the compression of closed files. Each costs the
//! disk several waits of its own, in which no frame may be kept waiting.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::PoisonError;
use std::time::Duration;

use super::super::super::sidecar::{self, Record};
use super::super::failure;
use super::Shared;
use super::writer::sync_folder;
use crate::capture::compress_closed;

/// One thing that can wait.
#[derive(Debug)]
pub(super) enum Task {
    /// Compress a closed file.
    Pack(PathBuf),
    /// Write a drive's sidecar ([`super::Job::Sidecar`]).
    Sidecar {
        path: PathBuf,
        persons_part: String,
        record: Record,
    },
}

/// Does first what a power loss broke off in an earlier run, then one task after another.
pub(super) fn run(folder: &Path, shared: &Shared) {
    for path in broken_off(folder) {
        compress(&path, shared);
    }
    loop {
        let mut queue = shared.lock();
        let task = loop {
            if let Some(task) = queue.aside.pop_front() {
                break task;
            }
            // A job that the writer still has may leave a task behind.
            if queue.closed && queue.report.jobs_waiting == 0 {
                return;
            }
            let waited = shared.wake.wait_timeout(queue, Duration::from_millis(200));
            queue = waited.unwrap_or_else(PoisonError::into_inner).0;
        };
        drop(queue);
        match task {
            Task::Pack(path) => compress(&path, shared),
            Task::Sidecar {
                path,
                persons_part,
                record,
            } => {
                if let Err(error) = write_sidecar(&path, &persons_part, &record) {
                    let complaint = failure(&path, &error).message;
                    shared.lock().complaints.push(complaint);
                }
            }
        }
    }
}

fn compress(path: &Path, shared: &Shared) {
    if let Err(error) = compress_closed(path) {
        let complaint = format!("{error}; it is kept as it is");
        shared.lock().complaints.push(complaint);
    }
}

/// Files that are there twice, as they are and packed: all that was left to do was to remove the
/// first. A file that is there once may be another recorder's, and open.
fn broken_off(folder: &Path) -> Vec<PathBuf> {
    let names = |folder: &Path| fs::read_dir(folder).into_iter().flatten().flatten();
    names(folder)
        .flat_map(|drive| names(&drive.path()))
        .map(|file| file.path())
        .filter(|path| {
            path.extension().is_some_and(|ending| ending == "pcapng")
                && path.with_extension("pcapng.zst").exists()
        })
        .collect()
}

/// Whole or not at all: a temporary name, synced, renamed.
fn write_sidecar(path: &Path, persons_part: &str, record: &Record) -> io::Result<()> {
    let before = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => persons_part.to_owned(),
        Err(error) => return Err(error),
    };
    let part = path.with_extension("toml.part");
    let text = sidecar::whole(&before, record);
    let written = File::create(&part)
        .and_then(|mut file| {
            file.write_all(text.as_bytes())
                .and_then(|()| file.sync_all())
        })
        .and_then(|()| fs::rename(&part, path));
    if written.is_err() {
        let _ = fs::remove_file(&part);
    }
    written?;
    path.parent().map_or(Ok(()), sync_folder)
}
