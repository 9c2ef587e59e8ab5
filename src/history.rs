//! The drives of a folder: captures at any depth, their sidecars, and what was measured of them.

use std::fs;
use std::path::{Path, PathBuf};

use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::number;
use slipwright_analysis::trend::{DriveSummary, TrendDrive};

use crate::cache::{Cache, Traces, beside};
use crate::car::Car;
use crate::failure::Failure;
use crate::progress;
use crate::workers::in_order;

/// Endings of captures.
const ENDINGS: [&str; 2] = [".pcapng", ".pcapng.zst"];
/// Name of the recorder's sidecar.
const SIDECAR: &str = "drive.toml";
/// Folders are looked into this deep.
const DEEPEST: usize = 8;

/// A drive that lies in a folder: one capture, or the parts that its sidecar names.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct FoundDrive {
    /// Its captures, in order.
    pub(crate) captures: Vec<PathBuf>,
    /// What its sidecar says.
    pub(crate) sidecar: Sidecar,
}

/// What `drive.toml` says that a series of drives needs.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Sidecar {
    pub(crate) odometer_km: Option<f64>,
    pub(crate) healthy: bool,
    /// Whether there is an odometer reading that is no number.
    odometer_is_no_number: bool,
    files: Vec<String>,
}

/// Finds the drives below a folder, in order of their paths.
pub(crate) fn find_drives(folder: &Path) -> Result<Vec<FoundDrive>, Failure> {
    let mut drives = Vec::new();
    look_into(folder, 0, &mut drives)?;
    let faulty = drives.iter().filter(|d| d.sidecar.odometer_is_no_number);
    let captures: Vec<&PathBuf> = faulty.filter_map(|d| d.captures.first()).collect();
    if let Some((first, others)) = captures.split_first() {
        let others = match others.len() {
            0 => String::new(),
            n => format!(
                " (nor is that of {})",
                number::count(n, "other drive", "other drives")
            ),
        };
        let text = format!(
            "odometer_km is not a number of kilometres from 0 to 10,000,000{others} and is left out; write it as in odometer_km = 63600"
        );
        progress::say(&Failure::content(&first.with_file_name(SIDECAR), text).to_string());
    }
    Ok(drives)
}

fn look_into(folder: &Path, depth: usize, drives: &mut Vec<FoundDrive>) -> Result<(), Failure> {
    let mut files = Vec::new();
    let mut folders = Vec::new();
    for entry in fs::read_dir(folder).map_err(Failure::reading(folder))? {
        let entry = entry.map_err(Failure::reading(folder))?;
        let path = entry.path();
        // Links to folders are not followed, so that a ring of them cannot catch us.
        let kind = entry.file_type().map_err(Failure::reading(&path))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') {
            continue;
        }
        if kind.is_dir() {
            folders.push(path);
        } else if is_capture(&path) {
            files.push(path);
        }
    }
    folders.sort();
    without_doubles(&mut files);
    drives.extend(group(files, read_sidecar(&folder.join(SIDECAR))));
    if depth < DEEPEST {
        for inner in folders {
            look_into(&inner, depth + 1, drives)?;
        }
    }
    Ok(())
}

/// Whether a file is a capture, by its name.
pub(crate) fn is_capture(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    !name.starts_with('.') && ENDINGS.iter().any(|ending| name.ends_with(ending))
}

/// Leaves out a capture that is there packed as well, as it is while it is being packed; the rest are
/// in order of their paths.
pub(crate) fn without_doubles(captures: &mut Vec<PathBuf>) {
    captures.sort();
    let all = captures.clone();
    captures.retain(|path| all.binary_search(&packed(path)).is_err());
}

/// The name that a capture has once it is packed.
pub(crate) fn packed(capture: &Path) -> PathBuf {
    beside(capture, ".zst")
}

/// The captures that the sidecar names are one drive; each other one is its own.
fn group(captures: Vec<PathBuf>, sidecar: Sidecar) -> Vec<FoundDrive> {
    // The sidecar may still name the file of before it was compressed.
    let is_named = |path: &PathBuf| {
        let name = crate::input::name(path);
        let plain = name.strip_suffix(".zst").unwrap_or(&name).to_owned();
        sidecar
            .files
            .iter()
            .any(|file| file.strip_suffix(".zst").unwrap_or(file) == plain)
    };
    let (parts, single): (Vec<PathBuf>, Vec<PathBuf>) = captures.into_iter().partition(is_named);
    let one = |captures| FoundDrive {
        captures,
        sidecar: sidecar.clone(),
    };
    let mut drives: Vec<FoundDrive> = single.into_iter().map(|path| one(vec![path])).collect();
    if !parts.is_empty() {
        drives.push(one(parts));
    }
    drives
}

