//! The recorder's unit as shipped, under systemd: readiness, rights, watchdog, restart, journal.

use std::os::unix::fs::MetadataExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::kept::Kept;
use crate::recorder::PROGRAM;

type Error = Box<dyn std::error::Error>;

const UNIT: &str = "slipwright-recorder.service";
const OUT: &str = "/var/lib/slipwright";

fn said_by(program: &str, arguments: &[&str]) -> Result<String, Error> {
    let run = Command::new(program).args(arguments).output();
    let run = run.map_err(|error| format!("{program}: {error}"))?;
    if !run.status.success() {
        let said = String::from_utf8_lossy(&run.stderr);
        return Err(format!("{program} {arguments:?}: {said}").into());
    }
    Ok(String::from_utf8_lossy(&run.stdout).into_owned())
}

fn main_process() -> Result<String, Error> {
    let told = said_by("systemctl", &["show", "-P", "MainPID", UNIT])?;
    Ok(told.trim().to_owned())
}

/// The live state, asked for by the recorder's own user, as its README says.
fn status() -> Result<Value, Error> {
    let owner = std::fs::metadata(OUT).map_err(|error| format!("{OUT}: {error}"))?;
    let run = Command::new(PROGRAM)
        .args(["status", "--json"])
        .uid(owner.uid())
        .gid(owner.gid())
        .output()?;
    Ok(serde_json::from_slice(&run.stdout)?)
}

/// Waits until the service is another process than before and hears its bus.
fn until_restarted(before: &str, patience: Duration) -> Result<f64, Error> {
    let since = Instant::now();
    while since.elapsed() < patience {
        let now = main_process()?;
        let hears = || status().is_ok_and(|status| status["buses"][0]["state"] == "up");
        if now != "0" && now != before && hears() {
            return Ok(since.elapsed().as_secs_f64());
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    Err(format!("not restarted within {patience:?}").into())
}

fn until_frames(frames: u64) -> Result<(), Error> {
    let since = Instant::now();
    while status()?["drive"]["frames"].as_u64() < Some(frames) {
        if since.elapsed() > Duration::from_secs(20) {
            return Err(format!("{frames} frames never came: {}", status()?).into());
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    Ok(())
}

/// What the kernel says of the process: user, capabilities, hardening.
fn confined(process: &str) -> Result<(), Error> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status"))
        .map_err(|error| format!("process {process}: {error}"))?;
    let field = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name));
        line.unwrap_or_default().trim().to_owned()
    };
    let owner = std::fs::metadata(OUT)?.uid();
    // CAP_NET_RAW is number 13 (capability.h); seccomp 2 is a filter.
    let expected = [
        ("CapEff:", "0000000000002000".to_owned()),
        ("CapBnd:", "0000000000002000".to_owned()),
        ("NoNewPrivs:", "1".to_owned()),
        ("Seccomp:", "2".to_owned()),
        ("Uid:", [owner; 4].map(|id| id.to_string()).join("\t")),
    ];
    for (name, value) in expected {
        if field(name) != value || owner == 0 {
            return Err(format!("{name} {} instead of {value}", field(name)).into());
        }
    }
    Ok(())
}

/// The unit's life; if it goes wrong, with the journal.
pub(crate) fn under_systemd(_: &str) -> Outcome {
    life().map_err(|error| {
        let journal = said_by("journalctl", &["-u", UNIT, "--no-pager"]);
        format!("{error}; the journal: {journal:?}").into()
    })
}

/// Started, starved of its watchdog, killed, stopped.
fn life() -> Outcome {
    said_by("systemd-sysusers", &[])?;
    let _bus = Virtual::new("vcan0")?;
    // Comes back when the recorder has said that it is ready.
    said_by("systemctl", &["start", UNIT])?;
    let first = main_process()?;
    confined(&first)?;
    let mut sender = Sender::open("vcan0")?;
    // Without CAP_NET_ADMIN the kernel's buffer is small: no more at a time than it holds.
    let mut send = |numbers: std::ops::Range<u64>| -> Result<(), Error> {
        for number in numbers {
            sender.send(&numbered(0x100, number))?;
            if number % 100 == 99 {
                std::thread::sleep(Duration::from_millis(50));
            }
        }
        Ok(())
    };
    send(0..1_000)?;
    until_frames(1_000)?;
    // Stood still, it feeds no watchdog; then killed outright.
    said_by("kill", &["-STOP", &first])?;
    let starved_s = until_restarted(&first, Duration::from_secs(60))?;
    let second = main_process()?;
    send(1_000..1_500)?;
    until_frames(500)?;
    std::thread::sleep(Duration::from_secs(1));
    said_by("kill", &["-KILL", &second])?;
    let killed_s = until_restarted(&second, Duration::from_secs(30))?;
    send(1_500..1_600)?;
    until_frames(100)?;
    said_by("systemctl", &["stop", UNIT])?;
    let result = said_by("systemctl", &["show", "-P", "Result", UNIT])?;
    if result.trim() != "success" {
        return Err(format!("stopped with {result}").into());
    }
    Kept::read(Path::new(OUT))?.require_all("vcan0", 1_600)?;
    let journal = said_by("journalctl", &["-u", UNIT, "-o", "json", "--no-pager"])?;
    let lines: Vec<Value> = journal
        .lines()
        .map(serde_json::from_str)
        .collect::<Result<_, _>>()?;
    let has = |priority: &str, text: &str| {
        lines.iter().any(|line| {
            let message = line["MESSAGE"].as_str().unwrap_or_default();
            line["PRIORITY"] == priority && message.contains(text) && !message.starts_with('<')
        })
    };
    if !has("6", "listening on vcan0") || !has("4", "receive buffer") || !has("6", "ended: stopped")
    {
        return Err(format!("the journal: {journal}").into());
    }
    Ok(format!(
        "confined; restarted {starved_s:.0} s after it stood still and {killed_s:.0} s after it was killed"
    ))
}
