//! The stages of the data flow, one benchmark each, and the machine's own limits.

use std::fs;
use std::hint::black_box;
use std::ops::ControlFlow;

use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use slipwright_analysis::drive::Drive;
use slipwright_analysis::engagement::find_engagements;
use slipwright_analysis::kinematics::Kinematics;
use slipwright_analysis::measures::{FrameSpan, measure_drive};
use slipwright_analysis::vehicle::Vehicle;
use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::frame::{CanId, Frame, FrameFlags};
use slipwright_decoders::signal::Signals;
use slipwright_logger::capture::{Capture, CaptureWriter, Event, NewBus, Section, read_bytes};

use crate::drives::two_minutes;

fn content() -> Vec<u8> {
    fs::read(&two_minutes().capture).expect("the drive was made")
}

fn decoder() -> Extractors {
    let text = fs::read_to_string(&two_minutes().decoder).expect("the drive was made");
    Extractors::compile(
        &DecoderFile::parse(&text)
            .expect("the decoder file is right")
            .file,
    )
}

fn vehicle() -> Vehicle {
    let text = fs::read_to_string(&two_minutes().vehicle).expect("the drive was made");
    Vehicle::parse(&text).expect("the vehicle file is right")
}

fn decode(bytes: &[u8], extractors: &Extractors) -> (Signals, FrameSpan) {
    let mut collector = Collector::new(extractors);
    let summary = read_bytes(bytes, |event| {
        match event {
            Event::Bus(bus, interface) => {
                collector.add_bus(bus, interface.name.as_deref().unwrap_or_default());
            }
            Event::Frame(frame) => collector.push(&frame),
            _ => {}
        }
        ControlFlow::Continue(())
    })
    .expect("the drive reads");
    let span = FrameSpan {
        first_ns: summary.first_ns.unwrap_or_default(),
        last_ns: summary.last_ns.unwrap_or_default(),
        frames: summary.frames,
    };
    (collector.finish().signals, span)
}

fn frames(bytes: &[u8]) -> ItemsCount {
    let summary = read_bytes(bytes, |_| ControlFlow::Continue(())).expect("the drive reads");
    ItemsCount::new(summary.frames)
}

#[divan::bench]
fn machine_memory_copy(bencher: Bencher<'_, '_>) {
    let content = content();
    let mut copy = vec![0_u8; content.len()];
    bencher
        .counter(BytesCount::of_slice(&content))
        .counter(frames(&content))
        .bench_local(|| {
            copy.copy_from_slice(black_box(&content));
            black_box(copy.last().copied())
        });
}

#[divan::bench]
fn machine_file_read(bencher: Bencher<'_, '_>) {
    let content = content();
    let mut buffer = vec![0_u8; 1 << 20];
    bencher
        .counter(BytesCount::of_slice(&content))
        .counter(frames(&content))
        .bench_local(|| {
            let mut file = fs::File::open(&two_minutes().capture).expect("the drive was made");
            let mut sum = 0;
            loop {
                match std::io::Read::read(&mut file, &mut buffer).expect("the drive reads") {
                    0 => break sum,
                    n => sum += black_box(&buffer[..n]).len(),
                }
            }
        });
}

#[divan::bench]
fn read_capture(bencher: Bencher<'_, '_>) {
    let content = content();
    bencher
        .counter(BytesCount::of_slice(&content))
        .counter(frames(&content))
        .bench_local(|| {
            let mut sum = 0_u64;
            let capture = Capture::open(&two_minutes().capture).expect("the drive was made");
            let read = capture.read(|event| {
                if let Event::Frame(frame) = event {
                    sum = sum.wrapping_add(frame.t_ns as u64 ^ u64::from(frame.id.number()));
                }
                ControlFlow::Continue(())
            });
            (read.expect("the drive reads").frames, sum)
        });
}

#[divan::bench]
fn read_and_decode(bencher: Bencher<'_, '_>) {
    let (content, extractors) = (content(), decoder());
    bencher
        .counter(BytesCount::of_slice(&content))
        .counter(frames(&content))
        .bench_local(|| decode(&content, &extractors));
}

#[divan::bench]
fn find_the_engagements(bencher: Bencher<'_, '_>) {
    let (content, extractors, vehicle) = (content(), decoder(), vehicle());
    let (signals, _) = decode(&content, &extractors);
    let wheelbase_m = vehicle.geometry.wheelbase_m;
    bencher.counter(frames(&content)).bench_local(|| {
        let drive = Drive::from_signals(&signals, &vehicle);
        let kinematics = Kinematics::of(&drive, &vehicle);
        find_engagements(&drive, &kinematics, wheelbase_m)
            .found
            .len()
    });
}

#[divan::bench]
fn measure_the_signals(bencher: Bencher<'_, '_>) {
    let (content, extractors, vehicle) = (content(), decoder(), vehicle());
    let (signals, span) = decode(&content, &extractors);
    bencher
        .counter(frames(&content))
        .bench_local(|| measure_drive("drive", &signals, span, &vehicle));
}

#[divan::bench]
fn write_capture(bencher: Bencher<'_, '_>) {
    const FRAMES: u64 = 1_000_000;
    let write = || {
        let mut writer = CaptureWriter::new(Vec::with_capacity(64 << 20), &Section::ours())
            .expect("memory takes it");
        let bus = writer
            .add_bus(&NewBus::named("can0"))
            .expect("memory takes it");
        for n in 0..FRAMES {
            let data = n.wrapping_mul(0x9E37_79B9_7F4A_7C15).to_be_bytes();
            let frame = Frame {
                t_ns: 1_700_000_000_000_000_000 + n as i64 * 250_000,
                bus,
                id: CanId::Base((n % 61) as u16 * 32),
                flags: FrameFlags::default(),
                data: &data,
            };
            writer.write_frame(&frame).expect("memory takes it");
        }
        writer.finish().expect("memory takes it")
    };
    let length = write().len();
    bencher
        .counter(BytesCount::new(length))
        .counter(ItemsCount::new(FRAMES))
        .bench_local(write);
}
