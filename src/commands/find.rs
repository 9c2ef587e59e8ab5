//! `slipwright find`: the signals of an unknown car.

mod decoder_text;
mod guide;
pub(crate) mod speed_file;

use std::fs;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use slipwright_analysis::report::proposals::proposal_sheet;
use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::find::proposal::WheelAnswer;
use slipwright_decoders::find::{FindOptions, Findings, Geometry, Survey, find};
use slipwright_logger::capture::{Event, Summary};
use slipwright_logger::text_log::Layout;

use crate::Answer;
use crate::car::{read_layout, read_vehicle};
use crate::cli::FindArgs;
use crate::contract;
use crate::contract::find::{FindOutput, TextLog};
use crate::failure::Failure;
use crate::input::{name, no_frame, open_capture, refuse_backward_steps};
use crate::output::{refuse_input, write_whole};
use crate::page::PageFiles;
use crate::progress::{Progress, Spinner};
use crate::text;

pub(crate) fn run(args: &FindArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    if args.guide {
        match args.json.json {
            true => contract::print(out, &serde_json::json!({ "guide": guide::GUIDE }))?,
            false => out
                .write_all(guide::GUIDE.as_bytes())
                .map_err(Failure::Printing)?,
        }
        return Ok(Answer::Done);
    }
    // Everything that can be wrong is asked before the long reading.
    if let Some(path) = &args.out {
        let read = args.captures.iter().chain(&args.speed).chain(&args.vehicle);
        refuse_input(path, read.map(PathBuf::as_path))?;
    }
    let existing = args.accept.as_deref().map(read_existing).transpose()?;
    let layout = read_layout(&args.text)?;
    let options = FindOptions {
        speed: args.speed.as_deref().map(speed_file::read).transpose()?,
        geometry: args
            .vehicle
            .as_deref()
            .map(geometry)
            .transpose()?
            .unwrap_or_default(),
        marks: args.marks,
    };
    let mut survey = Survey::new();
    let mut warnings = Vec::new();
    let mut text_log = None;
    let mut without_frames = None;
    for path in &args.captures {
        let summary = read_capture(path, layout.as_ref(), &mut survey)?;
        without_frames.get_or_insert_with(|| no_frame(path, &summary));
        let named = |warning: String| format!("{}: {warning}", name(path));
        warnings.extend(summary.warnings().into_iter().map(named));
        if let Some(account) = &summary.text {
            text_log.get_or_insert_with(TextLog::default).add(account);
        }
    }
    let frames = survey.frames();
    if let (0, Some(failure)) = (frames, without_frames) {
        return Err(failure);
    }
    let spinner = Spinner::of("finding fields and signals");
    let findings = find(survey, &options);
    drop(spinner);
    let captures: Vec<String> = args.captures.iter().map(|path| name(path)).collect();
    let subject = captures.join(", ");
    let mut output = FindOutput::new(captures, frames, &findings);
    output.warnings.splice(0..0, warnings);
    output.text_log = text_log;
    write_files(args, &findings, &subject, existing.as_deref(), &mut output)?;
    match args.json.json {
        true => contract::print(out, &output)?,
        false => out
            .write_all(text::find::found(&findings, &output).as_bytes())
            .map_err(Failure::Printing)?,
    }
    Ok(answer(&findings))
}

fn answer(findings: &Findings) -> Answer {
    match findings.wheels {
        WheelAnswer::Found { .. } => Answer::Done,
        WheelAnswer::None { .. } => Answer::No,
    }
}

fn read_existing(path: &Path) -> Result<String, Failure> {
    let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
    DecoderFile::parse(&text).map_err(Failure::toml(path))?;
    Ok(text)
}

/// The decoder file and the sheet, if a place for them was given.
fn write_files(
    args: &FindArgs,
    findings: &Findings,
    subject: &str,
    existing: Option<&str>,
    output: &mut FindOutput,
) -> Result<(), Failure> {
    let Some(path) = args.out.as_ref().or(args.accept.as_ref()) else {
        return Ok(());
    };
    let title = format!("found in {subject}");
    let (text, notes) =
        decoder_text::text(findings, &title, existing).map_err(Failure::Internal)?;
    write_whole(path, text.as_bytes())?;
    let sheet = PageFiles::at(path.with_extension("html"), args.pictures.pictures);
    sheet.write(&proposal_sheet(findings, subject))?;
    output.out = Some(path.display().to_string());
    output.sheet = Some(sheet.page());
    output.pictures = sheet.pictures();
    output.warnings.extend(notes);
    Ok(())
}

fn geometry(path: &Path) -> Result<Geometry, Failure> {
    let vehicle = read_vehicle(path)?;
    Ok(Geometry {
        wheelbase_m: vehicle.geometry.wheelbase_m,
        track_m: vehicle.geometry.track_rear_m,
    })
}

/// One capture or text log into the survey.
fn read_capture(
    path: &Path,
    layout: Option<&Layout>,
    survey: &mut Survey,
) -> Result<Summary, Failure> {
    let capture = open_capture(path, layout)?;
    let mut progress = Progress::of(capture.progress(), &name(path));
    survey.begin_capture();
    let summary = capture.read(|event| {
        match event {
            Event::Bus(bus, interface) => {
                survey.add_bus(bus, interface.name.as_deref().unwrap_or_default());
            }
            Event::Frame(frame) => survey.push(&frame),
            Event::Mark(mark) => {
                if let Some(t_ns) = mark.t_ns {
                    survey.mark(t_ns, &mark.text);
                }
            }
            Event::Section(_) | Event::Statistics(_) => {}
        }
        progress.tick();
        ControlFlow::Continue(())
    });
    let summary = summary.map_err(Failure::Capture)?;
    refuse_backward_steps(path, &summary)?;
    Ok(summary)
}
