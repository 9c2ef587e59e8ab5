//! Trouble codes: two or three bytes of a diagnostic answer to what a person reads.
//!
//! Used by [`crate::obd2`] (two-byte codes) and [`crate::uds`] (three bytes and a status). Only
//! the standards' own words are here; what a code means is the vehicle maker's text.

use std::fmt;
use std::str::FromStr;

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

    /// Its two bytes, in the order sent.
    #[must_use]
    pub fn to_bytes(self) -> [u8; 2] {
        self.0.to_be_bytes()
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

/// The text is not a trouble code.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{0}\" is not a trouble code; write a letter P, C, B or U, a digit 0 to 3 and three digits 0 to F"
)]
pub struct NotATroubleCode(pub String);

impl FromStr for TroubleCode {
    type Err = NotATroubleCode;

    fn from_str(text: &str) -> Result<Self, NotATroubleCode> {
        parse(text).ok_or_else(|| NotATroubleCode(text.to_owned()))
    }
}

fn parse(text: &str) -> Option<TroubleCode> {
    let mut characters = text.chars();
    let system: u16 = match characters.next()?.to_ascii_uppercase() {
        'P' => 0,
        'C' => 1,
        'B' => 2,
        'U' => 3,
        _ => return None,
    };
    let digits = characters.as_str();
    let plain = digits.len() == 4 && digits.bytes().all(|b| b.is_ascii_hexdigit());
    let number = u16::from_str_radix(digits, 16)
        .ok()
        .filter(|&n| plain && n <= 0x3FFF)?;
    Some(TroubleCode(system << 14 | number))
}

/// How the three bytes of a UDS trouble code are to be read
/// (DTCFormatIdentifier, ISO 14229-1, readDTCInformation).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CodeFormat {
    /// 0x00: SAE J2012-DA, format 00.
    SaeJ2012Format00,
    /// 0x01: ISO 14229-1; the bytes are the maker's own.
    Iso14229,
    /// 0x02: SAE J1939-73; suspect parameter and failure mode.
    SaeJ1939,
    /// 0x03: ISO 11992-4.
    Iso11992,
    /// 0x04: SAE J2012-DA, format 04; the third byte is a failure type.
    SaeJ2012Format04,
    /// A number that the standard reserves.
    Reserved(u8),
}

impl CodeFormat {
    /// The format of a number in an answer.
    #[must_use]
    pub fn from_number(number: u8) -> Self {
        match number {
            0 => Self::SaeJ2012Format00,
            1 => Self::Iso14229,
            2 => Self::SaeJ1939,
            3 => Self::Iso11992,
            4 => Self::SaeJ2012Format04,
            other => Self::Reserved(other),
        }
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

    /// Its third byte. Only [`CodeFormat::SaeJ2012Format04`] gives it the standard's meanings.
    #[must_use]
    pub fn failure_type(self) -> FailureType {
        let [_, _, low] = self.bytes;
        FailureType(low)
    }

    /// What a person reads, as far as the format tells. The failure type is put into words only
    /// where the format says that its number is the standard's.
    #[must_use]
    pub fn describe(self, format: CodeFormat) -> String {
        match format {
            CodeFormat::SaeJ2012Format04 => match self.failure_type().name() {
                Some(name) => format!("{self} ({name})"),
                None => self.to_string(),
            },
            CodeFormat::SaeJ2012Format00 | CodeFormat::Iso14229 => self.to_string(),
            // SAE J1939-73: SPN low byte, middle byte, then 3 high bits above the 5-bit FMI.
            CodeFormat::SaeJ1939 => {
                let [low, middle, last] = self.bytes;
                let parameter = u32::from_be_bytes([0, last >> 5, middle, low]);
                format!("SPN {parameter} FMI {}", last & 0x1F)
            }
            CodeFormat::Iso11992 | CodeFormat::Reserved(_) => format!("0x{:06X}", self.number()),
        }
    }
}

impl fmt::Display for UdsTroubleCode {
    /// `C0040-1A`: letter and digits, then the third byte as a number.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{:02X}", self.code(), self.failure_type().0)
    }
}

