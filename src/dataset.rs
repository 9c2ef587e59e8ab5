//! Engagements as a partitioned Parquet dataset: `vehicle=NAME/month=YYYY-MM/CONTENT.parquet`, the
//! folders named as Hive does, so that any engine reads the whole fleet by the dataset's folder.
//!
//! One file a capture, called by the capture's content: measured again, it replaces itself, and
//! several programs may write into one dataset at once.

use std::path::{Path, PathBuf};

use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::table::dataset::{DatasetDrive, drive_file};
use slipwright_decoders::role::Role;

use crate::car::Car;
use crate::content::Content;
use crate::failure::Failure;
use crate::output::{make_folder, write_whole};

/// What a partition of no name is called; Hive's own word.
const NO_NAME: &str = "__HIVE_DEFAULT_PARTITION__";

/// Writes one drive's engagements into a dataset; gives the file's path in it.
pub(crate) fn write(
    folder: &Path,
    capture: &Path,
    drive: &DriveMeasures,
    car: &Car,
) -> Result<PathBuf, Failure> {
    let content = Content::of_file(capture)
        .map_err(Failure::reading(capture))?
        .to_string();
    let demand = car.decoder.unit_of(Role::CouplingDemand);
    let demand_unit = demand.map(|unit| unit.text());
    let bytes = drive_file(&DatasetDrive {
        measures: drive,
        capture_id: &content,
        demand_unit,
    })
    .map_err(|error| Failure::Internal(error.to_string()))?;
    let inside = partition("vehicle", &car.vehicle.name)
        .join(partition("month", &month(drive.start_ns)))
        .join(format!("{content}.parquet"));
    let path = folder.join(&inside);
    make_folder(path.parent().unwrap_or(folder))?;
    write_whole(&path, &bytes)?;
    Ok(inside)
}

/// `key=value`, with the characters escaped that Hive escapes (its `FileUtils`): what is left
/// names one folder, whatever the value.
fn partition(key: &str, value: &str) -> PathBuf {
    let mut name = format!("{key}=");
    for c in value.chars() {
        match c {
            '\x00'..='\x1f'
            | '\x7f'
            | '"'
            | '#'
            | '%'
            | '\''
            | '*'
            | '/'
            | ':'
            | '='
            | '?'
            | '\\'
            | '{'
            | '['
            | ']'
            | '^' => name.push_str(&format!("%{:02X}", u32::from(c))),
            _ => name.push(c),
        }
    }
    if value.is_empty() {
        name.push_str(NO_NAME);
    }
    PathBuf::from(name)
}

/// Year and month of a time, UTC.
fn month(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(t_ns.into()).unwrap_or_default();
    time.strftime("%Y-%m").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_partition_is_one_folder_whatever_its_value() {
        for (value, name) in [
            ("my car", "vehicle=my car"),
            ("../../etc", "vehicle=..%2F..%2Fetc"),
            ("..", "vehicle=.."),
            ("a=b%2F\\c", "vehicle=a%3Db%252F%5Cc"),
            ("é\n", "vehicle=é%0A"),
            ("", "vehicle=__HIVE_DEFAULT_PARTITION__"),
        ] {
            let partition = partition("vehicle", value);
            assert_eq!(partition.to_str(), Some(name));
            assert_eq!(partition.components().count(), 1);
            assert_eq!(partition.file_name(), Some(partition.as_os_str()));
        }
    }

    #[test]
    fn months_are_those_of_utc() {
        assert_eq!(month(0), "1970-01");
        assert_eq!(month(-1), "1969-12");
        assert_eq!(month(1_717_200_000_000_000_000 - 1), "2024-05");
        assert_eq!(month(1_717_200_000_000_000_000), "2024-06");
        assert_eq!(month(i64::MAX), "2262-04");
    }
}
