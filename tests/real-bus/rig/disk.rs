//! Disks that take no more.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::kept::Kept;
use crate::recorder::{Recorder, command};

type Error = Box<dyn std::error::Error>;

/// A small disk in memory, gone when dropped.
struct Small(&'static str);

impl Small {
    fn new(at: &'static str, options: &str) -> Result<Self, Error> {
        std::fs::create_dir_all(at)?;
        run("mount", &["-t", "tmpfs", "-o", options, "tmpfs", at])?;
        Ok(Self(at))
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = run("umount", &[self.0]);
    }
}

fn run(program: &str, arguments: &[&str]) -> Result<(), Error> {
    match Command::new(program).args(arguments).status()?.success() {
        true => Ok(()),
        false => Err(format!("{program} {arguments:?} failed").into()),
    }
}

/// Full to the last byte, and nearly full: both end the drive, say so, and keep everything.
pub(crate) fn full(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let mut said = Vec::new();
    for keep_free in ["0", "1"] {
        let small = Small::new("/tmp/small", "size=3m")?;
        let out = Path::new(small.0).join("drives");
        let mut recorder =
            Recorder::start(&["vcan0"], &out, &["--plain", "--keep-free", keep_free])?;
        let mut sender = Sender::open("vcan0")?;
        for number in 0..100_000 {
            sender.send(&numbered(0x100, number))?;
            if number % 100 == 99 {
                std::thread::sleep(Duration::from_micros(500));
            }
        }
        let ended = recorder.ended()?;
        if ended.code != Some(2) || !ended.said.contains("free") {
            return Err(format!("ended without saying why: {ended:?}").into());
        }
        let kept = Kept::read(&out)?;
        let count = kept.numbers("vcan0").len() as u64;
        kept.require_all("vcan0", count)?;
        // 48 bytes a frame: about 62,000 fit, about 41,000 above the megabyte kept free.
        let least = if keep_free == "0" { 55_000 } else { 30_000 };
        if kept.cut != 0 || count < least {
            return Err(format!("{count} frames kept, {} files cut", kept.cut).into());
        }
        said.push(format!("{count} frames kept"));
    }
    Ok(said.join(", "))
}

/// Read-only from the start, and in the middle of a drive.
pub(crate) fn read_only(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let small = Small::new("/tmp/sealed", "size=3m,ro")?;
    let run = command(&["vcan0"], Path::new(small.0), &[]).output()?;
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    if run.status.code() != Some(2) || !said.contains("read-only") {
        return Err(format!("{:?}: {said}", run.status).into());
    }
    if !Path::new("/disk/lost+found").exists() {
        return Ok("at the start; no disk here for the middle of a drive".to_owned());
    }
    let out = Path::new("/disk/sealed");
    let mut recorder = Recorder::start(&["vcan0"], out, &["--plain"])?;
    let mut sender = Sender::open("vcan0")?;
    for number in 0..1_000 {
        sender.send(&numbered(0x100, number))?;
    }
    recorder.until("synced", |status| status["drive"]["synced_frames"] == 1_000)?;
    // The kernel's own emergency: every disk read-only at once, open files or not.
    std::fs::write("/proc/sysrq-trigger", "u")?;
    std::thread::sleep(Duration::from_millis(500));
    for number in 1_000..1_100 {
        sender.send(&numbered(0x100, number))?;
    }
    let ended = recorder.ended();
    self::run("mount", &["-o", "remount,rw", "/disk"])?;
    let ended = ended?;
    if ended.code != Some(2) || !ended.said.contains("read-only") {
        return Err(format!("ended without saying why: {ended:?}").into());
    }
    let kept = Kept::read(out)?;
    let count = kept.numbers("vcan0").len() as u64;
    kept.require_all("vcan0", count)?;
    match count >= 1_000 {
        true => Ok(format!(
            "at the start, and in a drive with {count} frames kept"
        )),
        false => Err(format!("{count} frames kept of 1000 synced").into()),
    }
}
