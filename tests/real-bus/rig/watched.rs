//! `record --watch` in a terminal: the view by keys, the view killed, the recording ended by key.

use std::process::Command;
use std::time::{Duration, Instant};

use crate::Outcome;
use crate::bus::{Sender, Virtual, packet};
use crate::live;
use crate::recorder::{PROGRAM, Recorder, folder};
use crate::terminal::Terminal;

type Error = Box<dyn std::error::Error>;

const OUT: &str = "watched";

/// A recorder with its view, on a bus that is there.
fn start() -> Result<(Recorder, Terminal), Error> {
    let out = folder(OUT)?;
    let mut command = Command::new(PROGRAM);
    command
        .args(["record", "vcan0", "--watch", "--vehicle", live::VEHICLE])
        .arg("--out")
        .arg(&out)
        .env("TERM", "xterm");
    let mut terminal = None;
    let recorder = Recorder::started_by(&["vcan0"], &out, false, || {
        let (made, child) = Terminal::run(&mut command)?;
        terminal = Some(made);
        Ok(child)
    })?;
    Ok((recorder, terminal.ok_or("no terminal")?))
}

/// Sends the wheels this often, 10 ms apart.
fn drive(sender: &mut Sender, times: u32) -> Result<(), Error> {
    for _ in 0..times {
        sender.send(&packet(0x1A0, &live::wheels(), None))?;
        std::thread::sleep(Duration::from_millis(10));
    }
    Ok(())
}

/// The process that shows the view: the recorder started it with this argument.
fn view() -> Result<u32, Error> {
    for entry in std::fs::read_dir("/proc")? {
        let entry = entry?;
        let line = std::fs::read(entry.path().join("cmdline")).unwrap_or_default();
        if line
            .split(|b| *b == 0)
            .any(|part| part == b"--with-recorder")
        {
            return Ok(entry.file_name().to_string_lossy().parse()?);
        }
    }
    Err("no view is running".into())
}

/// Processor time of a process so far, s.
fn spent_s(process: u32) -> Result<f64, Error> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat"))?;
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or("")
        .split_whitespace()
        .collect();
    let ticks = |i: usize| fields.get(i).and_then(|t| t.parse::<f64>().ok());
    // Fields 14 and 15 of proc(5), of which two stand before the parenthesis; 100 ticks a second.
    Ok((ticks(11).ok_or("no time")? + ticks(12).ok_or("no time")?) / 100.0)
}

pub(crate) fn by_keys(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    live::write_car()?;
    let mut sender = Sender::open("vcan0")?;
    let (recorder, mut terminal) = start()?;
    drive(&mut sender, 100)?;
    terminal.sees("RECORDING")?;
    terminal.press("m")?;
    drive(&mut sender, 50)?;
    terminal.sees("marked")?;
    terminal.press("c")?;
    drive(&mut sender, 50)?;
    terminal.sees("launch")?;
    let view = view()?;
    let (before_s, since) = (spent_s(view)?, Instant::now());
    drive(&mut sender, 300)?;
    let percent = 100.0 * (spent_s(view)? - before_s) / since.elapsed().as_secs_f64();

    // A view that breaks leaves the recording and the terminal alone.
    if !Command::new("kill")
        .args(["-KILL", &view.to_string()])
        .status()?
        .success()
    {
        return Err("the view could not be killed".into());
    }
    terminal.sees("the view has ended, the recording goes on")?;
    drive(&mut sender, 100)?;
    recorder.until_frames(600)?;
    terminal.press("\u{3}")?;
    let kept = recorder.finish()?;
    if kept.frames.len() != 600 || !kept.has_mark("mark 1 of the live view") {
        return Err(format!(
            "{} frames of 600, marks {:?}",
            kept.frames.len(),
            kept.marks
        )
        .into());
    }

    // With its view alive the recording ends by the same key, and the terminal is given back.
    let (recorder, mut terminal) = start()?;
    drive(&mut sender, 50)?;
    terminal.sees("RECORDING")?;
    terminal.press("\u{3}")?;
    terminal.sees("\u{1b}[?1049l")?;
    let kept = recorder.finish()?;
    if kept.frames.len() != 50 {
        return Err(format!("{} frames of 50", kept.frames.len()).into());
    }
    Ok(format!(
        "650 frames kept, the view took {percent:.1} % of the emulated processor"
    ))
}
