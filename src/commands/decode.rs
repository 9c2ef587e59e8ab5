//! `slipwright decode`: a capture's signals as a table.

use std::io::Write;
use std::path::Path;

use slipwright_analysis::table;

use crate::Answer;
use crate::car::read_decoder;
use crate::cli::DecodeArgs;
use crate::contract::{self, DecodeOutput, DecodedSignal};
use crate::failure::Failure;
use crate::input::{decode_capture, name};
use crate::output::{refuse_input, write_whole};
use crate::text;

/// The two forms of a signal table.
#[derive(Clone, Copy)]
enum Form {
    Parquet,
    Csv,
}

fn form(path: &Path) -> Result<Form, Failure> {
    match path.extension().and_then(|ending| ending.to_str()) {
        Some(ending) if ending.eq_ignore_ascii_case("parquet") => Ok(Form::Parquet),
        Some(ending) if ending.eq_ignore_ascii_case("csv") => Ok(Form::Csv),
        _ => Err(Failure::Usage(format!(
            "{}: the ending says no form; end the name in .parquet or .csv",
            path.display()
        ))),
    }
}

pub(crate) fn run(args: &DecodeArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let form = form(&args.out)?;
    refuse_input(&args.out, [args.capture.as_path(), &args.decoder])?;
    let decoder = read_decoder(&args.decoder, Some(&args.text))?;
    let decoded = decode_capture(&args.capture, &decoder)?;
    let internal = |error: polars::error::PolarsError| Failure::Internal(error.to_string());
    let mut frame = table::signals(&decoded.signals).map_err(internal)?;
    let bytes = match form {
        Form::Parquet => table::parquet(&mut frame),
        Form::Csv => table::csv(&mut frame),
    };
    write_whole(&args.out, &bytes.map_err(internal)?)?;
    let output = DecodeOutput {
        capture: name(&args.capture),
        out: args.out.display().to_string(),
        duration_s: decoded.duration_s(),
        frames: decoded.span.frames,
        signals: decoded
            .signals
            .series
            .iter()
            .map(|series| DecodedSignal {
                signal: series.key.text().to_owned(),
                bus: series.bus.clone(),
                id: series.id.number(),
                unit: series.unit.text(),
                values: series.t_ns.len(),
                invalid: series.invalid.len(),
            })
            .collect(),
        warnings: decoded.warnings,
    };
    match args.json.json {
        true => contract::print(out, &output)?,
        false => out
            .write_all(text::decoded(&output).as_bytes())
            .map_err(Failure::Printing)?,
    }
    Ok(Answer::Done)
}
