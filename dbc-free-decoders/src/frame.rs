//! One CAN frame as received: the type that every source gives and every consumer takes.

use std::fmt;

/// Most data bytes that one frame carries (CAN FD, ISO 11898-1:2015).
pub const MAX_DATA_BYTES: usize = 64;

/// A CAN identifier, 11-bit (base) or 29-bit (extended), as in ISO 11898-1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CanId {
    /// 11-bit identifier, 0 to 0x7FF.
    Base(u16),
    /// 29-bit identifier, 0 to 0x1FFF_FFFF.
    Extended(u32),
}

impl CanId {
    /// Largest 11-bit identifier.
    pub const MAX_BASE: u32 = 0x7FF;
    /// Largest 29-bit identifier.
    pub const MAX_EXTENDED: u32 = 0x1FFF_FFFF;

    /// The identifier from its number and width; `None` if the number does not fit.
    #[must_use]
    pub fn new(number: u32, extended: bool) -> Option<Self> {
        match extended {
            false => u16::try_from(number)
                .ok()
                .filter(|&n| u32::from(n) <= Self::MAX_BASE)
                .map(Self::Base),
            true => (number <= Self::MAX_EXTENDED).then_some(Self::Extended(number)),
        }
    }

    /// The identifier's number, without its width.
    #[inline]
    #[must_use]
    pub fn number(self) -> u32 {
        match self {
            Self::Base(n) => u32::from(n),
            Self::Extended(n) => n,
        }
    }

    /// Whether the identifier has 29 bits.
    #[must_use]
    pub fn is_extended(self) -> bool {
        matches!(self, Self::Extended(_))
    }
}

impl fmt::Display for CanId {
    /// `0x1A0` for 11 bits, `0x18FEBF0B` (eight digits) for 29.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Base(n) => write!(f, "0x{n:03X}"),
            Self::Extended(n) => write!(f, "0x{n:08X}"),
        }
    }
}

/// The number of a bus within one capture: the index of its interface block, counted over the
/// whole file from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BusIndex(u16);

impl BusIndex {
    /// The bus with this index.
    #[inline]
    #[must_use]
    pub const fn new(index: u16) -> Self {
        Self(index)
    }

    /// The index, for use in a slice.
    #[inline]
    #[must_use]
    pub const fn as_usize(self) -> usize {
        self.0 as usize
    }
}

/// What kind of frame it is, beside its data.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct FrameFlags {
    /// CAN FD frame format.
    pub fd: bool,
    /// FD: the data phase ran at the higher bit rate (BRS).
    pub bit_rate_switch: bool,
    /// FD: the sender was error passive (ESI).
    pub error_state: bool,
    /// Remote frame: asks for data, carries none.
    pub remote: bool,
    /// Error frame made by the controller's driver; the identifier then holds error classes.
    pub error: bool,
}

impl FrameFlags {
    /// Whether the frame carries data from a sender (neither remote nor error).
    #[inline]
    #[must_use]
    pub fn carries_data(self) -> bool {
        !self.remote && !self.error
    }
}

/// One received frame. The data borrow the reader's buffer, so that reading copies nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Receive time in nanoseconds since the epoch, in the clock of whoever stamped it.
    pub t_ns: i64,
    /// The bus it came from.
    pub bus: BusIndex,
    /// The identifier; of an error frame, the error classes as an extended number.
    pub id: CanId,
    /// Flags.
    pub flags: FrameFlags,
    /// The data bytes, 0 to 8, for FD up to 64.
    pub data: &'a [u8],
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_keep_their_width() {
        assert_eq!(CanId::new(0x7FF, false), Some(CanId::Base(0x7FF)));
        assert_eq!(CanId::new(0x800, false), None);
        assert_eq!(CanId::new(0x800, true), Some(CanId::Extended(0x800)));
        assert_eq!(CanId::new(0x2000_0000, true), None);
        assert_ne!(CanId::new(1, false), CanId::new(1, true));
        assert_eq!(CanId::Base(0x0A).to_string(), "0x00A");
        assert_eq!(CanId::Extended(0x0A).to_string(), "0x0000000A");
    }
}
