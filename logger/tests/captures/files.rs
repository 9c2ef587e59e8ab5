//! What the tests share: captures of every shape, built block by block, and everything that
//! reading them tells, kept.

use std::io::Read;
use std::ops::ControlFlow;

use proptest::prelude::*;
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_logger::capture::{
    ByteOrder, Event, Interface, Problem, Section, Statistics, Summary, read_bytes, read_stream,
};

/// An event that owns what it tells.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Told {
    Section(Section),
    Bus(BusIndex, Interface),
    Frame(OwnedFrame),
    Mark(Option<i64>, Option<BusIndex>, String),
    Statistics(Statistics),
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct OwnedFrame {
    pub(crate) t_ns: i64,
    pub(crate) bus: BusIndex,
    pub(crate) id: CanId,
    pub(crate) flags: FrameFlags,
    pub(crate) data: Vec<u8>,
}

impl OwnedFrame {
    pub(crate) fn frame(&self) -> Frame<'_> {
        let &Self {
            t_ns,
            bus,
            id,
            flags,
            ..
        } = self;
        Frame {
            t_ns,
            bus,
            id,
            flags,
            data: &self.data,
        }
    }
}

impl From<Event<'_>> for Told {
    fn from(event: Event<'_>) -> Self {
        match event {
            Event::Section(section) => Self::Section(section.clone()),
            Event::Bus(bus, interface) => Self::Bus(bus, interface.clone()),
            Event::Frame(f) => {
                let Frame {
                    t_ns,
                    bus,
                    id,
                    flags,
                    data,
                } = f;
                Self::Frame(OwnedFrame {
                    t_ns,
                    bus,
                    id,
                    flags,
                    data: data.to_vec(),
                })
            }
            Event::Mark(mark) => Self::Mark(mark.t_ns, mark.bus, mark.text.into_owned()),
            Event::Statistics(statistics) => Self::Statistics(*statistics),
        }
    }
}

/// Everything that a capture in memory tells.
pub(crate) fn told(bytes: &[u8]) -> (Vec<Told>, Result<Summary, Problem>) {
    let mut all = Vec::new();
    let summary = read_bytes(bytes, |event| {
        all.push(event.into());
        ControlFlow::Continue(())
    });
    (all, summary)
}

/// The same, streamed from a source that gives at most `piece` bytes at a time.
pub(crate) fn told_in_pieces(bytes: &[u8], piece: usize) -> (Vec<Told>, Result<Summary, Problem>) {
    let mut all = Vec::new();
    let summary = read_stream(Pieces { bytes, piece }, |event| {
        all.push(event.into());
        ControlFlow::Continue(())
    });
    (all, summary)
}

struct Pieces<'a> {
    bytes: &'a [u8],
    piece: usize,
}

impl Read for Pieces<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let most = self.piece.min(buffer.len());
        self.bytes.read(&mut buffer[..most])
    }
}

pub(crate) fn frames(told: &[Told]) -> Vec<&OwnedFrame> {
    told.iter()
        .filter_map(|told| match told {
            Told::Frame(frame) => Some(frame),
            _ => None,
        })
        .collect()
}

/// Builds a capture block by block, in either byte order, faults included. It shares no code with
/// the writer.
#[derive(Clone, Debug, Default)]
pub(crate) struct Builder {
    pub(crate) bytes: Vec<u8>,
    order: ByteOrder,
}

impl Builder {
    pub(crate) fn u16(&self, value: u16) -> [u8; 2] {
        match self.order {
            ByteOrder::Little => value.to_le_bytes(),
            ByteOrder::Big => value.to_be_bytes(),
        }
    }

    pub(crate) fn u32(&self, value: u32) -> [u8; 4] {
        match self.order {
            ByteOrder::Little => value.to_le_bytes(),
            ByteOrder::Big => value.to_be_bytes(),
        }
    }

    pub(crate) fn u64(&self, value: u64) -> [u8; 8] {
        match self.order {
            ByteOrder::Little => value.to_le_bytes(),
            ByteOrder::Big => value.to_be_bytes(),
        }
    }

    /// The upper half first, in either byte order.
    pub(crate) fn stamp(&self, stamp: u64) -> Vec<u8> {
        [self.u32((stamp >> 32) as u32), self.u32(stamp as u32)].concat()
    }

    pub(crate) fn block(&mut self, kind: u32, body: &[u8]) -> &mut Self {
        let padding = vec![0; body.len().next_multiple_of(4) - body.len()];
        let length = self.u32((12 + body.len() + padding.len()) as u32);
        let kind = self.u32(kind);
        for part in [&kind[..], &length, body, &padding, &length] {
            self.bytes.extend(part);
        }
        self
    }

    pub(crate) fn options(&self, options: &[(u16, &[u8])]) -> Vec<u8> {
        let mut list = Vec::new();
        for (code, value) in options {
            list.extend(self.u16(*code));
            list.extend(self.u16(value.len() as u16));
            list.extend(*value);
            list.resize(list.len().next_multiple_of(4), 0);
        }
        if !options.is_empty() {
            list.extend([0; 4]);
        }
        list
    }

    pub(crate) fn section(&mut self, order: ByteOrder, options: &[(u16, &[u8])]) -> &mut Self {
        self.order = order;
        let mut body = self.u32(0x1A2B_3C4D).to_vec();
        body.extend(self.u16(1));
        body.extend(self.u16(0));
        body.extend([0xFF; 8]);
        body.extend(self.options(options));
        self.block(0x0A0D_0D0A, &body)
    }