/// Reads a sidecar. One that cannot be read costs its odometer, not the series.
fn read_sidecar(path: &Path) -> Sidecar {
    let Ok(text) = fs::read_to_string(path) else {
        return Sidecar::default();
    };
    let table: toml::Table = match text.parse() {
        Ok(table) => table,
        Err(_) if is_odometer_unreadable(&text) => {
            return Sidecar {
                odometer_is_no_number: true,
                ..Sidecar::default()
            };
        }
        Err(error) => {
            let error = slipwright_decoders::toml_error::TomlError::from_reader(&text, &error);
            progress::say(&Failure::toml(path)(error).to_string());
            return Sidecar::default();
        }
    };
    let number = |value: &toml::Value| {
        let whole = value.as_integer().map(|km| km as f64);
        // As in the book; no odometer goes farther.
        whole
            .or_else(|| value.as_float())
            .filter(|km| (0.0..=1e7).contains(km))
    };
    let odometer = table.get("odometer_km");
    let odometer_km = odometer.and_then(number);
    let files = table
        .get("recording")
        .and_then(|r| r.get("files"))
        .and_then(toml::Value::as_array);
    Sidecar {
        odometer_km,
        odometer_is_no_number: odometer.is_some() && odometer_km.is_none(),
        healthy: table
            .get("healthy")
            .and_then(toml::Value::as_bool)
            .unwrap_or(false),
        files: files
            .into_iter()
            .flatten()
            .filter_map(|file| file.as_str().map(str::to_owned))
            .collect(),
    }
}

/// Whether it is the odometer's line that is no TOML: `odometer_km = twelve`.
fn is_odometer_unreadable(text: &str) -> bool {
    let line = text
        .lines()
        .find(|line| line.trim_start().starts_with("odometer_km"));
    line.is_some_and(|line| line.parse::<toml::Table>().is_err())
}

/// Measures every drive that is not yet known, on all processors; what fails is said by name.
pub(crate) fn measure_drives(
    found: &[FoundDrive],
    folder: &Path,
    car: &Car,
    cache: Cache,
) -> (Vec<TrendDrive>, Vec<Failure>) {
    let (mut drives, mut failures) = (Vec::new(), Vec::new());
    let work = |drive: &FoundDrive| measure(drive, folder, car, cache);
    // Nothing here stops the work.
    let _ = in_order(found, work, |result| {
        match result {
            Ok(drive) => drives.push(drive),
            Err(failure) => failures.push(failure),
        }
        Ok(())
    });
    (drives, failures)
}

/// Measures a drive: one that was recorded in parts is still one drive.
pub(crate) fn measure_parts(
    captures: &[PathBuf],
    car: &Car,
    cache: Cache,
    traces: Traces,
) -> Result<DriveMeasures, Failure> {
    let mut whole: Option<DriveMeasures> = None;
    for path in captures {
        let part = cache.measures(path, car, traces)?;
        whole = Some(match whole {
            Some(whole) => whole.join(part),
            None => part,
        });
    }
    whole.ok_or_else(|| Failure::Internal("a drive without a capture".to_owned()))
}

fn measure(
    found: &FoundDrive,
    folder: &Path,
    car: &Car,
    cache: Cache,
) -> Result<TrendDrive, Failure> {
    let whole = measure_parts(&found.captures, car, cache, Traces::Spared)?;
    let first = found.captures.first().map_or(folder, PathBuf::as_path);
    Ok(TrendDrive {
        name: first
            .strip_prefix(folder)
            .unwrap_or(first)
            .display()
            .to_string(),
        summary: DriveSummary::from(&whole),
        odometer_km: found.sidecar.odometer_km,
        healthy: found.sidecar.healthy,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn captures_are_found_at_any_depth_and_parts_are_one_drive() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        write("b/one.pcapng.zst", "");
        write("b/two.pcapng", "");
        write("b/two.pcapng.zst", "");
        write("b/notes.txt", "");
        write(".hidden/three.pcapng", "");
        write("a/x-1.pcapng.zst", "");
        write("a/x-2.pcapng.zst", "");
        write(
            "a/drive.toml",
            "odometer_km = 1200\nhealthy = true\n[recording]\nfiles = [\"x-1.pcapng\", \"x-2.pcapng.zst\"]\n",
        );
        let drives = find_drives(folder.path()).unwrap();
        let names: Vec<Vec<String>> = drives
            .iter()
            .map(|d| d.captures.iter().map(|c| crate::input::name(c)).collect())
            .collect();
        assert_eq!(
            names,
            [
                vec!["x-1.pcapng.zst", "x-2.pcapng.zst"],
                vec!["one.pcapng.zst"],
                vec!["two.pcapng.zst"],
            ]
        );
        assert_eq!(drives[0].sidecar.odometer_km, Some(1200.0));
        assert!(drives[0].sidecar.healthy && !drives[1].sidecar.healthy);
        assert!(find_drives(&folder.path().join("absent")).is_err());
        for (text, is_faulty) in [
            ("odometer_km = \"1200\"", true),
            ("odometer_km = twelve", true),
            ("odometer_km = -3", true),
            ("odometer_km = 1200.5", false),
            ("note = ", false),
        ] {
            write("a/drive.toml", text);
            let sidecar = read_sidecar(&folder.path().join("a/drive.toml"));
            assert_eq!(sidecar.odometer_is_no_number, is_faulty, "{text}");
        }
    }
}
