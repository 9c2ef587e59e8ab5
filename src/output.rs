//! Files written whole or not at all: into a temporary name in the same folder, synced, renamed.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use crate::failure::Failure;

/// Writes a file whole or not at all; what was there before stays until the new one is complete.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let name = path.file_name().ok_or_else(|| {
        Failure::Usage(format!(
            "{}: not a file name; give a name to write to",
            path.display()
        ))
    })?;
    let mut temporary = name.to_owned();
    temporary.push(format!(".part-{}", std::process::id()));
    let temporary = path.with_file_name(temporary);
    let written = write_synced(&temporary, bytes).and_then(|()| fs::rename(&temporary, path));
    if let Err(error) = written {
        // The half-made file is ours; failing to remove it changes nothing for the caller.
        let _ = fs::remove_file(&temporary);
        return Err(Failure::writing(path)(error));
    }
    Ok(())
}

fn write_synced(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Makes a folder for output if it is not there.
pub(crate) fn make_folder(path: &Path) -> Result<(), Failure> {
    fs::create_dir_all(path).map_err(Failure::writing(path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.html");
        write_whole(&path, b"old").unwrap();
        write_whole(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        let blocked = folder.path().join("folder");
        fs::create_dir(&blocked).unwrap();
        fs::write(blocked.join("kept"), b"kept").unwrap();
        let failure = write_whole(&blocked, b"x").unwrap_err().to_string();
        assert!(failure.contains("in the way"), "{failure}");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    }
}