/// The failure type byte of SAE J2012-DA.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FailureType(pub u8);

impl FailureType {
    /// The standard's meaning; `None` for a number that is not in this list, which holds the
    /// electrical and signal failures (taken from a public list of SAE J2012-DA failure types).
    #[must_use]
    pub fn name(self) -> Option<&'static str> {
        Some(match self.0 {
            0x11 => "circuit short to ground",
            0x12 => "circuit short to battery",
            0x13 => "circuit open",
            0x14 => "circuit short to ground or open",
            0x15 => "circuit short to battery or open",
            0x16 => "circuit voltage below threshold",
            0x17 => "circuit voltage above threshold",
            0x18 => "circuit current below threshold",
            0x19 => "circuit current above threshold",
            0x1A => "circuit resistance below threshold",
            0x1B => "circuit resistance above threshold",
            0x1C => "circuit voltage out of range",
            0x1F => "circuit intermittent",
            0x21 => "signal amplitude below minimum",
            0x22 => "signal amplitude above maximum",
            0x23 => "signal stuck low",
            0x24 => "signal stuck high",
            0x26 => "signal rate of change below threshold",
            0x27 => "signal rate of change above threshold",
            0x28 => "signal bias out of range",
            0x29 => "signal invalid",
            0x2F => "signal erratic",
            0x31 => "no signal",
            _ => return None,
        })
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
    use proptest::prelude::*;

    use super::*;

    /// P0143 is a published example of the rule of SAE J2012; the others follow from the rule.
    #[test]
    fn two_bytes_read_as_letter_and_digits() {
        let check = |bytes: [u8; 2], text: &str| {
            assert_eq!(TroubleCode::from_bytes(bytes).to_string(), text);
            assert_eq!(text.parse(), Ok(TroubleCode::from_bytes(bytes)));
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
    fn other_texts_are_not_codes() {
        for text in [
            "", "P", "P013", "P01333", "X0133", "P4000", "P01G3", "P+133", "P0-33", "π0133",
        ] {
            assert_eq!(
                text.parse::<TroubleCode>(),
                Err(NotATroubleCode(text.to_owned()))
            );
        }
    }

    /// The J1939 codes are from the published example of a public test bench: SPN 904 FMI 19 and
    /// SPN 516205 FMI 19 by the layout of SAE J1939-73.
    #[test]
    fn three_bytes_read_as_their_format_says() {
        let describe = |bytes, number| {
            UdsTroubleCode::from_bytes(bytes).describe(CodeFormat::from_number(number))
        };
        assert_eq!(
            describe([0x40, 0x40, 0x1A], 4),
            "C0040-1A (circuit resistance below threshold)"
        );
        assert_eq!(describe([0x40, 0x40, 0x1A], 1), "C0040-1A");
        assert_eq!(describe([0x40, 0x40, 0x99], 4), "C0040-99");
        assert_eq!(describe([0x01, 0x43, 0x00], 0), "P0143-00");
        assert_eq!(describe([0x88, 0x03, 0x13], 2), "SPN 904 FMI 19");
        assert_eq!(describe([0x6D, 0xE0, 0xF3], 2), "SPN 516205 FMI 19");
        assert_eq!(describe([0x12, 0x34, 0x56], 3), "0x123456");
        assert_eq!(describe([0x12, 0x34, 0x56], 9), "0x123456");
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

    proptest! {
        #[test]
        fn text_round_trips(bytes: [u8; 2]) {
            let code = TroubleCode::from_bytes(bytes);
            prop_assert_eq!(code.to_string().parse(), Ok(code));
            prop_assert_eq!(code.to_bytes(), bytes);
        }
    }
}
