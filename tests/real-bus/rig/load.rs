//! As many frames as the guest can send, and what the kernel drops when nobody reads.

use std::path::Path;
use std::time::{Duration, Instant};

use slipwright_logger::recorder::clock::{Clock, SystemClock};
use slipwright_logger::recorder::core::{Plan, Recorder as Core};
use slipwright_logger::recorder::lifecycle::Limits;
use slipwright_logger::recorder::receive::BusSocket;
use slipwright_logger::recorder::sidecar::About;
use slipwright_logger::recorder::source::{Batch, FrameSource};
use slipwright_logger::recorder::store::MemoryStore;

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::kept::captures;
use crate::recorder::{Recorder, folder};

/// The most frames that one bus of 1 Mbit/s carries: 11-bit identifier, no data, no stuff bits.
const BUSIEST_BUS_HZ: f64 = 21_276.6;

/// Two buses, fed without pause.
pub(crate) fn flood(seconds: &str) -> Outcome {
    let seconds = Duration::from_secs(seconds.parse().unwrap_or(20));
    let names = ["vcan0", "vcan1"];
    let _buses = [Virtual::new(names[0])?, Virtual::new(names[1])?];
    let out = folder("flood")?;
    let recorder = Recorder::start(&names, &out, &[])?;
    let (_, before) = recorder.cost()?;
    let started = Instant::now();
    let feeders = names.map(|name| {
        std::thread::spawn(move || {
            let mut sender = Sender::open(name).map_err(|e| e.to_string())?;
            let mut sent = 0;
            while started.elapsed() < seconds {
                for _ in 0..64 {
                    sender
                        .send(&numbered(0x100, sent))
                        .map_err(|e| e.to_string())?;
                    sent += 1;
                }
            }
            Ok::<u64, String>(sent)
        })
    });
    let mut sent = Vec::new();
    for feeder in feeders {
        sent.push(feeder.join().map_err(|_| "a feeder panicked")??);
    }
    let took = started.elapsed().as_secs_f64();
    recorder.until_frames(sent.iter().sum())?;
    let (_, after) = recorder.cost()?;
    // Packing belongs to what a long drive costs in memory.
    recorder.signal("-HUP")?;
    until_packed(&out)?;
    let (peak_kb, _) = recorder.cost()?;
    let kept = recorder.stop()?;
    for (name, sent) in names.iter().zip(&sent) {
        kept.require_all(name, *sent)?;
        if kept.dropped.get(*name) != Some(&0) {
            return Err(format!("{name} dropped {:?}", kept.dropped).into());
        }
    }
    if peak_kb > 64 << 10 {
        return Err(format!("peak memory {peak_kb} kB is over 64 MB").into());
    }
    let total: u64 = sent.iter().sum();
    Ok(format!(
        "{total} frames at {:.0}/s, all kept, 0 dropped; {:.0} % of the processor, peak {:.1} MB",
        total as f64 / took,
        100.0 * (after - before) / took,
        peak_kb as f64 / 1024.0
    ))
}

/// Waits for a packed file.
fn until_packed(out: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let since = Instant::now();
    while !captures(out)?
        .iter()
        .any(|file| file.extension().is_some_and(|e| e == "zst"))
    {
        if since.elapsed() > Duration::from_secs(60) {
            return Err("no file was packed".into());
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    Ok(())
}

/// A small buffer, a recorder that stands still: what is lost is counted to the frame.
pub(crate) fn drops_are_counted(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("counted")?, &["--receive-buffer", "64"])?;
    let mut sender = Sender::open("vcan0")?;
    let mut sent = 0;
    for round in 0..5 {
        recorder.signal("-STOP")?;
        for _ in 0..1_000 {
            sender.send(&numbered(0x100, sent))?;
            sent += 1;
        }
        recorder.signal("-CONT")?;
        // The last round's loss is followed by no frame that could tell of it.
        if round < 4 {
            std::thread::sleep(Duration::from_millis(300));
        }
    }
    std::thread::sleep(Duration::from_millis(300));
    let kept = recorder.stop()?;
    let numbers = kept.numbers("vcan0");
    let dropped = kept.dropped.get("vcan0").copied().unwrap_or(0);
    let recorded = numbers.len() as u64;
    if recorded + dropped != sent || dropped == 0 || !numbers.is_sorted() {
        return Err(format!("{sent} sent, {recorded} kept, {dropped} counted as dropped").into());
    }
    Ok(format!("{sent} sent = {recorded} kept + {dropped} dropped"))
}

/// How fast the receiver empties a full queue, time stamps, file blocks and all.
pub(crate) fn drain(_: &str) -> Outcome {
    const FRAMES: u64 = 20_000;
    let _bus = Virtual::new("vcan0")?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let (received, took) = runtime.block_on(async {
        let mut socket = BusSocket::open("vcan0", 64 << 20)?;
        let mut sender = Sender::open("vcan0")?;
        for number in 0..FRAMES {
            sender.send(&numbered(0x100, number))?;
        }
        let plan = Plan {
            out: "drives".into(),
            limits: Limits {
                quiet_after_ns: i64::MAX,
                file_bytes: u64::MAX,
                file_ns: i64::MAX,
            },
            about: About::default(),
            compress: false,
            keep_free_bytes: 0,
        };
        let mut core = Core::new(plan, MemoryStore::default(), SystemClock.now());
        let bus = core.add_bus("vcan0");
        let mut batch = Batch::new();
        let started = Instant::now();
        let mut received = 0;
        while received < FRAMES {
            socket.receive(&mut batch).await?;
            core.frames(bus, &batch, SystemClock.now());
            received += batch.frames.len() as u64;
        }
        Ok::<_, Box<dyn std::error::Error>>((received, started.elapsed().as_secs_f64()))
    })?;
    let rate = received as f64 / took;
    Ok(format!(
        "{rate:.0} frames/s, {:.1} buses of 1 Mbit/s at their most",
        rate / BUSIEST_BUS_HZ
    ))
}
