//! From blocks to events: what a capture's blocks mean to each other.
//!
//! Pure: bytes come in as slices of any size, events go out through the caller's closure, and
//! nothing is kept but the description of the buses. The closure is compiled into the loop.

use std::ops::ControlFlow;

use slipwright_decoders::frame::{BusIndex, Frame};

use super::block::{self, BadBlock, Block, Next};
use super::clock::Clock;
use super::error::{Looks, Problem};
use super::event::{Event, Mark};
use super::format::{ByteOrder, kind, option, padded};
use super::interface::{Interface, ReadOptions, Section};
use super::options::Options;
use super::packet::{self, BadPacket, Content};
use super::statistics::Statistics;
use super::summary::{
    BACKWARD_STEP_NS, BackwardStep, BadContent, BusSummary, Ending, Few, Malformed, Summary,
};

/// Why [`Reading::advance`] came back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Pause {
    /// The bytes are used up, perhaps but for the beginning of a block.
    NeedMore,
    /// The caller wants no more.
    Stopped,
    /// A block cannot be read.
    Damaged(BadBlock),
}

/// What one packet needs to know of its interface, and counts there.
struct Channel {
    is_can: bool,
    bus: BusIndex,
    clock: Clock,
    frames: u64,
    first_ns: i64,
    /// The least number before the first frame, from which nothing steps back.
    last_ns: i64,
}

/// Counts over all frames.
#[derive(Default)]
struct Tally {
    frames: u64,
    first_ns: i64,
    last_ns: i64,
    backward_steps: Few<BackwardStep>,
}

impl Tally {
    #[inline]
    fn count(&mut self, channel: &mut Channel, t_ns: i64, offset: u64) {
        if self.frames == 0 {
            self.first_ns = t_ns;
        }
        self.last_ns = t_ns;
        self.frames += 1;
        if channel.frames == 0 {
            channel.first_ns = t_ns;
        }
        let from_ns = std::mem::replace(&mut channel.last_ns, t_ns);
        channel.frames += 1;
        if t_ns < from_ns.saturating_sub(BACKWARD_STEP_NS) {
            let (bus, frame) = (channel.bus, self.frames);
            self.backward_steps.push(BackwardStep {
                bus,
                frame,
                offset,
                from_ns,
                to_ns: t_ns,
            });
        }
    }
}

/// The state of one reading.
#[derive(Default)]
pub(crate) struct Reading {
    order: ByteOrder,
    in_section: bool,
    /// Bytes consumed so far: the place of the block at hand.
    offset: u64,
    /// Index of the current section's first interface.
    base: usize,
    channels: Vec<Channel>,
    tally: Tally,
    summary: Summary,
}

