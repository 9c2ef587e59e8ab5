//! Files written whole or not at all: into a temporary name in the same folder, synced, renamed.

use std::fs::{self, File};
use std::io;
use std::path::Path;

use crate::write::SimulateError;

/// Lets `write` fill a file and hand it back, and gives it its name only then. Until then what was
/// there before stays; after a failure it stays for good.
///
/// # Errors
/// What `write` says, or [`SimulateError::Write`].
pub(crate) fn write_whole<T>(
    path: &Path,
    write: impl FnOnce(File) -> Result<(T, File), SimulateError>,
) -> Result<T, SimulateError> {
    let failed = |source: io::Error| SimulateError::Write {
        path: path.to_owned(),
        source,
    };
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".part-{}", std::process::id()));
    let part = path.with_file_name(name);
    let written = File::create(&part)
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
