//! The recorder on a disk that fails. Its files grow, so they cannot be whole or absent as others are:
//! after each failure they read to their last whole block, hold every frame from the first on without
//! a gap, and no fewer than the recorder had said were safe.
//!
//! The recorder's own core and its own disk run in a process of their own, which is this test program
//! started again with [`OUT`] set; only buses and clocks are handed in.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write;
use std::ops::ControlFlow;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::thread::sleep;
use std::time::Duration;

use slipwright_decoders::frame::{CanId, FrameFlags, MAX_DATA_BYTES};
use slipwright_logger::capture::{Capture, Event};
use slipwright_logger::recorder::clock::Reading;
use slipwright_logger::recorder::core::{BusFacts, Plan, Recorder};
use slipwright_logger::recorder::lifecycle::{End, Limits};
use slipwright_logger::recorder::sidecar::About;
use slipwright_logger::recorder::source::{Batch, Received};
use slipwright_logger::recorder::store::{DiskStore, Store};

use super::{HOWS, OLD, picked, shim};
use crate::folder::files;

/// Names the folder to record into; where it is not set nothing is recorded.
const OUT: &str = "SLIPWRIGHT_TEST_RECORD_INTO";
/// Frames of the drive: several files of [`FILE_BYTES`].
const FRAMES: u32 = 4_000;
const FILE_BYTES: u64 = 60_000;
const BATCH: usize = 50;
const FRAME_NS: i64 = 5_000_000;
/// What the recorder says of itself stands behind this on its lines.
const TOLD: &str = "told: ";

fn at(boot_ns: i64) -> Reading {
    Reading {
        boot_ns,
        awake_ns: boot_ns,
        real_ns: 1_750_000_000_000_000_000 + boot_ns,
        doubt_ns: 0,
    }
}

fn frame(n: u32) -> Received {
    let mut bytes = [0; MAX_DATA_BYTES];
    bytes[..4].copy_from_slice(&n.to_le_bytes());
    Received {
        real_ns: at(i64::from(n) * FRAME_NS).real_ns,
        hardware_ns: None,
        id: CanId::Base(0x123),
        flags: FrameFlags::default(),
        length: 4,
        bytes,
    }
}

/// Not a test: the process that records.
#[test]
fn the_recording_process() {
    let Some(out) = std::env::var_os(OUT).map(PathBuf::from) else {
        return;
    };
    let plan = Plan {
        out: out.clone(),
        limits: Limits {
            quiet_after_ns: 60_000_000_000,
            file_bytes: FILE_BYTES,
            file_ns: 3_600_000_000_000,
        },
        about: About::default(),
        compress: true,
        keep_free_bytes: 0,
    };
    let mut recorder = Recorder::new(plan, DiskStore::start(&out).unwrap(), at(0));
    let bus = recorder.add_bus("can0");
    recorder.opened(bus, BusFacts::default(), at(0));
    let numbers: Vec<u32> = (0..FRAMES).collect();
    let mut complaints = Vec::new();
    for batch in numbers.chunks(BATCH) {
        let now = at(i64::from(*batch.last().unwrap() + 1) * FRAME_NS);
        let frames = batch.iter().copied().map(frame).collect();
        let dropped = None;
        recorder.frames(bus, &Batch { frames, dropped }, now);
        recorder.tick(now);
        while recorder.jobs_waiting() > 0 {
            sleep(Duration::from_micros(200));
        }
        tell(&format!(
            "synced {}",
            recorder.store_mut().report().synced_frames
        ));
        complaints.extend(recorder.store_mut().complaints());
        if recorder.ended().is_some() {
            break;
        }
    }
    recorder.stop(End::Stopped, at(i64::from(FRAMES) * FRAME_NS));
    let report = recorder.store_mut().finish();
    complaints.extend(recorder.store_mut().complaints());
    tell(&format!("synced {}", report.synced_frames));
    for failure in report.failure.map(|f| f.message).iter().chain(&complaints) {
        tell(&format!("failed {failure}"));
    }
    tell("ended");
}

fn tell(what: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{TOLD}{what}").unwrap();
    out.flush().unwrap();
}

fn record(out: &Path, at: usize, how: &str, log: &Path) -> Output {
    Command::new(std::env::current_exe().unwrap())
        .args([
            "faults::recorder::the_recording_process",
            "--exact",
            "--nocapture",
        ])
        .env(OUT, out)
        .env("LD_PRELOAD", shim())
        .env("FAULT_UNDER", out)
        .env("FAULT_LOG", log)
        .env("FAULT_AT", at.to_string())
        .env("FAULT_HOW", how)
        .output()
        .unwrap()
}

