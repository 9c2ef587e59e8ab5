//! `slipwright simulate`: sample drives with known truth.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use polars::io::parquet::write::BatchedWriter;
use polars::prelude::{Column, DataFrame, ParquetWriter, PolarsError};
use slipwright_logger::capture::WriteError;
use slipwright_sample::picture::scenario_svg;
use slipwright_sample::scenario::{DrivePlan, Scenario};
use slipwright_sample::truth::TruthTable;
use slipwright_sample::write::{Observer, SimulateError, Written, write_scenario};

use crate::Answer;
use crate::cli::SimulateArgs;
use crate::contract::{self, SimulateOutput};
use crate::failure::Failure;
use crate::input::name;
use crate::output::{make_folder, write_whole, write_whole_with};
use crate::text;

pub(crate) fn run(args: &SimulateArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let text = fs::read_to_string(&args.scenario).map_err(Failure::reading(&args.scenario))?;
    let scenario = Scenario::parse(&text, args.seed).map_err(Failure::toml(&args.scenario))?;
    let written = match &args.out {
        Some(out) => write_drives(&scenario, out)?,
        None => Written::default(),
    };
    if let Some(picture) = &args.picture {
        write_whole(picture, scenario_svg(&scenario).as_bytes())?;
    }
    let shown = |path: &Path| path.display().to_string();
    let output = SimulateOutput {
        out: args.out.as_deref().map(shown),
        seed: scenario.seed,
        captures: written.captures.iter().map(|path| name(path)).collect(),
        engagements: written
            .drives
            .iter()
            .map(|drive| drive.engagements.len())
            .sum(),
        picture: args.picture.as_deref().map(shown),
    };
    match args.json.json {
        true => contract::print(out, &output)?,
        false => out
            .write_all(text::simulated(&output).as_bytes())
            .map_err(Failure::Printing)?,
    }
    Ok(Answer::Done)
}

fn write_drives(scenario: &Scenario, folder: &Path) -> Result<Written, Failure> {
    make_folder(folder)?;
    let path = folder.join("truth.parquet");
    write_whole_with(&path, |file| {
        let mut truth = TruthFile {
            path: &path,
            unused: Some(file),
            writer: None,
        };
        let written = write_scenario(scenario, folder, &mut truth);
        let written = written.map_err(|error| match error {
            SimulateError::Observer(failure) => failure,
            SimulateError::Write { path, source }
            | SimulateError::Capture {
                path,
                source: WriteError::Io(source),
            } => Failure::writing(&path)(source),
            other => Failure::Usage(other.to_string()),
        })?;
        truth.finish()?;
        Ok(written)
    })
}

/// `truth.parquet` in the making: every true state at 1 kHz, one row group a table, drive by drive.
struct TruthFile<'a> {
    path: &'a Path,
    /// No buffer around it: one that is dropped would keep its last error to itself.
    unused: Option<File>,
    writer: Option<BatchedWriter<File>>,
}

impl TruthFile<'_> {
    fn append(&mut self, drive: &str, table: TruthTable) -> Result<(), PolarsError> {
        let rows = table.rows();
        let mut columns = vec![Column::new("drive".into(), vec![drive; rows])];
        for ((name, _), values) in table.names.iter().zip(table.columns) {
            // Single precision keeps the file small; times need more digits than it has.
            columns.push(match name.as_str() {
                "t_s" => Column::new(name.into(), values),
                _ => Column::new(
                    name.into(),
                    values.iter().map(|&v| v as f32).collect::<Vec<_>>(),
                ),
            });
        }
        let frame = DataFrame::new(rows, columns)?;
        if let Some(file) = self.unused.take() {
            self.writer = Some(ParquetWriter::new(file).batched(frame.schema())?);
        }
        match &mut self.writer {
            Some(writer) => writer.write_batch(&frame),
            None => Ok(()),
        }
    }

    fn finish(self) -> Result<(), Failure> {
        let failed = failed(self.path);
        self.writer
            .map_or(Ok(()), |writer| writer.finish().map(|_| ()).map_err(failed))
    }
}

impl Observer for TruthFile<'_> {
    type Error = Failure;

    fn truth(&mut self, drive: &DrivePlan, table: TruthTable) -> Result<(), Failure> {
        self.append(&drive.name, table).map_err(failed(self.path))
    }

    fn wants_truth(&self) -> bool {
        true
    }
}

/// What the table library says of a file, as the system said it where it did.
fn failed(path: &Path) -> impl Fn(PolarsError) -> Failure {
    let failure = Failure::writing(path);
    move |error| {
        failure(match error {
            PolarsError::IO { error, .. } => io::Error::new(error.kind(), error),
            other => io::Error::other(other),
        })
    }
}
