//! How fast captures are read, beside a plain scan of the same bytes and beside the pcap-file
//! crate.
//!
//!     cargo run --release -p slipwright-logger --example read_speed [FRAMES]
//!
//! Makes its own capture in a temporary folder: two buses, classic frames with eight bytes. Each
//! figure is the best run of those that fit into two seconds, with the file in the page cache.

// Printing is what it is for.
#![allow(clippy::print_stdout)]

use std::error::Error;
use std::fs::{self, File};
use std::hint::black_box;
use std::io::{BufReader, BufWriter};
use std::ops::ControlFlow;
use std::path::Path;
use std::time::{Duration, Instant};

use slipwright_decoders::frame::{CanId, Frame, FrameFlags};
use slipwright_logger::capture::{
    Capture, CaptureWriter, Event, NewBus, Section, compress_closed, read_bytes, read_stream,
};

/// How long each way of reading is repeated.
const MEASURING_TIME: Duration = Duration::from_secs(2);

fn main() -> Result<(), Box<dyn Error>> {
    let frames = std::env::args()
        .nth(1)
        .map_or(Ok(2_180_000), |text| text.parse())?;
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("speed.pcapng");

    let start = Instant::now();
    let bytes = make(&path, frames)?;
    report(
        "written through a 256 KiB buffer",
        frames,
        bytes,
        start.elapsed().as_secs_f64(),
    );

    let content = fs::read(&path)?;
    measure("sum of the same bytes in memory", frames, bytes, || {
        let words = content.chunks_exact(8).map(|chunk| {
            chunk
                .first_chunk()
                .map_or(0, |&word| u64::from_le_bytes(word))
        });
        Ok(words.fold(0, u64::wrapping_add))
    })?;
    measure("in memory", frames, bytes, || {
        let mut sum = 0;
        let summary = read_bytes(&content, |event| add(&mut sum, &event))?;
        check(summary.frames, frames, sum)
    })?;
    drop(content);
    measure("mapped", frames, bytes, || {
        let mut sum = 0;
        let summary = Capture::open(&path)?.read(|event| add(&mut sum, &event))?;
        check(summary.frames, frames, sum)
    })?;
    measure("buffered", frames, bytes, || {
        let mut sum = 0;
        let summary = read_stream(File::open(&path)?, |event| add(&mut sum, &event))?;
        check(summary.frames, frames, sum)
    })?;
    measure("pcap-file crate, 256 KiB buffer", frames, bytes, || {
        let source = BufReader::with_capacity(256 << 10, File::open(&path)?);
        let mut reader = pcap_file::pcapng::PcapNgReader::new(source)?;
        let (mut count, mut sum) = (0, 0);
        while let Some(block) = reader.next_block() {
            if let (pcap_file::pcapng::Block::EnhancedPacket(packet), _) = block? {
                count += 1;
                sum += packet.data.get(8).map_or(0, |&byte| u64::from(byte));
                sum = sum.wrapping_add(packet.timestamp.as_nanos() as u64);
            }
        }
        check(count, frames, sum)
    })?;

    let start = Instant::now();
    let packed = compress_closed(&path)?;
    report(
        "compressed and synced",
        frames,
        bytes,
        start.elapsed().as_secs_f64(),
    );
    println!(
        "  to {:.1} %",
        100.0 * fs::metadata(&packed)?.len() as f64 / bytes as f64
    );
    measure("zstd", frames, bytes, || {
        let mut sum = 0;
        let summary = Capture::open(&packed)?.read(|event| add(&mut sum, &event))?;
        check(summary.frames, frames, sum)
    })?;
    Ok(())
}

/// The consumer: so little work that reading is what is measured, and yet it needs the stamp, the
/// identifier and the data.
fn add(sum: &mut u64, event: &Event<'_>) -> ControlFlow<()> {
    if let Event::Frame(frame) = event {
        let byte = frame.data.first().copied().unwrap_or(0);
        let number = u64::from(frame.id.number());
        *sum = sum
            .wrapping_add(frame.t_ns as u64 ^ u64::from(byte))
            .wrapping_add(number);
    }
    ControlFlow::Continue(())
}

fn check(count: u64, frames: u64, sum: u64) -> Result<u64, Box<dyn Error>> {
    if count == frames {
        Ok(sum)
    } else {
        Err("not every frame was read".into())
    }
}

fn make(path: &Path, frames: u64) -> Result<u64, Box<dyn Error>> {
    let file = BufWriter::with_capacity(256 << 10, File::create(path)?);
    let mut writer = CaptureWriter::new(file, &Section::ours())?;
    let buses = [
        writer.add_bus(&NewBus::named("can0"))?,
        writer.add_bus(&NewBus::named("can1"))?,
    ];
    for n in 0..frames {
        // Plausible to the compressor: counters, slow signals, and a noisy low byte.
        let wheel = ((n / 7) as f64 * 1e-4).sin().mul_add(8000.0, 9000.0) as u16;
        let noise = (n.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 60) as u8;
        let [high, low] = wheel.to_be_bytes();
        let data = [high, low ^ noise, high, low, noise, (n & 15) as u8, 0, 0xFF];
        let extended = n % 16 == 5;
        let number = if extended {
            0x18FE_BF0B
        } else {
            0x100 + (n % 40) as u32 * 16
        };
        let id = CanId::new(number, extended).ok_or("the identifier is too large")?;
        let t_ns = 1_700_000_000_000_000_000 + n as i64 * 250_000 + i64::from(noise) * 1000;
        let bus = buses[(n % 3 == 0) as usize];
        writer.write_frame(&Frame {
            t_ns,
            bus,
            id,
            flags: FrameFlags::default(),
            data: &data,
        })?;
    }
    writer.finish()?.into_inner()?;
    Ok(fs::metadata(path)?.len())
}

fn measure<F>(name: &str, frames: u64, bytes: u64, mut run: F) -> Result<(), Box<dyn Error>>
where
    F: FnMut() -> Result<u64, Box<dyn Error>>,
{
    let mut best_s = f64::INFINITY;
    let begin = Instant::now();
    while begin.elapsed() < MEASURING_TIME {
        let start = Instant::now();
        black_box(run()?);
        best_s = best_s.min(start.elapsed().as_secs_f64());
    }
    report(name, frames, bytes, best_s);
    Ok(())
}

fn report(name: &str, frames: u64, bytes: u64, time_s: f64) {
    let frames_rate = frames as f64 / time_s / 1e6;
    let bytes_rate = bytes as f64 / time_s / 1e6;
    println!("{name:34} {frames_rate:7.1} million frames/s {bytes_rate:7.0} MB/s");
}
