//! The recorder as a process, and what it kept, read back.

use std::collections::BTreeMap;
use std::io::Read;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use slipwright_logger::capture::{Capture, Event};

type Error = Box<dyn std::error::Error>;

/// The program under test, where the machine's start-up put it.
const PROGRAM: &str = "slipwright";
/// Nothing in a test takes longer than this.
const PATIENCE: Duration = Duration::from_secs(20);

/// A running recorder; killed when it is dropped.
pub(crate) struct Recorder {
    child: Child,
    out: PathBuf,
}

impl Drop for Recorder {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// How a recorder ended.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) code: Option<i32>,
    pub(crate) said: String,
}

/// A fresh folder for drives on the guest's disk, or in memory where there is none.
pub(crate) fn folder(name: &str) -> Result<PathBuf, Error> {
    let base = if Path::new("/disk/lost+found").exists() {
        "/disk"
    } else {
        "/tmp"
    };
    let folder = Path::new(base).join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder)?;
    }
    Ok(folder)
}

/// The command line, without starting it.
pub(crate) fn command(buses: &[&str], out: &Path, options: &[&str]) -> Command {
    let mut command = Command::new(PROGRAM);
    command
        .arg("record")
        .args(buses)
        .arg("--out")
        .arg(out)
        .args(options);
    command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped());
    command
}

