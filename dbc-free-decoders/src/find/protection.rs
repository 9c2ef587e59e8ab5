//! Fields that guard a frame and carry nothing of the car: checksums here, what counts in `counter`.
//!
//! A cyclic redundancy check is linear over exclusive or: for two frames of one identifier the
//! difference of their checks is the check of the difference of their data with start value 0
//! (Koopman and Chakravarty, "Cyclic Redundancy Code (CRC) Polynomial Selection for Embedded
//! Networks", DSN 2004; from memory). So start value, end value and any constant that the sender
//! appends, such as the data identifier of AUTOSAR's end-to-end profile 1, need not be known. A
//! data identifier that changes with the counter is met by comparing frames of equal counter only.

use super::bit_activity::BitActivity;
use super::rows::Rows;

/// Least pairs of frames that must agree, and all must.
const LEAST_PAIRS: usize = 24;
/// Most pairs that are compared.
const MOST_PAIRS: usize = 400;
/// Most constant bytes that a sender appends before it makes its check.
const MOST_APPENDED: usize = 2;

/// How a checksum is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checksum {
    /// A cyclic redundancy check of 8 bits with this polynomial.
    Crc8(u8),
    /// All other bytes added, or the complement of that, modulo 256.
    Sum,
    /// All other bytes combined by exclusive or.
    ExclusiveOr,
    /// Four bits: all other half-bytes added, modulo 16.
    HalfByteSum,
    /// Four bits: all other half-bytes combined by exclusive or.
    HalfByteExclusiveOr,
}

impl Checksum {
    /// Its name.
    #[must_use]
    pub fn text(self) -> String {
        match self {
            Self::Crc8(0x1D) => "CRC-8 with the polynomial of SAE J1850, 0x1D".to_owned(),
            Self::Crc8(0x2F) => "CRC-8 with the AUTOSAR polynomial 0x2F".to_owned(),
            Self::Crc8(polynomial) => format!("CRC-8 with polynomial 0x{polynomial:02X}"),
            Self::Sum => "sum of the other bytes modulo 256".to_owned(),
            Self::ExclusiveOr => "exclusive or of the other bytes".to_owned(),
            Self::HalfByteSum => "sum of the other half-bytes modulo 16".to_owned(),
            Self::HalfByteExclusiveOr => "exclusive or of the other half-bytes".to_owned(),
        }
    }
}

/// Polynomials tried, without the leading term: SAE J1850, AUTOSAR (H2F), and three of general use.
const POLYNOMIALS: [u8; 5] = [0x1D, 0x2F, 0x07, 0x31, 0x9B];

/// One guarding field, in bits numbered as sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Guard {
    /// Highest bit.
    pub first_bit: usize,
    /// Number of bits, all in one byte.
    pub bits: usize,
    /// `None` for a counter.
    pub checksum: Option<Checksum>,
}

impl Guard {
    pub(crate) fn covers(&self, bit: usize) -> bool {
        (self.first_bit..self.first_bit + self.bits).contains(&bit)
    }

    pub(super) fn value(&self, data: &[u8]) -> u8 {
        let byte = data.get(self.first_bit / 8).copied().unwrap_or(0);
        let below = 8 - (self.first_bit % 8 + self.bits);
        (byte >> below) & (0xFF_u8 >> (8 - self.bits))
    }
}

/// The checksums of an identifier.
pub(crate) fn checksums(activity: &BitActivity, head: &Rows, counters: &[Guard]) -> Vec<Guard> {
    let width = head.width();
    // Sums and exclusive ors hold for every byte of the frame alike, as each is that of all others; the
    // check is then the one whose bits all change often, its highest too, which in a number change the
    // less. Of several, senders put it last or first, and it changes with any other.
    let eighths = |byte: usize| {
        let least = (8 * byte..8 * byte + 8)
            .map(|bit| activity.flips(bit))
            .min();
        8 * u64::from(least.unwrap_or(0)) / activity.steps.max(1)
    };
    let likely = |byte: usize| {
        let at_an_end = byte == 0 || byte + 1 == width;
        (eighths(byte), at_an_end, changes(head, 8 * byte, 8))
    };
    let mut bytes: Vec<usize> = (0..width).collect();
    bytes.sort_by_cached_key(|&byte| std::cmp::Reverse(likely(byte)));
    for &byte in &bytes {
        let active = (8 * byte..8 * byte + 8)
            .filter(|&bit| activity.flips(bit) > 0)
            .count();
        if active >= 6
            && let Some(checksum) = whole_byte(head, byte, counters)
        {
            return vec![Guard {
                first_bit: 8 * byte,
                bits: 8,
                checksum: Some(checksum),
            }];
        }
    }
    let mut halves: Vec<usize> = (0..2 * width).collect();
    halves.sort_by_key(|&half| std::cmp::Reverse(changes(head, 4 * half, 4)));
    let moves = |half: usize| {
        (4 * half..4 * half + 4)
            .filter(|&bit| activity.flips(bit) > 0)
            .count()
            >= 3
    };
    let in_counter = |half: usize| {
        counters
            .iter()
            .any(|c| c.covers(4 * half) || c.covers(4 * half + 3))
    };
    halves
        .into_iter()
        .filter(|&half| moves(half) && !in_counter(half))
        .find_map(|half| half_byte(head, half))
        .into_iter()
        .collect()
}

