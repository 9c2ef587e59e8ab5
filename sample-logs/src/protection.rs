//! Protection of messages: a counter and a checksum in the data, put in after the signals.

use slipwright_decoders::field::{BitOrder, Coding, Field, FieldError};

/// How a checksum is worked out over the other bytes of the frame, in their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checksum {
    /// CRC-8 with the polynomial of SAE J1850, 0x1D, start and end value 0xFF.
    CrcJ1850,
    /// CRC-8 with polynomial 0x2F, start and end value 0xFF (AUTOSAR CRC routines, "CRC8H2F"; from
    /// memory).
    Crc2F,
    /// CRC-8 with polynomial 0x07, start and end value 0 (ITU-T I.432.1 without its final pattern).
    Crc07,
    /// Sum of the bytes.
    Sum,
    /// All bits of the sum inverted.
    InvertedSum,
    /// Exclusive or of the bytes.
    Xor,
}

impl Checksum {
    /// Every kind.
    pub const ALL: &[Self] = &[
        Self::CrcJ1850,
        Self::Crc2F,
        Self::Crc07,
        Self::Sum,
        Self::InvertedSum,
        Self::Xor,
    ];

    /// The checksum of these bytes.
    #[must_use]
    pub fn of(self, bytes: impl Iterator<Item = u8>) -> u8 {
        let crc = |table: &[u8; 256], start: u8, bytes: &mut dyn Iterator<Item = u8>| {
            bytes.fold(start, |crc, byte| table[usize::from(crc ^ byte)])
        };
        let mut bytes = bytes;
        match self {
            Self::CrcJ1850 => crc(&CRC_1D, 0xFF, &mut bytes) ^ 0xFF,
            Self::Crc2F => crc(&CRC_2F, 0xFF, &mut bytes) ^ 0xFF,
            Self::Crc07 => crc(&CRC_07, 0, &mut bytes),
            Self::Sum => bytes.fold(0, u8::wrapping_add),
            Self::InvertedSum => !bytes.fold(0, u8::wrapping_add),
            Self::Xor => bytes.fold(0, |sum, byte| sum ^ byte),
        }
    }
}

/// Remainders of every byte for a polynomial of degree eight, most significant bit first.
const fn table(polynomial: u8) -> [u8; 256] {
    let mut table = [0_u8; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = byte as u8;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x80 != 0 {
                (crc << 1) ^ polynomial
            } else {
                crc << 1
            };
            bit += 1;
        }
        table[byte] = crc;
        byte += 1;
    }
    table
}

const CRC_1D: [u8; 256] = table(0x1D);
const CRC_2F: [u8; 256] = table(0x2F);
const CRC_07: [u8; 256] = table(0x07);

/// Counter and checksum of a message.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Protection {
    /// Where the counter lies, if there is one.
    pub counter: Option<Field>,
    /// Which byte holds the checksum, and which one it is.
    pub checksum: Option<(u8, Checksum)>,
}

impl Protection {
    /// Counter in the lower half of the last byte but one, CRC-8 of SAE J1850 in the last byte.
    ///
    /// # Errors
    /// None for a length of 2 to 8 bytes.
    pub fn usual(length_bytes: u8) -> Result<Self, FieldError> {
        let start = 8 * u16::from(length_bytes.saturating_sub(2));
        Ok(Self {
            counter: Some(Field::new(start, 4, BitOrder::Little, Coding::Unsigned)?),
            checksum: Some((length_bytes.saturating_sub(1), Checksum::CrcJ1850)),
        })
    }

    /// Whether there is neither.
    #[must_use]
    pub fn is_none(&self) -> bool {
        self.counter.is_none() && self.checksum.is_none()
    }

    /// Puts the counter, then the checksum into the data.
    pub fn apply(&self, data: &mut [u8], counter: u8) {
        if let Some(field) = &self.counter {
            // Fields fit their frames by the layout's construction.
            let _ = field.insert(data, u64::from(counter));
        }
        if let Some((at, kind)) = self.checksum {
            let at = usize::from(at);
            let others = data.iter().enumerate().filter(|&(k, _)| k != at);
            let value = kind.of(others.map(|(_, &byte)| byte));
            if let Some(byte) = data.get_mut(at) {
                *byte = value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values for "123456789" (catalogue of parametrised CRC algorithms: CRC-8/SAE-J1850,
    /// CRC-8/AUTOSAR, CRC-8/SMBUS; from memory). The sums are worked out by hand: 477 = 0x1DD.
    #[test]
    fn checksums_of_the_catalogued_text() {
        let of = |kind: Checksum| kind.of(b"123456789".iter().copied());
        assert_eq!(of(Checksum::CrcJ1850), 0x4B);
        assert_eq!(of(Checksum::Crc2F), 0xDF);
        assert_eq!(of(Checksum::Crc07), 0xF4);
        assert_eq!(of(Checksum::Sum), 0xDD);
        assert_eq!(of(Checksum::InvertedSum), 0x22);
        assert_eq!(of(Checksum::Xor), 0x31);
    }

    #[test]
    fn counter_and_checksum_leave_the_other_bits_alone() {
        let protection = Protection::usual(5).unwrap();
        let mut data = [1, 2, 3, 0xA0, 0xEE];
        protection.apply(&mut data, 9);
        assert_eq!(data[..4], [1, 2, 3, 0xA9]);
        let expected = Checksum::CrcJ1850.of([1, 2, 3, 0xA9].into_iter());
        assert_eq!(data[4], expected);
    }
}
