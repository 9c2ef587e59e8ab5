//! Files and folders of the user's, written whole or not at all.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use slipwright_logger::whole_file;

use crate::failure::Failure;

/// Writes a file whole or not at all; what was there before stays until the new one is complete.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_whole_with(path, |mut file| {
        file.write_all(bytes).map_err(Failure::writing(path))
    })
}

/// The same for a file that `write` fills bit by bit.
pub(crate) fn write_whole_with<T>(
    path: &Path,
    write: impl FnOnce(File) -> Result<T, Failure>,
) -> Result<T, Failure> {
    if path.file_name().is_none() {
        return Err(Failure::Usage(format!(
            "{}: not a file name; give a name to write to",
            path.display()
        )));
    }
    whole_file::write_whole(path, Failure::writing(path), write)
}

/// What a command reads is not what it writes: a drive cannot be recorded again.
pub(crate) fn refuse_input<'a>(
    path: &Path,
    inputs: impl IntoIterator<Item = &'a Path>,
) -> Result<(), Failure> {
    // What is not there yet is no input.
    let Ok(written) = fs::canonicalize(path) else {
        return Ok(());
    };
    let is_it = |input: &Path| fs::canonicalize(input).is_ok_and(|input| input == written);
    match inputs.into_iter().any(is_it) {
        true => Err(Failure::Usage(format!(
            "{}: is read by this very command; give another name to write to",
            path.display()
        ))),
        false => Ok(()),
    }
}

/// The name must be new: whatever link stands there is not followed.
fn write_synced(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create_new(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Writes a file that must not be there yet, whole or not at all.
pub(crate) fn write_new(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    if path.exists() {
        return Err(Failure::writing(path)(io::ErrorKind::AlreadyExists.into()));
    }
    write_whole(path, bytes)
}

/// Makes a folder with these files and empty folders in it, whole or not at all: under a temporary
/// name beside it, synced, renamed. An empty folder of that name may be there already.
pub(crate) fn write_folder(
    path: &Path,
    files: &[(PathBuf, Vec<u8>)],
    folders: &[&Path],
) -> Result<(), Failure> {
    let name = path.file_name().ok_or_else(|| {
        Failure::Usage(format!(
            "{}: not a folder name; give a name to make",
            path.display()
        ))
    })?;
    if fs::read_dir(path).is_ok_and(|mut inside| inside.next().is_some()) {
        return Err(Failure::content(
            path,
            "there is something in this folder already; choose another name",
        ));
    }
    let temporary = path.with_file_name(whole_file::temporary_name(name));
    let made = fs::create_dir(&temporary)
        .and_then(|()| {
            for folder in folders {
                fs::create_dir(temporary.join(folder))?;
            }
            files
                .iter()
                .try_for_each(|(name, bytes)| write_synced(&temporary.join(name), bytes))
        })
        .and_then(|()| fs::rename(&temporary, path));
    if let Err(error) = made {
        // The half-made folder is ours; failing to remove it changes nothing for the caller.
        let _ = fs::remove_dir_all(&temporary);
        return Err(Failure::writing(path)(error));
    }
    Ok(())
}

/// Makes a folder for output if it is not there.
pub(crate) fn make_folder(path: &Path) -> Result<(), Failure> {
    fs::create_dir_all(path).map_err(Failure::writing(path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_is_made_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("book");
        let good = [("a.toml".into(), b"a".to_vec())];
        let bad = [good[0].clone(), ("absent/b.toml".into(), b"b".to_vec())];
        assert!(write_folder(&path, &bad, &["work".as_ref()]).is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
        write_folder(&path, &good, &["work".as_ref()]).unwrap();
        assert_eq!(fs::read(path.join("a.toml")).unwrap(), b"a");
        assert!(path.join("work").is_dir());
        let again = write_folder(&path, &good, &[]).unwrap_err().to_string();
        assert!(again.contains("something in this folder"), "{again}");
        let file = path.join("new.toml");
        write_new(&file, b"1").unwrap();
        assert!(write_new(&file, b"2").is_err());
        assert_eq!(fs::read(&file).unwrap(), b"1");
        assert_eq!(fs::read_dir(&path).unwrap().count(), 3);
    }

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
