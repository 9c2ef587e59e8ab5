//! From blocks to events: what a capture's blocks mean to each other.
//!
//! Pure: bytes come in as slices of any size, events go out through the caller's closure, and
//! nothing is kept but the description of the buses. The closure is compiled into the loop.

use std::ops::ControlFlow;

use slipwright_decoders::frame::BusIndex;

use super::block::{self, BadBlock, Block, Next};
use super::clock::Clock;
use super::error::{Looks, Problem};
use super::event::{Event, Mark};
use super::format::{ByteOrder, kind};
use super::interface::{Interface, ReadOptions, Section};
use super::packet::{BadPacket, Content, Packet};
use super::packet_block::{FrameBlock, PacketBlock};
use super::statistics::Statistics;
use super::summary::{
    BACKWARD_STEP_NS, BackwardStep, BadContent, BusSummary, Ending, Malformed, Summary,
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
    /// The greatest number before the first frame, which [`Channel::count`] thereby notices.
    last_ns: i64,
}

impl Channel {
    /// Counts a frame. Returns the stamp before it if it is the first one or stamped earlier.
    #[inline]
    fn count(&mut self, t_ns: i64) -> Option<i64> {
        self.frames += 1;
        let from_ns = std::mem::replace(&mut self.last_ns, t_ns);
        (t_ns < from_ns).then_some(from_ns)
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
            let order = self.order;
            if order == ByteOrder::Little {
                let rest = bytes.get(at..).unwrap_or_default();
                let (taken, flow) = self.frames(rest, FrameBlock::full_classic, sink);
                at += taken;
                if flow.is_break() {
                    return (at, Pause::Stopped);
                }
            }
            let rest = bytes.get(at..).unwrap_or_default();
            let (taken, flow) = self.frames(rest, |bytes| FrameBlock::any(bytes, order), sink);
            at += taken;
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

    /// The loops in which nearly all time is spent: a run of frames as `next` finds them, of
    /// described buses, stamped in order. Whatever is else ends the run and is left to
    /// [`Reading::block`].
    ///
    /// Not inlined, and with no call for the most common block but the caller's closure, so that
    /// the loop's state stays in registers: measured, that is half the time.
    #[inline(never)]
    fn frames<'a, S>(
        &mut self,
        bytes: &'a [u8],
        next: impl Fn(&'a [u8]) -> Option<FrameBlock<'a>>,
        sink: &mut S,
    ) -> (usize, ControlFlow<()>)
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let channels = self.channels.get_mut(self.base..).unwrap_or_default();
        let mut rest = bytes;
        let mut flow = ControlFlow::Continue(());
        let mut last_ns = self.summary.last_ns;
        while let Some(FrameBlock {
            interface,
            stamp,
            packet,
            after,
        }) = next(rest)
        {
            let Some(channel) = channels.get_mut(interface as usize) else {
                break;
            };
            let Some(t_ns) = channel.clock.direct_ns(stamp) else {
                break;
            };
            if !channel.is_can || t_ns < channel.last_ns {
                break;
            }
            channel.last_ns = t_ns;
            channel.frames += 1;
            last_ns = Some(t_ns);
            rest = after;
            flow = sink(Event::Frame(packet.frame(channel.bus, t_ns)));
            if flow.is_break() {
                break;
            }
        }
        let taken = bytes.len() - rest.len();
        self.offset += taken as u64;
        self.summary.last_ns = last_ns;
        (taken, flow)
    }

    /// A bus's first frame, or one stamped earlier than the one before it.
    #[cold]
    fn first_or_back(&mut self, bus: BusIndex, offset: u64, from_ns: i64, to_ns: i64) {
        let Some(channel) = self.channels.get_mut(bus.as_usize()) else {
            return;
        };
        if channel.frames == 1 {
            channel.first_ns = to_ns;
            self.summary.first_ns.get_or_insert(to_ns);
        } else if to_ns < from_ns.saturating_sub(BACKWARD_STEP_NS) {
            let channels = &self.channels;
            self.summary.backward_steps.push_with(|| BackwardStep {
                bus,
                frame: channels.iter().map(|channel| channel.frames).sum(),
                offset,
                from_ns,
                to_ns,
            });
        }
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
            last_ns: i64::MAX,
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
        let (t_ns, is_can) = (channel.clock.to_ns(packet.stamp), channel.is_can);
        if !is_can {
            self.summary.skipped.other_link_type += 1;
        } else if packet.data.is_empty() && !rest.comments.is_empty() {
            // A packet without content is how a mark between frames is written.
        } else {
            let read = t_ns
                .ok_or(BadPacket::TimeStamp)
                .and_then(|t_ns| Packet::read(packet.data).map(|content| (t_ns, content)));
            match read {
                Ok((t_ns, Content::Frame(content))) => {
                    if let Some(from_ns) = channel.count(t_ns) {
                        self.first_or_back(bus, self.offset, from_ns, t_ns);
                    }
                    self.summary.last_ns = Some(t_ns);
                    sink(Event::Frame(content.frame(bus, t_ns)))?;
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
            Pause::Damaged(reason) => {
                let zeros = reason
                    .bytes_before_zeros()
                    .and_then(|front| tail.get(front..));
                match zeros {
                    Some(zeros) if zeros.iter().all(|&byte| byte == 0) => Ending::Cut { offset },
                    _ => Ending::Damaged { offset, reason },
                }
            }
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
        let frames = self.channels.iter().map(|channel| channel.frames).sum();
        Ok(Summary {
            frames,
            bytes: self.offset,
            ending,
            ..self.summary
        })
    }
}
