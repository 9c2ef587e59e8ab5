//! The bytes themselves, against bytes laid out by hand.
//!
//! Source: draft-ietf-opsawg-pcapng, sections 4.1 to 4.3, for the blocks, and the tcpdump group's
//! page on LINKTYPE_CAN_SOCKETCAN for the packets. Not taken from any writer's output.

use std::ops::ControlFlow;

use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_logger::capture::{CaptureWriter, Event, NewBus, Section, read_bytes};

const T_NS: i64 = 1_700_000_000_123_456_789;

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u32> = text.chars().filter_map(|c| c.to_digit(16)).collect();
    digits
        .chunks(2)
        .map(|pair| (pair[0] * 16 + pair[1]) as u8)
        .collect()
}

/// Section header, interface with its resolution only, and one frame: what the reader sees.
const SECTION: &str = "0a0d0d0a 1c000000 4d3c2b1a 01000000 ffffffffffffffff 1c000000";
const INTERFACE: &str = "01000000 20000000 e3000000 00000000 09000100 09000000 00000000 20000000";
const FRAME: &str = "06000000 30000000 00000000 fe9c9717 15cd853d 10000000 10000000 \
                     00000123 08000000 01020304 05060708 30000000";

#[test]
fn golden_bytes_are_read() {
    let bytes = hex(&[SECTION, INTERFACE, FRAME].concat());
    let mut frames = Vec::new();
    let summary = read_bytes(&bytes, |event| {
        if let Event::Frame(f) = event {
            frames.push((f.t_ns, f.bus, f.id, f.flags, f.data.to_vec()));
        }
        ControlFlow::Continue(())
    });
    let flags = FrameFlags::default();
    let data = vec![1, 2, 3, 4, 5, 6, 7, 8];
    assert_eq!(
        frames,
        [(T_NS, BusIndex::new(0), CanId::Base(0x123), flags, data)]
    );
    let summary = summary.unwrap();
    assert!(summary.ending.is_whole());
    assert_eq!(summary.bytes, bytes.len() as u64);
    assert_eq!(
        (summary.first_ns, summary.last_ns),
        (Some(T_NS), Some(T_NS))
    );
}

#[test]
fn golden_bytes_are_written() {
    let mut writer = CaptureWriter::new(Vec::new(), &Section::default()).unwrap();
    assert_eq!(writer.get_ref(), &hex(SECTION));

    let before = writer.get_ref().len();
    let bus = writer.add_bus(&NewBus::named("can0")).unwrap();
    let interface = "01000000 28000000 e3000000 00000000 02000400 63616e30 09000100 09000000 \
                     00000000 28000000";
    assert_eq!(writer.get_ref()[before..], hex(interface));

    let before = writer.get_ref().len();
    let id = CanId::Base(0x123);
    let flags = FrameFlags::default();
    let frame = Frame {
        t_ns: T_NS,
        bus,
        id,
        flags,
        data: &[1, 2, 3, 4, 5, 6, 7, 8],
    };
    writer.write_frame(&frame).unwrap();
    assert_eq!(writer.get_ref()[before..], hex(FRAME));

    let before = writer.get_ref().len();
    let id = CanId::Extended(0x18FE_BF0B);
    writer.write_frame(&Frame { id, ..frame }).unwrap();
    assert_eq!(
        writer.get_ref()[before + 28..][..8],
        hex("98FEBF0B 08000000")
    );

    let before = writer.get_ref().len();
    let flags = FrameFlags {
        fd: true,
        bit_rate_switch: true,
        ..flags
    };
    writer
        .write_frame(&Frame {
            flags,
            data: &[9; 12],
            ..frame
        })
        .unwrap();
    assert_eq!(
        writer.get_ref()[before + 28..][..8],
        hex("00000123 0c050000")
    );

    let before = writer.get_ref().len();
    writer.write_mark(T_NS, Some(bus), "go").unwrap();
    let mark = "06000000 2c000000 00000000 fe9c9717 15cd853d 00000000 00000000 \
                01000200 676f0000 00000000 2c000000";
    assert_eq!(writer.get_ref()[before..], hex(mark));
}

#[test]
fn our_section_names_this_version() {
    let writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
    let text = String::from_utf8_lossy(writer.get_ref()).into_owned();
    assert!(
        text.contains(concat!("slipwright ", env!("CARGO_PKG_VERSION"))),
        "{text}"
    );
}
