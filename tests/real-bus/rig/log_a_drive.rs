//! README's "Log a drive", step by step: a sample drive is played on two buses in its own time,
//! recorded, and looked at.

use std::ops::ControlFlow;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use slipwright_logger::capture::{Capture, Event};

use crate::Outcome;
use crate::bus::{EXTENDED, Sender, Virtual, packet};
use crate::kept::Kept;
use crate::recorder::{PROGRAM, Recorder, folder, mark, status_by_command};

type Error = Box<dyn std::error::Error>;

const BUSES: [&str; 2] = ["can0", "can1"];
const VEHICLE: &str = "/sample/vehicle.toml";
/// The part of the drive that is played.
const FROM_NS: i64 = 40_000_000_000;
const SPAN_NS: i64 = 15_000_000_000;

/// A frame to be sent: when, on which bus, and what.
struct Part {
    after: Duration,
    bus: usize,
    id: u32,
    data: Vec<u8>,
    packet: Vec<u8>,
}

/// The emulated controllers' names are wanted by the sample's buses; they get them back.
struct Renamed;

impl Renamed {
    fn new() -> Result<Self, Error> {
        for bus in BUSES {
            rename(bus, &format!("emulated-{bus}"))?;
        }
        Ok(Self)
    }
}

impl Drop for Renamed {
    fn drop(&mut self) {
        for bus in BUSES {
            let _ = rename(&format!("emulated-{bus}"), bus);
        }
    }
}

fn rename(from: &str, to: &str) -> Result<(), Error> {
    for arguments in [["set", from, "down", ""], ["set", from, "name", to]] {
        let arguments = arguments.iter().filter(|a| !a.is_empty());
        if !Command::new("ip")
            .arg("link")
            .args(arguments)
            .status()?
            .success()
        {
            return Err(format!("{from} cannot be renamed").into());
        }
    }
    Ok(())
}

fn sample() -> Result<Vec<Part>, Error> {
    let mut names = Vec::new();
    let mut first_ns = None;
    let mut parts = Vec::new();
    Capture::open("/sample/drive.pcapng.zst")?.read(|event| {
        match event {
            Event::Bus(_, interface) => names.push(interface.name.clone().unwrap_or_default()),
            Event::Frame(frame) => {
                let since_ns = frame.t_ns - *first_ns.get_or_insert(frame.t_ns) - FROM_NS;
                let bus = names.get(frame.bus.as_usize());
                let bus = BUSES
                    .iter()
                    .position(|name| Some(*name) == bus.map(String::as_str));
                if let Some(bus) = bus
                    && (0..SPAN_NS).contains(&since_ns)
                {
                    let extended = if frame.id.is_extended() { EXTENDED } else { 0 };
                    parts.push(Part {
                        after: Duration::from_nanos(since_ns.unsigned_abs()),
                        bus,
                        id: frame.id.number(),
                        data: frame.data.to_vec(),
                        packet: packet(frame.id.number() | extended, frame.data, None),
                    });
                }
            }
            _ => {}
        }
        ControlFlow::Continue(())
    })?;
    Ok(parts)
}

/// Sends every part in its own time.
fn play(parts: &[Part]) -> Result<(), String> {
    let mut senders = Vec::new();
    for bus in BUSES {
        senders.push(Sender::open(bus).map_err(|e| e.to_string())?);
    }
    let started = Instant::now();
    for part in parts {
        std::thread::sleep(part.after.saturating_sub(started.elapsed()));
        senders[part.bus]
            .send(&part.packet)
            .map_err(|e| e.to_string())?;
    }
    Ok(())
}

/// An error unless `check` finds every signal of the vehicle alive. Whether the coupling works is
/// not in so short a part of a drive, so the answer may be no.
fn all_alive(arguments: &[&str]) -> Result<usize, Error> {
    let run = Command::new(PROGRAM)
        .arg("check")
        .args(arguments)
        .args(["--vehicle", VEHICLE, "--json"])
        .output()?;
    let told: Value = serde_json::from_slice(&run.stdout)
        .map_err(|_| format!("check: {}", String::from_utf8_lossy(&run.stderr)))?;
    let signals = told["signals"].as_array().ok_or("no signals")?;
    let dead: Vec<&Value> = signals.iter().filter(|s| s["state"] != "alive").collect();
    match dead.is_empty() && !signals.is_empty() {
        true => Ok(signals.len()),
        false => Err(format!("check {arguments:?}: not alive: {dead:?}").into()),
    }
}

