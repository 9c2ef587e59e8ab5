//! The reference speed that a user gives: Parquet or CSV with `t_ns` and `speed_mps`.

use std::io::Cursor;
use std::path::Path;

use polars::prelude::{CsvReader, DataFrame, DataType, ParquetReader, PolarsResult, SerReader};
use slipwright_decoders::find::SpeedReference;
use slipwright_decoders::find::reference::ReferenceKind;

use crate::failure::Failure;
use crate::{parquet_claims, table_library};

/// Name of the column of times.
const TIME: &str = "t_ns";
/// Name of the column of speeds.
const SPEED: &str = "speed_mps";
/// Names that a course over ground may have.
const COURSES: [&str; 2] = ["bearing_deg", "course_deg"];

pub(super) fn read(path: &Path) -> Result<SpeedReference, Failure> {
    let bytes = std::fs::read(path).map_err(Failure::reading(path))?;
    parse(path, bytes)
}

/// The bytes of a file of this name.
pub(crate) fn parse(path: &Path, bytes: Vec<u8>) -> Result<SpeedReference, Failure> {
    table_library::guarded(|| table(path, bytes))
        .unwrap_or_else(|| Err(unreadable(path, "damaged")))
}

fn unreadable(path: &Path, why: &str) -> Failure {
    Failure::content(
        path,
        format!("cannot be read as a table ({why}); give Parquet or CSV"),
    )
}

fn table(path: &Path, bytes: Vec<u8>) -> Result<SpeedReference, Failure> {
    let unreadable = |error: polars::error::PolarsError| {
        let text = error.to_string();
        unreadable(path, text.lines().next().unwrap_or_default())
    };
    let ending = path
        .extension()
        .and_then(|e| e.to_str())
        .unwrap_or_default();
    let frame = if ending.eq_ignore_ascii_case("csv") {
        CsvReader::new(Cursor::new(bytes)).finish()
    } else {
        parquet(path, bytes)?
    }
    .map_err(unreadable)?;
    let missing = |name: &str| {
        Failure::content(
            path,
            format!("no column {name}; a speed file has {TIME} (ns since the epoch) and {SPEED}"),
        )
    };
    let t_ns = whole(&frame, TIME).ok_or_else(|| missing(TIME))?;
    let speed = real(&frame, SPEED).ok_or_else(|| missing(SPEED))?;
    let course = COURSES.iter().find_map(|name| real(&frame, name));
    // Rows without a value are no measurements; the rest in order of time.
    let mut rows: Vec<(i64, f64, Option<f64>)> = t_ns
        .into_iter()
        .zip(speed)
        .enumerate()
        .filter_map(|(k, (t, v))| {
            let v = v.filter(|v| v.is_finite() && *v >= 0.0)?;
            let course = course.as_ref().and_then(|c| c.get(k).copied().flatten());
            Some((t?, v, course.filter(|c| c.is_finite())))
        })
        .collect();
    if rows.len() < 3 {
        return Err(Failure::content(
            path,
            "fewer than three speeds in it; give one of the whole drive",
        ));
    }
    rows.sort_by_key(|row| row.0);
    let course_deg: Option<Vec<f64>> = rows.iter().map(|row| row.2).collect();
    Ok(SpeedReference {
        kind: ReferenceKind::File,
        t_ns: rows.iter().map(|row| row.0).collect(),
        speed_mps: rows.iter().map(|row| row.1).collect(),
        course_deg: course_deg.unwrap_or_default(),
    })
}

/// The columns that matter.
fn parquet(path: &Path, bytes: Vec<u8>) -> Result<PolarsResult<DataFrame>, Failure> {
    if !parquet_claims::are_plausible(&bytes) {
        return Err(unreadable(path, "no whole Parquet file"));
    }
    let mut reader = ParquetReader::new(Cursor::new(bytes));
    let known = |name: &&str| [TIME, SPEED].contains(name) || COURSES.contains(name);
    let columns = reader.schema().map(|schema| {
        let names = schema.iter_names().map(|name| name.as_str());
        names.filter(known).map(str::to_owned).collect()
    });
    Ok(columns.and_then(|columns| reader.with_columns(Some(columns)).finish()))
}

fn whole(frame: &DataFrame, name: &str) -> Option<Vec<Option<i64>>> {
    let column = frame.column(name).ok()?.cast(&DataType::Int64).ok()?;
    Some(column.i64().ok()?.iter().collect())
}

fn real(frame: &DataFrame, name: &str) -> Option<Vec<Option<f64>>> {
    let column = frame.column(name).ok()?.cast(&DataType::Float64).ok()?;
    Some(column.f64().ok()?.iter().collect())
}