impl Reading {
    /// Reads the whole blocks at the front of `bytes`. Returns how many bytes they took, and why
    /// it came back; after [`Pause::NeedMore`] the next call begins with the bytes that are left.
    pub(crate) fn advance<S>(&mut self, bytes: &[u8], sink: &mut S) -> (usize, Pause)
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let mut at = 0;
        loop {
            let rest = bytes.get(at..).unwrap_or_default();
            let (taken, flow) = match self.order {
                ByteOrder::Little => self.common_packets::<false, S>(rest, sink),
                ByteOrder::Big => self.common_packets::<true, S>(rest, sink),
            };
            at += taken;
            self.offset += taken as u64;
            if flow.is_break() {
                return (at, Pause::Stopped);
            }
            let block = match block::next(bytes.get(at..).unwrap_or_default(), self.order) {
                Next::Block(block) => block,
                Next::NeedMore => return (at, Pause::NeedMore),
                Next::Bad(bad) => return (at, Pause::Damaged(bad)),
            };
            let flow = match self.block(&block, sink) {
                Ok(flow) => flow,
                Err(bad) => return (at, Pause::Damaged(bad)),
            };
            at += block.length;
            self.offset += block.length as u64;
            if flow.is_break() {
                return (at, Pause::Stopped);
            }
        }
    }

    /// The loop in which nearly all time is spent: a run of Enhanced Packet Blocks that hold good
    /// frames of described buses and no options. Whatever is else ends the run and is left to
    /// [`Reading::block`].
    #[inline]
    fn common_packets<const BIG: bool, S>(
        &mut self,
        bytes: &[u8],
        sink: &mut S,
    ) -> (usize, ControlFlow<()>)
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let channels = self.channels.get_mut(self.base..).unwrap_or_default();
        let mut rest = bytes;
        while let Some(head) = rest.first_chunk::<28>() {
            let word = |at: usize| {
                let bytes = [head[at], head[at + 1], head[at + 2], head[at + 3]];
                if BIG {
                    u32::from_be_bytes(bytes)
                } else {
                    u32::from_le_bytes(bytes)
                }
            };
            let length = word(4) as usize;
            let captured = word(20) as usize;
            if word(0) != kind::ENHANCED_PACKET || length != 32 + padded(captured) {
                break;
            }
            let Some((block, after)) = rest.split_at_checked(length) else {
                break;
            };
            let (Some(packet), Some(&last)) = (block.get(28..28 + captured), block.last_chunk())
            else {
                break;
            };
            let last = if BIG {
                u32::from_be_bytes(last)
            } else {
                u32::from_le_bytes(last)
            };
            let Some(channel) = channels.get_mut(word(8) as usize) else {
                break;
            };
            if last as usize != length || !channel.is_can {
                break;
            }
            let stamp = u64::from(word(12)) << 32 | u64::from(word(16));
            let Some(t_ns) = channel.clock.to_ns(stamp) else {
                break;
            };
            let Ok(Content::Frame { id, flags, data }) = packet::read(packet) else {
                break;
            };
            let offset = self.offset + (bytes.len() - rest.len()) as u64;
            self.tally.count(channel, t_ns, offset);
            rest = after;
            let flow = sink(Event::Frame(Frame {
                t_ns,
                bus: channel.bus,
                id,
                flags,
                data,
            }));
            if flow.is_break() {
                return (bytes.len() - rest.len(), flow);
            }
        }
        (bytes.len() - rest.len(), ControlFlow::Continue(()))
    }

    /// Any one block.
    fn block<S>(&mut self, block: &Block<'_>, sink: &mut S) -> Result<ControlFlow<()>, BadBlock>
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let body = block.body;
        match block.kind {
            kind::SECTION_HEADER => {
                self.in_section = true;
                self.order = block.order;
                self.base = self.channels.len();
                let (section, rest) = Section::read(body, block.order);
                self.note_broken(&rest, BadContent::Description);
                if sink(Event::Section(&section)).is_break() {
                    return Ok(ControlFlow::Break(()));
                }
                Ok(self.marks(&rest.comments, None, None, sink))
            }
            _ if !self.in_section => Err(BadBlock::NoByteOrder),
            kind::INTERFACE_DESCRIPTION => {
                let (interface, rest) = Interface::read(body, self.order)?;
                self.note_broken(&rest, BadContent::Description);
                let bus = self.add_interface(interface)?;
                if let Some(described) = self.summary.buses.last()
                    && sink(Event::Bus(bus, &described.interface)).is_break()
                {
                    return Ok(ControlFlow::Break(()));
                }
                Ok(self.marks(&rest.comments, None, Some(bus), sink))
            }
            kind::ENHANCED_PACKET => Ok(self.packet_block(&PacketBlock::enhanced(block), sink)),
            kind::PACKET => Ok(self.packet_block(&PacketBlock::obsolete(block), sink)),
            kind::SIMPLE_PACKET => {
                self.summary.skipped.unstamped += 1;
                Ok(ControlFlow::Continue(()))
            }
            kind::INTERFACE_STATISTICS => Ok(self.statistics(body, sink)),
            _ => {
                self.summary.skipped.other_blocks += 1;
                Ok(ControlFlow::Continue(()))
            }
        }
    }

    fn add_interface(&mut self, interface: Interface) -> Result<BusIndex, BadBlock> {
        let index = u16::try_from(self.channels.len()).map_err(|_| BadBlock::TooManyInterfaces)?;
        let bus = BusIndex::new(index);
        self.channels.push(Channel {
            is_can: interface.is_can(),
            bus,
            clock: interface.clock,
            frames: 0,
            first_ns: 0,
            last_ns: i64::MIN,
        });
        self.summary.buses.push(BusSummary {
            interface,
            frames: 0,
            first_ns: None,
            last_ns: None,
            statistics: None,
            lost_between: 0,
        });
        Ok(bus)
    }

    /// A packet with whatever options and faults it has.
    fn packet_block<S>(
        &mut self,
        packet: &Result<PacketBlock<'_>, BadPacket>,
        sink: &mut S,
    ) -> ControlFlow<()>
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let packet = match packet {
            Ok(packet) => packet,
            Err(bad) => {
                self.malformed((*bad).into());
                return ControlFlow::Continue(());
            }
        };
        let index = self.base.saturating_add(packet.interface as usize);
        let Some(channel) = self.channels.get_mut(index) else {
            self.malformed(BadPacket::UnknownInterface(packet.interface).into());
            return ControlFlow::Continue(());
        };
        let bus = channel.bus;
        let (rest, dropped) = packet.options(self.order);
        if let Some(described) = self.summary.buses.get_mut(index) {
            described.lost_between = described.lost_between.saturating_add(dropped);
        }
        let t_ns = channel.clock.to_ns(packet.stamp);
        if !channel.is_can {
            self.summary.skipped.other_link_type += 1;
        } else if packet.data.is_empty() && !rest.comments.is_empty() {
            // A packet without content is how a mark between frames is written.
        } else {
            let read = t_ns
                .ok_or(BadPacket::TimeStamp)
                .and_then(|t_ns| packet::read(packet.data).map(|content| (t_ns, content)));
            match read {
                Ok((t_ns, Content::Frame { id, flags, data })) => {
                    self.tally.count(channel, t_ns, self.offset);
                    sink(Event::Frame(Frame {
                        t_ns,
                        bus,
                        id,
                        flags,
                        data,
                    }))?;
                }
                Ok((_, Content::Xl)) => self.summary.skipped.can_xl += 1,
                Err(bad) => self.malformed(bad.into()),
            }
        }
        self.note_broken(&rest, BadPacket::Options.into());
        self.marks(&rest.comments, t_ns, Some(bus), sink)
    }

    fn statistics<S>(&mut self, body: &[u8], sink: &mut S) -> ControlFlow<()>
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let index = self
            .order
            .u32_at(body, 0)
            .map(|id| self.base.saturating_add(id as usize));
        let read = index.and_then(|index| {
            let channel = self.channels.get(index)?;
            Statistics::read(body, self.order, channel.bus, &channel.clock)
                .map(|(statistics, rest)| (index, statistics, rest))
        });
        let Some((index, statistics, rest)) = read else {
            self.malformed(BadContent::Statistics);
            return ControlFlow::Continue(());
        };
        self.note_broken(&rest, BadContent::Statistics);
        if let Some(described) = self.summary.buses.get_mut(index) {
            described.statistics = Some(statistics);
        }
        sink(Event::Statistics(&statistics))?;
        self.marks(
            &rest.comments,
            Some(statistics.t_ns),
            Some(statistics.bus),
            sink,
        )
    }

    fn marks<S>(
        &mut self,
        comments: &[&[u8]],
        t_ns: Option<i64>,
        bus: Option<BusIndex>,
        sink: &mut S,
    ) -> ControlFlow<()>
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        for comment in comments {
            self.summary.marks += 1;
            sink(Event::Mark(Mark {
                t_ns,
                bus,
                text: String::from_utf8_lossy(comment),
            }))?;
        }
        ControlFlow::Continue(())
    }

    fn malformed(&mut self, reason: BadContent) {
        self.summary.malformed.push(Malformed {
            offset: self.offset,
            reason,
        });
    }

    fn note_broken(&mut self, rest: &ReadOptions<'_>, reason: BadContent) {
        if rest.broken {
            self.malformed(reason);
        }
    }

    /// How a capture ends whose last bytes, after all whole blocks, are `tail`.
    pub(crate) fn ending(&self, tail: &[u8], pause: Pause) -> Ending {
        let offset = self.offset;
        match pause {
            Pause::Stopped => Ending::Stopped,
            Pause::NeedMore if tail.is_empty() => Ending::Whole,
            Pause::NeedMore if block::ends_sooner(tail, self.order) => {
                let length = self.order.u32_at(tail, 4).unwrap_or_default();
                Ending::Damaged {
                    offset,
                    reason: BadBlock::EndsSooner(length),
                }
            }
            Pause::NeedMore => Ending::Cut { offset },
            Pause::Damaged(_) if tail.iter().all(|&byte| byte == 0) => Ending::Cut { offset },
            Pause::Damaged(reason) => Ending::Damaged { offset, reason },
        }
    }

    /// Bytes consumed so far.
    pub(crate) fn offset(&self) -> u64 {
        self.offset
    }

    /// Closes the account.
    pub(crate) fn finish(mut self, ending: Ending) -> Result<Summary, Problem> {
        if !self.in_section
            && matches!(
                ending,
                Ending::Damaged {
                    reason: BadBlock::NoByteOrder,
                    ..
                }
            )
        {
            return Err(Problem::NotACapture(Looks::Unknown));
        }
        let buses = &mut self.summary.buses;
        if ending != Ending::Stopped
            && !buses.is_empty()
            && buses.iter().all(|bus| !bus.interface.is_can())
        {
            let mut types: Vec<u16> = buses.iter().map(|bus| bus.interface.link_type).collect();
            types.sort_unstable();
            types.dedup();
            return Err(Problem::WrongLinkType(types));
        }
        for (bus, channel) in buses.iter_mut().zip(&self.channels) {
            bus.frames = channel.frames;
            bus.first_ns = (channel.frames > 0).then_some(channel.first_ns);
            bus.last_ns = (channel.frames > 0).then_some(channel.last_ns);
        }
        let Tally {
            frames,
            first_ns,
            last_ns,
            backward_steps,
        } = self.tally;
        Ok(Summary {
            frames,
            first_ns: (frames > 0).then_some(first_ns),
            last_ns: (frames > 0).then_some(last_ns),
            backward_steps,
            bytes: self.offset,
            ending,
            ..self.summary
        })
    }
}

