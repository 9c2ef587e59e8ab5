//! The thread that compresses closed files, so that the next drive need not wait for it.

use std::sync::PoisonError;
use std::time::Duration;

use super::Shared;
use crate::capture::compress_closed;

/// The packing thread: one closed file after another.
pub(super) fn pack(shared: &Shared) {
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
        if let Err(error) = compress_closed(&path) {
            let complaint = format!(
                "{}: not compressed, and kept as it is: {error}",
                path.display()
            );
            shared.lock().complaints.push(complaint);
        }
    }
}
