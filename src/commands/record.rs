//! `record`: the capture daemon.

use std::io::Write;
#[cfg(target_os = "linux")]
use std::path::Path;

#[cfg(target_os = "linux")]
use slipwright_decoders::decoder_file::DecoderFile;
#[cfg(target_os = "linux")]
use slipwright_logger::recorder::{daemon::Ask, signals::Geometry};

use crate::Answer;
#[cfg(target_os = "linux")]
use crate::car::{decoder_beside, read_decoder_file, read_vehicle};
use crate::cli::RecordArgs;
use crate::failure::Failure;

#[cfg(target_os = "linux")]
mod watched;

#[cfg(not(target_os = "linux"))]
pub(crate) fn run(_: &RecordArgs, _: &mut impl Write) -> Result<Answer, Failure> {
    Err(super::needs_linux("record"))
}

#[cfg(target_os = "linux")]
pub(crate) fn run(args: &RecordArgs, _: &mut impl Write) -> Result<Answer, Failure> {
    use slipwright_logger::recorder::{daemon, log};

    let settings = settings(args)?;
    let view = if args.watch {
        let file = watched::log_file(&settings.plan.out)?;
        log::start_in(file);
        Some(watched::start(&settings, args.vehicle.as_deref())?)
    } else {
        log::start();
        None
    };
    let ended = daemon::run(&settings);
    if let Some(view) = view {
        view.leave();
    }
    match ended {
        Ok(_) => Ok(Answer::Done),
        Err(error) => Err(Failure::Usage(error.to_string())),
    }
}

#[cfg(target_os = "linux")]
fn settings(args: &RecordArgs) -> Result<slipwright_logger::recorder::daemon::Settings, Failure> {
    use slipwright_logger::recorder::core::Plan;
    use slipwright_logger::recorder::daemon::Settings;
    use slipwright_logger::recorder::lifecycle::Limits;
    use slipwright_logger::recorder::sidecar::About;

    let mut interfaces = args.interfaces.clone();
    interfaces.sort();
    if let Some(twice) = interfaces
        .windows(2)
        .find_map(|pair| (pair[0] == pair[1]).then_some(&pair[0]))
    {
        return Err(Failure::Usage(format!(
            "{twice} is named twice; name each interface once"
        )));
    }
    let gnss = args.gnss.as_deref().map(str::parse).transpose();
    let gnss = gnss.map_err(|error| Failure::Usage(format!("--gnss {error}")))?;
    Ok(Settings {
        interfaces: args.interfaces.clone(),
        plan: Plan {
            out: args.out.clone(),
            limits: Limits {
                quiet_after_ns: ns("--quiet-after", args.quiet_after, 1e9)?,
                file_bytes: args.file_size * 1_000_000,
                file_ns: ns("--file-time", args.file_time, 60e9)?,
            },
            about: About {
                vehicle: args.vehicle.as_ref().map(|path| path.display().to_string()),
                odometer_km: args.odometer,
                notes: args.note.clone(),
                conditions: args.conditions.clone(),
            },
            compress: !args.plain,
            keep_free_bytes: args.keep_free * 1_000_000,
        },
        receive_buffer_bytes: (args.receive_buffer as usize) << 10,
        socket: args.socket.clone(),
        gnss,
        car: args.vehicle.as_deref().map(car).transpose()?,
        ask: args
            .ask
            .as_deref()
            .map(|path| ask(path, args.ask_every))
            .transpose()?,
    })
}

/// The decoder file and the geometry of a vehicle file.
#[cfg(target_os = "linux")]
fn car(path: &Path) -> Result<(DecoderFile, Geometry), Failure> {
    let vehicle = read_vehicle(path)?;
    let decoder = read_decoder_file(&decoder_beside(path, &vehicle))?;
    let geometry = Geometry {
        wheelbase_m: vehicle.geometry.wheelbase_m,
        track_rear_m: vehicle.geometry.track_rear_m,
        rolling_radius_m: vehicle.tyres.rolling_radius_m,
    };
    Ok((decoder, geometry))
}

/// The requests that may be sent, and how fast. Faster than every 50 ms no bus is asked.
#[cfg(target_os = "linux")]
fn ask(path: &Path, every_ms: f64) -> Result<Ask, Failure> {
    let requests = read_decoder_file(path)?.requests;
    if requests.is_empty() {
        return Err(Failure::content(
            path,
            "lists no [[request]]; there is nothing to ask",
        ));
    }
    if !(50.0..=60_000.0).contains(&every_ms) {
        return Err(Failure::Usage(format!(
            "--ask-every {every_ms}: must lie between 50 and 60000 ms"
        )));
    }
    Ok(Ask {
        requests,
        spacing_ns: (every_ms * 1e6) as i64,
    })
}

/// A span in its unit as ns; at least a tenth of a second, at most a year.
#[cfg(target_os = "linux")]
fn ns(option: &str, value: f64, unit_ns: f64) -> Result<i64, Failure> {
    let ns = value * unit_ns;
    if !(1e8..=3.2e16).contains(&ns) {
        return Err(Failure::Usage(format!(
            "{option} {value}: must lie between a tenth of a second and a year"
        )));
    }
    Ok(ns as i64)
}
