//! Files written whole or not at all: into a temporary name in the same folder, synced, renamed.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::time::SystemTime;

use crate::write::SimulateError;

/// Lets `write` fill a file and hand it back, and gives it its name only then. Until then what was
/// there before stays; after a failure it stays for good.
///
/// # Errors
/// What `write` says, or [`SimulateError::Write`].
pub(crate) fn write_whole<T, E>(
    path: &Path,
    write: impl FnOnce(File) -> Result<(T, File), SimulateError<E>>,
) -> Result<T, SimulateError<E>> {
    let failed = |source: io::Error| SimulateError::Write {
        path: path.to_owned(),
        source,
    };
    let mut name = OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    let now_ns = now.map_or(0, |now| now.subsec_nanos());
    name.push(format!(".part-{}-{now_ns}", std::process::id()));
    let part = path.with_file_name(name);
    // The name must be new: whatever link stands there is not followed.
    let written = File::create_new(&part)
        .map_err(failed)
        .and_then(write)
        .and_then(|(made, file)| {
            file.sync_all()
                .and_then(|()| fs::rename(&part, path))
                .map_err(failed)?;
            Ok(made)
        });
    if written.is_err() {
        // The half-made file is ours; failing to remove it changes nothing for the caller.
        let _ = fs::remove_file(&part);
    }
    written
}
