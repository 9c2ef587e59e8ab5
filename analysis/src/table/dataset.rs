//! Engagements of many cars for engines that read whole folders: one table a drive, the same
//! columns in each, and what they mean inside the file.
//!
//! The car and the month are not columns: they are the names of the folders that the file lies in.

use std::io::Write;

use polars::prelude::{DataFrame, KeyValueMetadata, ParquetWriter, PolarsResult};
use serde::Serialize;

use super::{CONDITIONS, driven_columns, measured_columns, numbers, texts, times};
use crate::measure::{Measure, TransferMethod};
use crate::measures::{DriveMeasures, Engagement};

/// Name of the metadata that describes the columns.
pub const COLUMNS_KEY: &str = "slipwright.columns";

/// What a column holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ColumnMeaning {
    /// Its name; it ends in the unit where it has one.
    pub name: String,
    /// Its unit, empty for texts, truths and counts.
    pub unit: &'static str,
    /// What it says.
    pub meaning: String,
}

/// What a drive's file says beside what was measured.
#[derive(Clone, Copy, Debug)]
pub struct DatasetDrive<'a> {
    /// What was measured.
    pub measures: &'a DriveMeasures,
    /// Name of the capture's content, the same wherever the file lies.
    pub capture_id: &'a str,
    /// Unit of the demand's step, where the bus carries a demand.
    pub demand_unit: Option<&'a str>,
}

/// The engagements of one drive, one a row. A drive without any still has its columns.
///
/// # Errors
/// Only if memory for the table cannot be laid out.
pub fn drive_rows(drive: &DatasetDrive<'_>) -> PolarsResult<DataFrame> {
    let DatasetDrive {
        measures: whole, ..
    } = drive;
    let rows: Vec<&Engagement> = whole.engagements.iter().collect();
    let n = rows.len();
    let mut columns = Vec::new();
    let c = &mut columns;
    texts(c, "capture", (0..n).map(|_| Some(whole.name.as_str())));
    texts(c, "capture_id", (0..n).map(|_| Some(drive.capture_id)));
    times(c, "drive_start_ns", (0..n).map(|_| whole.start_ns));
    numbers(
        c,
        "drive_duration_s",
        (0..n).map(|_| Some(whole.duration_s)),
    );
    times(c, "engagement", 1..=n as i64);
    driven_columns(c, &rows);
    texts(c, "demand_unit", (0..n).map(|_| drive.demand_unit));
    measured_columns(c, &rows);
    DataFrame::new(n, columns)
}

/// The columns of [`drive_rows`] in their order, with units and meanings.
#[must_use]
pub fn columns() -> Vec<ColumnMeaning> {
    let mut all = Vec::new();
    let mut add = |name: &str, unit, meaning: &str| {
        all.push(ColumnMeaning {
            name: name.to_owned(),
            unit,
            meaning: meaning.to_owned(),
        });
    };
    add("capture", "", "file name of the capture");
    add(
        "capture_id",
        "",
        "hash of the capture's bytes: the same content has the same",
    );
    add(
        "drive_start_ns",
        "ns",
        "first frame of the drive, since the epoch",
    );
    add("drive_duration_s", "s", "first to last frame");
    add(
        "engagement",
        "",
        "number of the engagement in its drive, from 1",
    );
    add("start_ns", "ns", "start of the engagement, since the epoch");
    add("end_ns", "ns", "end of the engagement, since the epoch");
    add("kind", "", "launch, tip-in or turn-in");
    add(
        "reference",
        "",
        "event that times count from: demand, or slip; never mix the two",
    );
    add("reference_ns", "ns", "when that event was, since the epoch");
    for (name, meaning, _) in CONDITIONS {
        add(name, condition_unit(name), meaning);
    }
    add("demand_unit", "", "unit of demand_step");
    for &measure in Measure::ALL {
        three(&mut add, measure.key(), measure.unit(), measure.label());
    }
    for method in TransferMethod::ALL.map(TransferMethod::text) {
        let name = format!("transfer_{method}");
        three(
            &mut add,
            &name,
            "1",
            &format!("transfer fraction by the method {method}"),
        );
        let meaning = "whether that is only an upper bound, because the pack was locked";
        add(&format!("{name}_upper_bound"), "", meaning);
    }
    let meaning = "how much of the coupling's rated torque was tested";
    three(&mut add, "tested_percent", "%", meaning);
    let meaning = "whether it is only known that it was no more";
    add("tested_percent_upper_bound", "", meaning);
    add(
        "slipped_s",
        "s",
        "how long the pack slipped while it was held",
    );
    all
}

