//! What is written is read, by every way of reading.

use proptest::prelude::*;
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_logger::capture::{
    BadFrame, CaptureWriter, Ending, NewBus, Section, Statistics, WriteError,
};

use crate::files::{OwnedFrame, Told, any_frame, told, told_in_pieces};

/// One thing to write.
#[derive(Clone, Debug)]
enum Item {
    Frame(OwnedFrame),
    Mark(i64, Option<BusIndex>, String),
    Statistics(Statistics),
    Bus(String),
}

const FIRST_BUSES: u16 = 3;

fn any_item() -> impl Strategy<Value = Item> {
    let time = 0..=i64::MAX;
    let bus = (0..FIRST_BUSES).prop_map(BusIndex::new);
    let counts = any::<[Option<u64>; 5]>();
    let span = proptest::option::of((time.clone(), time.clone()));
    prop_oneof![
        8 => any_frame(FIRST_BUSES).prop_map(Item::Frame),
        1 => (time.clone(), proptest::option::of(bus.clone()), ".{0,40}")
            .prop_map(|(t_ns, bus, text)| Item::Mark(t_ns, bus, text)),
        1 => (time, bus, counts, span).prop_map(|(t_ns, bus, counts, span)| {
            let [received, dropped_by_interface, accepted, dropped_by_os, delivered] = counts;
            let (start_ns, end_ns) = span.unzip();
            Item::Statistics(Statistics {
                start_ns, end_ns, received, dropped_by_interface, accepted, dropped_by_os,
                delivered, ..Statistics::at(bus, t_ns)
            })
        }),
        1 => "[a-z]{1,9}".prop_map(Item::Bus),
    ]
}

fn write(items: &[Item]) -> (Vec<u8>, Vec<Told>) {
    let mut writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
    for n in 0..FIRST_BUSES {
        writer.add_bus(&NewBus::named(&format!("can{n}"))).unwrap();
    }
    let mut expected = Vec::new();
    for item in items {
        match item {
            Item::Frame(frame) => {
                writer.write_frame(&frame.frame()).unwrap();
                expected.push(Told::Frame(frame.clone()));
            }
            Item::Mark(t_ns, bus, text) => {
                writer.write_mark(*t_ns, *bus, text).unwrap();
                let bus = bus.unwrap_or(BusIndex::new(0));
                expected.push(Told::Mark(Some(*t_ns), Some(bus), text.clone()));
            }
            Item::Statistics(statistics) => {
                writer.write_statistics(statistics).unwrap();
                expected.push(Told::Statistics(*statistics));
            }
            Item::Bus(name) => {
                let new = NewBus {
                    description: Some("late"),
                    ..NewBus::named(name)
                };
                writer.add_bus(&new).unwrap();
            }
        }
    }
    (writer.finish().unwrap(), expected)
}

proptest! {
    #[test]
    fn what_is_written_is_read(items in proptest::collection::vec(any_item(), 0..60), piece in 1usize..200) {
        let (bytes, expected) = write(&items);
        let (all, summary) = told(&bytes);
        let summary = summary.unwrap();
        let told_items: Vec<_> = all
            .iter()
            .filter(|told| !matches!(told, Told::Section(_) | Told::Bus(..)))
            .cloned()
            .collect();
        prop_assert_eq!(&told_items, &expected);
        prop_assert_eq!(&all[0], &Told::Section(Section::ours()));
        prop_assert_eq!(summary.ending, Ending::Whole);
        prop_assert_eq!(summary.bytes, bytes.len() as u64);
        prop_assert_eq!(summary.malformed.count(), 0);
        let frames: Vec<_> = crate::files::frames(&all);
        prop_assert_eq!(summary.frames, frames.len() as u64);
        prop_assert_eq!(summary.first_ns, frames.first().map(|frame| frame.t_ns));
        prop_assert_eq!(summary.last_ns, frames.last().map(|frame| frame.t_ns));
        for (n, bus) in summary.buses.iter().enumerate() {
            let of_bus = || frames.iter().filter(|frame| frame.bus.as_usize() == n);
            prop_assert_eq!(bus.frames, of_bus().count() as u64);
            prop_assert_eq!(bus.first_ns, of_bus().next().map(|frame| frame.t_ns));
            prop_assert_eq!(bus.last_ns, of_bus().next_back().map(|frame| frame.t_ns));
        }

        let (streamed, same) = told_in_pieces(&bytes, piece);
        prop_assert_eq!(streamed, all);
        prop_assert_eq!(same.unwrap(), summary);
    }

    /// A step back of more than 10 ms from one frame to the next of a bus is told, and only that.
    #[test]
    fn backward_steps_are_told(times in proptest::collection::vec((0u16..3, 0i64..60_000_000), 0..60)) {
        let items: Vec<_> = times
            .iter()
            .map(|&(bus, t_ns)| {
                let (bus, id, flags) = (BusIndex::new(bus), CanId::Base(1), FrameFlags::default());
                Item::Frame(OwnedFrame { t_ns, bus, id, flags, data: vec![] })
            })
            .collect();
        let (all, summary) = told(&write(&items).0);
        let steps = summary.unwrap().backward_steps;
        let mut last = [None::<i64>; 3];
        let mut expected = Vec::new();
        for (n, &(bus, t_ns)) in times.iter().enumerate() {
            let before = last[usize::from(bus)].replace(t_ns);
            if let Some(from_ns) = before.filter(|before| before - t_ns > 10_000_000) {
                expected.push((BusIndex::new(bus), n as u64 + 1, from_ns, t_ns));
            }
        }
        let told: Vec<_> = steps.first().iter().map(|s| (s.bus, s.frame, s.from_ns, s.to_ns)).collect();
        prop_assert_eq!(told, expected);
        // All these frames are alike, so the places can be counted out.
        let head = write(&[]).0.len() as u64;
        for step in steps.first() {
            prop_assert_eq!(step.offset, head + (step.frame - 1) * 48);
        }
        prop_assert_eq!(crate::files::frames(&all).len(), times.len());
    }
}

