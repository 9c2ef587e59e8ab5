//! Filler: the other traffic of a normal car, which the decoder file does not know.

use slipwright_decoders::frame::CanId;

use super::{BusOptions, Content, MOST_MESSAGES, Slot};
use crate::arbitration::{longest_bits, shortest_bits};
use crate::protection::Protection;
use crate::random::Stream;

/// Periods of filler messages, ms, in the order in which they are added. A car's traffic is a mix
/// of fast and slow ones (common practice, no source).
const FILLER_PERIODS_MS: [f64; 9] = [10.0, 20.0, 100.0, 20.0, 50.0, 200.0, 100.0, 500.0, 1000.0];

/// Contents of a filler: a slow value, a fast one, a few flags, and a counter with checksum.
#[derive(Debug)]
pub(super) struct Filler {
    length: usize,
    slow: u16,
    flags: u8,
    pub(super) protection: Protection,
}

impl Filler {
    /// Makes the next contents from random bits.
    pub(super) fn fill(&mut self, data: &mut [u8; 8], bits: u64) {
        // A value that wanders, one that flickers in its last bits, flags that seldom change.
        self.slow = self.slow.wrapping_add((bits & 0x7) as u16).wrapping_sub(3);
        if bits >> 56 == 0 {
            self.flags ^= 1 << ((bits >> 8) & 7);
        }
        let [high, low] = self.slow.to_be_bytes();
        *data = [
            high,
            low,
            self.flags,
            0x7F ^ (bits >> 16) as u8 & 0x03,
            0x20,
            0,
            0,
            0,
        ];
        for byte in data.iter_mut().skip(self.length) {
            *byte = 0;
        }
    }
}

/// Adds filler messages until the bus's load is reached.
pub(super) fn add_fillers(
    slots: &mut Vec<Slot>,
    taken: &[CanId],
    options: &BusOptions,
    wanted: f64,
    extended: bool,
    built: &mut Stream,
) {
    // Between no stuffing and the worst case; real frames lie low in that range.
    let bits = |slot: &Slot| {
        let n = slot.length as u32;
        let shortest = shortest_bits(slot.id.is_extended(), n);
        let longest = longest_bits(slot.id.is_extended(), n);
        0.8 * f64::from(shortest) + 0.2 * f64::from(longest)
    };
    let share = |slot: &Slot| bits(slot) / options.bit_rate_bps / (slot.period_ns as f64 * 1e-9);
    let mut load: f64 = slots.iter().map(share).sum();
    let mut used = taken.to_vec();
    let mut k = 0;
    while load < wanted && slots.len() < MOST_MESSAGES {
        let period_ms = FILLER_PERIODS_MS
            .get(k % FILLER_PERIODS_MS.len())
            .copied()
            .unwrap_or(100.0);
        k += 1;
        let id = loop {
            let number = 0x040 + (built.uniform() * f64::from(0x6A0)) as u32;
            let id = if extended {
                CanId::Extended(number << 18 | 0x0_40E5)
            } else {
                CanId::Base(number as u16)
            };
            if !used.contains(&id) {
                break id;
            }
        };
        used.push(id);
        let length = if built.chance(0.8) { 8 } else { 5 };
        let slot = Slot {
            id,
            period_ns: (period_ms * 1e6) as i64,
            scheduled_ns: (built.uniform() * period_ms * 1e6) as i64,
            counter: 0,
            made_ns: 0,
            content: Content::Filler(Filler {
                length,
                slow: built.bits() as u16,
                flags: built.bits() as u8,
                protection: Protection::usual(length as u8).unwrap_or_default(),
            }),
            data: [0; 8],
            length,
        };
        // A last one that would overshoot by more than it misses is left out.
        let more = share(&slot);
        if load + more > wanted + 0.5 * more && period_ms < 500.0 {
            continue;
        }
        load += more;
        slots.push(slot);
    }
}
