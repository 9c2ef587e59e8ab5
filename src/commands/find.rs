//! `slipwright find`: the signals of an unknown car.

mod speed_file;

use std::fs;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::Path;

use slipwright_analysis::vehicle::Vehicle;
use slipwright_decoders::find::proposal::WheelAnswer;
use slipwright_decoders::find::{Findings, Geometry, Survey, find};
use slipwright_logger::capture::{Capture, Event};

use crate::Answer;
use crate::cli::FindArgs;
use crate::contract::{self, FindOutput};
use crate::failure::Failure;
use crate::input::{name, refuse_backward_steps};
use crate::progress::Progress;
use crate::text;

pub(crate) fn run(args: &FindArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let speed = args.speed.as_deref().map(speed_file::read).transpose()?;
    let geometry = args
        .vehicle
        .as_deref()
        .map(geometry)
        .transpose()?
        .unwrap_or_default();
    let mut survey = Survey::new();
    let mut warnings = Vec::new();
    for path in &args.captures {
        warnings.extend(read_capture(path, &mut survey)?);
    }
    let frames = survey.frames();
    if frames == 0 {
        return Err(Failure::Usage(format!(
            "{}: no CAN frame in it; record a drive",
            args.captures
                .first()
                .map_or(String::new(), |p| p.display().to_string())
        )));
    }
    let findings = find(survey, speed.as_ref(), geometry);
    let captures = args.captures.iter().map(|path| name(path)).collect();
    let mut output = FindOutput::new(captures, frames, &findings);
    output.warnings.splice(0..0, warnings);
    match args.json.json {
        true => contract::print(out, &output)?,
        false => out
            .write_all(text::found(&findings, &output).as_bytes())
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

fn geometry(path: &Path) -> Result<Geometry, Failure> {
    let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
    let vehicle = Vehicle::parse(&text).map_err(Failure::toml(path))?;
    Ok(Geometry {
        wheelbase_m: vehicle.geometry.wheelbase_m,
        track_m: vehicle.geometry.track_rear_m,
    })
}

/// One capture into the survey; what a reader must know of it comes back.
fn read_capture(path: &Path, survey: &mut Survey) -> Result<Vec<String>, Failure> {
    let capture = Capture::open(path).map_err(Failure::Capture)?;
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
    Ok(summary.warnings())
}
