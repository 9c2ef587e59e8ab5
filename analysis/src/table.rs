//! Tables for other programs: signals and engagements as polars frames, and frames as Parquet or CSV
//! bytes. Times are integer nanoseconds since the epoch; a unit stands in
//! its column's name; what is missing is null.
//!
//! - [`dataset`]: the same for the engagements of many cars.

pub mod dataset;

use polars::prelude::{
    ChunkFull, Column, CsvWriter, DataFrame, Int64Chunked, IntoColumn, NamedFrom, NewChunkedArray,
    ParquetWriter, PolarsResult, SerWriter, Series, StringChunked,
};
use slipwright_decoders::signal::Signals;

use crate::engagement::Conditions;
use crate::measure::{Measure, Measured, TransferMethod};
use crate::measures::{DriveMeasures, Engagement};

/// Decoded signals in long form: `t_ns`, `signal` (role or name), `value`, `unit`, valid samples
/// only, signal after signal, each in the order received and in the decoder file's own unit.
///
/// # Errors
/// Only if memory for the table cannot be laid out.
pub fn signals(signals: &Signals) -> PolarsResult<DataFrame> {
    let mut all = long_form(&[], "", &[], "")?;
    for series in &signals.series {
        let n = series.t_ns.len().min(series.value.len());
        let part = long_form(
            &series.t_ns[..n],
            series.key.text(),
            &series.value[..n],
            series.unit.text(),
        )?;
        all.vstack_mut(&part)?;
    }
    Ok(all)
}

fn long_form(t_ns: &[i64], signal: &str, value: &[f64], unit: &str) -> PolarsResult<DataFrame> {
    let n = t_ns.len();
    DataFrame::new(
        n,
        vec![
            Int64Chunked::from_slice("t_ns".into(), t_ns).into_column(),
            StringChunked::full("signal".into(), signal, n).into_column(),
            Column::new("value".into(), value),
            StringChunked::full("unit".into(), unit, n).into_column(),
        ],
    )
}

/// Engagements of a campaign, one a row: its set and drive, times, what drove it, and for each
/// measure its value, `_u` for the standard uncertainty and `_why` for the reason where it is
/// missing; the same for each transfer estimate, whether that is only an upper bound, and what of the
/// coupling was tested.
///
/// # Errors
/// Only if memory for the table cannot be laid out.
pub fn engagements(before: &[DriveMeasures], after: &[DriveMeasures]) -> PolarsResult<DataFrame> {
    let places: Vec<(&str, &DriveMeasures, &Engagement)> = [("before", before), ("after", after)]
        .into_iter()
        .flat_map(|(set, drives)| {
            drives
                .iter()
                .flat_map(move |d| d.engagements.iter().map(move |e| (set, d, e)))
        })
        .collect();
    let rows: Vec<&Engagement> = places.iter().map(|(.., e)| *e).collect();
    let mut columns = Vec::new();
    let c = &mut columns;
    texts(c, "set", places.iter().map(|(set, ..)| Some(*set)));
    texts(
        c,
        "drive",
        places.iter().map(|(_, d, _)| Some(d.name.as_str())),
    );
    driven_columns(c, &rows);
    measured_columns(c, &rows);
    DataFrame::new(rows.len(), columns)
}

/// When engagements were, of which kind, and what drove them.
fn driven_columns(c: &mut Vec<Column>, rows: &[&Engagement]) {
    times(c, "start_ns", rows.iter().map(|e| e.start_ns));
    times(c, "end_ns", rows.iter().map(|e| e.end_ns));
    texts(c, "kind", rows.iter().map(|e| Some(e.kind.text())));
    texts(
        c,
        "reference",
        rows.iter().map(|e| Some(e.reference.text())),
    );
    times(c, "reference_ns", rows.iter().map(|e| e.reference_ns));
    for (name, _, of) in CONDITIONS {
        numbers(c, name, rows.iter().map(|e| of(&e.conditions)));
    }
}

