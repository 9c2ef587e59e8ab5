//! The wall time set in the middle of a drive, and the computer put to sleep.

use rustix::time::{ClockId, Timespec, clock_gettime, clock_settime};
use std::time::Duration;

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::recorder::{Recorder, folder};

fn set_by(seconds: i64) -> Result<(), Box<dyn std::error::Error>> {
    let now = clock_gettime(ClockId::Realtime);
    clock_settime(
        ClockId::Realtime,
        Timespec {
            tv_sec: now.tv_sec + seconds,
            ..now
        },
    )?;
    Ok(())
}

/// An hour forward, two back: the stamps run on, and the file says what happened.
pub(crate) fn clock_set(_: &str) -> Outcome {
    const FRAMES: u64 = 300;
    let _bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("clock")?, &[])?;
    let mut sender = Sender::open("vcan0")?;
    for number in 0..FRAMES {
        match number {
            100 => set_by(3_600)?,
            200 => set_by(-7_200)?,
            _ => {}
        }
        sender.send(&numbered(0x100, number))?;
        std::thread::sleep(Duration::from_millis(5));
    }
    recorder.until_frames(FRAMES)?;
    let kept = recorder.stop()?;
    set_by(3_600)?;
    kept.require_all("vcan0", FRAMES)?;
    let steps: Vec<i64> = kept
        .frames
        .windows(2)
        .map(|w| w[1].t_ns - w[0].t_ns)
        .collect();
    let (least, most) = (
        steps.iter().min().unwrap_or(&0),
        steps.iter().max().unwrap_or(&0),
    );
    if *least < 4_000_000 || *most > 500_000_000 {
        return Err(format!("frames are {least} to {most} ns apart").into());
    }
    // The step that the file tells, s; setting took a moment of its own.
    let told = |seconds: f64| {
        let number = |mark: &String| {
            let (_, rest) = mark.split_once("set by ")?;
            rest.split_once(" s;")?.0.parse::<f64>().ok()
        };
        kept.marks
            .iter()
            .filter_map(number)
            .any(|by| (by - seconds).abs() < 0.01)
    };
    if !told(3_600.0) || !told(-7_200.0) {
        return Err(format!("the steps are not told: {:?}", kept.marks).into());
    }
    Ok(format!(
        "frames {:.1} to {:.1} ms apart over both steps",
        *least as f64 / 1e6,
        *most as f64 / 1e6
    ))
}

/// Asleep for some seconds: the drive goes on, its time runs on, and the file says what happened.
///
/// Nothing wakes the emulated computer, so the kernel's own trial of suspending is used
/// (Documentation/power/basic-pm-debugging): it stops everything down to its clocks, waits five
/// seconds there, and resumes.
pub(crate) fn asleep(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("asleep")?, &[])?;
    let mut sender = Sender::open("vcan0")?;
    for number in 0..100 {
        sender.send(&numbered(0x100, number))?;
    }
    recorder.until_frames(100)?;
    std::fs::write("/sys/power/pm_test", "core")?;
    // Comes back when the computer is awake again.
    std::fs::write("/sys/power/state", "mem")?;
    for number in 100..200 {
        sender.send(&numbered(0x100, number))?;
    }
    recorder.until_frames(200)?;
    let kept = recorder.stop()?;
    kept.require_all("vcan0", 200)?;
    let slept_s = kept.marks.iter().find_map(|mark| {
        let (_, rest) = mark.split_once("the computer slept for ")?;
        rest.strip_suffix(" s")?.parse::<f64>().ok()
    });
    let slept_s = slept_s.ok_or_else(|| format!("sleep is not told: {:?}", kept.marks))?;
    let stamps: Vec<i64> = kept.frames.iter().map(|frame| frame.t_ns).collect();
    let over_s = (stamps[100] - stamps[99]) as f64 / 1e9;
    if kept.files.len() != 1 || !stamps.is_sorted() || slept_s < 1.0 || over_s < slept_s {
        return Err(format!(
            "slept {slept_s} s, stamps jump {over_s} s, {:?}",
            kept.files
        )
        .into());
    }
    Ok(format!("one drive over {slept_s:.1} s of sleep"))
}
