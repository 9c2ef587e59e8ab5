//! How long a frame occupies its bus: the basis of bus load.
//!
//! Classic frames are counted exactly, with the stuff bits that their own bits cause (ISO 11898-1:
//! after five equal bits from start of frame to the end of the checksum comes one of the other
//! kind), the 10 bits of delimiters, acknowledge and end of frame, and the 3 of intermission. FD
//! frames are counted without the stuff bits of their data, which this misses by at most a fifth.

use slipwright_decoders::frame::{CanId, FrameFlags};

/// Bits of one frame on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct WireBits {
    /// At the nominal bit rate.
    pub nominal: u32,
    /// At the data bit rate (FD with bit-rate switch).
    pub data: u32,
}

/// Delimiters, acknowledge, end of frame, and the intermission before the next frame.
const TAIL_BITS: u32 = 10;
const INTERMISSION_BITS: u32 = 3;

/// Bits that a frame occupies. An error frame counts as none: its length is not known.
#[must_use]
pub fn wire_bits(id: CanId, flags: FrameFlags, data: &[u8]) -> WireBits {
    if flags.error {
        return WireBits::default();
    }
    if flags.fd {
        return fd_bits(id, flags, data.len());
    }
    let bits = classic_bits(id, flags.remote, data);
    let nominal = bits.length + stuff_bits(&bits) + TAIL_BITS + INTERMISSION_BITS;
    WireBits { nominal, data: 0 }
}

/// FD (ISO 11898-1:2015): fixed stuff bits in the checksum, 17 or 21 checksum bits by length.
fn fd_bits(id: CanId, flags: FrameFlags, length: usize) -> WireBits {
    let head = if id.is_extended() { 36 } else { 17 };
    let (checksum, fixed_stuff) = if length > 16 { (21, 7) } else { (17, 6) };
    let length = u32::try_from(length).unwrap_or(64);
    let body = 1 + 4 + 8 * length + 4 + checksum + fixed_stuff;
    let tail = TAIL_BITS + INTERMISSION_BITS;
    match flags.bit_rate_switch {
        true => WireBits {
            nominal: head + tail,
            data: body,
        },
        false => WireBits {
            nominal: head + body + tail,
            data: 0,
        },
    }
}

/// Bits from start of frame to the end of the checksum, first bit most significant.
struct Bits {
    bits: u128,
    length: u32,
}

impl Bits {
    fn push(&mut self, value: u32, length: u32) {
        self.bits = self.bits << length | u128::from(value);
        self.length += length;
    }

    /// The first `length % 8` bits, then whole bytes.
    fn head_and_bytes(&self) -> (impl Iterator<Item = usize>, impl Iterator<Item = usize>) {
        let (bits, whole) = (self.bits, self.length / 8);
        let head = (whole * 8..self.length)
            .rev()
            .map(move |i| (bits >> i) as usize & 1);
        let bytes = (0..whole)
            .rev()
            .map(move |i| (bits >> (8 * i)) as usize & 0xFF);
        (head, bytes)
    }
}

fn classic_bits(id: CanId, remote: bool, data: &[u8]) -> Bits {
    let mut bits = Bits { bits: 0, length: 1 };
    let remote = u32::from(remote);
    match id {
        CanId::Base(id) => {
            bits.push(u32::from(id), 11);
            bits.push(remote << 2, 3);
        }
        CanId::Extended(id) => {
            bits.push(id >> 18, 11);
            bits.push(0b11, 2);
            bits.push(id & 0x3_FFFF, 18);
            bits.push(remote << 2, 3);
        }
    }
    // A classic frame has at most 8 bytes; more would not be one.
    let data = data.get(..8).unwrap_or(data);
    bits.push(u32::try_from(data.len()).unwrap_or(8), 4);
    for &byte in data {
        bits.push(u32::from(byte), 8);
    }
    let checksum = crc_15(&bits);
    bits.push(checksum, 15);
    bits
}

/// CRC-15 of ISO 11898-1.
const GENERATOR: u16 = 0x4599;

const fn crc_step(crc: u16, bit: u16) -> u16 {
    let next = bit & 1 ^ crc >> 14;
    (crc << 1 & 0x7FFF) ^ (next * GENERATOR)
}

/// The checksum after a byte, by the checksum's upper 8 bits combined with it. Bit by bit, a frame
/// would cost as much here as on its whole way into the file.
static CRC: [u16; 256] = {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        let (mut crc, mut i) = (0, 8);
        while i > 0 {
            i -= 1;
            crc = crc_step(crc, byte as u16 >> i);
        }
        table[byte] = crc;
        byte += 1;
    }
    table
};

fn crc_15(bits: &Bits) -> u32 {
    let (head, bytes) = bits.head_and_bytes();
    let crc = head.fold(0, |crc, bit| crc_step(crc, bit as u16));
    let crc = bytes.fold(crc, |crc, byte| {
        CRC[(usize::from(crc >> 7) ^ byte) & 0xFF] ^ (crc << 8 & 0x7FFF)
    });
    u32::from(crc)
}

