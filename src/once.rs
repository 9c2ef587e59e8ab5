//! A drive counts once: whatever is given twice, under one name or several, is refused.

use std::fs;
use std::path::{Path, PathBuf};

use crate::failure::Failure;

/// Refuses a file that is given twice; `rule` says why not. A path that cannot be resolved is named when
/// it is opened.
pub(crate) fn refuse_same_file<'a>(
    paths: impl IntoIterator<Item = &'a PathBuf>,
    rule: &str,
) -> Result<(), Failure> {
    let mut seen: Vec<PathBuf> = Vec::new();
    for path in paths {
        let Ok(resolved) = fs::canonicalize(path) else {
            continue;
        };
        if seen.contains(&resolved) {
            return Err(Failure::content(path, format!("given twice; {rule}")));
        }
        seen.push(resolved);
    }
    Ok(())
}

/// Refuses a copy of a drive under another name: `same` tells it by what was read of both.
pub(crate) fn refuse_same_drive<'a, T: 'a>(
    drives: impl IntoIterator<Item = (&'a PathBuf, &'a T)>,
    same: impl Fn(&T, &T) -> bool,
    rule: &str,
) -> Result<(), Failure> {
    let mut seen: Vec<(&Path, &T)> = Vec::new();
    for (path, drive) in drives {
        if let Some((twin, _)) = seen.iter().find(|(_, earlier)| same(earlier, drive)) {
            let message = format!("holds the same drive as {}; {rule}", twin.display());
            return Err(Failure::content(path, message));
        }
        seen.push((path, drive));
    }
    Ok(())
}
