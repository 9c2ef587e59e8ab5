//! A file written whole or not at all: under a new name beside its own, synced, renamed.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::SystemTime;

/// Lets `write` fill a file, and gives it its name only then. Until then what was there before stays;
/// after a failure it stays for good. `failed` makes the caller's error of the system's.
///
/// # Errors
/// What `write` says, or what `failed` makes.
pub fn write_whole<T, E>(
    path: &Path,
    failed: impl Fn(io::Error) -> E + Copy,
    write: impl FnOnce(File) -> Result<T, E>,
) -> Result<T, E> {
    let name = temporary_name(path.file_name().unwrap_or_default());
    let temporary = path.with_file_name(name);
    // The name must be new: whatever link stands there is not followed.
    let opened = File::create_new(&temporary).and_then(|file| Ok((file.try_clone()?, file)));
    let written = opened.map_err(failed).and_then(|(to_sync, file)| {
        let made = write(file)?;
        to_sync
            .sync_all()
            .and_then(|()| fs::rename(&temporary, path))
            .map_err(failed)?;
        Ok(made)
    });
    if written.is_err() {
        // The half-made file is ours; failing to remove it changes nothing for the caller.
        let _ = fs::remove_file(&temporary);
    }
    written
}

/// A name beside the final one that nobody else uses, on whatever machine, and that readers of a
/// folder pass over.
#[must_use]
pub fn temporary_name(name: &OsStr) -> OsString {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    let now_ns = now.map_or(0, |now| now.subsec_nanos());
    let mut temporary = OsString::from(".");
    temporary.push(name);
    temporary.push(format!(".part-{}-{count}-{now_ns}", std::process::id()));
    temporary
}
