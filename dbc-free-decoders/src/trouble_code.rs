//! Trouble codes: two or three bytes of a diagnostic answer to what a person reads.
//!
//! Used by [`crate::obd2`] (two-byte codes) and [`crate::uds`] (three bytes and a status). Only
//! the standards' own words are here; what a code means is the vehicle maker's text.

use std::fmt;

/// A two-byte trouble code, shown as a letter and four digits (SAE J2012; ISO 15031-6).
///
/// Bits 15 and 14 are the letter (P powertrain, C chassis, B body, U network), bits 13 and 12 the
/// first digit, the rest three hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TroubleCode(u16);

impl TroubleCode {
    /// From its two bytes, in the order sent.
    #[must_use]
    pub fn from_bytes(bytes: [u8; 2]) -> Self {
        Self(u16::from_be_bytes(bytes))
    }
}

impl fmt::Display for TroubleCode {
    /// `P0133`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = match self.0 >> 14 {
            0 => 'P',
            1 => 'C',
            2 => 'B',
            _ => 'U',
        };
        write!(f, "{letter}{:04X}", self.0 & 0x3FFF)
    }
}

/// A three-byte trouble code as UDS sends it (ISO 14229-1: high, middle, low byte).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UdsTroubleCode {
    bytes: [u8; 3],
}

impl UdsTroubleCode {
    /// From its three bytes, in the order sent.
    #[must_use]
    pub fn from_bytes(bytes: [u8; 3]) -> Self {
        Self { bytes }
    }

    /// The code as one 24-bit number.
    #[must_use]
    pub fn number(self) -> u32 {
        let [high, middle, low] = self.bytes;
        u32::from_be_bytes([0, high, middle, low])
    }

    /// Its first two bytes as a letter and digits.
    #[must_use]
    pub fn code(self) -> TroubleCode {
        let [high, middle, _] = self.bytes;
        TroubleCode::from_bytes([high, middle])
    }
}

impl fmt::Display for UdsTroubleCode {
    /// `C0040-1A`: letter and digits, then the third byte as a number. An answer does not say whether
    /// that is a failure type of SAE J2012-DA or the maker's own.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [.., last] = self.bytes;
        write!(f, "{}-{last:02X}", self.code())
    }
}

/// Status byte of a UDS trouble code, also used as a mask over it
/// (statusOfDTC, ISO 14229-1, annex D.2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct CodeStatus(pub u8);

/// One bit of [`CodeStatus`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum StatusBit {
    /// Bit 0: the latest test failed.
    TestFailed,
    /// Bit 1: a test failed in this operation cycle.
    TestFailedThisCycle,
    /// Bit 2: failed in this or the last operation cycle, not yet confirmed.
    Pending,
    /// Bit 3: failed often enough to be stored.
    Confirmed,
    /// Bit 4: no test has completed since the codes were cleared.
    NotCompletedSinceClear,
    /// Bit 5: a test has failed since the codes were cleared.
    FailedSinceClear,
    /// Bit 6: no test has completed in this operation cycle.
    NotCompletedThisCycle,
    /// Bit 7: the code asks for its warning lamp.
    WarningIndicator,
}

impl StatusBit {
    /// All bits, from bit 0 to bit 7.
    pub const ALL: [Self; 8] = [
        Self::TestFailed,
        Self::TestFailedThisCycle,
        Self::Pending,
        Self::Confirmed,
        Self::NotCompletedSinceClear,
        Self::FailedSinceClear,
        Self::NotCompletedThisCycle,
        Self::WarningIndicator,
    ];

    /// The bit as a mask.
    #[must_use]
    pub fn mask(self) -> CodeStatus {
        CodeStatus(1 << (self as u8))
    }

    /// The standard's name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::TestFailed => "testFailed",
            Self::TestFailedThisCycle => "testFailedThisOperationCycle",
            Self::Pending => "pendingDTC",
            Self::Confirmed => "confirmedDTC",
            Self::NotCompletedSinceClear => "testNotCompletedSinceLastClear",
            Self::FailedSinceClear => "testFailedSinceLastClear",
            Self::NotCompletedThisCycle => "testNotCompletedThisOperationCycle",
            Self::WarningIndicator => "warningIndicatorRequested",
        }
    }
}

impl CodeStatus {
    /// Whether this status has any bit of `mask`: the rule by which a control unit counts and
    /// lists its codes.
    #[must_use]
    pub fn matches(self, mask: Self) -> bool {
        self.0 & mask.0 != 0
    }

    /// The bits that are set, from bit 0 up.
    pub fn bits(self) -> impl Iterator<Item = StatusBit> {
        StatusBit::ALL
            .into_iter()
            .filter(move |bit| self.matches(bit.mask()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// P0143 is a published example of the rule of SAE J2012; the others follow from the rule.
    #[test]
    fn two_bytes_read_as_letter_and_digits() {
        let check = |bytes: [u8; 2], text: &str| {
            assert_eq!(TroubleCode::from_bytes(bytes).to_string(), text);
        };
        check([0x01, 0x43], "P0143");
        check([0x01, 0x33], "P0133");
        check([0x92, 0x34], "B1234");
        check([0x44, 0x07], "C0407");
        check([0x52, 0x99], "C1299");
        check([0xC1, 0x00], "U0100");
        check([0xD0, 0x16], "U1016");
        check([0x45, 0x13], "C0513");
        check([0xFF, 0xFF], "U3FFF");
    }

    #[test]
    fn three_bytes_read_as_two_and_one() {
        let text = |bytes| UdsTroubleCode::from_bytes(bytes).to_string();
        assert_eq!(text([0x40, 0x40, 0x1A]), "C0040-1A");
        assert_eq!(text([0x01, 0x43, 0x00]), "P0143-00");
    }

    /// ISO 14229-1, annex D.2: status bits 0 to 7; the four statuses and their counts under the
    /// masks 01 and 09 follow the rule of sub-function 01.
    #[test]
    fn status_bits_by_name_and_mask() {
        let names: Vec<&str> = CodeStatus(0x2F).bits().map(StatusBit::name).collect();
        assert_eq!(
            names,
            [
                "testFailed",
                "testFailedThisOperationCycle",
                "pendingDTC",
                "confirmedDTC",
                "testFailedSinceLastClear"
            ]
        );
        let masks: Vec<u8> = StatusBit::ALL.iter().map(|bit| bit.mask().0).collect();
        assert_eq!(masks, [1, 2, 4, 8, 16, 32, 64, 128]);
        let statuses = [0x2F, 0x2F, 0x2C, 0x2E].map(CodeStatus);
        let matching = |mask| {
            statuses
                .iter()
                .filter(|s| s.matches(CodeStatus(mask)))
                .count()
        };
        assert_eq!(matching(0x01), 2);
        assert_eq!(matching(0x09), 4);
    }
}
