//! `slipwright simulate`: sample drives with known truth.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use polars::io::parquet::write::BatchedWriter;
use polars::prelude::{Column, DataFrame, ParquetWriter};
use slipwright_sample::picture::scenario_svg;
use slipwright_sample::scenario::{DrivePlan, Scenario};
use slipwright_sample::truth::TruthTable;
use slipwright_sample::write::{Observer, SimulateError, Written, write_scenario};

use crate::Answer;
use crate::cli::SimulateArgs;
use crate::contract::{self, SimulateOutput};
use crate::failure::Failure;
use crate::input::name;
use crate::output::{make_folder, write_whole};
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
    let finished = folder.join("truth.parquet");
    let unfinished = folder.join(format!("truth.parquet.part-{}", std::process::id()));
    let mut truth = TruthFile::create(&unfinished)?;
    let written = write_scenario(scenario, folder, &mut truth).map_err(|error| match error {
        SimulateError::Write { path, source } => Failure::writing(&path)(source),
        other => Failure::Usage(other.to_string()),
    });
    let closed = written.and_then(|written| {
        truth.close(&unfinished)?;
        fs::rename(&unfinished, &finished).map_err(Failure::writing(&finished))?;
        Ok(written)
    });
    if closed.is_err() {
        // Half-made and ours; failing to remove it changes nothing for the caller.
        let _ = fs::remove_file(&unfinished);
    }
    closed
}

/// `truth.parquet` in the making: every true state at 1 kHz, one row group a table, drive by drive.
struct TruthFile {
    /// To sync what the writer wrote; it keeps the file to itself.
    file: File,
    unused: Option<File>,
    writer: Option<BatchedWriter<File>>,
}

impl TruthFile {
    fn create(path: &Path) -> Result<Self, Failure> {
        let file = File::create(path).map_err(Failure::writing(path))?;
        Ok(Self {
            // No buffer in between: one that is dropped would keep its last error to itself.
            unused: Some(file.try_clone().map_err(Failure::writing(path))?),
            file,
            writer: None,
        })
    }

    fn append(&mut self, drive: &str, table: TruthTable) -> Result<(), polars::error::PolarsError> {
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

    fn close(self, path: &Path) -> Result<(), Failure> {
        let failed = |error: io::Error| Failure::writing(path)(error);
        if let Some(writer) = self.writer {
            writer
                .finish()
                .map_err(|error| failed(io::Error::other(error)))?;
        }
        self.file.sync_all().map_err(failed)
    }
}

impl Observer for TruthFile {
    fn truth(&mut self, drive: &DrivePlan, table: TruthTable) -> Result<(), String> {
        self.append(&drive.name, table)
            .map_err(|error| error.to_string())
    }

    fn wants_truth(&self) -> bool {
        true
    }

    fn at(&mut self, _: &DrivePlan, _: f64) {}
}
