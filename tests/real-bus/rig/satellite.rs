//! Ground speed through the real gpsd, which is fed with a recording of a receiver.

use std::io::Write;
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use slipwright_decoders::gnss_frames::{INTERFACE, SPEED};

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::recorder::{Recorder, folder};

/// Its head names the source.
const RECORDING: &str = include_str!("../drive.nmea");

struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The recording's speeds, m/s, as its VTG sentences tell them in km/h: another field than the one
/// that gpsd takes its speed from.
fn speeds_told() -> Vec<f64> {
    let vtg = RECORDING.lines().filter(|line| line.starts_with("$GPVTG"));
    vtg.filter_map(|line| line.split(',').nth(7)?.parse::<f64>().ok())
        .map(|kmh| kmh / 3.6)
        .collect()
}

/// The whole recording, a second of it every fifth of a second, recorded beside a bus.
pub(crate) fn through_gpsd(_: &str) -> Outcome {
    let feed = TcpListener::bind("127.0.0.1:0")?;
    let port = feed.local_addr()?.port();
    std::thread::spawn(move || {
        let Ok((mut client, _)) = feed.accept() else {
            return;
        };
        for line in RECORDING.lines().filter(|line| !line.starts_with('#')) {
            if write!(client, "{line}\r\n").is_err() {
                return;
            }
            // VTG is the last of each second.
            if line.starts_with("$GPVTG") {
                std::thread::sleep(Duration::from_millis(200));
            }
        }
        std::thread::sleep(Duration::from_secs(60));
    });
    let source = format!("tcp://127.0.0.1:{port}");
    let _bus = Virtual::new("vcan0")?;
    // The recorder is there first: a server that is absent is no error.
    let recorder = Recorder::start(
        &["vcan0"],
        &folder("satellite")?,
        &["--gnss", "gpsd:127.0.0.1:2947"],
    )?;
    let mut sender = Sender::open("vcan0")?;
    sender.send(&numbered(0x100, 0))?;
    let server = Command::new("gpsd")
        .args(["-N", "-n", "-b", &source])
        .stderr(Stdio::null())
        .spawn()?;
    let _server = Server(server);
    let told = speeds_told();
    let last = told.last().copied().unwrap_or_default();
    let near = |a: f64, b: f64| (a - b).abs() < 0.006;
    std::thread::sleep(Duration::from_millis(200 * told.len() as u64));
    let at_the_end = |status: &serde_json::Value| {
        status["gnss"]["speed_mps"]
            .as_f64()
            .is_some_and(|v| near(v, last))
    };
    recorder.until("the last speed", at_the_end)?;
    let kept = recorder.stop()?;
    let speeds: Vec<f64> = kept
        .frames
        .iter()
        .filter(|f| f.bus == INTERFACE && f.id == SPEED.number())
        .filter_map(|f| f.data.get(..4)?.try_into().ok().map(u32::from_le_bytes))
        .filter(|&raw| raw != u32::MAX)
        .map(|raw| f64::from(raw) * 0.001)
        .collect();
    // gpsd takes the first seconds to learn what it is fed with; from then on every one is told.
    let from = told.len().saturating_sub(speeds.len());
    let all_near = speeds.iter().zip(&told[from..]).all(|(a, b)| near(*a, *b));
    if speeds.len() > told.len() || speeds.len() < 30 || !all_near {
        return Err(format!("told {told:.3?}, recorded {speeds:.3?}").into());
    }
    Ok(format!(
        "the last {} of {} speeds in order, each within 0.006 m/s",
        speeds.len(),
        told.len()
    ))
}
