//! Interfaces that go and come back, and signals.

use std::path::Path;
use std::time::Duration;

use crate::Outcome;
use crate::bus::{ERROR, Sender, Virtual, controller, numbered, packet};
use crate::recorder::{Recorder, folder};

type Error = Box<dyn std::error::Error>;

/// Sends numbers from `from` up to before `to`.
fn send(name: &str, from: u64, to: u64) -> Result<(), Error> {
    let mut sender = Sender::open(name)?;
    for number in from..to {
        sender.send(&numbered(0x100, number))?;
    }
    Ok(())
}

fn until_state(recorder: &Recorder, state: &str) -> Result<(), Error> {
    recorder
        .until(state, |status| status["buses"][0]["state"] == state)
        .map(drop)
}

/// Down, and up again: the same drive goes on.
pub(crate) fn down_and_up(_: &str) -> Outcome {
    let bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("down")?, &[])?;
    send("vcan0", 0, 100)?;
    recorder.until_frames(100)?;
    bus.bring(false)?;
    until_state(&recorder, "down")?;
    bus.bring(true)?;
    // Seen without a frame that tells of it.
    until_state(&recorder, "up")?;
    send("vcan0", 100, 200)?;
    recorder.until_frames(200)?;
    let kept = recorder.stop()?;
    kept.require_all("vcan0", 200)?;
    match kept.files.len() == 1 && kept.has_mark("vcan0 is down") && kept.has_mark("vcan0 is up") {
        true => Ok("one drive over it".to_owned()),
        false => Err(format!("files {:?}, marks {:?}", kept.files, kept.marks).into()),
    }
}

/// Deleted and made anew under the same name.
pub(crate) fn deleted_and_made_anew(_: &str) -> Outcome {
    let bus = Virtual::new("vcan0")?;
    let mut recorder = Recorder::start(&["vcan0"], &folder("deleted")?, &[])?;
    send("vcan0", 0, 100)?;
    recorder.until_frames(100)?;
    drop(bus);
    until_state(&recorder, "gone")?;
    let _bus = Virtual::new("vcan0")?;
    recorder.watch("vcan0")?;
    until_state(&recorder, "up")?;
    send("vcan0", 100, 200)?;
    recorder.until_frames(200)?;
    let kept = recorder.stop()?;
    kept.require_all("vcan0", 200)?;
    match kept.has_mark("vcan0 is gone") && kept.has_mark("vcan0 is back") {
        true => Ok("one drive over it".to_owned()),
        false => Err(format!("marks {:?}", kept.marks).into()),
    }
}

/// The adapter itself pulled out and put back.
pub(crate) fn unplugged(_: &str) -> Outcome {
    controller("can0", true)?;
    controller("can1", false)?;
    let mut recorder = Recorder::start(&["can0"], &folder("unplugged")?, &[])?;
    send("can1", 0, 4)?;
    recorder.until_frames(4)?;
    let device = std::fs::canonicalize("/sys/class/net/can0/device")?;
    std::fs::write(device.join("remove"), "1")?;
    until_state(&recorder, "gone")?;
    if Path::new("/sys/class/net/can0").exists() {
        return Err("the adapter is still there".into());
    }
    std::fs::write("/sys/bus/pci/rescan", "1")?;
    for _ in 0..100 {
        if Path::new("/sys/class/net/can0").exists() {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    controller("can0", true)?;
    recorder.watch("can0")?;
    until_state(&recorder, "up")?;
    send("can1", 4, 8)?;
    recorder.until_frames(8)?;
    let kept = recorder.stop()?;
    kept.require_all("can0", 8)?;
    match kept.has_mark("can0 is gone") && kept.has_mark("can0 is back") {
        true => Ok("found again by itself".to_owned()),
        false => Err(format!("marks {:?}", kept.marks).into()),
    }
}

/// Classes of error frames (linux/can/error.h).
const BUS_OFF: u32 = ERROR | 0x40;
const RESTARTED: u32 = ERROR | 0x100;

/// Bus-off and restart as the driver tells them. The emulated controller never goes bus-off by
/// itself, so the error frames are sent on a virtual bus; what cannot be restarted is told with
/// what to do.
pub(crate) fn bus_off(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("bus-off")?, &[])?;
    send("vcan0", 0, 10)?;
    let mut sender = Sender::open("vcan0")?;
    // A driver that says it twice is told once.
    for _ in 0..2 {
        sender.send(&packet(BUS_OFF, &[0; 8], None))?;
    }
    recorder.until("told what to do", |status| {
        status["warnings"].to_string().contains("restart-ms")
    })?;
    sender.send(&packet(RESTARTED, &[0; 8], None))?;
    send("vcan0", 10, 20)?;
    recorder.until_frames(23)?;
    let kept = recorder.stop()?;
    kept.require_all("vcan0", 20)?;
    let told = |text: &str| kept.marks.iter().filter(|mark| mark.contains(text)).count();
    match (told("vcan0 is bus-off"), told("runs again after bus-off")) {
        // Once when it happened, once more when the restart was refused.
        (2, 1) => Ok("told, restart tried, and recorded on".to_owned()),
        _ => Err(format!("marks {:?}", kept.marks).into()),
    }
}

/// TERM and INT end a drive; HUP begins a new file.
pub(crate) fn signals(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    for signal in ["-TERM", "-INT"] {
        let recorder = Recorder::start(&["vcan0"], &folder("signals")?, &[])?;
        send("vcan0", 0, 50)?;
        recorder.until_frames(50)?;
        recorder.signal("-HUP")?;
        std::thread::sleep(Duration::from_millis(300));
        // Sent just before the end: still in the kernel's queue when the signal comes.
        send("vcan0", 50, 150)?;
        let kept = recorder.stop_by(signal)?;
        kept.require_all("vcan0", 150)?;
        let packed = kept
            .files
            .iter()
            .filter(|f| f.extension().is_some_and(|e| e == "zst"))
            .count();
        if kept.files.len() != 2 || packed != 2 || kept.cut != 0 {
            return Err(format!("{signal}: files {:?}, {} cut", kept.files, kept.cut).into());
        }
    }
    Ok("two files each, packed".to_owned())
}
