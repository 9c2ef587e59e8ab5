//! Two numbers that one identifier sends at the same place by turns: told by how they go on.
//!
//! Contents of one make, such as two wheels in each of two, flip as many bits from one content to the
//! next as within one. But a number lies near the line through its own values before and after, and
//! farther from the line through another number's, though these come sooner. A number that every
//! content holds lies nearer to the nearer ones.
//! `multiplex` finds such contents by it, and `wheel_score` asks it of wheel speeds.

use std::collections::BTreeSet;

use super::multiplex::Part;
use super::protection::Guard;
use super::rows::Rows;
use super::segment::segments;
use crate::field::{Coding, Field};

/// Squares of the distances from the other number's line, over those from its own, at least.
const LEAST_PARTED: f64 = 2.0;
/// What rounding adds to such a square at most; a slow number's own values are all rounded alike.
const ROUNDING: f64 = 0.5;
/// Fewest codes and bits of a number that can tell.
const LEAST_CODES: usize = 20;
const LEAST_BITS: usize = 6;
/// A number's steps within its content, those that are none left out, are this share of its range at
/// most in the mean; those of a checksum are a third.
const MOST_STEP_SHARE: f64 = 0.08;

/// Whether the frames of `other` hold another number in this field than those of `own`.
pub(crate) fn parted(field: &Field, own: &Rows, other: &Rows) -> bool {
    let read = |rows: &Rows| -> Vec<(i64, f64)> {
        let codes = rows.iter();
        codes
            .filter_map(|(t_ns, data)| Some((t_ns, field.extract(data)? as f64)))
            .collect()
    };
    let (own, other) = (read(own), read(other));
    let (mut within, mut across, mut next) = (0.0, 0.0, 0);
    for three in own.windows(3) {
        let &[before, (t_ns, value), after] = three else {
            continue;
        };
        while other.get(next).is_some_and(|(at, _)| *at < t_ns) {
            next += 1;
        }
        let beside = next.checked_sub(1).and_then(|k| other.get(k));
        if let Some((earlier, later)) = beside.zip(other.get(next)) {
            within += ROUNDING + (value - between(before, after, t_ns)).powi(2);
            across += (value - between(*earlier, *later, t_ns)).powi(2);
        }
    }
    across > LEAST_PARTED * within
}

/// The line through two values at a time between them.
fn between((t0, v0): (i64, f64), (t1, v1): (i64, f64), t_ns: i64) -> f64 {
    let (past, whole) = (t_ns.saturating_sub(t0), t1.saturating_sub(t0));
    v0 + (v1 - v0) * (past as f64 / whole.max(1) as f64)
}

/// Whether some number of these contents is one of its own in them.
pub(crate) fn hold_own_numbers(parts: &[Part], bytes: usize, guards: &[Guard]) -> bool {
    parts.iter().enumerate().any(|(own, part)| {
        let others = parts.iter().enumerate().filter(|(k, _)| *k != own);
        let others: Vec<&Part> = others.map(|(_, part)| part).collect();
        let fields = segments(&part.activity, &part.rows, bytes, guards);
        fields
            .iter()
            .filter(|segment| segment.length >= LEAST_BITS)
            .filter_map(|segment| {
                let (start, length) = (
                    segment.start.try_into().ok()?,
                    segment.length.try_into().ok()?,
                );
                Field::new(start, length, segment.order, Coding::Unsigned).ok()
            })
            .any(|field| {
                moves_smoothly(&field, &part.rows)
                    && others
                        .iter()
                        .any(|other| parted(&field, &part.rows, &other.rows))
            })
    })
}

/// Whether a field takes many codes and moves through them by small steps, as no checksum does.
fn moves_smoothly(field: &Field, rows: &Rows) -> bool {
    let codes: Vec<u64> = rows
        .iter()
        .filter_map(|(_, data)| field.extract(data))
        .collect();
    let distinct: BTreeSet<u64> = codes.iter().copied().collect();
    let range = distinct.first().zip(distinct.last());
    let range = range.map_or(0, |(low, high)| high - low);
    let steps = codes.windows(2).filter_map(|pair| match pair {
        [a, b] if a != b => Some(a.abs_diff(*b) as f64),
        _ => None,
    });
    let (count, sum) = steps.fold((0, 0.0), |(count, sum), step| (count + 1, sum + step));
    distinct.len() >= LEAST_CODES && sum <= MOST_STEP_SHARE * range as f64 * f64::from(count)
}

