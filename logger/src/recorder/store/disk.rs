//! The real disk: [`writer`] is the thread that writes captures, [`aside`] the one for all that can
//! wait; this is what they share with the recorder.

use std::collections::VecDeque;
use std::io;
use std::path::Path;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use super::{Job, Report, Store};

mod aside;
mod writer;

use aside::Task;

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    wake: Condvar,
    room: tokio::sync::Notify,
}

#[derive(Debug, Default)]
struct Queue {
    jobs: VecDeque<Job>,
    aside: VecDeque<Task>,
    report: Report,
    complaints: Vec<String>,
    closed: bool,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Queue> {
        // A panic elsewhere leaves the queue whole: every change to it is one step.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Leaves something for when there is time.
    fn put_aside(&self, task: Task) {
        self.lock().aside.push_back(task);
        self.wake.notify_all();
    }
}

/// More than this waiting, and buses are no longer drained: the kernel's own buffer fills, and
/// what is then lost is lost in one place, where it is counted.
const BACKLOG_LIMIT_BYTES: usize = 8 << 20;

/// The real disk: one thread writes captures, another does what can wait.
#[derive(Debug)]
pub struct DiskStore {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

impl DiskStore {
    /// Starts the threads.
    ///
    /// # Errors
    ///
    /// When the system gives no thread.
    pub fn start(folder: &Path) -> io::Result<Self> {
        let shared = Arc::new(Shared::default());
        let mut disk = writer::Disk::new(folder);
        let for_writer = Arc::clone(&shared);
        let for_aside = Arc::clone(&shared);
        let folder = folder.to_owned();
        let threads = vec![
            std::thread::Builder::new()
                .name("disk".to_owned())
                .spawn(move || disk.run(&for_writer))?,
            std::thread::Builder::new()
                .name("aside".to_owned())
                .spawn(move || aside::run(&folder, &for_aside))?,
        ];
        Ok(Self { shared, threads })
    }

    /// A handle that waits until the disk has caught up enough for more frames.
    #[must_use]
    pub fn room(&self) -> Room {
        Room(Arc::clone(&self.shared))
    }

    /// Does all that was handed over, then stops the threads.
    pub fn finish(&mut self) -> Report {
        self.shared.lock().closed = true;
        self.shared.wake.notify_all();
        for thread in self.threads.drain(..) {
            // A thread that panicked has said so already.
            let _ = thread.join();
        }
        self.report()
    }
}

/// Waits for the disk.
#[derive(Clone, Debug)]
pub struct Room(Arc<Shared>);

impl Room {
    /// Returns when the backlog is small enough.
    pub async fn wait(&self) {
        loop {
            let freed = self.0.room.notified();
            if self.0.lock().report.backlog_bytes < BACKLOG_LIMIT_BYTES {
                return;
            }
            freed.await;
        }
    }
}

impl Store for DiskStore {
    fn submit(&mut self, job: Job) {
        let mut queue = self.shared.lock();
        if let Job::Write(bytes) = &job {
            queue.report.backlog_bytes += bytes.len();
        }
        queue.report.jobs_waiting += 1;
        queue.jobs.push_back(job);
        drop(queue);
        self.shared.wake.notify_all();
    }

    fn report(&self) -> Report {
        self.shared.lock().report.clone()
    }

    fn complaints(&mut self) -> Vec<String> {
        std::mem::take(&mut self.shared.lock().complaints)
    }

    fn is_taken(&self, path: &Path) -> bool {
        path.exists()
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::recorder::lifecycle::End;

    fn block(length: usize) -> Vec<u8> {
        let mut block = vec![0; length];
        block[4..8].copy_from_slice(&(length as u32).to_le_bytes());
        block
    }

    #[test]
    fn what_was_handed_over_is_on_the_disk_at_the_end() {
        let folder = tempfile::tempdir().unwrap();
        let drive = folder.path().join("drive");
        let file = drive.join("a.pcapng");
        let mut store = DiskStore::start(folder.path()).unwrap();
        for job in [
            Job::MakeFolder(drive.clone()),
            Job::Open {
                path: file.clone(),
                head: block(32),
            },
            Job::Write(block(48)),
            Job::Sync { frames: 1 },
            Job::Close { compress: false },
        ] {
            store.submit(job);
        }
        let report = store.finish();
        assert_eq!((report.synced_frames, report.backlog_bytes), (1, 0));
        assert_eq!(report.failure, None);
        assert!(report.free_bytes.is_some());
        assert_eq!(fs::metadata(file).unwrap().len(), 80);
        let names = fs::read_dir(drive).unwrap().count();
        assert_eq!(names, 1, "no temporary name is left");
    }

    #[test]
    fn packing_that_was_broken_off_is_finished() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("drive").join("a.pcapng");
        fs::create_dir(file.parent().unwrap()).unwrap();
        fs::write(&file, block(32)).unwrap();
        let packed = crate::capture::compress_closed(&file).unwrap();
        // The power went before the file was removed; another was open then.
        fs::write(&file, block(32)).unwrap();
        let open = file.with_file_name("b.pcapng");
        fs::write(&open, block(48)).unwrap();
        DiskStore::start(folder.path()).unwrap().finish();
        let there = [&file, &packed, &open].map(|path| path.exists());
        assert_eq!(there, [false, true, true]);
    }

    #[test]
    fn a_file_in_the_way_is_a_failure_and_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a.pcapng");
        fs::write(&file, b"mine").unwrap();
        let mut store = DiskStore::start(folder.path()).unwrap();
        store.submit(Job::Open {
            path: file.clone(),
            head: block(32),
        });
        store.submit(Job::Write(block(32)));
        let failure = store.finish().failure.unwrap();
        assert_eq!(failure.end, End::DiskFailed);
        assert_eq!(fs::read(&file).unwrap(), b"mine");
    }
}