/// Frames in which a part of a byte differs from the frame before.
fn changes(head: &Rows, first_bit: usize, bits: usize) -> usize {
    let part = Guard {
        first_bit,
        bits,
        checksum: None,
    };
    (1..head.len())
        .filter(|&row| part.value(head.data(row)) != part.value(head.data(row - 1)))
        .count()
}

/// Pairs of rows whose other bytes differ, all of one counter value if `counter` is given.
fn pairs<'a>(
    head: &'a Rows,
    byte: usize,
    counter: Option<&'a Guard>,
) -> impl Iterator<Item = (&'a [u8], &'a [u8])> {
    let mut last_of: [Option<usize>; 256] = [None; 256];
    (0..head.len())
        .filter_map(move |row| {
            let now = head.data(row);
            let class = counter.map_or(0, |guard| guard.value(now));
            let before = last_of
                .get_mut(usize::from(class))
                .and_then(|last| last.replace(row))?;
            let before = head.data(before);
            let differs = now
                .iter()
                .zip(before)
                .enumerate()
                .any(|(n, (a, b))| n != byte && a != b);
            differs.then_some((before, now))
        })
        .take(MOST_PAIRS)
}

fn whole_byte(head: &Rows, byte: usize, counters: &[Guard]) -> Option<Checksum> {
    let simple = [Checksum::ExclusiveOr, Checksum::Sum];
    let crc = POLYNOMIALS.map(Checksum::Crc8);
    let fits = |kind: Checksum, appended: usize, counter: Option<&Guard>| {
        agrees(pairs(head, byte, counter), |a, b| {
            matches(kind, appended, byte, a, b)
        })
    };
    if let Some(kind) = simple.into_iter().find(|&kind| fits(kind, 0, None)) {
        return Some(kind);
    }
    let counter = counters.iter().find(|guard| guard.first_bit / 8 != byte);
    let by_counter = counter.map(Some);
    for among in [None].into_iter().chain(by_counter) {
        for appended in 0..=MOST_APPENDED {
            if let Some(kind) = crc.into_iter().find(|&kind| fits(kind, appended, among)) {
                return Some(kind);
            }
        }
    }
    None
}

fn agrees<'a>(
    pairs: impl Iterator<Item = (&'a [u8], &'a [u8])>,
    fits: impl Fn(&[u8], &[u8]) -> bool,
) -> bool {
    let mut seen = 0;
    for (a, b) in pairs {
        if !fits(a, b) {
            return false;
        }
        seen += 1;
    }
    seen >= LEAST_PAIRS
}

fn matches(kind: Checksum, appended: usize, byte: usize, a: &[u8], b: &[u8]) -> bool {
    let at = |data: &[u8]| data.get(byte).copied().unwrap_or(0);
    let others = |data: &[u8]| -> Vec<u8> {
        let skip = |(n, &value): (usize, &u8)| (n != byte).then_some(value);
        data.iter().enumerate().filter_map(skip).collect()
    };
    match kind {
        Checksum::ExclusiveOr => {
            let fold = |data: &[u8]| others(data).iter().fold(0, |sum, v| sum ^ v);
            at(a) ^ at(b) == fold(a) ^ fold(b)
        }
        Checksum::Sum => {
            let fold = |data: &[u8]| {
                others(data)
                    .iter()
                    .fold(0_u8, |sum, v| sum.wrapping_add(*v))
            };
            let (check, sum) = (at(a).wrapping_sub(at(b)), fold(a).wrapping_sub(fold(b)));
            check == sum || check == sum.wrapping_neg()
        }
        Checksum::Crc8(polynomial) => {
            let mut difference: Vec<u8> = others(a)
                .iter()
                .zip(others(b))
                .map(|(a, b)| a ^ b)
                .collect();
            // A constant that the sender appends shifts the check on by as many zero bytes.
            difference.resize(difference.len() + appended, 0);
            at(a) ^ at(b) == crc8(polynomial, &difference)
        }
        Checksum::HalfByteSum | Checksum::HalfByteExclusiveOr => false,
    }
}

/// CRC of 8 bits, most significant bit first, start and end value 0.
pub(crate) fn crc8(polynomial: u8, data: &[u8]) -> u8 {
    data.iter().fold(0, |crc, &byte| {
        (0..8).fold(crc ^ byte, |crc: u8, _| match crc & 0x80 {
            0 => crc << 1,
            _ => crc << 1 ^ polynomial,
        })
    })
}

