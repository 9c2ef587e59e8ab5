//! Multiplexing: one identifier that sends different contents by turns and says which in a few
//! bits of its own.
//!
//! The selecting field is the one whose codes come in a fixed order and, held fixed, make the other
//! bits flip much less from one frame of the code to the next than from one frame to the next. Where
//! the contents are of one make, their bits do not tell, and `content_numbers` asks their numbers.

use std::collections::BTreeMap;

use super::bit_activity::{BitActivity, word_at};
use super::content_numbers::hold_own_numbers;
use super::protection::Guard;
use super::rows::Rows;
use super::segment::segments;
use super::survey::HEAD_ROWS;
use crate::decoder_file::Selector;
use crate::field::{BitOrder, Coding, Field};

/// Most codes of a selecting field.
const MOST_CODES: usize = 24;
/// The other bits must flip this much less.
const LEAST_GAIN: f64 = 0.5;
/// Flips a frame below which there is nothing to explain.
const LEAST_FLIPS: f64 = 1.0;
/// In long frames a selecting field lies before this byte or in the last.
const LAST_BETWEEN: usize = 8;
/// Share of frames whose code is the one that mostly follows the two before: senders go round, some
/// with two frames of each. The highest bits of a noisy number part its values as well, but come in
/// no order.
const LEAST_ORDER: f64 = 0.85;
/// Least frames of each code.
const LEAST_FRAMES: usize = 8;
/// Most codes of contents that only their numbers tell apart: counters mostly have more.
const MOST_CODES_ALIKE: usize = 8;

/// The frames of one code.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    pub(crate) selector: Selector,
    pub(crate) rows: Rows,
    pub(crate) activity: BitActivity,
}

/// Where a selecting field may lie: whole bytes and parts of them, mostly at the beginning or the end, as
/// senders do (common practice, no source), so these come first.
fn selectors(width: usize) -> Vec<Field> {
    let mut places = Vec::new();
    let last = width.saturating_sub(1);
    let between = 2..last.min(LAST_BETWEEN);
    for byte in [0, 1, last].into_iter().chain(between) {
        let first = 8 * byte as u16;
        for (start, length) in [
            (first, 8),
            (first, 4),
            (first + 4, 4),
            (first, 3),
            (first, 2),
            (first + 6, 2),
        ] {
            if byte < width
                && let Ok(field) = Field::new(start, length, BitOrder::Big, Coding::Unsigned)
            {
                places.push(field);
            }
        }
    }
    places.dedup();
    places
}

/// The parts of a multiplexed identifier; empty if it is not. A counter that selects is taken out of
/// the guards.
pub(crate) fn split(
    head: &Rows,
    rows: &Rows,
    activity: &BitActivity,
    guards: &mut Vec<Guard>,
) -> Vec<Part> {
    let width = head.width();
    if head.len() < 4 * LEAST_FRAMES || width < 2 {
        return Vec::new();
    }
    let mut best: Option<(f64, Field)> = None;
    let mut alike = Vec::new();
    for field in selectors(width) {
        let inside = |bit: usize| covers(&field, bit);
        let Some(codes) = turns(head, &field) else {
            continue;
        };
        let shared = |guard: &&Guard| (guard.first_bit..guard.first_bit + guard.bits).any(inside);
        let whole = |guard: &Guard| (guard.first_bit..guard.first_bit + guard.bits).all(inside);
        let mut in_it = guards.iter().filter(shared);
        // What counts through few codes and no further may select as well.
        if codes <= MOST_CODES_ALIKE && in_it.all(|guard| guard.checksum.is_none() && whole(guard))
        {
            alike.push(field);
        }
        if guards.iter().any(|guard| shared(&guard)) {
            continue;
        }
        let skip = |bit: usize| inside(bit) || guards.iter().any(|guard| guard.covers(bit));
        if let Some(gain) = gain(head, &field, &skip)
            && best.is_none_or(|(most, _)| gain > 1.05 * most)
        {
            best = Some((gain, field));
        }
    }
    if let Some((_, field)) = best {
        return parts(head, rows, &field);
    }
    if alike.is_empty() {
        return Vec::new();
    }
    // The bits of a clock go round as well, but in step with those above and below.
    let numbers = segments(activity, rows, width, guards);
    let of_a_number = |field: &Field| {
        numbers.iter().any(|number| {
            let mut bits = number.bits_sent();
            bits.clone().any(|bit| covers(field, bit)) && !bits.all(|bit| covers(field, bit))
        })
    };
    for field in alike.into_iter().filter(|field| !of_a_number(field)) {
        let parts = parts(head, rows, &field);
        let others = guards
            .iter()
            .filter(|guard| !covers(&field, guard.first_bit));
        let others: Vec<Guard> = others.copied().collect();
        if hold_own_numbers(&parts, width, &others) {
            *guards = others;
            return parts;
        }
    }
    Vec::new()
}