pub(crate) fn as_the_readme_says(_: &str) -> Outcome {
    let parts = sample()?;
    let _names = Renamed::new()?;
    let _buses = [Virtual::new(BUSES[0])?, Virtual::new(BUSES[1])?];
    let out = folder("drives")?;
    let options = [
        "--vehicle",
        VEHICLE,
        "--odometer",
        "181250",
        "--conditions",
        "dry, 12 degC, summer tyres",
        "--quiet-after",
        "3",
    ];
    let recorder = Recorder::start(&BUSES, &out, &options)?;
    let alive = std::thread::scope(|scope| -> Result<usize, Error> {
        let playing = scope.spawn(|| play(&parts));
        std::thread::sleep(Duration::from_secs(2));
        let status = status_by_command()?;
        for bus in status["buses"].as_array().ok_or("no buses")? {
            if bus["state"] != "up" || bus["dropped"] != 0 || bus["rate_hz"].as_f64() < Some(1.0) {
                return Err(format!("a bus: {bus}").into());
            }
        }
        let alive = all_alive(&["can0", "can1", "--listen", "5"])?;
        if mark("launch 1, wet patch")? != 0 {
            return Err("the mark was refused".into());
        }
        playing.join().map_err(|_| "the player panicked")??;
        Ok(alive)
    })?;
    recorder.until("the drive's own end", |status| status["state"] == "waiting")?;
    recorder.stop()?;
    let kept = Kept::read(&out)?;
    let [file] = kept.files.as_slice() else {
        return Err(format!("files {:?}", kept.files).into());
    };
    let path = file.to_str().ok_or("path")?;
    if !path.ends_with(".pcapng.zst") || !kept.has_mark("launch 1, wet patch") {
        return Err(format!("{path}, marks {:?}", kept.marks).into());
    }
    for (number, bus) in BUSES.iter().enumerate() {
        let sent = parts.iter().filter(|part| part.bus == number);
        let sent: Vec<_> = sent.map(|part| (part.id, part.data.as_slice())).collect();
        let recorded = kept.frames.iter().filter(|frame| frame.bus == *bus);
        let recorded: Vec<_> = recorded.map(|f| (f.id, f.data.as_slice())).collect();
        if recorded != sent {
            let (n, m) = (recorded.len(), sent.len());
            return Err(format!("{bus}: {n} frames of {m}, or not the same ones").into());
        }
    }
    sidecar(&file.with_file_name("drive.toml"))?;
    all_alive(&[path])?;
    let decoded = Path::new("/tmp/drive.parquet");
    let run = Command::new(PROGRAM)
        .args(["decode", path, "--decoder", "/sample/decoder.toml", "--out"])
        .arg(decoded)
        .output()?;
    if !run.status.success() || std::fs::metadata(decoded)?.len() == 0 {
        return Err(format!("decode: {}", String::from_utf8_lossy(&run.stderr)).into());
    }
    Ok(format!(
        "{} frames as sent, {alive} signals alive, live and in the file",
        parts.len()
    ))
}

fn sidecar(path: &Path) -> Result<(), Error> {
    let told: toml::Table = std::fs::read_to_string(path)?.parse()?;
    let recording = &told["recording"];
    let buses = recording["bus"].as_array().ok_or("no buses")?;
    let no_drops = buses
        .iter()
        .all(|bus| bus["dropped"].as_integer() == Some(0));
    if told["odometer_km"].as_integer() != Some(181_250)
        || told["conditions"].as_str() != Some("dry, 12 degC, summer tyres")
        || recording["ended"].as_str() != Some("the bus went quiet")
        || buses.len() != 2
        || !no_drops
    {
        return Err(format!("drive.toml: {told}").into());
    }
    Ok(())
}
