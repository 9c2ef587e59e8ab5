//! Blocks that hold a packet: the common ones at once, all others with everything they may have.

use super::block::{self, Block, Next};
use super::format::{ByteOrder, kind, option, padded};
use super::interface::ReadOptions;
use super::options::Options;
use super::packet::{BadPacket, Content, Packet};

/// An Enhanced Packet Block that holds a good frame, and nothing else that is told.
pub(crate) struct FrameBlock<'a> {
    pub(crate) interface: u32,
    pub(crate) stamp: u64,
    pub(crate) packet: Packet<'a>,
    /// What follows the block.
    pub(crate) after: &'a [u8],
}

impl<'a> FrameBlock<'a> {
    /// The block at the front of a little-endian section, if it is a classic data frame in full
    /// size without options, as Linux writes them: 48 bytes, each at a fixed place.
    #[inline]
    pub(crate) fn full_classic(bytes: &'a [u8]) -> Option<Self> {
        let (block, after) = bytes.split_first_chunk::<48>()?;
        let at = |at: usize| {
            u32::from_le_bytes([block[at], block[at + 1], block[at + 2], block[at + 3]])
        };
        if at(0) != kind::ENHANCED_PACKET || at(4) != 48 || at(20) != 16 || at(44) != 48 {
            return None;
        }
        let packet = Packet::full_classic(block.get(28..44)?.first_chunk()?)?;
        let stamp = u64::from(at(12)) << 32 | u64::from(at(16));
        Some(Self {
            interface: at(8),
            stamp,
            packet,
            after,
        })
    }

    /// The block at the front, if it is any other good frame: shorter, FD, remote, error, of a
    /// big-endian section, or with options that are not told.
    pub(crate) fn any(bytes: &'a [u8], order: ByteOrder) -> Option<Self> {
        if order.u32_at(bytes, 0)? != kind::ENHANCED_PACKET
            || (order == ByteOrder::Little && Self::full_classic(bytes).is_some())
        {
            return None;
        }
        let Next::Block(block) = block::next(bytes, order) else {
            return None;
        };
        let read = PacketBlock::enhanced(&block).ok()?;
        let Ok(Content::Frame(packet)) = Packet::read(read.data) else {
            return None;
        };
        let mut options = Options::new(read.options, order);
        let is_told = |(code, _)| matches!(code, option::COMMENT | option::PACKET_DROP_COUNT);
        if options.any(is_told) || options.is_broken() {
            return None;
        }
        let after = bytes.get(block.length..)?;
        Some(Self {
            interface: read.interface,
            stamp: read.stamp,
            packet,
            after,
        })
    }
}

/// The two kinds of packet block, seen alike.
pub(crate) struct PacketBlock<'a> {
    pub(crate) interface: u32,
    pub(crate) stamp: u64,
    pub(crate) data: &'a [u8],
    /// Frames lost just before, where the block itself says so.
    dropped: u64,
    options: &'a [u8],
}

impl<'a> PacketBlock<'a> {
    pub(crate) fn enhanced(block: &Block<'a>) -> Result<Self, BadPacket> {
        let interface = block
            .order
            .u32_at(block.body, 0)
            .ok_or(BadPacket::ShortBlock)?;
        Self::read(block, interface, 0)
    }

    /// The obsolete Packet Block: a 16-bit interface and a 16-bit drop count, all ones if unknown.
    pub(crate) fn obsolete(block: &Block<'a>) -> Result<Self, BadPacket> {
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

    pub(crate) fn options(&self, order: ByteOrder) -> (ReadOptions<'a>, u64) {
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