/// The two kinds of packet block, seen alike.
struct PacketBlock<'a> {
    interface: u32,
    stamp: u64,
    data: &'a [u8],
    /// Frames lost just before, where the block itself says so.
    dropped: u64,
    options: &'a [u8],
}

impl<'a> PacketBlock<'a> {
    fn enhanced(block: &Block<'a>) -> Result<Self, BadPacket> {
        let interface = block
            .order
            .u32_at(block.body, 0)
            .ok_or(BadPacket::ShortBlock)?;
        Self::read(block, interface, 0)
    }

    /// The obsolete Packet Block: a 16-bit interface and a 16-bit drop count, all ones if unknown.
    fn obsolete(block: &Block<'a>) -> Result<Self, BadPacket> {
        let interface = block
            .order
            .u16_at(block.body, 0)
            .ok_or(BadPacket::ShortBlock)?;
        let dropped = block
            .order
            .u16_at(block.body, 2)
            .filter(|&drops| drops != u16::MAX);
        Self::read(block, interface.into(), dropped.unwrap_or(0).into())
    }

    fn read(block: &Block<'a>, interface: u32, dropped: u64) -> Result<Self, BadPacket> {
        let (body, order) = (block.body, block.order);
        let stamp = order.stamp_at(body, 4).ok_or(BadPacket::ShortBlock)?;
        let captured = order.u32_at(body, 12).ok_or(BadPacket::ShortBlock)?;
        let after = body.get(20..).ok_or(BadPacket::ShortBlock)?;
        let data = after
            .get(..captured as usize)
            .ok_or(BadPacket::CapturedLength(captured))?;
        let options = after.get(padded(captured as usize)..).unwrap_or_default();
        Ok(Self {
            interface,
            stamp,
            data,
            dropped,
            options,
        })
    }

    fn options(&self, order: ByteOrder) -> (ReadOptions<'a>, u64) {
        let mut rest = ReadOptions::default();
        let mut dropped = self.dropped;
        let mut options = Options::new(self.options, order);
        for (code, value) in &mut options {
            match (code, value.try_into()) {
                (option::COMMENT, _) => rest.comments.push(value),
                (option::PACKET_DROP_COUNT, Ok(count)) => dropped = order.u64(count),
                _ => {}
            }
        }
        rest.broken = options.is_broken();
        (rest, dropped)
    }
}