/// How the bits so far end: the length of the last run, 1 to 4, times two, plus its bit. 0: no bit
/// yet. A run of five is broken by the stuff bit, which begins a run of its own.
type Run = u8;

/// The run after one more bit, and how many bits were stuffed.
const fn stuff_step(run: Run, bit: u8) -> (Run, u8) {
    let length = if run & 1 == bit { run / 2 + 1 } else { 1 };
    if length == 5 {
        (2 | (1 - bit), 1)
    } else {
        (length << 1 | bit, 0)
    }
}

/// The same for a whole byte.
static STUFF: [[(Run, u8); 256]; 10] = {
    let mut table = [[(0, 0); 256]; 10];
    let mut run = 0;
    while run < 10 {
        let mut byte = 0;
        while byte < 256 {
            let (mut now, mut stuffed, mut i) = (run as Run, 0, 8);
            while i > 0 {
                i -= 1;
                let (next, more) = stuff_step(now, (byte >> i) as u8 & 1);
                now = next;
                stuffed += more;
            }
            table[run][byte] = (now, stuffed);
            byte += 1;
        }
        run += 1;
    }
    table
};

fn stuff_bits(bits: &Bits) -> u32 {
    let (head, bytes) = bits.head_and_bytes();
    let begin = head.fold((0, 0), |(run, stuffed), bit| {
        let (run, more) = stuff_step(run, bit as u8);
        (run, stuffed + u32::from(more))
    });
    let (_, stuffed) = bytes.fold(begin, |(run, stuffed), byte| {
        let (run, more) = STUFF[usize::from(run) % STUFF.len()][byte & 0xFF];
        (run, stuffed + u32::from(more))
    });
    stuffed
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Values from an independent bit-level simulation of the published rules, not from hardware.
    #[test]
    fn whole_frames_have_the_published_lengths() {
        let check = |id: CanId, data: &[u8], stuff: u32, total: u32, crc: u32| {
            let bits = classic_bits(id, false, data);
            assert_eq!(stuff_bits(&bits), stuff, "{id}");
            assert_eq!((bits.bits & 0x7FFF) as u32, crc, "{id}");
            let nominal = wire_bits(id, FrameFlags::default(), data).nominal;
            assert_eq!(nominal, total + INTERMISSION_BITS, "{id}");
        };
        check(CanId::Base(0), &[0; 8], 16, 124, 0x145B);
        check(CanId::Base(0x7FF), &[0xFF; 8], 15, 123, 0x4C89);
        check(
            CanId::Base(0x123),
            &[1, 2, 3, 4, 5, 6, 7, 8],
            8,
            116,
            0x64EF,
        );
        check(
            CanId::Base(0x7E8),
            &[3, 0x41, 0x0D, 0x32, 0xAA, 0xAA, 0xAA, 0xAA],
            4,
            112,
            0x32A2,
        );
        check(CanId::Base(0x100), &[], 4, 48, 0x380A);
        check(CanId::Base(0x555), &[0xAA; 8], 1, 109, 0x7DCE);
        check(CanId::Extended(0x18FE_BF0B), &[0xFF; 8], 14, 142, 0x0D58);
    }

    /// Stuff bits as the standard words them, one bit after another.
    fn stuff_bit_by_bit(bits: &Bits) -> u32 {
        let (mut stuffed, mut run, mut last) = (0, 0, 2);
        for i in (0..bits.length).rev() {
            let bit = (bits.bits >> i) as u32 & 1;
            run = if bit == last { run + 1 } else { 1 };
            last = bit;
            if run == 5 {
                stuffed += 1;
                (run, last) = (1, 1 - bit);
            }
        }
        stuffed
    }

    /// The checksum as the standard words it.
    fn crc_bit_by_bit(bits: &Bits) -> u32 {
        let bit = |i: u32| (bits.bits >> i) as u16;
        (0..bits.length)
            .rev()
            .fold(0, |crc, i| crc_step(crc, bit(i)))
            .into()
    }

    proptest! {
        #[test]
        fn the_tables_say_what_the_standard_says(bits: u128, length in 1_u32..=125) {
            let bits = Bits { bits: bits & ((1 << length) - 1), length };
            prop_assert_eq!(stuff_bits(&bits), stuff_bit_by_bit(&bits));
            prop_assert_eq!(crc_15(&bits), crc_bit_by_bit(&bits));
        }

        /// Bounds of Davis, Burns, Bril and Lukkien (2007), with the intermission.
        #[test]
        fn no_frame_is_outside_the_published_bounds(
            number in 0_u32..=CanId::MAX_EXTENDED, extended: bool,
            data in proptest::collection::vec(any::<u8>(), 0..=8),
        ) {
            let number = if extended { number } else { number & CanId::MAX_BASE };
            let id = CanId::new(number, extended).unwrap();
            let n = data.len() as u32;
            let bits = wire_bits(id, FrameFlags::default(), &data).nominal;
            let (least, most) = if extended { (67 + 8 * n, 80 + 10 * n) } else { (47 + 8 * n, 55 + 10 * n) };
            prop_assert!((least..=most).contains(&bits), "{bits} not in {least}..={most}");
        }
    }
}
