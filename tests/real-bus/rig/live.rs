//! What a running recorder tells of the car: signals, their ages, slip, bus load.

use std::process::Command;
use std::time::Duration;

use serde_json::Value;

use crate::Outcome;
use crate::bus::{BIT_RATE, Sender, controller, packet};
use crate::recorder::{PROGRAM, Recorder, folder, status_by_command};

const CAR: &str = r#"
name = "car in the emulator"
decoder = "live-decoder.toml"

[geometry]
wheelbase_m = 2.6
track_rear_m = 1.5
"#;

const DECODER: &str = r#"
[decoder]
name = "live"

[[frame]]
id = 0x1A0
  [[frame.signal]]
  role = "wheel_speed.front_left"
  start = 0
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"
  [[frame.signal]]
  role = "wheel_speed.front_right"
  start = 16
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"
  [[frame.signal]]
  role = "wheel_speed.rear_left"
  start = 32
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"
  [[frame.signal]]
  role = "wheel_speed.rear_right"
  start = 48
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"

[[frame]]
id = 0x100
  [[frame.signal]]
  role = "coupling.pressure"
  start = 0
  length = 8
  order = "big"
  unit = "bar"
"#;

/// 10.6 and 10.4 m/s in front, 9.25 and 10.75 m/s behind: the rear wheels turn at 1 rad/s, so the
/// front axle would do sqrt(10^2 + 2.6^2) m/s without slip.
const WHEELS: [u16; 4] = [1_060, 1_040, 925, 1_075];
const SLIP_MPS: f64 = 10.5 - 10.332_473;

/// Where [`write_car`] puts the vehicle file.
pub(crate) const VEHICLE: &str = "/tmp/live-car.toml";

/// Writes the car's two files.
pub(crate) fn write_car() -> std::io::Result<()> {
    std::fs::write(VEHICLE, CAR)?;
    std::fs::write("/tmp/live-decoder.toml", DECODER)
}

/// The data of the frame of wheel speeds.
pub(crate) fn wheels() -> Vec<u8> {
    WHEELS.iter().flat_map(|v| v.to_be_bytes()).collect()
}

fn signal<'a>(status: &'a Value, role: &str) -> Option<&'a Value> {
    status["signals"]
        .as_array()?
        .iter()
        .find(|signal| signal["role"] == role)
}

/// By the status command, as text and for programs, through a controller of known bit rate.
pub(crate) fn signals_and_slip(_: &str) -> Outcome {
    controller("can0", true)?;
    controller("can1", false)?;
    write_car()?;
    let recorder = Recorder::start(&["can0"], &folder("live")?, &["--vehicle", VEHICLE])?;
    let before = status_by_command()?;
    if before["signals"].as_array().map(Vec::len) != Some(5)
        || !before["slip_mps"].is_null()
        || !before["slip_why"]
            .as_str()
            .is_some_and(|why| why.contains("not been seen"))
    {
        return Err(format!("before the first frame: {before}").into());
    }
    let mut sender = Sender::open("can1")?;
    let wheels = wheels();
    sender.send(&packet(0x100, &[17], None))?;
    let mut now = Value::Null;
    for number in 0..300 {
        sender.send(&packet(0x1A0, &wheels, None))?;
        std::thread::sleep(Duration::from_millis(8));
        if number == 250 {
            now = status_by_command()?;
        }
    }
    let text = Command::new(PROGRAM).arg("status").output()?;
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    if !text.contains("front-rear slip: 0.17 m/s") || !text.contains("can0: up") {
        return Err(format!("the status as text: {text}").into());
    }
    let wheel = signal(&now, "wheel_speed.front_left").ok_or("no wheel")?;
    let pressure = signal(&now, "coupling.pressure").ok_or("no pressure")?;
    let age_s = |signal: &Value| signal["age_s"].as_f64().unwrap_or(f64::NAN);
    if wheel["value"] != 10.6 || !(0.0..0.5).contains(&age_s(wheel)) || wheel["unit"] != "m/s" {
        return Err(format!("a wheel: {wheel}").into());
    }
    if pressure["value"] != 17.0 || !(1.0..30.0).contains(&age_s(pressure)) {
        return Err(format!("a signal that came once: {pressure}").into());
    }
    let slip_mps = now["slip_mps"].as_f64().unwrap_or(f64::NAN);
    if (slip_mps - SLIP_MPS).abs() > 1e-5 {
        return Err(format!("slip {slip_mps}").into());
    }
    // 111 to 135 bits a frame of 8 bytes, whatever is in it.
    let bus = &now["buses"][0];
    let rate_hz = bus["rate_hz"].as_f64().unwrap_or(0.0);
    let load = bus["load_percent"].as_f64().unwrap_or(0.0);
    let percent = |bits: f64| 100.0 * rate_hz * bits / f64::from(BIT_RATE);
    if rate_hz < 20.0 || !(percent(111.0)..=percent(135.0)).contains(&load) {
        return Err(format!("load: {bus}").into());
    }
    if now["drive"]["length_s"].as_f64() < Some(1.0) || now["disk_left_s"].as_f64() < Some(1.0) {
        return Err(format!("drive and disk: {now}").into());
    }
    std::thread::sleep(Duration::from_millis(1_500));
    let after = status_by_command()?;
    if !after["slip_why"]
        .as_str()
        .is_some_and(|why| why.contains(" s old"))
    {
        return Err(format!("after silence: {after}").into());
    }
    let kept = recorder.stop()?;
    if kept.frames.len() != 301 {
        return Err(format!("{} frames kept of 301", kept.frames.len()).into());
    }
    Ok(format!(
        "slip {slip_mps:.3} m/s, load {load:.1} % at {rate_hz:.0} frames/s"
    ))
}
