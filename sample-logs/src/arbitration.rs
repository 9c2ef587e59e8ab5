//! What a frame takes of a bus: its exact length in bits, its worst case, and who goes first.
//!
//! Frame formats are those of ISO 11898-1 (classical frames). The exact length comes from the bits
//! as sent, with checksum and stuff bits.

use slipwright_decoders::frame::CanId;

/// Bits after the checksum that are never stuffed: delimiter, acknowledge slot and its delimiter,
/// end of frame.
const TAIL_BITS: u32 = 1 + 1 + 1 + 7;
/// Bits between two frames.
pub const INTERMISSION_BITS: u32 = 3;
/// Generator polynomial of the frame checksum (CRC-15/CAN).
const CRC15: u16 = 0x4599;

/// Where an identifier stands in arbitration: smaller goes first. Of a base and an extended
/// identifier with equal first eleven bits the base one wins, because the bits that follow are
/// dominant in it.
#[must_use]
pub fn rank(id: CanId) -> u32 {
    match id {
        CanId::Base(n) => u32::from(n) << 19,
        CanId::Extended(n) => (n >> 18) << 19 | 1 << 18 | (n & 0x3_FFFF),
    }
}

/// Remainders of every byte.
const CRC_TABLE: [u16; 256] = {
    let mut table = [0_u16; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = (byte as u16) << 7;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x4000 != 0 { (crc << 1) ^ CRC15 } else { crc << 1 };
            bit += 1;
        }
        table[byte] = crc & 0x7FFF;
        byte += 1;
    }
    table
};

/// Stuffing: from a state (last bit times 4 plus run length less 1) and four bits to stuff bits
/// and the next state, as stuff count times 8 plus state.
const STUFF_TABLE: [[u8; 16]; 8] = {
    let mut table = [[0_u8; 16]; 8];
    let mut state = 0;
    while state < 8 {
        let mut nibble = 0;
        while nibble < 16 {
            let (mut last, mut run) = (state >> 2, (state & 3) + 1);
            let mut stuffed = 0;
            let mut bit = 4;
            while bit > 0 {
                bit -= 1;
                let value = (nibble >> bit) & 1;
                if value == last {
                    run += 1;
                } else {
                    last = value;
                    run = 1;
                }
                if run == 5 {
                    // The stuff bit is the opposite one and begins a run of its own.
                    stuffed += 1;
                    last = 1 - last;
                    run = 1;
                }
            }
            table[state][nibble] = (stuffed * 8 + last * 4 + run - 1) as u8;
            nibble += 1;
        }
        state += 1;
    }
    table
};

/// The bits of a data frame before stuffing, start of frame to checksum: right-aligned, and how
/// many.
fn bits_as_sent(id: CanId, data: &[u8]) -> (u128, u32) {
    let data = data.get(..8).unwrap_or(data);
    let (mut bits, mut count) = match id {
        // Start, identifier, remote request, identifier extension, reserved.
        CanId::Base(n) => (u128::from(n) << 3, 1 + 11 + 3),
        // Start, first eleven, substitute remote request, extension, last eighteen, remote
        // request, two reserved.
        CanId::Extended(n) => {
            let (first, last) = (u128::from(n >> 18), u128::from(n & 0x3_FFFF));
            (((first << 2 | 0b11) << 18 | last) << 3, 1 + 11 + 2 + 18 + 3)
        }
    };
    bits = bits << 4 | data.len() as u128;
    count += 4;
    for &byte in data {
        bits = bits << 8 | u128::from(byte);
        count += 8;
    }
    (bits << 15 | u128::from(crc15(bits, count)), count + 15)
}

/// Checksum of `count` bits.
fn crc15(bits: u128, count: u32) -> u16 {
    // Leading zeros do not change a remainder that starts at zero, so whole bytes will do.
    let mut crc = 0_u16;
    let bytes = count.div_ceil(8);
    for k in (0..bytes).rev() {
        let byte = (bits >> (8 * k)) as u8;
        let index = usize::from(crc >> 7) as u8 ^ byte;
        crc = (crc << 8 ^ CRC_TABLE[usize::from(index)]) & 0x7FFF;
    }
    crc
}

/// Stuff bits of a data frame with these contents.
#[must_use]
pub fn stuff_bits(id: CanId, data: &[u8]) -> u32 {
    let (bits, count) = bits_as_sent(id, data);
    // The table takes four bits at a time. Bits put in front to fill the first four alternate and
    // end recessive, so they stuff nothing and the dominant start bit begins a run of its own.
    let mut state = 4_usize;
    let mut stuffed = 0;
    let padding = (4 - count % 4) % 4;
    let pad: u128 = [0b0, 0b1, 0b01, 0b101][padding as usize];
    let padded = bits | pad << count;
    let nibbles = (count + padding) / 4;
    for k in (0..nibbles).rev() {
        let nibble = (padded >> (4 * k)) as usize & 0xF;
        let next = usize::from(STUFF_TABLE[state & 7][nibble]);
        stuffed += (next >> 3) as u32;
        state = next & 7;
    }
    stuffed
}

/// Exact length of a data frame, start of frame to end of frame, without intermission, bits.
#[must_use]
pub fn frame_bits(id: CanId, data: &[u8]) -> u32 {
    let (_, count) = bits_as_sent(id, data);
    count + stuff_bits(id, data) + TAIL_BITS
}

