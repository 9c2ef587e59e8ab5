//! The recorder as a process.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use slipwright_logger::recorder::control::{self, Reply, Request};

use crate::bus::Listener;
use crate::kept::Kept;

type Error = Box<dyn std::error::Error>;

/// The program under test, where the machine's start-up put it.
pub(crate) const PROGRAM: &str = "slipwright";
/// Nothing in a test takes longer than this, however busy the host's processors and disk are.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running recorder; killed when it is dropped.
pub(crate) struct Recorder {
    child: Child,
    out: PathBuf,
    /// A second listener on each bus, where the recorder was not asked to send.
    witnesses: Vec<Listener>,
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
        let asks = options.contains(&"--ask");
        Self::started_by(buses, out, asks, || {
            Ok(command(buses, out, options).spawn()?)
        })
    }

    /// The same, where the test starts the process itself.
    pub(crate) fn started_by(
        buses: &[&str],
        out: &Path,
        asks: bool,
        spawn: impl FnOnce() -> Result<Child, Error>,
    ) -> Result<Self, Error> {
        let witnesses = match asks {
            true => Vec::new(),
            false => buses
                .iter()
                .map(|bus| Listener::for_strangers(bus))
                .collect::<Result<_, _>>()?,
        };
        let child = spawn()?;
        let mut recorder = Self {
            child,
            out: out.to_owned(),
            witnesses,
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
                // Where in the kernel it waits, if it does.
                let waits_in = format!("/proc/{}/wchan", recorder.child.id());
                let waits_in = std::fs::read_to_string(waits_in).unwrap_or_default();
                let _ = recorder.child.kill();
                let ended = recorder.ended()?;
                return Err(
                    format!("the recorder did not start: {ended:?}, waits in {waits_in}").into(),
                );
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Listens on a bus that was made anew.
    pub(crate) fn watch(&mut self, bus: &str) -> Result<(), Error> {
        self.witnesses.push(Listener::for_strangers(bus)?);
        Ok(())
    }

    /// An error if anything was sent that no test sent.
    pub(crate) fn sent_nothing(&self) -> Result<(), Error> {
        let strangers: Vec<u32> = self
            .witnesses
            .iter()
            .flat_map(Listener::strangers)
            .collect();
        match strangers.is_empty() {
            true => Ok(()),
            false => Err(format!("the recorder sent frames: {strangers:X?}").into()),
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

    pub(crate) fn stop_by(self, signal: &str) -> Result<Kept, Error> {
        self.signal(signal)?;
        self.finish()
    }

    /// Waits for its own end, and reads what it kept.
    pub(crate) fn finish(mut self) -> Result<Kept, Error> {
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
        self.sent_nothing()?;
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

/// The live state, from the recorder's socket without a program in between.
pub(crate) fn status() -> Result<Value, Error> {
    match control::ask(None, &Request::Status)? {
        Reply::Status(status) => Ok(serde_json::to_value(status)?),
        other => Err(format!("asked for the state, answered {other:?}").into()),
    }
}

/// `slipwright status --json`.
pub(crate) fn status_by_command() -> Result<Value, Error> {
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
