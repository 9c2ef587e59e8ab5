//! The real disk: a thread that writes, and one that packs closed files.

use std::collections::VecDeque;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use super::super::sidecar::{self, Record};
use super::{Failure, Job, Report, Store, failure};
use crate::capture::compress_closed;

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    wake: Condvar,
    room: tokio::sync::Notify,
}

#[derive(Debug, Default)]
struct Queue {
    jobs: VecDeque<Job>,
    packing: VecDeque<PathBuf>,
    report: Report,
    complaints: Vec<String>,
    closed: bool,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Queue> {
        // A panic elsewhere leaves the queue whole: every change to it is one step.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// More than this waiting, and buses are no longer drained: the kernel's own buffer fills, and
/// what is then lost is lost in one place, where it is counted.
const BACKLOG_LIMIT_BYTES: usize = 8 << 20;

/// The real disk: one thread writes, another packs closed files.
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
        let mut disk = Disk {
            folder: folder.to_owned(),
            file: None,
        };
        let for_writer = Arc::clone(&shared);
        let for_packer = Arc::clone(&shared);
        let threads = vec![
            std::thread::Builder::new()
                .name("disk".to_owned())
                .spawn(move || disk.run(&for_writer))?,
            std::thread::Builder::new()
                .name("packer".to_owned())
                .spawn(move || pack(&for_packer))?,
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

/// The writing thread's state.
struct Disk {
    folder: PathBuf,
    file: Option<OpenFile>,
}

struct OpenFile {
    path: PathBuf,
    file: File,
    bytes: u64,
    failed: bool,
}

impl Disk {
    fn run(&mut self, shared: &Shared) {
        self.look_at_free_space(shared);
        loop {
            let mut queue = shared.lock();
            let job = loop {
                if let Some(job) = queue.jobs.pop_front() {
                    break job;
                }
                if queue.closed {
                    return;
                }
                let waited = shared.wake.wait_timeout(queue, Duration::from_secs(2));
                let (back, timed_out) = waited.unwrap_or_else(PoisonError::into_inner);
                queue = back;
                if timed_out.timed_out() {
                    drop(queue);
                    self.look_at_free_space(shared);
                    queue = shared.lock();
                }
            };
            drop(queue);
            let length = if let Job::Write(bytes) = &job {
                bytes.len()
            } else {
                0
            };
            let (synced, look) = match &job {
                Job::Sync { frames } => (Some(*frames), true),
                Job::MakeFolder(_) => (Some(0), false),
                _ => (None, false),
            };
            let done = self.execute(job, shared);
            let mut queue = shared.lock();
            queue.report.backlog_bytes -= length;
            queue.report.jobs_waiting -= 1;
            match done {
                Ok(()) => {
                    if let Some(frames) = synced {
                        queue.report.synced_frames = frames;
                    }
                }
                Err(failure) => queue.report.failure = Some(failure),
            }
            drop(queue);
            shared.room.notify_waiters();
            if look {
                self.look_at_free_space(shared);
            }
        }
    }

    fn look_at_free_space(&self, shared: &Shared) {
        let Ok(space) = rustix::fs::statvfs(&self.folder) else {
            return;
        };
        let mut queue = shared.lock();
        queue.report.free_bytes = Some(space.f_bavail.saturating_mul(space.f_frsize));
        // A disk that the kernel made read-only in an emergency may go on taking writes into memory,
        // and answer a sync with success: only this tells (ext4, measured).
        if space.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY) && self.file.is_some() {
            let error = io::ErrorKind::ReadOnlyFilesystem.into();
            queue
                .report
                .failure
                .get_or_insert_with(|| failure(&self.folder, &error));
        }
    }

    fn execute(&mut self, job: Job, shared: &Shared) -> Result<(), Failure> {
        match job {
            Job::MakeFolder(path) => fs::create_dir(&path)
                .and_then(|()| sync_folder(&self.folder))
                .map_err(|e| failure(&path, &e)),
            Job::Open(path) => self.open(&path),
            Job::Write(bytes) => self.write(&bytes),
            Job::Sync { .. } => match &mut self.file {
                Some(file) if !file.failed => {
                    let synced = file.file.sync_data();
                    file.failed = synced.is_err();
                    synced.map_err(|e| failure(&file.path, &e))
                }
                _ => Ok(()),
            },
            Job::Close { compress } => {
                let Some(file) = self.file.take() else {
                    return Ok(());
                };
                let synced = file.file.sync_all().map_err(|e| failure(&file.path, &e));
                // Packing needs room beside the file; a disk that failed has none to count on.
                if compress && !file.failed && synced.is_ok() {
                    shared.lock().packing.push_back(file.path);
                    shared.wake.notify_all();
                }
                synced
            }
            Job::Sidecar {
                path,
                persons_part,
                record,
            } => {
                if let Err(error) = write_sidecar(&path, &persons_part, &record) {
                    let complaint = failure(&path, &error).message;
                    shared.lock().complaints.push(complaint);
                }
                Ok(())
            }
        }
    }

    fn open(&mut self, path: &Path) -> Result<(), Failure> {
        self.file = None;
        let file = OpenOptions::new().append(true).create_new(true).open(path);
        let file = file.map_err(|e| failure(path, &e))?;
        self.file = Some(OpenFile {
            path: path.to_owned(),
            file,
            bytes: 0,
            failed: false,
        });
        // A synced file whose name is not on the disk would be lost with it.
        let folder = path.parent().unwrap_or(&self.folder);
        sync_folder(folder).map_err(|e| failure(path, &e))
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        let Some(file) = self.file.as_mut().filter(|f| !f.failed) else {
            return Ok(());
        };
        let mut done = 0;
        while let Some(rest) = bytes.get(done..).filter(|rest| !rest.is_empty()) {
            match file.file.write(rest) {
                Ok(0) => return file.fail(bytes, done, &io::ErrorKind::WriteZero.into()),
                Ok(n) => done += n,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return file.fail(bytes, done, &error),
            }
        }
        file.bytes += bytes.len() as u64;
        Ok(())
    }
}

impl OpenFile {
    /// Cuts the file back to its last whole block and makes that safe.
    fn fail(&mut self, bytes: &[u8], done: usize, error: &io::Error) -> Result<(), Failure> {
        self.failed = true;
        self.bytes += whole_blocks(bytes, done) as u64;
        // On a disk that fails altogether this fails too; a file that ends in a cut block reads
        // up to it.
        let _ = self
            .file
            .set_len(self.bytes)
            .and_then(|()| self.file.sync_data());
        Err(failure(&self.path, error))
    }
}

/// How many of the first `done` bytes are whole pcapng blocks.
fn whole_blocks(bytes: &[u8], done: usize) -> usize {
    let mut whole = 0;
    while let Some(&[a, b, c, d]) = bytes.get(whole + 4..whole + 8) {
        let length = u32::from_le_bytes([a, b, c, d]) as usize;
        if length < 12 || whole + length > done {
            break;
        }
        whole += length;
    }
    whole
}

/// Makes new names in a folder safe.
fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Whole or not at all: a temporary name, synced, renamed.
fn write_sidecar(path: &Path, persons_part: &str, record: &Record) -> io::Result<()> {
    let before = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => persons_part.to_owned(),
        Err(error) => return Err(error),
    };
    let part = path.with_extension("toml.part");
    let mut file = File::create(&part)?;
    file.write_all(sidecar::whole(&before, record).as_bytes())?;
    file.sync_all()?;
    fs::rename(&part, path)?;
    path.parent().map_or(Ok(()), sync_folder)
}

/// The packing thread: one closed file after another.
fn pack(shared: &Shared) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::lifecycle::End;

