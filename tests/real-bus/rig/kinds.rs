//! Frames of every kind, virtual and through two emulated controllers; and that a recorder which
//! was not asked to send sends nothing.

use std::time::Duration;

use slipwright_decoders::frame::FrameFlags;

use crate::Outcome;
use crate::bus::{
    ERROR, EXTENDED, Listener, REMOTE, Sender, Virtual, controller, numbered, packet,
};
use crate::recorder::{Recorder, folder, mark, status, status_by_command};

/// What is sent; then identifier, whether it has 29 bits, flags and data as they must be kept.
type Case<'a> = (Vec<u8>, u32, bool, FrameFlags, &'a [u8]);

/// 11 and 29 bits, remote, FD with and without rate switch, error frames, none lost or changed.
pub(crate) fn every_kind(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let overhear = Listener::open("vcan0")?;
    if mark("too early")? != 2 {
        return Err("a mark without a recorder must be wrong use".into());
    }
    let recorder = Recorder::start(&["vcan0"], &folder("kinds")?, &[])?;
    if mark("too early")? != 1 {
        return Err("a mark without a drive must be answered with no".into());
    }
    let long: Vec<u8> = (0..64).collect();
    let plain = FrameFlags::default();
    let remote = FrameFlags {
        remote: true,
        ..plain
    };
    let fd = FrameFlags { fd: true, ..plain };
    let fast = FrameFlags {
        bit_rate_switch: true,
        ..fd
    };
    let error = FrameFlags {
        error: true,
        ..plain
    };
    let cases: Vec<Case<'_>> = vec![
        (
            packet(0x7FF, &[1, 2, 3], None),
            0x7FF,
            false,
            plain,
            &[1, 2, 3],
        ),
        (packet(0, &[], None), 0, false, plain, &[]),
        (
            packet(0x18FE_BF0B | EXTENDED, &long[..8], None),
            0x18FE_BF0B,
            true,
            plain,
            &long[..8],
        ),
        (packet(0x5 | EXTENDED, &[9], None), 5, true, plain, &[9]),
        (
            packet(0x123 | REMOTE, &[0; 4], None),
            0x123,
            false,
            remote,
            &[],
        ),
        (
            packet(0x321, &long[..12], Some(0)),
            0x321,
            false,
            fd,
            &long[..12],
        ),
        (
            packet(0x1ABC_DEF0 | EXTENDED, &long, Some(1)),
            0x1ABC_DEF0,
            true,
            fast,
            &long,
        ),
        (
            packet(0x204 | ERROR, &[0, 1, 0, 0, 0, 0, 0, 0], None),
            0x204,
            true,
            error,
            &[0, 1, 0, 0, 0, 0, 0, 0],
        ),
    ];
    let mut sender = Sender::open("vcan0")?;
    for (packet, ..) in &cases {
        sender.send(packet)?;
    }
    recorder.until_frames(cases.len() as u64)?;
    if mark("third launch \u{1F697}")? != 0 {
        return Err("the mark was refused".into());
    }
    let state = status_by_command()?;
    std::thread::sleep(Duration::from_millis(500));
    let kept = recorder.stop()?;
    if kept.frames.len() != cases.len() {
        return Err(format!("{} of {} frames kept", kept.frames.len(), cases.len()).into());
    }
    for (frame, (_, id, extended, flags, data)) in kept.frames.iter().zip(&cases) {
        if (frame.id, frame.extended, frame.flags, frame.data.as_slice())
            != (*id, *extended, *flags, *data)
        {
            return Err(format!("kept {frame:?}, expected {id:X} {flags:?} {data:?}").into());
        }
    }
    if !kept.has_mark("third launch \u{1F697}") {
        return Err(format!("the mark is not in the file: {:?}", kept.marks).into());
    }
    // A bus without a controller has no listen-only mode: that is said, and no more can be done.
    if !state["warnings"].to_string().contains("listen-only") {
        return Err(format!("nothing said of listen-only: {state}").into());
    }
    if state["buses"][0]["error_frames"] != 1 || state["drive"]["marks"] != 1 {
        return Err(format!("the live state counts otherwise: {state}").into());
    }
    let overheard = overhear.heard();
    // The listener takes no error frames.
    if overheard != cases.len() - 1 {
        return Err(format!(
            "{overheard} frames on the bus, {} of them ours",
            cases.len() - 1
        )
        .into());
    }
    Ok(format!(
        "{} kinds, nothing sent by the recorder",
        cases.len()
    ))
}

/// Two controllers on one bus: the recorder's only listens, and knows its bit rate.
pub(crate) fn two_controllers(_: &str) -> Outcome {
    controller("can0", true)?;
    controller("can1", false)?;
    let overhear = Listener::open("can1")?;
    let recorder = Recorder::start(&["can0"], &folder("controllers")?, &[])?;
    let mut sender = Sender::open("can1")?;
    const FRAMES: u64 = 600;
    let mut overheard = 0;
    for number in 0..FRAMES {
        sender.send(&numbered(0x1A0, number))?;
        // The emulator does not pace by bit rate, and the controller's queue holds five frames.
        if number % 4 == 3 {
            std::thread::sleep(Duration::from_millis(1));
            overheard += overhear.heard();
        }
    }
    let state = recorder.until_frames(FRAMES)?;
    let kept = recorder.stop()?;
    kept.require_all("can0", FRAMES)?;
    let bus = &state["buses"][0];
    if bus["bit_rate_bps"] != 500_000 || bus["listen_only"] != true {
        return Err(format!("the live state does not know the bus: {bus}").into());
    }
    if !bus["load_percent"].as_f64().is_some_and(|load| load > 0.0) {
        return Err(format!("no load: {bus}").into());
    }
    let stamps: Vec<i64> = kept.frames.iter().map(|f| f.t_ns).collect();
    if !stamps.is_sorted() {
        return Err("stamps out of order".into());
    }
    if overheard + overhear.heard() != FRAMES as usize {
        return Err("other frames than ours on the bus".into());
    }
    if kept.has_mark("listen-only") {
        return Err("warned about listen-only though it is on".into());
    }
    // Not listen-only, and up: a warning is all that may be done.
    controller("can0", false)?;
    let recorder = Recorder::start(&["can0"], &folder("controllers")?, &[])?;
    let warned = status()?["warnings"].to_string();
    drop(recorder);
    if !warned.contains("listen-only") {
        return Err(format!("no warning that the controller acknowledges: {warned}").into());
    }
    Ok(format!("{FRAMES} frames from controller to controller"))
}
