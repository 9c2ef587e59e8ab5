//! Numbers of the pcapng format (draft-ietf-opsawg-pcapng) that reading and writing share, and
//! integers in the byte order of a section.

/// Link type of a SocketCAN packet (`LINKTYPE_CAN_SOCKETCAN`).
pub const LINK_TYPE_SOCKETCAN: u16 = 227;

/// The longest block that is read, 16 MiB.
///
/// A block holds one packet, and no packet of any common link type comes near this; a longer one
/// is a damaged length. The bound keeps a small file from asking for a large buffer.
pub const LONGEST_BLOCK_BYTES: u32 = 16 << 20;

/// Block types (section 11.1 of the draft).
pub(crate) mod kind {
    pub(crate) const SECTION_HEADER: u32 = 0x0A0D_0D0A;
    pub(crate) const INTERFACE_DESCRIPTION: u32 = 1;
    /// Obsolete, still met in old files.
    pub(crate) const PACKET: u32 = 2;
    pub(crate) const SIMPLE_PACKET: u32 = 3;
    pub(crate) const INTERFACE_STATISTICS: u32 = 5;
    pub(crate) const ENHANCED_PACKET: u32 = 6;
}

/// Option codes; a code's meaning depends on its block, except the first two and custom ones.
pub(crate) mod option {
    pub(crate) const END: u16 = 0;
    pub(crate) const COMMENT: u16 = 1;

    pub(crate) const SECTION_HARDWARE: u16 = 2;
    pub(crate) const SECTION_OS: u16 = 3;
    pub(crate) const SECTION_APPLICATION: u16 = 4;

    pub(crate) const INTERFACE_NAME: u16 = 2;
    pub(crate) const INTERFACE_DESCRIPTION: u16 = 3;
    pub(crate) const INTERFACE_SPEED: u16 = 8;
    pub(crate) const INTERFACE_RESOLUTION: u16 = 9;
    pub(crate) const INTERFACE_OS: u16 = 12;
    pub(crate) const INTERFACE_OFFSET: u16 = 14;
    pub(crate) const INTERFACE_HARDWARE: u16 = 15;

    pub(crate) const PACKET_DROP_COUNT: u16 = 4;

    pub(crate) const STATISTICS_START: u16 = 2;
    pub(crate) const STATISTICS_END: u16 = 3;
    pub(crate) const STATISTICS_RECEIVED: u16 = 4;
    pub(crate) const STATISTICS_DROPPED: u16 = 5;
    pub(crate) const STATISTICS_ACCEPTED: u16 = 6;
    pub(crate) const STATISTICS_OS_DROPPED: u16 = 7;
    pub(crate) const STATISTICS_DELIVERED: u16 = 8;
}

/// The byte-order magic of a section header, as its own section writes it.
pub(crate) const BYTE_ORDER_MAGIC: u32 = 0x1A2B_3C4D;
/// The only major version of the format.
pub(crate) const MAJOR_VERSION: u16 = 1;
/// Type, length and length again: what every block has around its body.
pub(crate) const FRAMING_BYTES: usize = 12;

/// The byte order of a section's integers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum ByteOrder {
    /// Least significant byte first.
    #[default]
    Little,
    /// Most significant byte first.
    Big,
}

impl ByteOrder {
    #[inline]
    pub(crate) fn u16(self, bytes: [u8; 2]) -> u16 {
        match self {
            Self::Little => u16::from_le_bytes(bytes),
            Self::Big => u16::from_be_bytes(bytes),
        }
    }

    #[inline]
    pub(crate) fn u32(self, bytes: [u8; 4]) -> u32 {
        match self {
            Self::Little => u32::from_le_bytes(bytes),
            Self::Big => u32::from_be_bytes(bytes),
        }
    }

    #[inline]
    pub(crate) fn u64(self, bytes: [u8; 8]) -> u64 {
        match self {
            Self::Little => u64::from_le_bytes(bytes),
            Self::Big => u64::from_be_bytes(bytes),
        }
    }

    /// The 16-bit integer at a place; `None` past the end.
    #[inline]
    pub(crate) fn u16_at(self, bytes: &[u8], at: usize) -> Option<u16> {
        bytes.get(at..)?.first_chunk().map(|&chunk| self.u16(chunk))
    }

    /// The 32-bit integer at a place; `None` past the end.
    #[inline]
    pub(crate) fn u32_at(self, bytes: &[u8], at: usize) -> Option<u32> {
        bytes.get(at..)?.first_chunk().map(|&chunk| self.u32(chunk))
    }

    /// The time stamp at a place: its upper 32 bits stand first in either byte order.
    #[inline]
    pub(crate) fn stamp_at(self, bytes: &[u8], at: usize) -> Option<u64> {
        let high = self.u32_at(bytes, at)?;
        let low = self.u32_at(bytes, at + 4)?;
        Some(u64::from(high) << 32 | u64::from(low))
    }
}

/// A length rounded up to the 32-bit boundary to which the format pads.
#[inline]
pub(crate) const fn padded(length: usize) -> usize {
    length.saturating_add(3) & !3
}