/// Every measure of engagements, every transfer estimate, and what was tested.
fn measured_columns(c: &mut Vec<Column>, rows: &[&Engagement]) {
    for &measure in Measure::ALL {
        let values = rows.iter().map(|e| Some(e.measured(measure)));
        measured(c, measure.key(), values);
    }
    for method in TransferMethod::ALL {
        let of = |e: &&Engagement| e.transfer.iter().position(|t| t.method == method);
        let name = format!("transfer_{}", method.text());
        let values = rows.iter().map(|e| of(e).map(|i| &e.transfer[i].fraction));
        measured(c, &name, values);
        let bounds = rows
            .iter()
            .map(|e| of(e).map(|i| e.transfer[i].upper_bound));
        truths(c, &format!("{name}_upper_bound"), bounds);
    }
    let values = rows.iter().map(|e| Some(&e.tested.percent));
    measured(c, "tested_percent", values);
    let bounds = rows.iter().map(|e| Some(e.tested.upper_bound));
    truths(c, "tested_percent_upper_bound", bounds);
    numbers(
        c,
        "slipped_s",
        rows.iter().map(|e| Some(e.tested.slipped_s)),
    );
}

type Condition = fn(&Conditions) -> Option<f64>;

/// What drives an engagement: column, meaning, value.
const CONDITIONS: [(&str, &str, Condition); 6] = [
    ("speed_mps", "rear-axle speed at the reference", |c| {
        c.speed_mps
    }),
    ("demand_step", "size of the demand's step", |c| {
        c.demand_step
    }),
    ("accelerator_percent", "largest accelerator position", |c| {
        c.accelerator_percent
    }),
    (
        "accelerator_rate_percent_per_s",
        "largest accelerator rate around the reference",
        |c| c.accelerator_rate_percent_per_s,
    ),
    (
        "fluid_temperature_c",
        "coupling fluid at the reference",
        |c| c.fluid_temperature_c,
    ),
    ("engine_torque_nm", "largest engine torque", |c| {
        c.engine_torque_nm
    }),
];

fn texts<'a>(columns: &mut Vec<Column>, name: &str, values: impl Iterator<Item = Option<&'a str>>) {
    let values: Vec<Option<&str>> = values.collect();
    columns.push(Series::new(name.into(), values).into_column());
}

fn times(columns: &mut Vec<Column>, name: &str, values: impl Iterator<Item = i64>) {
    let values: Vec<i64> = values.collect();
    columns.push(Series::new(name.into(), values).into_column());
}

fn numbers(columns: &mut Vec<Column>, name: &str, values: impl Iterator<Item = Option<f64>>) {
    let values: Vec<Option<f64>> = values.collect();
    columns.push(Series::new(name.into(), values).into_column());
}

fn truths(columns: &mut Vec<Column>, name: &str, values: impl Iterator<Item = Option<bool>>) {
    let values: Vec<Option<bool>> = values.collect();
    columns.push(Series::new(name.into(), values).into_column());
}

fn measured<'a>(
    columns: &mut Vec<Column>,
    name: &str,
    values: impl Iterator<Item = Option<&'a Measured>>,
) {
    let values: Vec<Option<&Measured>> = values.collect();
    let number = |of: fn(&crate::measure::Estimate) -> f64| {
        values
            .iter()
            .map(move |v| v.and_then(|m| m.as_ref().ok()).map(of))
    };
    numbers(columns, name, number(|e| e.value));
    numbers(columns, &format!("{name}_u"), number(|e| e.u));
    let why: Vec<Option<String>> = values
        .iter()
        .map(|v| v.and_then(|m| m.as_ref().err()).map(ToString::to_string))
        .collect();
    columns.push(Series::new(format!("{name}_why").into(), why).into_column());
}

/// A frame as the bytes of a Parquet file, zstd-compressed.
///
/// # Errors
/// Only if polars cannot encode the frame.
pub fn parquet(frame: &mut DataFrame) -> PolarsResult<Vec<u8>> {
    let mut bytes = Vec::new();
    frame.rechunk_mut();
    ParquetWriter::new(&mut bytes).finish(frame)?;
    Ok(bytes)
}

/// A frame as the bytes of a CSV file with a header line.
///
/// # Errors
/// Only if polars cannot encode the frame.
pub fn csv(frame: &mut DataFrame) -> PolarsResult<Vec<u8>> {
    let mut bytes = Vec::new();
    CsvWriter::new(&mut bytes)
        .include_header(true)
        .finish(frame)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests;
