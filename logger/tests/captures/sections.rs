//! Captures as other programs write them: either byte order, several sections, any resolution.

use proptest::prelude::*;
use slipwright_decoders::frame::{BusIndex, CanId, FrameFlags};
use slipwright_logger::capture::{
    BadContent, BadPacket, ByteOrder, Clock, Ending, Interface, Problem, Section, Skipped,
    Statistics,
};

use crate::files::{Builder, OwnedFrame, Told, classic, everything, frames, told, told_in_pieces};

const PLAIN: FrameFlags = FrameFlags {
    fd: false,
    bit_rate_switch: false,
    error_state: false,
    remote: false,
    error: false,
};

fn told_frame(t_ns: i64, bus: u16, id: CanId, flags: FrameFlags, data: &[u8]) -> Told {
    Told::Frame(OwnedFrame {
        t_ns,
        bus: BusIndex::new(bus),
        id,
        flags,
        data: data.to_vec(),
    })
}

#[test]
fn every_kind_of_block_is_read_in_either_byte_order() {
    for order in [ByteOrder::Little, ByteOrder::Big] {
        let bytes = everything(order).bytes;
        let (all, summary) = told(&bytes);
        let summary = summary.unwrap();
        let can = |name: &str, clock| Interface {
            link_type: 227,
            name: Some(name.to_owned()).filter(|name| !name.is_empty()),
            clock,
            ..Interface::default()
        };
        let second = Interface {
            description: Some("second".to_owned()),
            ..can("", Clock::MICROSECONDS)
        };
        let [bus0, bus1, bus2] = [0, 1, 2].map(BusIndex::new);
        let mark = |t_ns, bus, text: &str| Told::Mark(t_ns, bus, text.to_owned());
        let fd = FrameFlags { fd: true, ..PLAIN };
        let remote = FrameFlags {
            remote: true,
            ..PLAIN
        };
        let error = FrameFlags {
            error: true,
            ..PLAIN
        };
        let expected = [
            Told::Section(Section {
                order,
                application: Some("some program".to_owned()),
                ..Section::default()
            }),
            mark(None, None, "a comment"),
            Told::Bus(bus0, can("can0", Clock::NANOSECONDS)),
            Told::Bus(
                bus1,
                Interface {
                    link_type: 1,
                    ..Interface::default()
                },
            ),
            Told::Bus(bus2, second),
            mark(None, Some(bus2), "microseconds"),
            told_frame(
                1_000_000_000,
                0,
                CanId::Base(0x123),
                PLAIN,
                &[1, 2, 3, 4, 5, 6, 7, 8],
            ),
            told_frame(1_000_100_000, 0, CanId::Extended(0x18FE_BF0B), PLAIN, &[9]),
            mark(Some(1_000_100_000), Some(bus0), "here"),
            mark(Some(1_000_100_000), Some(bus0), "zw\u{f6}lf"),
            told_frame(1_001_000_000, 2, CanId::Base(1), fd, &[7, 8, 9]),
            told_frame(1_002_000_000, 2, CanId::Base(0x55), remote, &[]),
            mark(Some(1_002_500_000), Some(bus2), "between"),
            Told::Statistics(Statistics {
                received: Some(70),
                dropped_by_os: Some(2),
                ..Statistics::at(bus0, 1_003_000_000)
            }),
            told_frame(
                1_003_000_000,
                2,
                CanId::Extended(4),
                error,
                &[0, 1, 0, 0, 0, 0, 0, 0],
            ),
            told_frame(1_004_000_000, 0, CanId::Base(0x124), PLAIN, &[1, 2]),
        ];
        assert_eq!(all, expected);
        assert_eq!(summary.ending, Ending::Whole);
        assert_eq!((summary.frames, summary.marks), (6, 5));
        assert_eq!(summary.malformed.count(), 0, "{:?}", summary.malformed);
        let skipped = Skipped {
            other_link_type: 1,
            unstamped: 1,
            can_xl: 0,
            other_blocks: 1,
        };
        assert_eq!(summary.skipped, skipped);
        assert_eq!(
            summary
                .buses
                .iter()
                .map(|bus| bus.lost())
                .collect::<Vec<_>>(),
            [2, 0, 3]
        );
    }
}

/// An interface of a generated capture.
#[derive(Clone, Debug)]
struct AnyInterface {
    link_type: u16,
    resolution: Option<u8>,
    offset_s: Option<i32>,
}

