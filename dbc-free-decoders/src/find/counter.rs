//! Counters: fields that go up by one with every frame, by which a receiver sees that none was lost.

use super::bit_activity::BitActivity;
use super::protection::Guard;
use super::rows::Rows;

/// Share of frames in which a counter's lowest bit flips, but for lost frames.
const COUNTER_FLIP_RATE: f64 = 0.85;
/// Share of steps that must go up by one.
const COUNTER_STEPS: f64 = 0.85;

/// The counters of an identifier: a lowest bit that flips with every frame, and the bits above it
/// that count with it.
pub(crate) fn counters(activity: &BitActivity, head: &Rows) -> Vec<Guard> {
    let bits = 8 * head.width();
    let lowest = (0..bits).filter(|&bit| activity.rate(bit) > COUNTER_FLIP_RATE);
    lowest
        .filter_map(|lowest| {
            let room = lowest % 8 + 1;
            // The longest that counts; a counter of one bit tells nothing.
            (2..=room).rev().find_map(|bits| {
                let guard = Guard {
                    first_bit: lowest + 1 - bits,
                    bits,
                    checksum: None,
                };
                counts(&guard, head).then_some(guard)
            })
        })
        .collect()
}

fn counts(guard: &Guard, head: &Rows) -> bool {
    let mask = 0xFF_u8 >> (8 - guard.bits);
    let values: Vec<u8> = head.iter().map(|(_, data)| guard.value(data)).collect();
    let steps = values.len().saturating_sub(1);
    let ups = values
        .windows(2)
        .filter(|pair| matches!(pair, [a, b] if a.wrapping_add(1) & mask == *b || *b == 0 && a.saturating_add(2) >= mask))
        .count();
    // The highest bit must have moved both ways, else it is a shorter counter.
    let high = 1_u8 << (guard.bits - 1);
    let seen_high = values.iter().any(|v| v & high != 0) && values.iter().any(|v| v & high == 0);
    steps >= 8 && ups as f64 >= COUNTER_STEPS * steps as f64 && seen_high
}