impl Recorder {
    /// Starts one and waits until it hears its buses.
    pub(crate) fn start(buses: &[&str], out: &Path, options: &[&str]) -> Result<Self, Error> {
        let child = command(buses, out, options).spawn()?;
        let mut recorder = Self {
            child,
            out: out.to_owned(),
        };
        let since = Instant::now();
        loop {
            if let Ok(status) = status()
                && status["buses"]
                    .as_array()
                    .is_some_and(|b| b.iter().all(|b| b["state"] == "up"))
            {
                return Ok(recorder);
            }
            if since.elapsed() > PATIENCE || recorder.child.try_wait()?.is_some() {
                let _ = recorder.child.kill();
                let ended = recorder.ended()?;
                return Err(format!("the recorder did not start: {ended:?}").into());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub(crate) fn signal(&self, signal: &str) -> Result<(), Error> {
        let sent = Command::new("kill")
            .arg(signal)
            .arg(self.child.id().to_string())
            .status()?;
        sent.success()
            .then_some(())
            .ok_or_else(|| "kill failed".into())
    }

    /// Waits until the status satisfies.
    pub(crate) fn until(&self, what: &str, is: impl Fn(&Value) -> bool) -> Result<Value, Error> {
        let since = Instant::now();
        loop {
            let status = status();
            if let Ok(status) = &status
                && is(status)
            {
                return Ok(status.clone());
            }
            if since.elapsed() > PATIENCE {
                return Err(format!("never came: {what}; status {status:?}").into());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Waits until so many frames are recorded in the drive.
    pub(crate) fn until_frames(&self, frames: u64) -> Result<Value, Error> {
        let enough = |status: &Value| {
            status["drive"]["frames"]
                .as_u64()
                .is_some_and(|n| n >= frames)
        };
        self.until(&format!("{frames} frames"), enough)
    }

    /// Asks it to end, waits, and reads what it kept.
    pub(crate) fn stop(self) -> Result<Kept, Error> {
        self.stop_by("-TERM")
    }

    pub(crate) fn stop_by(mut self, signal: &str) -> Result<Kept, Error> {
        self.signal(signal)?;
        let ended = self.ended()?;
        if ended.code != Some(0) {
            return Err(format!("ended badly: {ended:?}").into());
        }
        Kept::read(&self.out)
    }

    /// Waits for its end.
    pub(crate) fn ended(&mut self) -> Result<Ended, Error> {
        let since = Instant::now();
        while self.child.try_wait()?.is_none() {
            if since.elapsed() > PATIENCE {
                return Err("the recorder does not end".into());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        let mut said = String::new();
        if let Some(mut stderr) = self.child.stderr.take() {
            stderr.read_to_string(&mut said)?;
        }
        Ok(Ended {
            code: self.child.wait()?.code(),
            said,
        })
    }

    /// Most memory used so far, kB, and processor time used, s.
    pub(crate) fn cost(&self) -> Result<(u64, f64), Error> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let peak = status
            .lines()
            .find_map(|l| l.strip_prefix("VmHWM:"))
            .ok_or("no peak")?;
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id()))?;
        let fields: Vec<&str> = stat
            .rsplit(')')
            .next()
            .unwrap_or("")
            .split_whitespace()
            .collect();
        let ticks = |i: usize| {
            fields
                .get(i)
                .and_then(|t| t.parse::<f64>().ok())
                .unwrap_or(0.0)
        };
        // Fields 14 and 15 of proc(5), of which two stand before the parenthesis; 100 ticks a second.
        let seconds = (ticks(11) + ticks(12)) / 100.0;
        Ok((peak.trim().trim_end_matches(" kB").parse()?, seconds))
    }
}

/// `slipwright status --json`.
pub(crate) fn status() -> Result<Value, Error> {
    let run = Command::new(PROGRAM).args(["status", "--json"]).output()?;
    if run.status.code() != Some(0) {
        return Err("no recorder answers".into());
    }
    Ok(serde_json::from_slice(&run.stdout)?)
}

/// `slipwright mark`.
pub(crate) fn mark(text: &str) -> Result<i32, Error> {
    Ok(Command::new(PROGRAM)
        .args(["mark", text])
        .stdout(Stdio::null())
        .status()?
        .code()
        .unwrap_or(-1))
}

/// One frame read back.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct KeptFrame {
    pub(crate) t_ns: i64,
    pub(crate) bus: String,
    pub(crate) id: u32,
    pub(crate) extended: bool,
    pub(crate) flags: slipwright_decoders::frame::FrameFlags,
    pub(crate) data: Vec<u8>,
}

impl KeptFrame {
    /// The number in it.
    pub(crate) fn number(&self) -> u64 {
        self.data
            .as_slice()
            .try_into()
            .map_or(u64::MAX, u64::from_le_bytes)
    }
}

/// Everything under a folder of drives, files in the order of their names.
#[derive(Debug, Default)]
pub(crate) struct Kept {
    pub(crate) files: Vec<PathBuf>,
    pub(crate) frames: Vec<KeptFrame>,
    pub(crate) marks: Vec<String>,
    /// By bus, summed over files.
    pub(crate) dropped: BTreeMap<String, u64>,
    /// Files that end in a cut block.
    pub(crate) cut: usize,
}

impl Kept {
    /// Reads it all.
    pub(crate) fn read(out: &Path) -> Result<Self, Error> {
        let mut kept = Self::default();
        for file in captures(out)? {
            kept.add(&file)
                .map_err(|error| format!("{}: {error}", file.display()))?;
            kept.files.push(file);
        }
        Ok(kept)
    }

    fn add(&mut self, file: &Path) -> Result<(), Error> {
        let mut names: Vec<String> = Vec::new();
        let mut dropped: BTreeMap<String, u64> = BTreeMap::new();
        let name = |names: &[String], bus: slipwright_decoders::frame::BusIndex| {
            names.get(bus.as_usize()).cloned().unwrap_or_default()
        };
        // Nothing was ever synced of an empty file; a power cut may leave one.
        if std::fs::metadata(file)?.len() == 0 {
            self.cut += 1;
            return Ok(());
        }
        let summary = Capture::open(file)?.read(|event| {
            match event {
                Event::Bus(_, interface) => names.push(interface.name.clone().unwrap_or_default()),
                Event::Frame(frame) => self.frames.push(KeptFrame {
                    t_ns: frame.t_ns,
                    bus: name(&names, frame.bus),
                    id: frame.id.number(),
                    extended: frame.id.is_extended(),
                    flags: frame.flags,
                    data: frame.data.to_vec(),
                }),
                Event::Mark(mark) => self.marks.push(mark.text.into_owned()),
                Event::Statistics(s) => {
                    dropped.insert(name(&names, s.bus), s.dropped().unwrap_or(0));
                }
                Event::Section(_) => {}
            }
            ControlFlow::Continue(())
        })?;
        for (bus, count) in dropped {
            *self.dropped.entry(bus).or_default() += count;
        }
        self.cut += usize::from(!summary.ending.is_whole());
        Ok(())
    }

    /// The numbers that frames of one bus carry, in file order.
    pub(crate) fn numbers(&self, bus: &str) -> Vec<u64> {
        self.frames
            .iter()
            .filter(|f| f.bus == bus && !f.flags.error)
            .map(KeptFrame::number)
            .collect()
    }

    /// Whether a mark holds this text.
    pub(crate) fn has_mark(&self, text: &str) -> bool {
        self.marks.iter().any(|mark| mark.contains(text))
    }

    /// An error unless one bus's numbers are exactly 0, 1, 2... up to so many.
    pub(crate) fn require_all(&self, bus: &str, sent: u64) -> Result<(), Error> {
        let numbers = self.numbers(bus);
        let wrong = numbers.iter().zip(0..).find(|(a, b)| **a != *b);
        if wrong.is_some() || numbers.len() as u64 != sent {
            let text = format!(
                "{bus}: {} frames kept of {sent}; first out of place: {wrong:?}; dropped {:?}",
                numbers.len(),
                self.dropped
            );
            return Err(text.into());
        }
        Ok(())
    }
}

/// Capture files below a folder, in the order of their names.
fn captures(out: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut files = Vec::new();
    for drive in std::fs::read_dir(out)? {
        let drive = drive?.path();
        if !drive.is_dir() {
            continue;
        }
        for file in std::fs::read_dir(drive)? {
            let file = file?.path();
            let name = file
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            if name.ends_with(".pcapng") || name.ends_with(".pcapng.zst") {
                files.push(file);
            }
        }
    }
    files.sort();
    Ok(files)
}