fn any_interface() -> impl Strategy<Value = AnyInterface> {
    let resolution = prop_oneof![
        Just(None),
        Just(Some(9)),
        (0u8..=40).prop_map(Some),
        (0x80u8..=0xC0).prop_map(Some)
    ];
    (
        prop_oneof![4 => Just(227u16), 1 => any::<u16>()],
        resolution,
        any::<Option<i32>>(),
    )
        .prop_map(|(link_type, resolution, offset_s)| AnyInterface {
            link_type,
            resolution,
            offset_s,
        })
}

type AnySection = (bool, Vec<AnyInterface>, Vec<(u32, u64, u16, Vec<u8>)>);

fn any_section() -> impl Strategy<Value = AnySection> {
    let data = proptest::collection::vec(any::<u8>(), 0..=8);
    let packet = (
        0u32..4,
        prop_oneof![any::<u64>(), 0..=2_000_000_000_000_000_000u64],
        0u16..0x800,
        data,
    );
    (
        any::<bool>(),
        proptest::collection::vec(any_interface(), 0..4),
        proptest::collection::vec(packet, 0..20),
    )
}

proptest! {
    #[test]
    fn sections_of_any_order_clock_and_interfaces_are_read(
        sections in proptest::collection::vec(any_section(), 1..5),
        piece in 1usize..100,
    ) {
        let mut file = Builder::default();
        let mut expected = Vec::new();
        let (mut base, mut other, mut malformed, mut can) = (0, 0, 0, false);
        for (big, interfaces, packets) in &sections {
            file.section(if *big { ByteOrder::Big } else { ByteOrder::Little }, &[]);
            for AnyInterface { link_type, resolution, offset_s } in interfaces {
                let offset = offset_s.map(|offset_s| file.u64(i64::from(offset_s) as u64));
                let mut options: Vec<(u16, &[u8])> = Vec::new();
                options.extend(resolution.as_ref().map(|n| (9, std::slice::from_ref(n))));
                options.extend(offset.as_ref().map(|offset| (14, &offset[..])));
                file.interface(*link_type, &options);
                can |= *link_type == 227;
            }
            for (n, (interface, stamp, id, data)) in packets.iter().enumerate() {
                let mut packet = classic((*id).into(), data);
                if n % 3 == 0 {
                    // Padding stripped.
                    packet.truncate(8 + data.len());
                }
                file.packet(*interface, *stamp, &packet, &[]);
                let Some(of) = interfaces.get(*interface as usize) else {
                    malformed += 1;
                    continue;
                };
                if of.link_type != 227 {
                    other += 1;
                    continue;
                }
                let clock = Clock::new(of.resolution.unwrap_or(6), of.offset_s.unwrap_or(0).into());
                match clock.to_ns(*stamp) {
                    Some(t_ns) => expected.push(OwnedFrame {
                        t_ns,
                        bus: BusIndex::new(base + *interface as u16),
                        id: CanId::Base(*id),
                        flags: PLAIN,
                        data: data.clone(),
                    }),
                    None => malformed += 1,
                }
            }
            base += interfaces.len() as u16;
        }
        let (all, summary) = told(&file.bytes);
        prop_assert_eq!(frames(&all), expected.iter().collect::<Vec<_>>());
        let (streamed, streamed_summary) = told_in_pieces(&file.bytes, piece);
        prop_assert_eq!(&streamed, &all);
        match summary {
            Ok(summary) => {
                prop_assert_eq!(summary.buses.len(), usize::from(base));
                prop_assert_eq!(summary.skipped.other_link_type, other);
                prop_assert_eq!(summary.malformed.count(), malformed);
                prop_assert_eq!(streamed_summary.unwrap(), summary);
            }
            Err(Problem::WrongLinkType(_)) => prop_assert!(!can && base > 0),
            Err(problem) => prop_assert!(false, "{problem}"),
        }
    }
}

#[test]
fn joined_files_number_their_buses_on() {
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[])
        .bus("a")
        .bus("b")
        .packet(1, 1, &classic(1, &[]), &[]);
    file.section(ByteOrder::Big, &[])
        .bus("c")
        .packet(0, 2, &classic(2, &[]), &[]);
    file.packet(1, 3, &classic(3, &[]), &[]);
    let (all, summary) = told(&file.bytes);
    let buses: Vec<_> = frames(&all)
        .iter()
        .map(|frame| frame.bus.as_usize())
        .collect();
    assert_eq!(buses, [1, 2]);
    let summary = summary.unwrap();
    let names: Vec<_> = summary
        .buses
        .iter()
        .flat_map(|bus| bus.interface.name.clone())
        .collect();
    assert_eq!(names, ["a", "b", "c"]);
    // The second section has one interface only.
    assert_eq!(
        summary.malformed.first()[0].reason,
        BadContent::Packet(BadPacket::UnknownInterface(1))
    );
}