fn half_byte(head: &Rows, half: usize) -> Option<Guard> {
    let halves = |data: &[u8]| -> Vec<u8> {
        let all = data.iter().flat_map(|byte| [byte >> 4, byte & 15]);
        let kept = all.enumerate().filter(|(n, _)| *n != half);
        kept.map(|(_, half)| half).collect()
    };
    let at = |data: &[u8]| {
        let byte = data.get(half / 2).copied().unwrap_or(0);
        if half.is_multiple_of(2) {
            byte >> 4
        } else {
            byte & 15
        }
    };
    let by_sum = |a: &[u8], b: &[u8]| {
        let sum = |data: &[u8]| {
            halves(data)
                .iter()
                .fold(0_u8, |sum, v| sum.wrapping_add(*v))
        };
        let (check, sum) = (
            at(a).wrapping_sub(at(b)) & 15,
            sum(a).wrapping_sub(sum(b)) & 15,
        );
        check == sum || check == sum.wrapping_neg() & 15
    };
    let by_xor = |a: &[u8], b: &[u8]| {
        let xor = |data: &[u8]| halves(data).iter().fold(0_u8, |sum, v| sum ^ v);
        at(a) ^ at(b) == xor(a) ^ xor(b)
    };
    let checksum = if agrees(pairs(head, usize::MAX, None), by_sum) {
        Checksum::HalfByteSum
    } else if agrees(pairs(head, usize::MAX, None), by_xor) {
        Checksum::HalfByteExclusiveOr
    } else {
        return None;
    };
    Some(Guard {
        first_bit: 4 * half,
        bits: 4,
        checksum: Some(checksum),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::counter::counters;

    /// Catalogued check values for "123456789" (from memory): CRC-8 SAE J1850 0x4B and AUTOSAR H2F
    /// 0xDF, both with start and end value 0xFF; CRC-8 with polynomial 0x07, both 0, 0xF4.
    #[test]
    fn check_values_of_the_catalogue() {
        let check = |polynomial, init: u8, end: u8, expected: u8| {
            let mut data = *b"123456789";
            // A start value is the same as an exclusive or with the first byte.
            data[0] ^= init;
            assert_eq!(crc8(polynomial, &data) ^ end, expected);
        };
        check(0x1D, 0xFF, 0xFF, 0x4B);
        check(0x2F, 0xFF, 0xFF, 0xDF);
        check(0x07, 0, 0, 0xF4);
    }

    fn rows(protect: impl Fn(&mut [u8; 8])) -> (BitActivity, Rows) {
        let mut survey = crate::find::survey::Survey::new();
        let mut state = 1_u32;
        for n in 0..300_u32 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let mut data = [0; 8];
            data[1] = (state >> 24) as u8;
            data[2] = (n / 3) as u8;
            data[6] = 0x50 | (n & 15) as u8;
            protect(&mut data);
            survey.push(&crate::frame::Frame {
                t_ns: i64::from(n) * 10_000_000,
                bus: crate::frame::BusIndex::new(0),
                id: crate::frame::CanId::Base(0x100),
                flags: crate::frame::FrameFlags::default(),
                data: &data,
            });
        }
        let id = survey.buses[0].ids[1].clone();
        (id.activity, id.head)
    }

    fn found(protect: impl Fn(&mut [u8; 8])) -> (Vec<Guard>, Vec<Guard>) {
        let (activity, head) = rows(protect);
        let counters = counters(&activity, &head);
        let checks = checksums(&activity, &head, &counters);
        (counters, checks)
    }

    #[test]
    fn counters_and_common_checksums_are_recognised() {
        let check = |kind: Checksum, byte: usize, protect: &dyn Fn(&mut [u8; 8])| {
            let (counters, checks) = found(protect);
            assert_eq!(
                counters,
                [Guard {
                    first_bit: 52,
                    bits: 4,
                    checksum: None
                }],
                "{kind:?}"
            );
            assert_eq!(
                checks,
                [Guard {
                    first_bit: 8 * byte,
                    bits: 8,
                    checksum: Some(kind)
                }]
            );
        };
        check(Checksum::Crc8(0x1D), 7, &|d| {
            d[7] = crc8(0x1D, &d[..7]) ^ 0x5A
        });
        check(Checksum::Crc8(0x2F), 0, &|d| {
            d[0] = crc8(0x2F, &d[1..]) ^ 0x11
        });
        check(Checksum::Sum, 7, &|d| {
            d[7] = d[..7].iter().fold(0x31, |s: u8, v| s.wrapping_add(*v));
        });
        check(Checksum::ExclusiveOr, 7, &|d| {
            d[7] = d[..7].iter().fold(9, |s, v| s ^ v)
        });
        // A data identifier that follows the counter, as in AUTOSAR's end-to-end profile 2.
        check(Checksum::Crc8(0x2F), 7, &|d| {
            let list: Vec<u8> = (0..16).map(|n: u8| n.wrapping_mul(37) ^ 0xA5).collect();
            let mut covered = d[..7].to_vec();
            covered.push(list[usize::from(d[6] & 15)]);
            d[7] = crc8(0x2F, &covered);
        });
    }

    #[test]
    fn a_frame_without_a_checksum_has_none() {
        let (counters, checks) = found(|d| d[7] = d[1].wrapping_mul(7) ^ d[2]);
        assert_eq!((counters.len(), checks), (1, Vec::new()));
    }
}