#[test]
fn what_no_bus_carries_is_not_written() {
    let mut writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
    assert!(matches!(
        writer.write_mark(0, None, "too early"),
        Err(WriteError::NoBus)
    ));
    let bus = writer.add_bus(&NewBus::named("can0")).unwrap();
    let length = writer.get_ref().len();
    let plain = FrameFlags::default();
    let good = Frame {
        t_ns: 0,
        bus,
        id: CanId::Base(1),
        flags: plain,
        data: &[],
    };
    let fd = FrameFlags { fd: true, ..plain };
    let remote = FrameFlags {
        remote: true,
        ..plain
    };
    for (frame, expected) in [
        (
            Frame {
                data: &[0; 9],
                ..good
            },
            BadFrame::LongData { length: 9, most: 8 },
        ),
        (
            Frame {
                data: &[0; 65],
                flags: fd,
                ..good
            },
            BadFrame::LongData {
                length: 65,
                most: 64,
            },
        ),
        (
            Frame {
                data: &[0],
                flags: remote,
                ..good
            },
            BadFrame::RemoteData,
        ),
        (
            Frame {
                flags: FrameFlags { fd: true, ..remote },
                ..good
            },
            BadFrame::RemoteKind,
        ),
        (
            Frame {
                flags: FrameFlags {
                    error: true,
                    ..remote
                },
                ..good
            },
            BadFrame::RemoteKind,
        ),
        (
            Frame {
                flags: FrameFlags {
                    error_state: true,
                    ..plain
                },
                ..good
            },
            BadFrame::ClassicFlags,
        ),
        (
            Frame {
                id: CanId::Base(0x800),
                ..good
            },
            BadFrame::Identifier(0x800),
        ),
        (
            Frame {
                id: CanId::Extended(1 << 29),
                ..good
            },
            BadFrame::Identifier(1 << 29),
        ),
    ] {
        match writer.write_frame(&frame) {
            Err(WriteError::Frame(bad)) => assert_eq!(bad, expected),
            other => panic!("{expected:?}: {other:?}"),
        }
    }
    let before = Frame { t_ns: -1, ..good };
    assert!(matches!(
        writer.write_frame(&before),
        Err(WriteError::BeforeEpoch(-1))
    ));
    let elsewhere = Frame {
        bus: BusIndex::new(1),
        ..good
    };
    assert!(matches!(
        writer.write_frame(&elsewhere),
        Err(WriteError::UnknownBus(1))
    ));
    let long = "x".repeat(65_536);
    assert!(matches!(
        writer.write_mark(0, None, &long),
        Err(WriteError::LongText(65_536))
    ));
    assert_eq!(
        writer.get_ref().len(),
        length,
        "nothing of all this is in the file"
    );
    writer.write_mark(0, None, &long[1..]).unwrap();
    writer.write_frame(&good).unwrap();
    let (all, _) = told(&writer.finish().unwrap());
    assert_eq!(all[2], Told::Mark(Some(0), Some(bus), long[1..].to_owned()));
}