#[test]
fn a_bad_packet_is_counted_with_its_place_and_the_rest_is_read() {
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[]).bus("can0");
    let good = classic(0x10, &[1]);
    let mut expected = Vec::new();
    let bad: [(&[u8], BadPacket); 5] = [
        (&[0; 5], BadPacket::ShortHeader(5)),
        (
            &[0, 0, 0, 1, 8, 0, 0, 0, 1, 2],
            BadPacket::ShortData {
                length: 8,
                captured: 2,
            },
        ),
        (
            &[0, 0, 0, 1, 65, 0, 0, 0, 1, 2, 3, 4],
            BadPacket::LongData(65),
        ),
        (
            &[0, 0, 0xFF, 0xFF, 0, 0, 0, 0],
            BadPacket::Identifier(0xFFFF),
        ),
        (&[], BadPacket::ShortHeader(0)),
    ];
    for (packet, reason) in bad {
        file.packet(0, 5, &good, &[]);
        expected.push((file.bytes.len() as u64, BadContent::Packet(reason)));
        file.packet(0, 5, packet, &[]);
    }
    expected.push((
        file.bytes.len() as u64,
        BadContent::Packet(BadPacket::TimeStamp),
    ));
    file.packet(0, u64::MAX, &good, &[]);
    expected.push((
        file.bytes.len() as u64,
        BadContent::Packet(BadPacket::CapturedLength(60)),
    ));
    let mut body = [0; 20];
    body[12] = 60;
    file.block(6, &[&body[..], &[0; 36]].concat());
    expected.push((
        file.bytes.len() as u64,
        BadContent::Packet(BadPacket::ShortBlock),
    ));
    file.block(6, &[0; 16]);
    expected.push((file.bytes.len() as u64, BadContent::Statistics));
    file.statistics(3, 0, &[]);
    // Here the frame is delivered, and only the option after it is lost.
    expected.push((
        file.bytes.len() as u64,
        BadContent::Packet(BadPacket::Options),
    ));
    let mut body = [&[0; 12][..], &[16, 0, 0, 0, 16, 0, 0, 0], &good].concat();
    body.extend([1, 0, 9, 0, b'c', b'u', b't', 0]);
    file.block(6, &body);
    file.packet(0, 6, &good, &[]);

    let (all, summary) = told(&file.bytes);
    let malformed = summary.unwrap().malformed;
    let places: Vec<_> = malformed
        .first()
        .iter()
        .map(|m| (m.offset, m.reason))
        .collect();
    assert_eq!(places, expected);
    assert_eq!(frames(&all).len(), 7);
}

#[test]
fn xl_frames_are_counted() {
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[]).bus("can0");
    file.packet(
        0,
        5,
        &[0, 0, 0, 1, 0x80, 0, 12, 0, 0, 0, 0, 0, 1, 2, 3, 4],
        &[],
    );
    file.packet(0, 5, &classic(1, &[]), &[]);
    let summary = told(&file.bytes).1.unwrap();
    assert_eq!(
        (
            summary.frames,
            summary.skipped.can_xl,
            summary.malformed.count()
        ),
        (1, 1, 0)
    );
}

#[test]
fn what_an_interface_says_of_itself_is_kept() {
    let mut file = Builder::default();
    file.section(
        ByteOrder::Big,
        &[(2, b"a laptop"), (3, b"an os\0"), (4, b"a program")],
    );
    let rate = file.u64(500_000);
    let offset = file.u64(-3i64 as u64);
    file.interface(
        227,
        &[
            (2, b"can7"),
            (3, b"powertrain"),
            (8, &rate),
            (9, &[0x8A]),
            (12, b"os"),
            (14, &offset),
            (15, b"adapter"),
            (9999, b"?"),
        ],
    );
    let (all, _) = told(&file.bytes);
    let text = |text: &str| Some(text.to_owned());
    assert_eq!(
        all[0],
        Told::Section(Section {
            order: ByteOrder::Big,
            application: text("a program"),
            hardware: text("a laptop"),
            os: text("an os"),
        })
    );
    assert_eq!(
        all[1],
        Told::Bus(
            BusIndex::new(0),
            Interface {
                link_type: 227,
                name: text("can7"),
                description: text("powertrain"),
                hardware: text("adapter"),
                os: text("os"),
                bit_rate_bps: Some(500_000),
                clock: Clock::new(0x8A, -3),
            }
        )
    );
    let clock = Clock::new(0x8A, -3);
    assert_eq!((clock.resolution_s(), clock.offset_s()), (1.0 / 1024.0, -3));
}
