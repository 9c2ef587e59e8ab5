//! A day of driving through the recorder at full speed: its memory must not grow with the drive.
//!
//! Time is handed in, so a day takes seconds. `SLIPWRIGHT_DAY_HZ=4000` feeds what a busy bus of
//! 500 kbit/s carries (345 million frames); without it a twentieth of that.
#![cfg(target_os = "linux")]

use std::path::Path;

use slipwright_decoders::frame::{CanId, FrameFlags};
use slipwright_logger::recorder::clock::Reading;
use slipwright_logger::recorder::core::{Plan, Recorder};
use slipwright_logger::recorder::lifecycle::{End, Limits};
use slipwright_logger::recorder::sidecar::About;
use slipwright_logger::recorder::source::{Batch, Received};
use slipwright_logger::recorder::store::{Job, Report, Store};

const MS: i64 = 1_000_000;
const TICK_NS: i64 = 100 * MS;
const DAY_TICKS: i64 = 24 * 3_600 * 10;
const EPOCH_NS: i64 = 1_750_000_000_000 * MS;
/// The bound that the recorder promises.
const MOST_KB: u64 = 64 << 10;

/// Counts what it is given and lets it go, as the disk does.
#[derive(Default)]
struct Counted {
    bytes: u64,
    files: u64,
    sidecars: u64,
}

impl Store for Counted {
    fn submit(&mut self, job: Job) {
        match job {
            Job::Write(bytes) => self.bytes += bytes.len() as u64,
            Job::Open { head, .. } => {
                self.bytes += head.len() as u64;
                self.files += 1;
            }
            Job::Sidecar { .. } => self.sidecars += 1,
            _ => {}
        }
    }

    fn report(&self) -> Report {
        Report::default()
    }

    fn complaints(&mut self) -> Vec<String> {
        Vec::new()
    }

    fn is_taken(&self, _: &Path) -> bool {
        false
    }
}

fn at(boot_ns: i64) -> Reading {
    Reading {
        boot_ns,
        awake_ns: boot_ns,
        real_ns: EPOCH_NS + boot_ns,
        doubt_ns: 0,
    }
}

#[test]
fn memory_stays_flat_over_a_day() {
    // Most memory that this process ever had, kB (proc(5)).
    let peak_kb = || -> u64 {
        let status = std::fs::read_to_string("/proc/self/status").unwrap();
        let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        line.unwrap().trim_end_matches("kB").trim().parse().unwrap()
    };
    let rate_hz: i64 = std::env::var("SLIPWRIGHT_DAY_HZ")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(200);
    let plan = Plan {
        out: "drives".into(),
        limits: Limits {
            quiet_after_ns: 30_000 * MS,
            file_bytes: 512 << 20,
            file_ns: 1_200_000 * MS,
        },
        about: About::default(),
        compress: true,
        keep_free_bytes: 0,
    };
    let mut recorder = Recorder::new(plan, Counted::default(), at(0));
    let bus = recorder.add_bus("can0");
    let mut batch = Batch::new();
    let mut sent = 0_u64;
    let per_tick = rate_hz / 10;
    let mut after_an_hour_kb = 0;
    let started = std::time::Instant::now();
    for tick in 1..=DAY_TICKS {
        let now = at(tick * TICK_NS);
        for frame in 0..per_tick {
            let mut bytes = [0; 64];
            bytes[..8].copy_from_slice(&sent.to_le_bytes());
            batch.frames.push(Received {
                real_ns: now.real_ns - TICK_NS + frame * TICK_NS / per_tick,
                hardware_ns: None,
                id: CanId::Base((sent % 2_048) as u16),
                flags: FrameFlags::default(),
                length: 8,
                bytes,
            });
            sent += 1;
            if batch.frames.len() == 64 || frame + 1 == per_tick {
                recorder.frames(bus, &batch, now);
                batch.clear();
            }
        }
        if tick % 600 == 0 {
            recorder.mark("a minute", now).unwrap();
        }
        recorder.tick(now);
        if tick == 36_000 {
            after_an_hour_kb = peak_kb();
        }
    }
    let took_s = started.elapsed().as_secs_f64();
    let frames = recorder
        .status(at(DAY_TICKS * TICK_NS))
        .drive
        .unwrap()
        .frames;
    recorder.stop(End::Stopped, at(DAY_TICKS * TICK_NS));
    let store = recorder.store_mut();
    let (files, bytes) = (store.files, store.bytes);
    let peak_kb = peak_kb();
    println!(
        "{frames} frames in {files} files, {:.1} GB; {:.2} million frames/s; peak memory {:.1} MB, after the first hour {:.1} MB",
        bytes as f64 / 1e9,
        frames as f64 / took_s / 1e6,
        peak_kb as f64 / 1024.0,
        after_an_hour_kb as f64 / 1024.0
    );
    assert_eq!(frames, sent);
    // 48 bytes a frame of 8 data bytes.
    assert!(bytes >= 48 * sent && files >= 72);
    assert!(peak_kb < MOST_KB, "{peak_kb} kB");
    assert!(
        peak_kb < after_an_hour_kb + 1_024,
        "{after_an_hour_kb} kB after an hour, {peak_kb} kB after a day"
    );
}