#[cfg(test)]
mod tests {
    use super::super::made_drive::{Drive, at, put};
    use super::super::{FindOptions, Findings, Survey, find};
    use crate::decoder_file::Selector;
    use crate::field::BitOrder::{self, Big, Little};

    /// Where the four lie: their contents, counted from 0, and first bits.
    type Places = [(u64, u16); 4];
    const TWO_IN_EACH_OF_TWO: Places = [(0, 16), (0, 32), (1, 16), (1, 32)];
    const ELSEWHERE_IN_THE_SECOND: Places = [(0, 16), (0, 32), (1, 32), (1, 48)];
    const CROSSWISE: Places = [(0, 24), (1, 24), (1, 40), (0, 40)];
    const ONE_IN_EACH_OF_FOUR: Places = [(2, 16), (0, 16), (3, 16), (1, 16)];
    const EACH_AT_ITS_OWN: Places = [(0, 16), (1, 24), (2, 32), (3, 48)];

    struct Layout<'a> {
        /// Codes of the selecting field by turns, and where it lies.
        turns: &'a [u64],
        selector: (u16, u8),
        /// Which content a code means: the code modulo so many.
        contents: u64,
        places: Places,
        length: u8,
        order: BitOrder,
        step_kmh: f64,
    }

    fn findings(seed: u64, layout: &Layout) -> Findings {
        let mut drive = Drive::of_seed(seed);
        let mut survey = Survey::new();
        drive.send_the_rest(&mut survey);
        drive.send(&mut survey, 0x2B1, 0.01, |drive, n, t, data| {
            let code = layout.turns[n % layout.turns.len()];
            for (wheel, (content, start)) in drive.wheels.iter().zip(layout.places) {
                if content == code % layout.contents {
                    let raw = 3.6 * at(wheel, t) / layout.step_kmh;
                    put(data, (start, layout.length), layout.order, raw);
                }
            }
            put(data, layout.selector, Big, code as f64);
        });
        let options = FindOptions {
            speed: Some(drive.reference(10.0, 0.1)),
            ..FindOptions::default()
        };
        find(survey, &options)
    }

    fn check(seed: u64, layout: &Layout) {
        let findings = findings(seed, layout);
        let wheels = findings.proposals.iter();
        let wheels: Vec<_> = wheels.filter(|p| p.meaning.is_wheel_speed()).collect();
        assert_eq!(wheels.len(), 4, "seed {seed}: {:?}", findings.wheels);
        let lowest = |start: u16, length: u8| match layout.order {
            Big => start + u16::from(length),
            Little => start,
        };
        // Which content a selector means, whatever bits it was found by.
        let content_of = |selector: Selector| {
            let mut codes = layout.turns.iter().filter(|code| {
                let mut data = [0; 8];
                put(&mut data, layout.selector, Big, **code as f64);
                selector.field.extract(&data) == Some(selector.equals)
            });
            codes.next().unwrap() % layout.contents
        };
        let mut found: Vec<(u64, u16)> = wheels
            .iter()
            .map(|p| {
                let low = lowest(p.field.start(), p.field.length());
                (content_of(p.selector.unwrap()), low)
            })
            .collect();
        let places = layout.places.iter();
        let mut wanted: Vec<(u64, u16)> = places
            .map(|&(content, start)| (content, lowest(start, layout.length)))
            .collect();
        found.sort_unstable();
        wanted.sort_unstable();
        assert_eq!(found, wanted, "seed {seed}");
        for wheel in wheels {
            let scale = wheel.scaling.unwrap().scale / layout.step_kmh;
            assert!((scale - 1.0).abs() < 0.015, "seed {seed}: {scale}");
        }
        let lag_s = findings.reference.unwrap().lag_s;
        assert!((lag_s - 0.1).abs() < 0.015, "seed {seed}: {lag_s}");
    }

    #[test]
    fn wheels_in_contents_of_one_make_are_told_apart() {
        let of =
            |turns: &'static [u64], selector, contents, places, format: (u8, BitOrder, f64)| {
                Layout {
                    turns,
                    selector,
                    contents,
                    places,
                    length: format.0,
                    order: format.1,
                    step_kmh: format.2,
                }
            };
        let all = [
            of(&[0, 1], (0, 8), 2, TWO_IN_EACH_OF_TWO, (16, Big, 0.01)),
            of(
                &[1, 2],
                (0, 8),
                2,
                TWO_IN_EACH_OF_TWO,
                (16, Little, 0.03125),
            ),
            of(&[0, 1, 2, 3], (0, 8), 2, CROSSWISE, (16, Big, 0.0625)),
            of(
                &[0, 0, 1, 1],
                (4, 4),
                2,
                TWO_IN_EACH_OF_TWO,
                (16, Little, 0.02),
            ),
            of(&[0, 1], (6, 2), 2, ELSEWHERE_IN_THE_SECOND, (13, Big, 0.05)),
            of(
                &[0, 1, 2, 3],
                (0, 8),
                4,
                ONE_IN_EACH_OF_FOUR,
                (16, Big, 0.01),
            ),
            of(
                &[0, 1, 2, 3],
                (56, 8),
                4,
                ONE_IN_EACH_OF_FOUR,
                (15, Little, 0.02),
            ),
            of(&[0, 5, 10, 15], (0, 4), 4, EACH_AT_ITS_OWN, (16, Big, 0.01)),
            of(
                &[3, 1, 2, 0],
                (0, 8),
                4,
                EACH_AT_ITS_OWN,
                (14, Little, 0.05),
            ),
        ];
        for (seed, layout) in (861..).zip(&all) {
            check(seed, layout);
        }
    }

    /// What counts beside numbers that every frame holds selects nothing, whatever checksum is beside.
    #[test]
    fn a_short_counter_is_no_selector() {
        for (seed, codes) in [(881, 2), (882, 4), (883, 8)] {
            let mut drive = Drive::of_seed(seed);
            let mut survey = Survey::new();
            drive.send_the_rest(&mut survey);
            drive.send(&mut survey, 0x2B1, 0.01, |drive, n, t, data| {
                for (start, wheel) in [8, 24].into_iter().zip(&drive.wheels) {
                    put(data, (start, 16), Big, 360.0 * at(wheel, t));
                }
                put(data, (5, 3), Big, (n % codes) as f64);
            });
            drive.send(&mut survey, 0x2B2, 0.02, |_, n, t, data| {
                put(data, (8, 16), Little, 20.0 * t);
                put(data, (0, 8), Big, (n % codes) as f64);
                let weigh = |sum: u8, byte: &u8| sum.wrapping_mul(31).wrapping_add(*byte);
                data[7] = data[..7].iter().fold(0xB2, weigh);
            });
            let findings = find(survey, &FindOptions::default());
            for id in findings.ids {
                assert!(id.selector.is_none(), "{codes} codes: {id:?}");
            }
        }
    }

    /// One pair of wheels in both contents is not four wheels.
    #[test]
    fn contents_that_hold_the_same_numbers_make_no_four_wheels() {
        for seed in [891, 892] {
            let mut drive = Drive::of_seed(seed);
            let mut survey = Survey::new();
            drive.send_the_rest(&mut survey);
            drive.send(&mut survey, 0x2B1, 0.01, |drive, n, t, data| {
                for (start, wheel) in [8, 24].into_iter().zip(&drive.wheels[2..]) {
                    put(data, (start, 16), Big, 360.0 * at(wheel, t));
                }
                let (page, other) = (n % 2, [&drive.engine, &drive.pedal][n % 2]);
                put(data, (0, 8), Big, page as f64);
                put(data, (40, 16), Big, 10.0 * at(other, t));
            });
            let options = FindOptions {
                speed: Some(drive.reference(10.0, 0.0)),
                ..FindOptions::default()
            };
            let findings = find(survey, &options);
            let pages = findings.ids.iter().filter(|id| id.selector.is_some());
            assert_eq!(pages.count(), 2);
            let mut proposals = findings.proposals.iter();
            assert!(!proposals.any(|p| p.meaning.is_wheel_speed()));
        }
    }
}
