//! Where a raw field lies in the data bytes of a frame or an answer, and how it is taken out and put
//! in.
//!
//! Between [`crate::frame`] and [`crate::extractor`]: a [`Field`] turns data bytes into a raw code,
//! and a raw code into the number that scale and offset are applied to. It knows nothing of units.
//!
//! Two bit orders, each numbered in the one way in which a field is a run of consecutive numbers:
//!
//! - [`BitOrder::Big`]: bits numbered as sent. Bit 0 is the first, most significant bit of byte 0,
//!   bit 8 that of byte 1. `start` is the field's most significant bit.
//! - [`BitOrder::Little`]: bit b of byte n is 8n + b, b = 0 being the byte's least significant bit.
//!   `start` is the field's least significant bit.
//!
//! In both the field takes bits `start` to `start + length - 1`, hence the same bytes.

use crate::frame::MAX_DATA_BYTES;

/// Most bits that a field may have.
pub const MAX_LENGTH_BITS: u8 = 64;

/// Most bits that a frame's data may have.
pub const MAX_DATA_BITS: u16 = 8 * MAX_DATA_BYTES as u16;

/// Most data bytes of a diagnostic answer in which fields may lie: twice what ISO-TP's short length
/// holds, and what 16-bit numbers of bits reach.
pub const MAX_ANSWER_BYTES: usize = 8191;

/// The same in bits.
pub const MAX_ANSWER_BITS: u16 = 8 * MAX_ANSWER_BYTES as u16;

/// Bytes that one load takes.
const WORD_BYTES: usize = 8;

/// How a field's bits are numbered and weighted; see the module's text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum BitOrder {
    /// `"big"`: most significant bit first, as sent on the bus.
    Big,
    /// `"little"`: least significant bit first.
    Little,
}

impl BitOrder {
    /// As written in files.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Big => "big",
            Self::Little => "little",
        }
    }
}

/// What number a field's bits stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Coding {
    /// A whole number of 0 or more.
    Unsigned,
    /// A whole number in two's complement.
    Signed,
    /// An IEEE 754 binary32 or binary64 number, by the field's length of 32 or 64 bits.
    Float,
}

/// Why there can be no such field.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FieldError {
    /// Length 0 or above 64.
    #[error("a field has 1 to 64 bits, not {length}")]
    Length {
        /// The length asked for, bits.
        length: u8,
    },
    /// A float that is neither 32 nor 64 bits long.
    #[error("a float has 32 or 64 bits, not {length}")]
    FloatLength {
        /// The length asked for, bits.
        length: u8,
    },
    /// Bits that no frame has.
    #[error("start {start} and length {length} reach beyond the 512 bits of the longest frame")]
    BeyondFrame {
        /// The start asked for.
        start: u16,
        /// The length asked for, bits.
        length: u8,
    },
    /// Bits that no diagnostic answer read here has.
    #[error("start {start} and length {length} reach beyond the 65528 bits of the longest answer")]
    BeyondAnswer {
        /// The start asked for.
        start: u16,
        /// The length asked for, bits.
        length: u8,
    },
}

/// The data bytes end before the field does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the field needs {need_bytes} data bytes, the frame has {have_bytes}")]
pub struct FrameTooShort {
    /// Bytes that the field needs.
    pub need_bytes: usize,
    /// Bytes that there are.
    pub have_bytes: usize,
}

/// A run of bits in the data of a frame or of a diagnostic answer, and what number they stand for.
///
/// A raw code is the field's bits in a `u64`, right-aligned, the bits above `length` zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Field {
    start: u16,
    length: u8,
    order: BitOrder,
    coding: Coding,
    /// First byte of the 8-byte word that holds the field, or all of it but one byte.
    word_at: u16,
    /// How far the field's least significant bit lies above the word's.
    shift: u8,
    /// The byte that holds the rest of a field that touches nine bytes.
    ninth_at: Option<u16>,
}

