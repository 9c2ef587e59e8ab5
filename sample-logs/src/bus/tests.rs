//! Checks of a bus against the schedule, the standard's frame lengths and published analysis.

use super::*;
use crate::arbitration::{longest_bits, shortest_bits};
use crate::layout::{LayoutOptions, messages};
use crate::readings::Instant;
use crate::state::State;
use crate::wheel_sensor::RingDamage;

const SECONDS: i64 = 10;
const RATE_BPS: f64 = 500e3;
/// The recorder stamps at most this late, ns.
const STAMP_LATE_NS: i64 = 41_000;

struct Recorded {
    bus: Bus,
    frames: Vec<Received>,
}

/// A bus of the training car run for ten seconds with the car at rest.
fn record(options: BusOptions, layout: &LayoutOptions, index: u16) -> Recorded {
    let messages = messages(layout).unwrap();
    let start = Instant::start(&State::default());
    let random = Stream::new(1, 0, Purpose::Sensors);
    let mut readings = Readings::new(1, random, 0.312, [RingDamage::default(); 4], start);
    let mut bus = Bus::new((1, 1), 0, index, options, &messages, layout.extended);
    let mut frames = Vec::new();
    for ms in 1..=SECONDS * 1000 {
        let t_ns = ms * 1_000_000;
        readings.advance(Instant { t_ns, ..start });
        bus.advance(t_ns, &mut readings, MessageFaults::default(), &mut frames);
    }
    Recorded { bus, frames }
}

fn options(load: f64) -> BusOptions {
    BusOptions {
        bit_rate_bps: RATE_BPS,
        load: [load; 2],
        jitter_s: 4e-4,
        loss: 0.0,
    }
}

fn bits_range(frame: &Received) -> (u32, u32) {
    let (extended, n) = (frame.id.is_extended(), u32::from(frame.length));
    (shortest_bits(extended, n), longest_bits(extended, n))
}

#[test]
fn load_is_what_was_asked_and_within_the_published_frame_lengths() {
    for (load, extended) in [(0.3, false), (0.6, false), (0.85, false), (0.6, true)] {
        let layout = LayoutOptions {
            extended,
            ..LayoutOptions::default()
        };
        let recorded = record(options(load), &layout, 0);
        let capacity = RATE_BPS * SECONDS as f64;
        let got = recorded.bus.bits_sent() as f64 / capacity;
        assert!((got / load - 1.0).abs() < 0.04, "{got} {load}");
        // Shortest and longest frames by Davis, Burns, Bril and Lukkien 2007.
        let ranges = recorded.frames.iter().map(bits_range);
        let (low, high) = ranges.fold((0, 0), |(a, b), (low, high)| (a + low, b + high));
        let sent = recorded.bus.bits_sent() as u32;
        assert!((low..=high).contains(&sent), "{low} {sent} {high}");
    }
}

/// Response times by the sufficient analysis of Davis, Burns, Bril and Lukkien 2007 (Real-Time
/// Systems 35, 239-272): queueing delay `w = max(B, C) + sum over higher priorities of
/// ceil((w + J + bit)/T) C`, response `J + w + C`, with worst-case frame lengths. No frame may take
/// longer, and the highest priority comes near its bound. (Formula from memory.)
#[test]
fn no_frame_waits_longer_than_the_published_worst_case() {
    let options = options(0.7);
    let recorded = record(options.clone(), &LayoutOptions::default(), 0);
    let bit_s = 1.0 / RATE_BPS;
    let slots = &recorded.bus.slots;
    let length_s =
        |slot: &Slot| f64::from(longest_bits(slot.id.is_extended(), slot.length as u32)) * bit_s;
    let mut nearest: f64 = 0.0;
    for (k, slot) in slots.iter().enumerate() {
        let own = length_s(slot);
        let blocking = slots.iter().skip(k + 1).map(length_s).fold(0.0, f64::max);
        let period_s = |slot: &Slot| slot.period_ns as f64 * 1e-9;
        let mut wait_s = blocking.max(own);
        for _ in 0..1000 {
            let interference: f64 = slots
                .iter()
                .take(k)
                .map(|h| ((wait_s + options.jitter_s + bit_s) / period_s(h)).ceil() * length_s(h))
                .sum();
            let next = blocking.max(own) + interference;
            if next <= wait_s || next > period_s(slot) {
                wait_s = next.max(wait_s);
                break;
            }
            wait_s = next;
        }
        if options.jitter_s + wait_s + own > period_s(slot) {
            // The analysis promises nothing past the period.
            continue;
        }
        let bound_ns = ((wait_s + own) * 1e9) as i64 + STAMP_LATE_NS;
        let of_slot = recorded.frames.iter().filter(|frame| frame.id == slot.id);
        let worst_ns = of_slot
            .map(|frame| frame.t_ns - frame.due_ns)
            .max()
            .unwrap();
        assert!(worst_ns <= bound_ns, "{} {worst_ns} {bound_ns}", slot.id);
        if k == 0 {
            nearest = worst_ns as f64 / bound_ns as f64;
        }
    }
    assert!(nearest > 0.6, "{nearest}");
}

