//! Against another implementation: the pcap-file crate (3.0.0-rc.3), which shares no code with
//! this one. What it writes is read here; what is written here it reads.
//!
//! Differences: it cuts off what is finer than a nanosecond where we round, so only resolutions
//! up to nanoseconds are compared; it knows no time before 1970, and no offsets that lead there.

use std::borrow::Cow;
use std::time::Duration;

use pcap_file::pcapng::blocks::enhanced_packet::{EnhancedPacketBlock, EnhancedPacketOption};
use pcap_file::pcapng::blocks::interface_description::{
    InterfaceDescriptionBlock, InterfaceDescriptionOption, InterfaceTsResolution,
};
use pcap_file::pcapng::blocks::opt_common::CommonOption;
use pcap_file::pcapng::{Block, PcapNgReader, PcapNgWriter};
use pcap_file::{DataLink, Endianness};
use proptest::prelude::*;
use slipwright_decoders::frame::BusIndex;
use slipwright_logger::capture::{CaptureWriter, NewBus, Section};

use crate::files::{OwnedFrame, Told, any_frame, told};

/// A packet of link type 227, laid out once more and independently of the writer's code.
fn packet(frame: &OwnedFrame) -> Vec<u8> {
    let flags = frame.flags;
    let mut word = frame.id.number();
    if flags.error {
        word |= 0x2000_0000;
    } else if frame.id.is_extended() {
        word |= 0x8000_0000;
    }
    if flags.remote {
        word |= 0x4000_0000;
    }
    let fd = [
        (flags.bit_rate_switch, 1),
        (flags.error_state, 2),
        (flags.fd, 4),
    ];
    let fd = fd
        .iter()
        .map(|(is_set, bit)| if *is_set { *bit } else { 0 })
        .sum();
    let mut packet = word.to_be_bytes().to_vec();
    packet.extend([frame.data.len() as u8, fd, 0, 0]);
    packet.extend(&frame.data);
    if !flags.fd {
        packet.resize(16, 0);
    }
    packet
}

proptest! {
    #[test]
    fn it_reads_what_is_written_here(
        frames in proptest::collection::vec(any_frame(2), 0..40),
        mark in proptest::option::of("[ -~]{1,30}"),
    ) {
        let mut writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
        writer.add_bus(&NewBus::named("can0")).unwrap();
        writer.add_bus(&NewBus { bit_rate_bps: Some(500_000), ..NewBus::named("can1") }).unwrap();
        for frame in &frames {
            writer.write_frame(&frame.frame()).unwrap();
        }
        if let Some(mark) = &mark {
            writer.write_mark(77, Some(BusIndex::new(1)), mark).unwrap();
        }
        let bytes = writer.finish().unwrap();

        let mut reader = PcapNgReader::new(&bytes[..]).unwrap();
        let mut names = Vec::new();
        let mut packets = Vec::new();
        while let Some(block) = reader.next_block() {
            match block.unwrap().0.into_owned() {
                Block::InterfaceDescription(interface) => {
                    prop_assert_eq!(interface.linktype, DataLink::CAN_SOCKETCAN);
                    names.extend(interface.options.iter().find_map(|option| match option {
                        InterfaceDescriptionOption::IfName(name) => Some(name.to_string()),
                        _ => None,
                    }));
                }
                Block::EnhancedPacket(packet) => packets.push(packet),
                other => prop_assert!(false, "{other:?}"),
            }
        }
        prop_assert_eq!(names, ["can0", "can1"]);
        if let Some(mark) = mark {
            let last = packets.pop().unwrap();
            prop_assert_eq!((last.interface_id, last.timestamp.as_nanos(), last.data.len()), (1, 77, 0));
            let comment = EnhancedPacketOption::Common(CommonOption::Comment(Cow::from(mark)));
            prop_assert_eq!(last.options, vec![comment]);
        }
        prop_assert_eq!(packets.len(), frames.len());
        for (read, frame) in packets.iter().zip(&frames) {
            prop_assert_eq!(read.interface_id as usize, frame.bus.as_usize());
            prop_assert_eq!(read.timestamp.as_nanos(), frame.t_ns as u128);
            prop_assert_eq!(&read.data[..], &packet(frame)[..]);
        }
    }

    #[test]
    fn what_it_writes_is_read_here(
        frames in proptest::collection::vec(any_frame(3), 0..40),
        resolutions in any::<[bool; 3]>(),
        big: bool,
    ) {
        let endianness = if big { Endianness::Big } else { Endianness::Little };
        let mut writer = PcapNgWriter::with_endianness(Vec::new(), endianness).unwrap();
        let per_count = resolutions.map(|fine| if fine { 1 } else { 1000 });
        for fine in resolutions {
            let mut interface = InterfaceDescriptionBlock::new(DataLink::CAN_SOCKETCAN, 0);
            if fine {
                let resolution = InterfaceTsResolution::NANO;
                interface.options.push(InterfaceDescriptionOption::IfTsResol(resolution));
            }
            writer.write_pcapng_block(interface).unwrap();
        }
        let mut expected = Vec::new();
        for (n, frame) in frames.iter().enumerate() {
            let mut frame = frame.clone();
            frame.t_ns -= frame.t_ns % per_count[frame.bus.as_usize()];
            let data = packet(&frame);
            let mut block = EnhancedPacketBlock {
                interface_id: frame.bus.as_usize() as u32,
                timestamp: Duration::from_nanos(frame.t_ns as u64),
                original_len: data.len() as u32,
                data: Cow::from(data),
                options: vec![],
            };
            let bus = frame.bus;
            let t_ns = frame.t_ns;
            expected.push(Told::Frame(frame));
            if n % 5 == 0 {
                let comment = CommonOption::Comment(Cow::from("look"));
                block.options.push(EnhancedPacketOption::Common(comment));
                expected.push(Told::Mark(Some(t_ns), Some(bus), "look".to_owned()));
            }
            writer.write_pcapng_block(block).unwrap();
        }
        let (all, summary) = told(&writer.into_inner());
        // The section and three interfaces come first.
        prop_assert_eq!(&all[4..], &expected[..]);
        prop_assert!(summary.unwrap().ending.is_whole());
    }
}
