//! Ground speed through the real gpsd, which reads recorded sentences.

use std::io::Write;
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use slipwright_logger::recorder::gnss::layout;

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::recorder::{Recorder, folder};

struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// One second of a drive as a receiver tells it, with checksums.
fn sentences(second: u32, knots: f64) -> String {
    let checked = |body: String| {
        let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
        format!("${body}*{sum:02X}\r\n")
    };
    let time = format!("10{:02}{:02}.00", second / 60 % 60, second % 60);
    checked(format!(
        "GPGGA,{time},4807.0380,N,01131.0000,E,1,08,0.9,545.4,M,46.9,M,,"
    )) + &checked("GPGSA,A,3,04,05,09,12,24,25,29,31,,,,,1.8,0.9,1.5".to_owned())
        + &checked(format!(
            "GPRMC,{time},A,4807.0380,N,01131.0000,E,{knots:05.1},084.4,010625,,,A"
        ))
}

/// A slow ramp of speed through gpsd, recorded beside a bus.
pub(crate) fn through_gpsd(_: &str) -> Outcome {
    const SECONDS: u32 = 40;
    let feed = TcpListener::bind("127.0.0.1:0")?;
    let port = feed.local_addr()?.port();
    std::thread::spawn(move || {
        let Ok((mut client, _)) = feed.accept() else {
            return;
        };
        for second in 0..SECONDS {
            if client
                .write_all(sentences(second, f64::from(second)).as_bytes())
                .is_err()
            {
                return;
            }
            std::thread::sleep(Duration::from_millis(250));
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
    let moving = |status: &serde_json::Value| {
        status["gnss"]["speed_mps"]
            .as_f64()
            .is_some_and(|v| v > 5.0)
    };
    recorder.until("a speed above 5 m/s", moving)?;
    let kept = recorder.stop()?;
    let speeds: Vec<f64> = kept
        .frames
        .iter()
        .filter(|f| f.bus == layout::INTERFACE && f.id == layout::SPEED.number())
        .filter_map(|f| f.data.get(..4)?.try_into().ok().map(u32::from_le_bytes))
        .filter(|&raw| raw != u32::MAX)
        .map(|raw| f64::from(raw) * 0.001)
        .collect();
    let knot = 1_852.0 / 3_600.0;
    // Whole knots were told; gpsd may round its metres per second.
    let off = speeds
        .iter()
        .map(|v| (v / knot - (v / knot).round()).abs() * knot)
        .fold(0.0, f64::max);
    if speeds.len() < 8 || off > 0.01 || !speeds.is_sorted() {
        return Err(format!("speeds {speeds:?}, off by {off}").into());
    }
    Ok(format!("{} speeds, each within {off:.4} m/s", speeds.len()))
}