impl Field {
    /// The field with these bits of a frame.
    ///
    /// # Errors
    /// [`FieldError`]: length outside 1 to 64, a float of another length than 32 or 64, or bits
    /// beyond 64 bytes.
    pub fn new(
        start: u16,
        length: u8,
        order: BitOrder,
        coding: Coding,
    ) -> Result<Self, FieldError> {
        match Self::in_answer(start, length, order, coding) {
            Ok(field) if field.end() <= usize::from(MAX_DATA_BITS) => Ok(field),
            Ok(_) | Err(FieldError::BeyondAnswer { .. }) => {
                Err(FieldError::BeyondFrame { start, length })
            }
            Err(error) => Err(error),
        }
    }

    /// The field with these bits of a diagnostic answer's data, which may be longer than a frame's.
    ///
    /// # Errors
    /// As [`Field::new`], but for bits beyond [`MAX_ANSWER_BYTES`].
    pub fn in_answer(
        start: u16,
        length: u8,
        order: BitOrder,
        coding: Coding,
    ) -> Result<Self, FieldError> {
        if length == 0 || length > MAX_LENGTH_BITS {
            return Err(FieldError::Length { length });
        }
        if coding == Coding::Float && length != 32 && length != 64 {
            return Err(FieldError::FloatLength { length });
        }
        let end = start.saturating_add(u16::from(length));
        if end > MAX_ANSWER_BITS {
            return Err(FieldError::BeyondAnswer { start, length });
        }
        let first = start / 8;
        let last = (end - 1) / 8;
        let spans_nine = last - first == WORD_BYTES as u16;
        // The word ends with the field's last byte, so it lies within every frame that holds the
        // field; in the first eight bytes it starts at byte 0 and is the whole of a classic frame.
        let (word_at, ninth_at) = match (spans_nine, order) {
            (false, _) => (last.saturating_sub(7), None),
            (true, BitOrder::Big) => (first + 1, Some(first)),
            (true, BitOrder::Little) => (first, Some(last)),
        };
        let shift = match order {
            BitOrder::Big => 8 * (word_at + 8) - end,
            BitOrder::Little => start - 8 * word_at,
        };
        Ok(Self {
            start,
            length,
            order,
            coding,
            word_at,
            // Below 64, the bits of the word.
            shift: shift as u8,
            ninth_at,
        })
    }

    /// The bit after its last one.
    fn end(&self) -> usize {
        usize::from(self.start) + usize::from(self.length)
    }

    /// First bit, in the numbering of the field's order.
    #[must_use]
    pub fn start(&self) -> u16 {
        self.start
    }

    /// Number of bits.
    #[must_use]
    pub fn length(&self) -> u8 {
        self.length
    }

    /// Bit order.
    #[must_use]
    pub fn order(&self) -> BitOrder {
        self.order
    }

    /// What number the bits stand for.
    #[must_use]
    pub fn coding(&self) -> Coding {
        self.coding
    }

    /// How many data bytes a frame needs to hold the field.
    #[must_use]
    pub fn needed_bytes(&self) -> usize {
        self.end().div_ceil(8)
    }

    /// The largest raw code: all bits set.
    #[must_use]
    pub fn mask(&self) -> u64 {
        u64::MAX >> (MAX_LENGTH_BITS - self.length)
    }

    /// The bytes and bits that the field takes of a frame, as one mask a data byte.
    #[must_use]
    pub fn byte_masks(&self) -> [u8; MAX_DATA_BYTES] {
        std::array::from_fn(|byte| self.byte_mask(byte))
    }

    /// The bits that the field takes of one data byte.
    fn byte_mask(&self, byte: usize) -> u8 {
        let in_byte = |bit: usize| bit.saturating_sub(8 * byte).min(8);
        let below = |bit: usize| ((1_u16 << bit) - 1) as u8;
        let run = below(in_byte(self.end())) & !below(in_byte(self.start.into()));
        match self.order {
            BitOrder::Little => run,
            BitOrder::Big => run.reverse_bits(),
        }
    }

    /// Whether a bit of the data belongs to both.
    #[must_use]
    pub fn shares_bits(&self, other: &Self) -> bool {
        if self.order() == other.order() {
            return usize::from(self.start()) < other.end()
                && usize::from(other.start()) < self.end();
        }
        let mut bytes = usize::from(self.start / 8)..self.needed_bytes();
        bytes.any(|byte| self.byte_mask(byte) & other.byte_mask(byte) != 0)
    }

