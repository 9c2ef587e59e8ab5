//! The recorder killed, and the whole machine killed, at random moments: every file reads, and at
//! most the last second is gone.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::kept::Kept;
use crate::recorder::{Recorder, folder, status};

/// Frames a second while something is about to be killed.
const RATE_HZ: u64 = 2_000;

/// Numbered frames at a steady rate, from a thread, until told to stop.
struct Feed {
    sent: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
}

impl Feed {
    fn start(name: &'static str) -> Result<Self, Box<dyn std::error::Error>> {
        let feed = Self {
            sent: Arc::default(),
            stop: Arc::default(),
        };
        let (sent, stop) = (Arc::clone(&feed.sent), Arc::clone(&feed.stop));
        let mut sender = Sender::open(name)?;
        std::thread::spawn(move || {
            let started = Instant::now();
            let mut number = 0;
            while !stop.load(Ordering::Relaxed) {
                let due = started.elapsed().as_millis() as u64 * RATE_HZ / 1_000;
                while number < due {
                    if sender.send(&numbered(0x100, number)).is_err() {
                        return;
                    }
                    number += 1;
                    sent.store(number, Ordering::Relaxed);
                }
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        Ok(feed)
    }

    fn sent(&self) -> u64 {
        self.sent.load(Ordering::Relaxed)
    }
}

impl Drop for Feed {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// Small steps of a linear congruence (Knuth's MMIX constants): random enough for moments.
fn next_random(state: &mut u64) -> u64 {
    *state = state
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    *state >> 33
}

/// `kill -9`, this many times.
///
/// `told` is the number and, after a comma, the seed of the moments: the same seed gives the same.
#[allow(clippy::print_stdout, reason = "a long series is watched")]
pub(crate) fn killed(told: &str) -> Outcome {
    let (times, seed) = told.split_once(',').unwrap_or((told, ""));
    let times: u64 = times.parse().unwrap_or(20);
    let seed: u64 = seed.parse().unwrap_or(1);
    let mut random = seed;
    let _bus = Virtual::new("vcan0")?;
    let mut most_lost = 0;
    let mut bad = 0;
    for round in 0..times {
        let out = folder("killed")?;
        // Every other time with a new file, and packing, every three tenths of a second.
        let options: &[&str] = match round % 2 {
            0 => &[],
            _ => &["--file-time", "0.005"],
        };
        let recorder = Recorder::start(&["vcan0"], &out, options)?;
        let feed = Feed::start("vcan0")?;
        let moment = Duration::from_millis(100 + next_random(&mut random) % 900);
        std::thread::sleep(moment);
        let synced = status()
            .ok()
            .and_then(|s| s["drive"]["synced_frames"].as_u64())
            .unwrap_or(0);
        recorder.signal("-KILL")?;
        let sent = feed.sent();
        recorder.sent_nothing()?;
        drop((recorder, feed));
        let mut count = 0;
        let mut check = || -> Result<(), Box<dyn std::error::Error>> {
            let kept = Kept::read(&out)?;
            count = kept.numbers("vcan0").len() as u64;
            kept.require_all("vcan0", count)?;
            let lost = sent.saturating_sub(count);
            if lost > RATE_HZ || count < synced {
                return Err(format!("{sent} sent, {synced} synced, {count} kept").into());
            }
            Ok(())
        };
        if let Err(error) = check() {
            bad += 1;
            println!("rig: kill {round} after {moment:?}: {error}");
        }
        if round % 100 == 99 {
            println!("rig: {} kills, {bad} of them bad", round + 1);
        }
        most_lost = most_lost.max(sent.saturating_sub(count));
    }
    let most_ms = most_lost * 1_000 / RATE_HZ;
    if bad > 0 {
        let lost = format!("at most {most_ms} ms lost, seed {seed}");
        return Err(format!("{bad} of {times} kills bad, {lost}").into());
    }
    Ok(format!(
        "{times} kills (seed {seed}), every file reads, at most {most_ms} ms lost, nothing synced lost"
    ))
}

/// Records until the machine is killed; the console says what was sent and synced meanwhile.
#[allow(clippy::print_stdout, reason = "the console outlives the machine")]
pub(crate) fn record_until_cut(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("cut")?, &[])?;
    let feed = Feed::start("vcan0")?;
    loop {
        std::thread::sleep(Duration::from_millis(20));
        // What is synced is asked for before what is sent: neither is then overstated.
        let synced = status()
            .ok()
            .and_then(|s| s["drive"]["synced_frames"].as_u64())
            .unwrap_or(0);
        println!("cut: sent {} synced {synced}", feed.sent());
        recorder.sent_nothing()?;
    }
}

/// After the restart: `SENT,SYNCED` as last seen on the console, and the milliseconds from then to
/// the cut.
pub(crate) fn after_cut(told: &str) -> Outcome {
    let told: Vec<u64> = told.split(',').map(str::parse).collect::<Result<_, _>>()?;
    let &[sent, synced, silent_ms] = told.as_slice() else {
        return Err("give SENT,SYNCED,MS".into());
    };
    let out = std::path::Path::new("/disk/cut");
    let kept = if out.exists() {
        Kept::read(out)?
    } else {
        Kept::default()
    };
    let count = kept.numbers("vcan0").len() as u64;
    kept.require_all("vcan0", count)?;
    let lost_ms = sent.saturating_sub(count) * 1_000 / RATE_HZ + silent_ms;
    if lost_ms > 1_000 || count < synced {
        return Err(
            format!("{sent} sent, {synced} synced, {count} kept: {lost_ms} ms lost").into(),
        );
    }
    Ok(format!(
        "{sent} sent, {synced} synced, {count} kept: at most {lost_ms} ms lost"
    ))
}
