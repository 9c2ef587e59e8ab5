//! The thread that writes: one job after another, in the order handed over.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::PoisonError;
use std::time::Duration;

use super::super::{Failure, Job, failure};
use super::Shared;
use super::aside::Task;

/// The writing thread's state.
pub(super) struct Disk {
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
    /// Nothing open yet, in the folder for drives.
    pub(super) fn new(folder: &Path) -> Self {
        Self {
            folder: folder.to_owned(),
            file: None,
        }
    }

    /// Does jobs until there are no more and never will be.
    pub(super) fn run(&mut self, shared: &Shared) {
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
                Err(failure) => {
                    // What fails after it is its consequence.
                    queue.report.failure.get_or_insert(failure);
                }
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
            Job::Open { path, head } => self.open(&path, &head),
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
                    shared.put_aside(Task::Pack(file.path));
                }
                synced
            }
            Job::Sidecar {
                path,
                persons_part,
                record,
            } => {
                // Only after the folder was made, and so not handed over at once.
                shared.put_aside(Task::Sidecar {
                    path,
                    persons_part,
                    record,
                });
                Ok(())
            }
        }
    }

    /// Makes a file that reads from its first moment on: under a temporary name it gets its head,
    /// and its own name only when that is safe.
    fn open(&mut self, path: &Path, head: &[u8]) -> Result<(), Failure> {
        self.file = None;
        let told = |error| failure(path, &error);
        if path.try_exists().map_err(told)? {
            return Err(told(io::ErrorKind::AlreadyExists.into()));
        }
        let part = path.with_extension("pcapng.part");
        let mut options = OpenOptions::new();
        let file = options.append(true).create(true).open(&part);
        let mut file = file.map_err(told)?;
        let begun = file
            // Left behind by a crash, it may hold something.
            .set_len(0)
            .and_then(|()| file.write_all(head))
            .and_then(|()| file.sync_data())
            .and_then(|()| fs::rename(&part, path))
            // A synced file whose name is not on the disk would be lost with it.
            .and_then(|()| sync_folder(path.parent().unwrap_or(&self.folder)));
        if let Err(error) = begun {
            // A head that found no room is of no use to anyone.
            let _ = fs::remove_file(&part);
            return Err(told(error));
        }
        self.file = Some(OpenFile {
            path: path.to_owned(),
            file,
            bytes: head.len() as u64,
            failed: false,
        });
        Ok(())
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
pub(super) fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