/// A value, its uncertainty and the reason why it is missing.
fn three(
    add: &mut impl FnMut(&str, &'static str, &str),
    name: &str,
    unit: &'static str,
    meaning: &str,
) {
    add(name, unit, meaning);
    let u = format!("standard uncertainty of {name}");
    add(&format!("{name}_u"), unit, &u);
    add(
        &format!("{name}_why"),
        "",
        &format!("why {name} is missing"),
    );
}

/// The unit that ends a condition's name; the demand's own stands in a column.
fn condition_unit(name: &str) -> &'static str {
    [
        ("_percent_per_s", "%/s"),
        ("_percent", "%"),
        ("_mps", "m/s"),
        ("_nm", "N·m"),
        ("_c", "°C"),
    ]
    .into_iter()
    .find_map(|(ending, unit)| name.ends_with(ending).then_some(unit))
    .unwrap_or_default()
}

/// One drive as the bytes of a Parquet file that carries [`columns`] as JSON in its metadata. The
/// same drive gives the same bytes.
///
/// # Errors
/// Only if polars cannot encode the table.
pub fn drive_file(drive: &DatasetDrive<'_>) -> PolarsResult<Vec<u8>> {
    let mut frame = drive_rows(drive)?;
    frame.rechunk_mut();
    let meanings = serde_json::to_string(&columns()).unwrap_or_default();
    let metadata = KeyValueMetadata::from_static(vec![(COLUMNS_KEY.to_owned(), meanings)]);
    let mut bytes = Vec::new();
    ParquetWriter::new(bytes.by_ref())
        .with_key_value_metadata(Some(metadata))
        .set_parallel(false)
        .finish(&mut frame)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use polars::prelude::{ParquetReader, SerReader};

    use super::*;
    use slipwright_decoders::role::Role;
    use slipwright_decoders::signal::Signals;
    use slipwright_decoders::unit::Unit;

    use crate::trial::{series, span, vehicle};

    #[test]
    fn every_column_is_described_in_its_place() {
        let described: Vec<polars::prelude::PlSmallStr> =
            columns().into_iter().map(|c| c.name.into()).collect();
        let whole = measured_trial();
        let rows = drive_rows(&drive(&whole)).unwrap();
        assert_eq!(
            rows.get_column_names(),
            described.iter().collect::<Vec<_>>()
        );
        assert!(rows.height() > 0);
        let mut none = whole.clone();
        none.engagements.clear();
        let empty = drive_rows(&drive(&none)).unwrap();
        assert_eq!((empty.height(), empty.schema()), (0, rows.schema()));
    }

    /// Two closings of the coupling at a steady speed.
    fn measured_trial() -> DriveMeasures {
        let t: Vec<f64> = (0..2000).map(|i| f64::from(i) * 0.01).collect();
        let since = |t: f64| (t % 10.0 - 4.0).max(0.0);
        let closed = |t: f64| t % 10.0 >= 4.0 && t % 10.0 < 8.0;
        let mut all: Vec<_> = Role::WHEELS
            .map(|role| series(role, Unit::MetrePerSecond, &t, |_| 10.0))
            .to_vec();
        all.push(series(Role::CouplingDemand, Unit::Percent, &t, |t| {
            if closed(t) { 60.0 } else { 0.0 }
        }));
        all.push(series(Role::CouplingPressure, Unit::Bar, &t, |t| {
            let level = 20.0 * (1.0 - (-since(t) / 0.05).exp());
            if closed(t) { level } else { 0.0 }
        }));
        let signals = Signals { series: all };
        crate::measures::measure_drive("d.pcapng", &signals, span(&signals), &vehicle())
    }

    fn drive(measures: &DriveMeasures) -> DatasetDrive<'_> {
        DatasetDrive {
            measures,
            capture_id: "00ff",
            demand_unit: Some("%"),
        }
    }

    #[test]
    fn a_file_reads_back_and_is_the_same_each_time() {
        let whole = measured_trial();
        let bytes = drive_file(&drive(&whole)).unwrap();
        assert_eq!(bytes, drive_file(&drive(&whole)).unwrap());
        let mut reader = ParquetReader::new(std::io::Cursor::new(bytes));
        let metadata = reader.get_metadata().unwrap().key_value_metadata.clone();
        let entry = metadata.unwrap().into_iter().find(|e| e.key == COLUMNS_KEY);
        assert!(entry.unwrap().value.unwrap().contains("dead_time_ms_u"));
        let back = reader.finish().unwrap();
        assert!(back.equals_missing(&drive_rows(&drive(&whole)).unwrap()));
    }
}