#[test]
fn frames_follow_each_other_without_overlap_and_the_lower_identifier_first() {
    let recorded = record(options(0.85), &LayoutOptions::default(), 0);
    for pair in recorded.frames.windows(2) {
        let (_, longest) = bits_range(&pair[0]);
        let (shortest, _) = bits_range(&pair[1]);
        let gap_ns = pair[1].t_ns - pair[0].t_ns;
        assert!(
            gap_ns + STAMP_LATE_NS >= i64::from(shortest) * 2000,
            "{gap_ns}"
        );
        // Both were waiting before the first one began: the more urgent had to go first.
        let begun_ns = pair[0].t_ns - i64::from(longest) * 2000 - STAMP_LATE_NS;
        if pair[0].due_ns < begun_ns && pair[1].due_ns < begun_ns {
            assert!(rank(pair[0].id) < rank(pair[1].id));
        }
    }
}

#[test]
fn periods_hold_on_average_and_jitter_stays_in_its_bound() {
    let recorded = record(options(0.4), &LayoutOptions::default(), 0);
    for slot in &recorded.bus.slots {
        let due: Vec<i64> = recorded
            .frames
            .iter()
            .filter(|f| f.id == slot.id)
            .map(|f| f.due_ns)
            .collect();
        let expected = SECONDS * 1_000_000_000 / slot.period_ns;
        assert!((due.len() as i64 - expected).abs() <= 1, "{}", slot.id);
        for pair in due.windows(2) {
            let off = pair[1] - pair[0] - slot.period_ns;
            assert!(off.abs() <= 400_000, "{off}");
        }
    }
}

#[test]
fn counters_count_and_checksums_check() {
    let recorded = record(options(0.3), &LayoutOptions::default(), 0);
    for slot in &recorded.bus.slots {
        let protected = match &slot.content {
            Content::Signals(message, _) => !message.protection.is_none(),
            Content::Filler(_) => true,
        };
        if !protected {
            continue;
        }
        let mut last = None;
        for frame in recorded.frames.iter().filter(|frame| frame.id == slot.id) {
            let data = &frame.data[..usize::from(frame.length)];
            // Bit by bit, apart from the table.
            let mut crc = 0xFF_u8;
            for byte in &data[..data.len() - 1] {
                crc ^= byte;
                for _ in 0..8 {
                    crc = if crc & 0x80 != 0 {
                        crc << 1 ^ 0x1D
                    } else {
                        crc << 1
                    };
                }
            }
            assert_eq!(data[data.len() - 1], crc ^ 0xFF);
            let counter = data[data.len() - 2] & 0xF;
            if let Some(last) = last {
                assert_eq!(counter, (last + 1) & 0xF);
            }
            last = Some(counter);
        }
    }
}

#[test]
fn the_recorder_loses_its_share() {
    let lossy = BusOptions {
        loss: 0.02,
        ..options(0.5)
    };
    let (lossy, whole) = (
        record(lossy, &LayoutOptions::default(), 0).frames.len() as f64,
        record(options(0.5), &LayoutOptions::default(), 0)
            .frames
            .len() as f64,
    );
    let lost = 1.0 - lossy / whole;
    assert!((lost - 0.02).abs() < 0.004, "{lost}");
}