    fn block(length: usize) -> Vec<u8> {
        let mut block = vec![0; length];
        block[4..8].copy_from_slice(&(length as u32).to_le_bytes());
        block
    }

    #[test]
    fn only_whole_blocks_count() {
        let bytes = [block(32), block(48), block(12)].concat();
        for (done, whole) in [
            (0, 0),
            (31, 0),
            (32, 32),
            (79, 32),
            (80, 80),
            (91, 80),
            (92, 92),
        ] {
            assert_eq!(whole_blocks(&bytes, done), whole, "{done}");
        }
        assert_eq!(whole_blocks(&[0; 40], 40), 0);
    }

    #[test]
    fn what_was_handed_over_is_on_the_disk_at_the_end() {
        let folder = tempfile::tempdir().unwrap();
        let drive = folder.path().join("drive");
        let file = drive.join("a.pcapng");
        let mut store = DiskStore::start(folder.path()).unwrap();
        for job in [
            Job::MakeFolder(drive.clone()),
            Job::Open(file.clone()),
            Job::Write(block(32)),
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
    }

    #[test]
    fn a_file_in_the_way_is_a_failure_and_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a.pcapng");
        fs::write(&file, b"mine").unwrap();
        let mut store = DiskStore::start(folder.path()).unwrap();
        store.submit(Job::Open(file.clone()));
        store.submit(Job::Write(block(32)));
        let failure = store.finish().failure.unwrap();
        assert_eq!(failure.end, End::DiskFailed);
        assert_eq!(fs::read(&file).unwrap(), b"mine");
    }
}