/// What the process told: frames that it said were safe, failures, and whether it came to its end.
fn told(run: &Output) -> (u64, Vec<String>, bool) {
    let (mut synced, mut failures, mut ended) = (0, Vec::new(), false);
    for line in String::from_utf8_lossy(&run.stdout).lines() {
        // The first line of the test program stands before what is told.
        let Some((_, line)) = line.split_once(TOLD) else {
            continue;
        };
        match line.split_once(' ') {
            Some(("synced", frames)) => synced = synced.max(frames.parse().unwrap()),
            Some(("failed", what)) => failures.push(what.to_owned()),
            _ => ended |= line == "ended",
        }
    }
    (synced, failures, ended)
}

/// The numbers in the frames of a capture, which must read.
fn numbers(path: &Path, place: &str) -> Vec<u32> {
    let mut found = Vec::new();
    let read = Capture::open(path).and_then(|capture| {
        capture.read(|event| {
            if let Event::Frame(frame) = event {
                found.push(u32::from_le_bytes(frame.data.try_into().unwrap()));
            }
            ControlFlow::Continue(())
        })
    });
    let summary = read.unwrap_or_else(|error| panic!("{place}: {error}"));
    assert_eq!(summary.malformed.count(), 0, "{place}: {}", path.display());
    found
}

#[test]
fn a_drive_that_is_recorded_keeps_every_frame_that_was_safe() {
    let folder = tempfile::tempdir().unwrap();
    let (out, log) = (folder.path().join("out"), folder.path().join("log"));
    let old = BTreeMap::from(["before/001.pcapng", "before/drive.toml"].map(|name| (name, OLD)));
    let reset = || {
        let _ = fs::remove_dir_all(&out);
        fs::create_dir_all(out.join("before")).unwrap();
        for (name, bytes) in &old {
            fs::write(out.join(name), bytes).unwrap();
        }
        let _ = fs::remove_file(&log);
    };
    reset();
    let clean = record(&out, 0, "none", &log);
    let changes = fs::read_to_string(&log).unwrap().lines().count();
    let made = check(&out, &old, &clean, "none", "undisturbed");
    assert_eq!(
        (made.frames, made.plain, made.has_sidecar),
        (FRAMES, 0, true)
    );
    assert!(
        made.packed > 2 && changes > 50,
        "{made:?}, {changes} changes"
    );
    for at in picked(changes) {
        for how in HOWS {
            reset();
            let run = record(&out, at, how, &log);
            let place = format!("{how} at change {at} of {changes}");
            let found = check(&out, &old, &run, how, &place);
            let (_, failures, _) = told(&run);
            let is_whole = found == made;
            match how {
                "short" => assert!(is_whole, "{place}: {found:?}, {failures:?}"),
                "kill" => {}
                // Whoever loses something says so.
                _ => assert!(is_whole || !failures.is_empty(), "{place}: {found:?}"),
            }
            for failure in failures {
                assert!(!failure.contains("os error"), "{place}: {failure}");
            }
        }
    }
}

/// What a run left.
#[derive(Debug, PartialEq)]
struct Found {
    frames: u32,
    plain: usize,
    packed: usize,
    has_sidecar: bool,
}

fn check(out: &Path, old: &BTreeMap<&str, &[u8]>, run: &Output, how: &str, place: &str) -> Found {
    let said = String::from_utf8_lossy(&run.stderr);
    let (synced, failures, ended) = told(run);
    match how {
        "kill" => assert_eq!(run.status.signal(), Some(9), "{place}: {said}"),
        _ => assert!(run.status.success() && ended, "{place}: {said}"),
    }
    let there = files(out);
    for (name, bytes) in old {
        assert_eq!(
            there.get(*name).map(Vec::as_slice),
            Some(*bytes),
            "{place}: {name}"
        );
    }
    let new = || there.keys().filter(|name| !old.contains_key(name.as_str()));
    let parts = new().filter(|name| name.ends_with(".part"));
    assert!(
        how == "kill" || parts.count() == 0,
        "{place}: {:?}",
        there.keys()
    );
    let ending = |ending: &str| -> BTreeSet<String> {
        new()
            .filter(|name| name.ends_with(ending))
            .cloned()
            .collect()
    };
    let (plain, packed) = (ending(".pcapng"), ending(".pcapng.zst"));
    // Where the end came between packing and removing, both are there, and both are whole.
    let only_packed = packed
        .iter()
        .filter(|name| !plain.contains(name.trim_end_matches(".zst")));
    let mut captures: Vec<&String> = plain.iter().chain(only_packed).collect();
    captures.sort();
    for name in &packed {
        numbers(&out.join(name), place);
    }
    let all: Vec<u32> = captures
        .iter()
        .flat_map(|name| numbers(&out.join(name), place))
        .collect();
    let frames = u32::try_from(all.len()).unwrap();
    assert!(
        all.iter().copied().eq(0..frames),
        "{place}: a gap within {frames} frames"
    );
    assert!(
        u64::from(frames) >= synced,
        "{place}: {synced} were safe, {frames} are there; {failures:?}"
    );
    Found {
        frames,
        plain: plain.len(),
        packed: packed.len(),
        has_sidecar: ending("drive.toml").len() == 1,
    }
}