/// Whether a field in big order covers a bit, numbered as sent.
fn covers(field: &Field, bit: usize) -> bool {
    let first = usize::from(field.start());
    (first..first + usize::from(field.length())).contains(&bit)
}

/// How many codes of a field come by turns; `None` if they do not.
fn turns(head: &Rows, field: &Field) -> Option<usize> {
    let mut counts: BTreeMap<u64, usize> = BTreeMap::new();
    let mut follows: BTreeMap<([u64; 2], u64), u32> = BTreeMap::new();
    let mut before: Vec<u64> = Vec::new();
    let (mut steps, mut changes) = (0, 0);
    for row in 0..head.len().min(HEAD_ROWS) {
        let code = field.extract(head.data(row))?;
        *counts.entry(code).or_default() += 1;
        if counts.len() > MOST_CODES {
            return None;
        }
        if let &[first, second] = before.as_slice() {
            steps += 1;
            changes += u32::from(second != code);
            *follows.entry(([first, second], code)).or_default() += 1;
            before.remove(0);
        }
        before.push(code);
    }
    let enough = counts.values().filter(|&&n| n >= LEAST_FRAMES).count();
    // A selector changes by turns; a state that holds for minutes is none.
    if enough < 2 || enough < counts.len() || f64::from(changes) < 0.3 * f64::from(steps) {
        return None;
    }
    let mut usual: BTreeMap<[u64; 2], u32> = BTreeMap::new();
    for (&(before, _), &n) in &follows {
        let most = usual.entry(before).or_default();
        *most = n.max(*most);
    }
    let in_order: u32 = usual.values().sum();
    (f64::from(in_order) >= LEAST_ORDER * f64::from(steps)).then_some(counts.len())
}

/// How many times less the other bits flip among frames of one code; `None` if it selects nothing.
fn gain(head: &Rows, field: &Field, skip: &dyn Fn(usize) -> bool) -> Option<f64> {
    let mut mask = vec![0_u8; head.width()];
    for bit in (0..8 * head.width()).filter(|&bit| !skip(bit)) {
        if let Some(byte) = mask.get_mut(bit / 8) {
            *byte |= 0x80 >> (bit % 8);
        }
    }
    let flips = |a: &[u8], b: &[u8]| -> u32 {
        let pairs = a.iter().zip(b).zip(&mask);
        pairs
            .map(|((a, b), mask)| ((a ^ b) & mask).count_ones())
            .sum()
    };
    let mut last_of: BTreeMap<u64, usize> = BTreeMap::new();
    let (mut all, mut same, mut steps, mut same_steps) = (0, 0, 0, 0);
    for row in 0..head.len().min(HEAD_ROWS) {
        let now = head.data(row);
        if row > 0 {
            all += flips(head.data(row - 1), now);
            steps += 1;
        }
        if let Some(last) = last_of.insert(field.extract(now)?, row) {
            same += flips(head.data(last), now);
            same_steps += 1;
        }
    }
    let before = f64::from(all) / f64::from(steps.max(1));
    let after = f64::from(same) / f64::from(same_steps.max(1));
    (before > LEAST_FLIPS && after < LEAST_GAIN * before).then(|| before / after.max(0.01))
}

