//! The decoder file for J1939 wheel speeds against the standard's layout, read here a second time and
//! by hand (SAE J1939-21 and -71; identifiers and scales as public decoders have them, the limits of
//! the valid range from memory).
//!
//! One public decoder has -7.18125 km/h as the offset of the relative wheel speeds. That is a slip of
//! the pen: -7.8125 makes the range symmetrical, and three others have it.

#![allow(
    clippy::panic,
    clippy::unwrap_used,
    reason = "a file that cannot be read fails the test"
)]

use proptest::prelude::*;
use slipwright_decoders::decoder_file::{DecoderFile, FrameEntry};
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};

const FILE: &str = include_str!("../standard/j1939-wheel-speed.toml");
/// Electronic brake controller 2, cruise control and vehicle speed, high resolution wheel speed.
const EBC2: u32 = 65_215;
const CCVS: u32 = 65_265;
const HRW: u32 = 65_134;

/// Priority, parameter group and source address of a frame to all (SAE J1939-21, 5.1: PDU2).
fn taken_apart(id: CanId) -> (u8, u32, u8) {
    let CanId::Extended(number) = id else {
        panic!("{id} has 11 bits")
    };
    let [top, format, specific, source] = number.to_be_bytes();
    assert!(format >= 240, "{id} goes to one address");
    let group = u32::from_be_bytes([0, top & 3, format, specific]);
    (top >> 2, group, source)
}

/// A number whose most significant byte says whether it is a measurement: up to FA it is; FE is
/// "error", FF "not available", what lies between is reserved.
fn measured(raw: u16, top: u8, scale: f64, offset: f64) -> Option<f64> {
    (top <= 0xFA).then(|| f64::from(raw) * scale + offset)
}

fn speed_kmh(low: u8, high: u8) -> Option<f64> {
    measured(u16::from_le_bytes([low, high]), high, 1.0 / 256.0, 0.0)
}

/// What a frame of the group says, km/h, in the order of the file's signals.
fn by_hand(group: u32, data: [u8; 8]) -> Vec<Option<f64>> {
    let [a, b, relative @ ..] = data;
    match group {
        HRW => data
            .as_chunks()
            .0
            .iter()
            .map(|&[low, high]| speed_kmh(low, high))
            .collect(),
        CCVS => vec![speed_kmh(data[1], data[2])],
        _ => std::iter::once(speed_kmh(a, b))
            .chain(relative.map(|raw| measured(raw.into(), raw, 1.0 / 16.0, -7.8125)))
            .collect(),
    }
}

fn by_file(file: &DecoderFile, frame: &FrameEntry, data: &[u8]) -> Vec<Option<f64>> {
    let extractors = Extractors::compile(file);
    let mut collector = Collector::new(&extractors);
    collector.push(&Frame {
        t_ns: 0,
        bus: BusIndex::new(0),
        id: frame.id,
        flags: FrameFlags::default(),
        data,
    });
    let series = collector.finish().signals.series;
    let signals = frame.signals.iter();
    signals
        .map(|signal| {
            let of_it = series.iter().find(|series| series.key == signal.key)?;
            of_it.value.first().copied()
        })
        .collect()
}

#[test]
fn the_identifiers_are_those_of_the_groups() {
    let parsed = DecoderFile::parse(FILE).unwrap();
    assert_eq!(parsed.warnings, []);
    let frames = parsed.file.frames.iter();
    let found: Vec<(u8, u32, u8)> = frames.map(|frame| taken_apart(frame.id)).collect();
    // Addresses: 0x0B the brakes, 0x00 the engine (SAE J1939-81; from memory).
    assert_eq!(found, [(2, HRW, 0x0B), (6, EBC2, 0x0B), (6, CCVS, 0x00)]);
}

/// Bytes 00 C4 are the example of a public decoder, 196 km/h; 0xFAFF / 256 = 250.99609375.
#[test]
fn numbers_with_known_answers() {
    let ebc2 = by_hand(EBC2, [0x00, 0xC4, 0x00, 0x7D, 0xFA, 0xFB, 0xFE, 0xFF]);
    assert_eq!(
        ebc2[..4],
        [Some(196.0), Some(-7.8125), Some(0.0), Some(7.8125)]
    );
    assert_eq!(ebc2[4..], [None; 3]);
    let hrw = by_hand(HRW, [0x00, 0x64, 0xFF, 0xFA, 0x00, 0xFE, 0x00, 0xFF]);
    assert_eq!(hrw, [Some(100.0), Some(250.996_093_75), None, None]);
    assert_eq!(
        by_hand(CCVS, [0xFF, 0x80, 0x32, 0, 0, 0, 0, 0]),
        [Some(50.5)]
    );
}

proptest! {
    #[test]
    fn the_file_says_what_the_layout_says(data: [u8; 8], high in 0xF8_u8..) {
        let file = DecoderFile::parse(FILE).unwrap().file;
        // Half of the frames have numbers around the limit of the valid range.
        let mut near_limit = data;
        near_limit.iter_mut().skip(1).step_by(2).for_each(|byte| *byte = high);
        for frame in &file.frames {
            let (_, group, _) = taken_apart(frame.id);
            for data in [data, near_limit] {
                prop_assert_eq!(by_file(&file, frame, &data), by_hand(group, data));
            }
        }
    }
}