    pub(crate) fn interface(&mut self, link_type: u16, options: &[(u16, &[u8])]) -> &mut Self {
        let mut body = self.u16(link_type).to_vec();
        body.extend([0; 6]);
        body.extend(self.options(options));
        self.block(1, &body)
    }

    /// A CAN bus with stamps in nanoseconds.
    pub(crate) fn bus(&mut self, name: &str) -> &mut Self {
        self.interface(227, &[(2, name.as_bytes()), (9, &[9])])
    }

    pub(crate) fn packet(
        &mut self,
        interface: u32,
        stamp: u64,
        packet: &[u8],
        options: &[(u16, &[u8])],
    ) -> &mut Self {
        let mut body = self.u32(interface).to_vec();
        body.extend(self.stamp(stamp));
        body.extend(self.u32(packet.len() as u32));
        body.extend(self.u32(packet.len() as u32));
        body.extend(packet);
        body.resize(body.len().next_multiple_of(4), 0);
        body.extend(self.options(options));
        self.block(6, &body)
    }

    pub(crate) fn obsolete_packet(
        &mut self,
        interface: u16,
        dropped: u16,
        stamp: u64,
        packet: &[u8],
    ) -> &mut Self {
        let mut body = self.u16(interface).to_vec();
        body.extend(self.u16(dropped));
        body.extend(self.stamp(stamp));
        body.extend(self.u32(packet.len() as u32));
        body.extend(self.u32(packet.len() as u32));
        body.extend(packet);
        self.block(2, &body)
    }

    pub(crate) fn simple_packet(&mut self, packet: &[u8]) -> &mut Self {
        let body = [&self.u32(packet.len() as u32)[..], packet].concat();
        self.block(3, &body)
    }

    pub(crate) fn statistics(
        &mut self,
        interface: u32,
        stamp: u64,
        options: &[(u16, &[u8])],
    ) -> &mut Self {
        let mut body = self.u32(interface).to_vec();
        body.extend(self.stamp(stamp));
        body.extend(self.options(options));
        self.block(5, &body)
    }
}

/// A packet of link type 227 in full size, laid out by hand.
pub(crate) fn classic(id: u32, data: &[u8]) -> Vec<u8> {
    let mut packet = id.to_be_bytes().to_vec();
    packet.extend([data.len() as u8, 0, 0, 0]);
    packet.extend(data);
    packet.resize(16, 0);
    packet
}

/// A small capture with a block of every kind and a frame of every kind.
pub(crate) fn everything(order: ByteOrder) -> Builder {
    let mut file = Builder::default();
    file.section(order, &[(1, b"a comment"), (4, b"some program")]);
    file.bus("can0")
        .interface(1, &[])
        .interface(227, &[(1, b"microseconds"), (3, b"second")]);
    file.packet(
        0,
        1_000_000_000,
        &classic(0x123, &[1, 2, 3, 4, 5, 6, 7, 8]),
        &[],
    );
    file.packet(
        0,
        1_000_100_000,
        &classic(0x98FE_BF0B, &[9]),
        &[(1, b"here"), (1, "zw\u{f6}lf".as_bytes())],
    );
    file.packet(1, 5, &[0xAB; 61], &[]);
    file.packet(
        2,
        1_001_000,
        &[0, 0, 0, 1, 3, 4, 0, 0, 7, 8, 9],
        &[(2, &[0, 0, 0, 1])],
    );
    file.block(0x0BAD, &[1, 2, 3]);
    file.obsolete_packet(2, 3, 1_002_000, &classic(0x4000_0055, &[]));
    file.packet(2, 1_002_500, &[], &[(1, b"between")]);
    file.simple_packet(&classic(0x7FF, &[1]));
    let (received, dropped) = (file.u64(70), file.u64(2));
    file.statistics(0, 1_003_000_000, &[(4, &received), (7, &dropped)]);
    file.packet(
        2,
        1_003_000,
        &classic(0x2000_0004, &[0, 1, 0, 0, 0, 0, 0, 0]),
        &[],
    );
    file.packet(0, 1_004_000_000, &classic(0x124, &[1, 2]), &[]);
    file
}

/// Any frame that a bus can carry, on one of so many buses, after the epoch.
pub(crate) fn any_frame(buses: u16) -> impl Strategy<Value = OwnedFrame> {
    let id = prop_oneof![
        (0..=CanId::MAX_BASE).prop_map(|n| CanId::Base(n as u16)),
        (0..=CanId::MAX_EXTENDED).prop_map(CanId::Extended),
    ];
    let data = proptest::collection::vec(any::<u8>(), 0..=64);
    let bus = (0..buses).prop_map(BusIndex::new);
    (0..=i64::MAX, bus, id, 0..5u8, any::<(bool, bool)>(), data).prop_map(
        |(t_ns, bus, id, kind, (bit_rate_switch, error_state), mut data)| {
            let plain = FrameFlags::default();
            let (id, flags) = match kind {
                0 => (
                    id,
                    FrameFlags {
                        fd: true,
                        bit_rate_switch,
                        error_state,
                        ..plain
                    },
                ),
                1 => (
                    id,
                    FrameFlags {
                        remote: true,
                        ..plain
                    },
                ),
                2 => (
                    CanId::Extended(id.number()),
                    FrameFlags {
                        error: true,
                        ..plain
                    },
                ),
                _ => (id, plain),
            };
            data.truncate(if flags.fd {
                64
            } else if flags.remote {
                0
            } else {
                data.len() % 9
            });
            OwnedFrame {
                t_ns,
                bus,
                id,
                flags,
                data,
            }
        },
    )
}
