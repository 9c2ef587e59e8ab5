//! `check` on a live bus: ready, not ready, nothing heard, and with units that are asked.

use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::Outcome;
use crate::ask::{overhear, unit};
use crate::bus::{Listener, Sender, Virtual, packet};
use crate::live;
use crate::recorder::PROGRAM;

type Error = Box<dyn std::error::Error>;

/// The answer must come within this time.
const WITHIN: Duration = Duration::from_secs(10);

/// What one run answered, its exit code and how long it took.
struct Answer {
    told: Value,
    code: Option<i32>,
    took: Duration,
}

impl Answer {
    fn state(&self, role: &str) -> &str {
        let signals = self.told["signals"].as_array().into_iter().flatten();
        let mut all = signals.filter(|s| s["role"] == role);
        all.next().and_then(|s| s["state"].as_str()).unwrap_or("")
    }
}

fn check(options: &[&str]) -> Result<Answer, Error> {
    let started = Instant::now();
    let run = Command::new(PROGRAM)
        .args(["check", "vcan0", "--vehicle", live::VEHICLE, "--json"])
        .args(["--measures", "peak_slip_mps,slip_time_ms"])
        .args(options)
        .output()?;
    let took = started.elapsed();
    if took > WITHIN {
        return Err(format!("check {options:?} took {took:?}").into());
    }
    Ok(Answer {
        told: serde_json::from_slice(&run.stdout)
            .map_err(|_| format!("check: {}", String::from_utf8_lossy(&run.stderr)))?,
        code: run.status.code(),
        took,
    })
}

/// Sends the wheels, and pressure if wanted, every 10 ms until it is dropped.
struct Traffic {
    goes_on: Arc<AtomicBool>,
}

impl Traffic {
    fn start(with_pressure: bool) -> Result<Self, Error> {
        let goes_on = Arc::new(AtomicBool::new(true));
        let on = Arc::clone(&goes_on);
        let mut sender = Sender::open("vcan0")?;
        std::thread::spawn(move || {
            while on.load(Ordering::Relaxed) {
                let wheels = sender.send(&packet(0x1A0, &live::wheels(), None));
                let pressure = match with_pressure {
                    true => sender.send(&packet(0x100, &[17], None)),
                    false => Ok(()),
                };
                if wheels.and(pressure).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(10));
            }
        });
        Ok(Self { goes_on })
    }
}

impl Drop for Traffic {
    fn drop(&mut self) {
        self.goes_on.store(false, Ordering::Relaxed);
        // Its last frame may still be on its way.
        std::thread::sleep(Duration::from_millis(50));
    }
}

pub(crate) fn by_listening(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    live::write_car()?;
    let witness = Listener::for_strangers("vcan0")?;
    let nothing = check(&[])?;
    if nothing.code != Some(1) || nothing.state("wheel_speed.front_left") != "missing" {
        return Err(format!("on a silent bus: {}", nothing.told).into());
    }
    let traffic = Traffic::start(true)?;
    let alive = check(&[])?;
    for role in ["wheel_speed.front_left", "wheel_speed.rear_right"] {
        if alive.state(role) != "alive" {
            return Err(format!("{role}: {}", alive.told).into());
        }
    }
    drop(traffic);
    let strangers = witness.strangers();
    if !strangers.is_empty() {
        return Err(format!("check sent frames: {strangers:X?}").into());
    }
    let slowest = nothing.took.max(alive.took).as_secs_f64();
    Ok(format!(
        "answered in {slowest:.1} s at most, and sent nothing"
    ))
}

/// Two units of this file are there, one is not.
const UNITS: &str = r#"
[decoder]
name = "units"

[[request]]
pid = 0x0C
service = 0x01
  [[request.signal]]
  name = "any"
  start = 0
  length = 16
  order = "big"

[[request]]
did = 0x2001
service = 0x22
request_id = 0x712
response_id = 0x77C
  [[request.signal]]
  name = "any of the second"
  start = 0
  length = 16
  order = "big"

[[request]]
did = 0x2001
service = 0x22
request_id = 0x714
response_id = 0x77E
  [[request.signal]]
  name = "any of nobody"
  start = 0
  length = 16
  order = "big"
"#;

/// Lists of trouble codes (SAE J1979 services 03, 07, 0A: one byte of count, two bytes a code).
fn engine(request: &[u8]) -> Vec<u8> {
    match request {
        [0x03] => vec![0x43, 1, 0x04, 0x20],
        [service @ (0x07 | 0x0A)] => vec![service + 0x40, 0],
        _ => vec![0x7F, request.first().copied().unwrap_or(0), 0x11],
    }
}

/// Report by status mask (ISO 14229-1, service 19 subfunction 02): three codes, so that the answer
/// comes in parts.
fn coupling(request: &[u8]) -> Vec<u8> {
    match request {
        [0x19, 0x02, _] => vec![
            0x59, 0x02, 0xFF, 0x45, 0x67, 0x11, 0x09, 0xC1, 0x23, 0x00, 0x08, 0x50, 0x01, 0x29,
            0x01,
        ],
        _ => vec![0x7F, request.first().copied().unwrap_or(0), 0x11],
    }
}

pub(crate) fn by_asking(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    live::write_car()?;
    let file = "/tmp/units.toml";
    std::fs::write(file, UNITS)?;
    unit("vcan0", 0x7DF, 0x7E8, engine)?;
    unit("vcan0", 0x712, 0x77C, coupling)?;
    let _traffic = Traffic::start(true)?;
    let listen = overhear()?;
    let listening = std::thread::spawn(move || listen(WITHIN));
    let answer = check(&["--ask", file])?;
    let lists = answer.told["trouble_codes"].as_array().ok_or("no codes")?;
    let of = |unit: &str, list: &str| {
        let mut all = lists.iter().filter(|l| l["list"] == list);
        all.find(|l| {
            l["unit"]
                .as_str()
                .is_some_and(|u| u.eq_ignore_ascii_case(unit))
        })
        .cloned()
        .unwrap_or_default()
    };
    let confirmed = of("0x7E8", "confirmed");
    if confirmed["codes"] != serde_json::json!(["P0420"]) {
        return Err(format!("the engine's list: {}", answer.told["trouble_codes"]).into());
    }
    let by_status = of("0x77C", "by status");
    let codes = by_status["codes"].as_array().map_or(0, Vec::len);
    if codes != 3
        || !by_status["codes"][0]
            .as_str()
            .is_some_and(|c| c.starts_with("C0567-11"))
    {
        return Err(format!("the coupling's list: {}", answer.told["trouble_codes"]).into());
    }
    if of("0x77E", "by status")["why"] != "no answer" {
        return Err(format!("nobody's list: {}", answer.told["trouble_codes"]).into());
    }
    if answer.code != Some(1) || answer.told["ready"] != false {
        return Err("trouble codes are set, and the car is called ready".into());
    }
    let heard = listening.join().map_err(|_| "the listener panicked")?;
    // Requests are single frames whose first byte counts the message; flow control begins with 3.
    let asked: Vec<&[u8]> = heard
        .iter()
        .filter(|(id, data)| [0x7DF, 0x712, 0x714].contains(id) && data[0] >> 4 == 0)
        .map(|(_, data)| &data[1..])
        .collect();
    let reads = |data: &&[u8]| matches!(data[0], 0x03 | 0x07 | 0x0A | 0x19);
    if asked.is_empty() || !asked.iter().all(reads) {
        return Err(format!("asked with {asked:X?}").into());
    }
    let took_s = answer.took.as_secs_f64();
    Ok(format!(
        "{} requests, answered in {took_s:.1} s",
        asked.len()
    ))
}
