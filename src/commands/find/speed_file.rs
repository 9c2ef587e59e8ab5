//! The reference speed that a user gives: Parquet or CSV with `t_ns` and `speed_mps`.

use std::io::Cursor;
use std::path::Path;

use polars::prelude::{CsvReader, DataFrame, DataType, ParquetReader, SerReader};
use slipwright_decoders::find::SpeedReference;
use slipwright_decoders::find::reference::ReferenceKind;

use crate::failure::Failure;

/// Names that a course over ground may have.
const COURSES: [&str; 2] = ["bearing_deg", "course_deg"];

pub(super) fn read(path: &Path) -> Result<SpeedReference, Failure> {
    let bytes = std::fs::read(path).map_err(Failure::reading(path))?;
    parse(path, bytes)
}

/// The bytes of a file of this name.
pub(crate) fn parse(path: &Path, bytes: Vec<u8>) -> Result<SpeedReference, Failure> {
    let unreadable = |error: polars::error::PolarsError| {
        let text = error.to_string();
        let first = text.lines().next().unwrap_or_default().to_owned();
        Failure::content(
            path,
            format!("cannot be read as a table ({first}); give Parquet or CSV"),
        )
    };
    let ending = path
        .extension()
        .and_then(|e| e.to_str())
        .unwrap_or_default();
    let bytes = Cursor::new(bytes);
    let frame = match ending.eq_ignore_ascii_case("csv") {
        true => CsvReader::new(bytes).finish(),
        false => ParquetReader::new(bytes).finish(),
    }
    .map_err(unreadable)?;
    let missing = |name: &str| {
        Failure::content(
            path,
            format!("no column {name}; a speed file has t_ns (ns since the epoch) and speed_mps"),
        )
    };
    let t_ns = whole(&frame, "t_ns").ok_or_else(|| missing("t_ns"))?;
    let speed = real(&frame, "speed_mps").ok_or_else(|| missing("speed_mps"))?;
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

fn whole(frame: &DataFrame, name: &str) -> Option<Vec<Option<i64>>> {
    let column = frame.column(name).ok()?.cast(&DataType::Int64).ok()?;
    Some(column.i64().ok()?.iter().collect())
}

fn real(frame: &DataFrame, name: &str) -> Option<Vec<Option<f64>>> {
    let column = frame.column(name).ok()?.cast(&DataType::Float64).ok()?;
    Some(column.f64().ok()?.iter().collect())
}
