//! How often each bit of one identifier flips from frame to frame, and with which neighbours.
//!
//! The flip rate of a bit is its number of flips over the number of frames that follow another
//! (Marchetti and Stabili, "READ: Reverse Engineering of Automotive Data Frames", IEEE Transactions
//! on Information Forensics and Security 14 (2019) 1083). Beside it stand joint flips: when a bit
//! of a number flips, a carry has passed through the bit below, so both flip in the same frame.
//! That holds for the true bit order only, which is how the order shows at a byte border.

/// Bits of a data byte.
const BYTE: usize = 8;
/// The lowest bit of each byte of a word whose first byte is the most significant.
const LOWEST_BITS: u64 = 0x0101_0101_0101_0101;
/// From the lowest bit of a byte up to the highest bit of the byte sent before it.
const TO_BYTE_BEFORE: u32 = 15;

/// Flips of every bit, numbered as sent: bit 0 is the highest bit of byte 0.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BitActivity {
    /// Frames that followed another one.
    pub steps: u64,
    /// Flips of each bit.
    pub flips: Vec<u32>,
    /// Frames in which bit k and bit k + 1 flipped both.
    pub joint_next: Vec<u32>,
    /// By byte n: frames in which the lowest bit of byte n and the highest bit of byte n - 1 flipped
    /// both, which are neighbours in little-endian order.
    pub joint_little: Vec<u32>,
}

impl BitActivity {
    /// Room for frames of so many bytes; what was counted stays.
    pub fn widen(&mut self, bytes: usize) {
        if self.joint_little.len() < bytes {
            // Whole words, so that the hot loop needs no bounds of its own.
            let words = bytes.div_ceil(BYTE);
            self.flips.resize(64 * words, 0);
            self.joint_next.resize(64 * words, 0);
            self.joint_little.resize(8 * words, 0);
        }
    }

    /// Counts the flips of one word of eight bytes, the first byte most significant.
    #[inline]
    pub fn count_word(&mut self, word: usize, flipped: u64) {
        let first_bit = 64 * word;
        tally(&mut self.flips, first_bit, flipped);
        tally(&mut self.joint_next, first_bit, flipped & flipped << 1);
        let mut rest = flipped & flipped >> TO_BYTE_BEFORE & LOWEST_BITS;
        while rest != 0 {
            let byte = rest.leading_zeros() as usize / BYTE;
            if let Some(count) = self.joint_little.get_mut(8 * word + byte) {
                *count += 1;
            }
            rest &= !(1_u64 << (56 - BYTE * byte));
        }
    }

    /// Flip rate of a bit, 0 to 1.
    #[must_use]
    pub fn rate(&self, bit: usize) -> f64 {
        let flips = self.flips.get(bit).copied().unwrap_or(0);
        f64::from(flips) / (self.steps.max(1) as f64)
    }

    /// Flips of a bit.
    #[must_use]
    pub fn flips(&self, bit: usize) -> u32 {
        self.flips.get(bit).copied().unwrap_or(0)
    }
}

#[inline]
fn tally(counts: &mut [u32], first_bit: usize, bits: u64) {
    let mut rest = bits;
    while rest != 0 {
        let bit = rest.leading_zeros();
        if let Some(count) = counts.get_mut(first_bit + bit as usize) {
            *count += 1;
        }
        rest &= !(1_u64 << (63 - bit));
    }
}

/// One word of eight data bytes, the first most significant; missing ones are zero.
#[inline]
pub(super) fn word_at(data: &[u8], word: usize) -> u64 {
    let rest = data.get(8 * word..).unwrap_or_default();
    match rest.first_chunk::<8>() {
        Some(bytes) => u64::from_be_bytes(*bytes),
        None => {
            let mut padded = [0; 8];
            padded
                .iter_mut()
                .zip(rest)
                .for_each(|(to, from)| *to = *from);
            u64::from_be_bytes(padded)
        }
    }
}
