//! The other traffic of a drawn layout: messages that have nothing to do with the drive, in number
//! and rhythm those of a car (common practice, no source).

use crate::layout::drawn_signals::Signal;
use crate::random::Stream;
use crate::source::{Other, Source};
use slipwright_decoders::unit::Unit;

/// Periods, ms, and how often they are drawn.
const PERIODS_MS: [f64; 16] = [
    10.0, 10.0, 20.0, 20.0, 20.0, 40.0, 50.0, 50.0, 100.0, 100.0, 100.0, 200.0, 200.0, 500.0,
    500.0, 1000.0,
];

/// A period.
pub(super) fn period_ms(random: &mut Stream) -> f64 {
    random.pick(&PERIODS_MS)
}

/// What lies in one message of other traffic, for at most this many bits.
pub(super) fn contents(room_bits: u16, random: &mut Stream) -> Vec<Signal> {
    let mut left = room_bits;
    let mut list = Vec::new();
    let mut add = |list: &mut Vec<Signal>, length: u8, other: Other| {
        if u16::from(length) > left {
            return;
        }
        left -= u16::from(length);
        let code = (length, false, 1.0, 0.0, Unit::Bare);
        list.push(Signal::named("other", Source::Other(other), code));
    };
    if room_bits >= 24 && random.chance(0.08) {
        // Several contents in turn, told apart by their number in front. Counters count to 16, so
        // the number of contents divides it.
        let pages = random.pick(&[2_u8, 4, 8]);
        add(&mut list, 8, Other::Page(pages));
        for _ in 0..3 {
            add(&mut list, random.pick(&[8, 12, 16]), Other::Paged(pages));
        }
        return list;
    }
    for _ in 0..2 + random.below(6) {
        let wide = random.pick(&[4_u8, 6, 8, 8, 10, 12, 16, 16]);
        let (length, other) = match random.below(10) {
            0..=2 => (wide, Other::Wander(1 + random.below(6) as u8)),
            3 | 4 => (wide, Other::Flicker),
            5..=7 => (random.pick(&[1, 1, 2, 3]), Other::Flag),
            8 => (random.pick(&[8, 16]), Other::Clock),
            _ => (wide, Other::Wander(0)),
        };
        add(&mut list, length, other);
    }
    list
}
