//! J1939: what a 29-bit identifier says, and the validity codes of its numbers (SAE J1939-21, -71).
//!
//! - [`wheel_speed`]: the frames with wheel speeds, also as a decoder file's text.

pub mod wheel_speed;

use std::fmt;

use crate::frame::CanId;

/// PDU format from which on the second byte belongs to the parameter group (SAE J1939-21: PDU2).
const FIRST_BROADCAST_FORMAT: u8 = 240;

/// A parameter group number, 18 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Pgn(u32);

impl Pgn {
    /// Electronic brake controller 2 (EBC2): front axle speed and relative wheel speeds.
    pub const EBC2: Self = Self(65_215);
    /// Cruise control and vehicle speed (CCVS): wheel-based vehicle speed.
    pub const CCVS: Self = Self(65_265);
    /// High resolution wheel speed (HRW): four wheels.
    pub const HRW: Self = Self(65_134);

    /// The group of this number; `None` if it has more than 18 bits, or if its format is addressed
    /// and its low byte, which then is no part of it, not zero.
    #[must_use]
    pub fn new(number: u32) -> Option<Self> {
        let group = Self(number);
        let [.., specific] = number.to_be_bytes();
        let whole = !group.is_addressed() || specific == 0;
        (number <= 0x3_FFFF && whole).then_some(group)
    }

    /// Its number.
    #[must_use]
    pub fn number(self) -> u32 {
        self.0
    }

    /// Whether its frames go to one address (PDU1) and not to all (PDU2).
    #[must_use]
    pub fn is_addressed(self) -> bool {
        let [_, _, format, _] = self.0.to_be_bytes();
        format < FIRST_BROADCAST_FORMAT
    }
}

impl fmt::Display for Pgn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PGN {} (0x{:04X})", self.0, self.0)
    }
}

/// What a 29-bit identifier says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Header {
    /// 0, the highest, to 7.
    pub priority: u8,
    /// What the frame holds.
    pub pgn: Pgn,
    /// Where it goes, if its group is addressed; 255 is everyone.
    pub destination: Option<u8>,
    /// The address that sent it.
    pub source: u8,
}

impl Header {
    /// Reads an identifier; `None` for one of 11 bits.
    #[must_use]
    pub fn from_id(id: CanId) -> Option<Self> {
        let CanId::Extended(number) = id else {
            return None;
        };
        let [top, format, specific, source] = number.to_be_bytes();
        let addressed = format < FIRST_BROADCAST_FORMAT;
        let group = if addressed { 0 } else { specific };
        Some(Self {
            priority: top >> 2 & 0x07,
            pgn: Pgn(u32::from_be_bytes([0, top & 0x03, format, group])),
            destination: addressed.then_some(specific),
            source,
        })
    }

    /// The identifier. A missing destination of an addressed group is everyone; the destination of
    /// another group counts for nothing.
    #[must_use]
    pub fn to_id(self) -> CanId {
        let [_, page, format, group] = self.pgn.0.to_be_bytes();
        let specific = if self.pgn.is_addressed() {
            self.destination.unwrap_or(0xFF)
        } else {
            group
        };
        let top = (self.priority & 0x07) << 2 | page;
        CanId::Extended(u32::from_be_bytes([top, format, specific, self.source]))
    }
}

/// A number as sent, by the validity codes of SAE J1939-71 (section on transmitted values; the
/// limits are from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Slot {
    /// A measurement, not yet scaled.
    Valid(u16),
    /// The sender's sensor is faulty (FE).
    Error,
    /// The sender does not have it (FF).
    NotAvailable,
    /// A code between the valid range and these, which means neither.
    Reserved,
}

impl Slot {
    /// A number of one byte: 0 to FA is valid.
    #[must_use]
    pub fn from_byte(raw: u8) -> Self {
        Self::by_code(raw, raw.into())
    }

    /// A number of two bytes, low byte first: 0 to FAFF is valid.
    #[must_use]
    pub fn from_bytes(raw: [u8; 2]) -> Self {
        let [_, high] = raw;
        Self::by_code(high, u16::from_le_bytes(raw))
    }

    fn by_code(code: u8, number: u16) -> Self {
        match code {
            0x00..=0xFA => Self::Valid(number),
            0xFE => Self::Error,
            0xFF => Self::NotAvailable,
            _ => Self::Reserved,
        }
    }

    /// The number, if it is a measurement.
    #[must_use]
    pub fn valid(self) -> Option<u16> {
        match self {
            Self::Valid(number) => Some(number),
            Self::Error | Self::NotAvailable | Self::Reserved => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Layout of SAE J1939-21, 5.1; PGN 65215 with id 18FEBFxx is in public decoders.
    #[test]
    fn identifiers_are_taken_apart() {
        let header = Header::from_id(CanId::Extended(0x18FE_BF0B)).unwrap();
        assert_eq!(header.pgn.number(), 65215);
        assert_eq!(
            (header.priority, header.source, header.destination),
            (6, 0x0B, None)
        );
        assert_eq!(header.pgn.to_string(), "PGN 65215 (0xFEBF)");

        // An addressed group: the second byte is where it goes, not what it is.
        let request = Header::from_id(CanId::Extended(0x18EA_0BF9)).unwrap();
        assert_eq!(
            (request.pgn.number(), request.destination),
            (0xEA00, Some(0x0B))
        );
        assert_eq!(request.source, 0xF9);
        assert_eq!(Header::from_id(CanId::Base(0x123)), None);
    }

    #[test]
    fn group_numbers_are_checked() {
        assert!(Pgn::new(65215).is_some());
        assert!(Pgn::new(0x3_FFFF).is_some());
        assert!(Pgn::new(0x4_0000).is_none());
        assert!(Pgn::new(0xEA00).is_some());
        assert!(Pgn::new(0xEA0B).is_none());
    }

    /// SAE J1939-71, transmitted values, from memory.
    #[test]
    fn validity_codes() {
        assert_eq!(Slot::from_byte(0xFA), Slot::Valid(0xFA));
        assert_eq!(Slot::from_byte(0xFB), Slot::Reserved);
        assert_eq!(Slot::from_byte(0xFD), Slot::Reserved);
        assert_eq!(Slot::from_byte(0xFE), Slot::Error);
        assert_eq!(Slot::from_byte(0xFF), Slot::NotAvailable);
        assert_eq!(Slot::from_bytes([0xFF, 0xFA]), Slot::Valid(64255));
        assert_eq!(Slot::from_bytes([0x00, 0xFB]), Slot::Reserved);
        assert_eq!(Slot::from_bytes([0x00, 0xFE]), Slot::Error);
        assert_eq!(Slot::from_bytes([0x00, 0xFF]), Slot::NotAvailable);
    }

    proptest! {
        #[test]
        fn identifiers_round_trip(number in 0_u32..=0x1FFF_FFFF) {
            let header = Header::from_id(CanId::Extended(number)).unwrap();
            prop_assert_eq!(header.to_id(), CanId::Extended(number));
            prop_assert_eq!(Pgn::new(header.pgn.number()), Some(header.pgn));
        }
    }
}
