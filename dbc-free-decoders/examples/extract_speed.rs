//! How many frames a second one core takes apart:
//! `cargo run --release --example extract_speed`.
//!
//! The frames lie in memory and in cache, in the mix of a real bus: some dozens of identifiers in
//! turn, one in ten of them decoded in the last case. Reading them from a capture comes on top.

#![allow(
    clippy::disallowed_macros,
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a benchmark measures time and prints it; it is no part of the pure core"
)]

use std::hint::black_box;
use std::time::Instant;

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};

const FRAMES: usize = 1024;
const ROUNDS: usize = 20;
const RUNS: usize = 400;
const DECODED: u16 = 0x1A0;

/// Frames a second: the best of many runs, each short enough that other work seldom falls into it.
fn million_frames_per_s(extractors: &Extractors, ids: &[CanId]) -> f64 {
    let data: Vec<[u8; 8]> = (0..FRAMES as u64)
        .map(|n| (n.wrapping_mul(0x9E37_79B9_7F4A_7C15)).to_be_bytes())
        .collect();
    let frame = |(n, data): (usize, &'static [u8; 8])| Frame {
        t_ns: n as i64 * 100_000,
        bus: BusIndex::new(0),
        id: ids[n % ids.len()],
        flags: FrameFlags::default(),
        data,
    };
    let frames: Vec<Frame<'_>> = data.leak().iter().enumerate().map(frame).collect();
    let run = || {
        let mut collector = Collector::new(extractors);
        collector.add_bus(BusIndex::new(0), "can0");
        let start = Instant::now();
        for _ in 0..ROUNDS {
            for frame in black_box(&frames) {
                collector.push(frame);
            }
        }
        let seconds = start.elapsed().as_secs_f64();
        black_box(collector.finish());
        (ROUNDS * FRAMES) as f64 / seconds / 1e6
    };
    (0..RUNS).map(|_| run()).fold(0.0, f64::max)
}

fn main() {
    let wheels = ["front_left", "front_right", "rear_left", "rear_right"];
    let signals: String = (0..)
        .zip(wheels)
        .map(|(n, wheel)| {
            format!(
                "[[frame.signal]]\nrole = \"wheel_speed.{wheel}\"\nstart = {}\nlength = 16\n\
                 order = \"big\"\nscale = 0.01\nunit = \"km/h\"\ninvalid_raw = [0xFFFF]\n",
                16 * n
            )
        })
        .collect();
    let text = format!("decoder.name = \"speed\"\n[[frame]]\nid = {DECODED}\n{signals}");
    let extractors = Extractors::compile(&DecoderFile::parse(&text).unwrap().file);
    let base: Vec<CanId> = (0..40).map(|n| CanId::Base(0x100 + 37 * n)).collect();
    let extended: Vec<CanId> = (0..40)
        .map(|n| CanId::Extended(0x18FE_0000 | n << 8))
        .collect();
    let mixed: Vec<CanId> = (0..40)
        .map(|n| {
            if n % 10 == 0 {
                CanId::Base(DECODED)
            } else {
                CanId::Base(0x200 + n)
            }
        })
        .collect();
    let print = |what: &str, ids: &[CanId]| {
        let speed = million_frames_per_s(&extractors, ids);
        println!("{what:<52} {speed:>6.0} million frames/s");
    };
    print("undecoded, 40 ids of 11 bits", &base);
    print("undecoded, 40 ids of 29 bits", &extended);
    print("undecoded, one id", &base[..1]);
    print("decoded, four signals a frame", &[CanId::Base(DECODED)]);
    print("one in ten decoded, four signals", &mixed);
}