/// Longest that a data frame with this many data bytes can be, with intermission, bits:
/// `g + 8 s + 13 + floor((g + 8 s - 1)/4)` with g = 34 or 54 (R. I. Davis, A. Burns, R. J. Bril,
/// J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted, revisited and
/// revised", Real-Time Systems 35 (2007) 239-272).
#[must_use]
pub fn longest_bits(extended: bool, data_bytes: u32) -> u32 {
    let stuffable = if extended { 54 } else { 34 } + 8 * data_bytes;
    stuffable + 13 + (stuffable - 1) / 4
}

/// Shortest that a data frame with this many data bytes can be, with intermission, bits.
#[must_use]
pub fn shortest_bits(extended: bool, data_bytes: u32) -> u32 {
    if extended { 54 + 8 * data_bytes + 13 } else { 34 + 8 * data_bytes + 13 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// CRC-15/CAN gives 0x059E for "123456789" (catalogue of parametrised CRC algorithms; from
    /// memory).
    #[test]
    fn checksum_of_the_catalogued_text() {
        let bits = b"123456789".iter().fold(0_u128, |bits, &b| bits << 8 | u128::from(b));
        assert_eq!(crc15(bits, 72), 0x059E);
    }

    /// Frames worked out bit by bit with a separate program (Python): stuff bits, and bits from
    /// start to end of frame without intermission.
    #[test]
    fn exact_lengths_of_frames_worked_out_separately() {
        let check = |id: CanId, data: &[u8], stuffed: u32, total: u32, crc: u16| {
            assert_eq!(stuff_bits(id, data), stuffed, "{id}");
            assert_eq!(frame_bits(id, data), total, "{id}");
            let (bits, _) = bits_as_sent(id, data);
            assert_eq!((bits & 0x7FFF) as u16, crc, "{id}");
        };
        check(CanId::Base(0x000), &[0; 8], 16, 124, 0x145B);
        check(CanId::Base(0x7FF), &[0xFF; 8], 15, 123, 0x4C89);
        check(CanId::Base(0x123), &[1, 2, 3, 4, 5, 6, 7, 8], 8, 116, 0x64EF);
        let answer = [0x03, 0x41, 0x0D, 0x32, 0xAA, 0xAA, 0xAA, 0xAA];
        check(CanId::Base(0x7E8), &answer, 4, 112, 0x32A2);
        check(CanId::Base(0x100), &[], 4, 48, 0x380A);
        check(CanId::Base(0x555), &[0xAA; 8], 1, 109, 0x7DCE);
        let request = [0x02, 0x01, 0x0C, 0x55, 0x55, 0x55, 0x55, 0x55];
        check(CanId::Base(0x7DF), &request, 4, 112, 0x4438);
        check(CanId::Extended(0x18FE_BF0B), &[0xFF; 8], 14, 142, 0x0D58);
    }

    /// Davis et al. 2007 as tabulated: 11-bit frames of 0 to 8 bytes are 55 to 135 bits at most,
    /// 29-bit frames of 8 bytes 160; without stuffing 47 to 111 and 131.
    #[test]
    fn worst_cases_of_the_published_formula() {
        let longest: Vec<u32> = (0..=8).map(|n| longest_bits(false, n)).collect();
        assert_eq!(longest, [55, 65, 75, 85, 95, 105, 115, 125, 135]);
        let shortest: Vec<u32> = (0..=8).map(|n| shortest_bits(false, n)).collect();
        assert_eq!(shortest, [47, 55, 63, 71, 79, 87, 95, 103, 111]);
        assert_eq!((longest_bits(true, 8), shortest_bits(true, 8)), (160, 131));
    }

    /// Stuffing bit by bit, as the standard words it.
    fn stuffed_slowly(id: CanId, data: &[u8]) -> u32 {
        let (bits, count) = bits_as_sent(id, data);
        let (mut last, mut run, mut stuffed) = (2, 0, 0);
        for k in (0..count).rev() {
            let bit = (bits >> k & 1) as u32;
            run = if bit == last { run + 1 } else { 1 };
            last = bit;
            if run == 5 {
                stuffed += 1;
                last = 1 - bit;
                run = 1;
            }
        }
        stuffed
    }

    proptest! {
        #[test]
        fn table_and_bit_by_bit_stuffing_agree(
            number in 0_u32..0x2000_0000, extended: bool,
            data in proptest::collection::vec(any::<u8>(), 0..=8),
        ) {
            let number = if extended { number } else { number & 0x7FF };
            let id = CanId::new(number, extended).unwrap();
            prop_assert_eq!(stuff_bits(id, &data), stuffed_slowly(id, &data));
            let bits = frame_bits(id, &data) + INTERMISSION_BITS;
            let n = data.len() as u32;
            prop_assert!((shortest_bits(extended, n)..=longest_bits(extended, n)).contains(&bits));
        }
    }

    #[test]
    fn lower_identifiers_go_first_and_base_before_extended() {
        assert!(rank(CanId::Base(0x100)) < rank(CanId::Base(0x101)));
        assert!(rank(CanId::Base(0x100)) < rank(CanId::Extended(0x100 << 18)));
        assert!(rank(CanId::Extended(0x0FF << 18)) < rank(CanId::Base(0x100)));
        assert!(rank(CanId::Extended(5)) < rank(CanId::Extended(6)));
    }
}
