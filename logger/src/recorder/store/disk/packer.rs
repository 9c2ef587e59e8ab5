//! The thread that compresses closed files, so that the next drive need not wait for it.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::PoisonError;
use std::time::Duration;

use super::Shared;
use crate::capture::compress_closed;

/// The packing thread: what a power loss broke off in an earlier run, then one closed file after
/// another.
pub(super) fn pack(folder: &Path, shared: &Shared) {
    for path in broken_off(folder) {
        compress(&path, shared);
    }
    loop {
        let mut queue = shared.lock();
        let path = loop {
            if let Some(path) = queue.packing.pop_front() {
                break path;
            }
            // The writer may yet close a file; it has nothing left to do once its queue is empty
            // and its last close is over, which the drive's sidecar follows.
            if queue.closed && queue.jobs.is_empty() {
                return;
            }
            let waited = shared.wake.wait_timeout(queue, Duration::from_millis(200));
            queue = waited.unwrap_or_else(PoisonError::into_inner).0;
        };
        drop(queue);
        compress(&path, shared);
    }
}

fn compress(path: &Path, shared: &Shared) {
    if let Err(error) = compress_closed(path) {
        let complaint = format!(
            "{}: not compressed, and kept as it is: {error}",
            path.display()
        );
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