fn parts(head: &Rows, rows: &Rows, field: &Field) -> Vec<Part> {
    let mut codes: Vec<u64> = head
        .iter()
        .filter_map(|(_, data)| field.extract(data))
        .collect();
    codes.sort_unstable();
    codes.dedup();
    codes
        .into_iter()
        .map(|code| {
            let mut kept = Rows::bounded(usize::MAX);
            let mut activity = BitActivity::default();
            activity.widen(rows.width());
            let mut last: Option<Vec<u8>> = None;
            for (t_ns, data) in rows
                .iter()
                .filter(|(_, data)| field.extract(data) == Some(code))
            {
                kept.offer(t_ns, data);
                if let Some(last) = &last {
                    activity.steps += 1;
                    for word in 0..data.len().div_ceil(8) {
                        activity.count_word(word, word_at(last, word) ^ word_at(data, word));
                    }
                }
                last = Some(data.to_vec());
            }
            Part {
                selector: Selector {
                    field: *field,
                    equals: code,
                },
                rows: kept,
                activity,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::proposal::IdReport;
    use crate::find::{FindOptions, Survey, find};
    use crate::frame::{BusIndex, CanId, Frame, FrameFlags};

    fn reports(frames: i64, data_of: impl Fn(i64) -> [u8; 8]) -> Vec<IdReport> {
        let mut survey = Survey::new();
        for n in 0..frames {
            survey.push(&Frame {
                t_ns: n * 20_000_000,
                bus: BusIndex::new(0),
                id: CanId::Base(0x321),
                flags: FrameFlags::default(),
                data: &data_of(n),
            });
        }
        find(survey, &FindOptions::default()).ids
    }

    /// A number that wanders slowly over so many codes.
    fn wander(n: i64, phase: f64, size: f64) -> u64 {
        (size * (0.5 + 0.45 * (n as f64 * 0.0007 + phase).sin())) as u64
    }

    /// Contents by turns: a word in one, two bytes in another, a number across bytes in the last.
    #[test]
    fn contents_by_turns_are_split_and_their_fields_found() {
        let field =
            |start, length| Field::new(start, length, BitOrder::Little, Coding::Unsigned).unwrap();
        let pages: [Vec<Field>; 3] = [
            vec![field(16, 16)],
            vec![field(16, 8), field(40, 8)],
            vec![field(20, 12), field(48, 16)],
        ];
        let found = reports(12_000, |n| {
            let page = (n % 3) as usize;
            let mut data = [0; 8];
            data[0] = page as u8;
            for (k, field) in pages[page].iter().enumerate() {
                let raw = wander(n, (3 * page + k) as f64, field.mask() as f64);
                field.insert(&mut data, raw).unwrap();
            }
            data
        });
        assert_eq!(found.len(), 3);
        for (page, report) in found.iter().enumerate() {
            let selector = report.selector.unwrap();
            assert_eq!(selector.equals, page as u64);
            assert!(selector.field.start() < 8, "{selector:?}");
            assert!((report.period_ms.unwrap() - 60.0).abs() < 1.0);
            let mut lowest: Vec<usize> = report
                .fields
                .iter()
                .map(|f| crate::find::field_bits::lowest_bit(&f.field))
                .collect();
            lowest.sort_unstable();
            let mut wanted: Vec<usize> = pages[page]
                .iter()
                .map(crate::find::field_bits::lowest_bit)
                .collect();
            wanted.sort_unstable();
            assert_eq!(lowest, wanted, "page {page}: {:?}", report.fields);
        }
    }

    /// So long that not every frame is kept: of each content some must be.
    #[test]
    fn contents_by_turns_are_found_on_long_drives() {
        let field = Field::new(16, 16, BitOrder::Big, Coding::Unsigned).unwrap();
        let found = reports(90_000, |n| {
            let mut data = [(n % 2) as u8, 0, 0, 0, 0, 0, 0, 0];
            let raw = wander(n, (n % 2) as f64, 65_535.0);
            field.insert(&mut data, raw).unwrap();
            data
        });
        assert_eq!(found.len(), 2);
        for report in found {
            let places: Vec<usize> = report
                .fields
                .iter()
                .map(|f| crate::find::field_bits::lowest_bit(&f.field))
                .collect();
            assert_eq!(places, [31], "{:?}", report.selector);
        }
    }

    /// The sign of a noisy number around 0 parts its values, but comes in no order.
    #[test]
    fn the_sign_of_a_noisy_number_is_no_selector() {
        let found = reports(12_000, |n| {
            let noise = (n.wrapping_mul(7919) ^ n.wrapping_mul(104_729) >> 5) % 23 - 11;
            let mut data = [0; 8];
            data[..2].copy_from_slice(&(noise as i16).to_be_bytes());
            data
        });
        assert_eq!(found.len(), 1);
        assert!(found[0].selector.is_none());
    }
}
