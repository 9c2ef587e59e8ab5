//! `slipwright measure`: engagements and their measures, drive by drive.

use std::io::Write;

use crate::Answer;
use crate::cli::MeasureArgs;
use crate::contract::{self, MeasureOutput};
use crate::failure::Failure;
use crate::input::{measure_capture, read_car};
use crate::progress;
use crate::text;

pub(crate) fn run(args: &MeasureArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let car = read_car(&args.vehicle, Some(&args.text))?;
    let mut drives = Vec::new();
    let mut failures = Vec::new();
    for path in &args.captures {
        match measure_capture(path, &car) {
            Ok(drive) => {
                // People see each drive as it comes; a program gets one object at the end.
                if !args.json.json {
                    writeln!(out, "{}", text::drive(&drive)).map_err(Failure::Printing)?;
                }
                drives.push(drive);
            }
            Err(failure) if args.captures.len() == 1 => return Err(failure),
            Err(failure) => failures.push(failure.to_string()),
        }
    }
    for failure in &failures {
        progress::say(failure);
    }
    if args.json.json && !drives.is_empty() {
        contract::print(out, &MeasureOutput::new(&drives, &failures))?;
    }
    Ok(if failures.is_empty() {
        Answer::Done
    } else {
        Answer::Partly
    })
}