    /// The raw code in the data bytes; `None` if they end before the field does.
    #[inline]
    #[must_use]
    pub fn extract(&self, data: &[u8]) -> Option<u64> {
        if data.len() < self.needed_bytes() {
            return None;
        }
        let word = self.load(data);
        let mut raw = word >> self.shift;
        if let Some(ninth_at) = self.ninth_at {
            // A field of at most 64 bits touches nine bytes only off a byte boundary: shift >= 1.
            raw |= u64::from(*data.get(usize::from(ninth_at))?) << (64 - self.shift);
        }
        Some(raw & self.mask())
    }

    /// Writes a raw code into the data bytes and leaves all other bits as they are. Only the low
    /// `length` bits of `raw` count, so a negative number may be passed as its two's complement.
    ///
    /// # Errors
    /// [`FrameTooShort`] if the data bytes end before the field does; they stay unchanged.
    pub fn insert(&self, data: &mut [u8], raw: u64) -> Result<(), FrameTooShort> {
        let too_short = FrameTooShort {
            need_bytes: self.needed_bytes(),
            have_bytes: data.len(),
        };
        if data.len() < self.needed_bytes() {
            return Err(too_short);
        }
        let mask = self.mask();
        let raw = raw & mask;
        let word = self.load(data) & !(mask << self.shift) | raw << self.shift;
        let bytes = match self.order {
            BitOrder::Big => word.to_be_bytes(),
            BitOrder::Little => word.to_le_bytes(),
        };
        let word_at = usize::from(self.word_at);
        for (to, from) in data.iter_mut().skip(word_at).zip(bytes) {
            *to = from;
        }
        if let Some(ninth_at) = self.ninth_at {
            let byte = data.get_mut(usize::from(ninth_at)).ok_or(too_short)?;
            let above = 64 - self.shift;
            *byte = *byte & !((mask >> above) as u8) | (raw >> above) as u8;
        }
        Ok(())
    }

    /// The field's word. Data of fewer than eight bytes count as followed by zeros.
    #[inline]
    fn load(&self, data: &[u8]) -> u64 {
        let rest = data.get(usize::from(self.word_at)..).unwrap_or_default();
        let bytes = match rest.first_chunk::<WORD_BYTES>() {
            Some(bytes) => *bytes,
            None => {
                let mut padded = [0; WORD_BYTES];
                padded
                    .iter_mut()
                    .zip(rest)
                    .for_each(|(to, from)| *to = *from);
                padded
            }
        };
        match self.order {
            BitOrder::Big => u64::from_be_bytes(bytes),
            BitOrder::Little => u64::from_le_bytes(bytes),
        }
    }

    /// The raw code as two's complement of the field's length.
    #[inline]
    #[must_use]
    pub fn sign_extended(&self, raw: u64) -> i64 {
        let unused = MAX_LENGTH_BITS - self.length;
        (raw << unused).cast_signed() >> unused
    }

    /// The number that a raw code stands for. A whole number above 2^53 in size is rounded to the
    /// nearest `f64`; a float may be infinite or not a number.
    #[inline]
    #[must_use]
    pub fn number(&self, raw: u64) -> f64 {
        match self.coding {
            Coding::Unsigned => raw as f64,
            Coding::Signed => self.sign_extended(raw) as f64,
            Coding::Float if self.length == 32 => f64::from(f32::from_bits(raw as u32)),
            Coding::Float => f64::from_bits(raw),
        }
    }

    /// The raw code whose number is nearest to `number`; the lowest or highest code for a number
    /// beyond them, 0 for a whole-number field and `NaN`.
    #[must_use]
    pub fn nearest_raw(&self, number: f64) -> u64 {
        match self.coding {
            // Casts from float to integer saturate.
            Coding::Unsigned => (number.round_ties_even() as u64).min(self.mask()),
            Coding::Signed => {
                let highest = (self.mask() >> 1).cast_signed();
                let code = (number.round_ties_even() as i64).clamp(-highest - 1, highest);
                code.cast_unsigned() & self.mask()
            }
            Coding::Float if self.length == 32 => u64::from((number as f32).to_bits()),
            Coding::Float => number.to_bits(),
        }
    }
}

#[cfg(test)]
mod tests;
