//! Four wheel speeds brought to one format: one lowest bit, one length, and the bits above that never
//! moved taken in or left out.
//!
//! Between the choice of four (`wheel_layout`) and their comparison (`wheel_score`).

use super::candidate::{Candidate, Source};
use super::codes::series;
use super::field_bits::{bits_between, field_up_from, highest_bit, little_number, lowest_bit};
use super::speed_scale::SpeedScale;
use super::timeline::Timeline;
use super::wheel_speed::{SpeedLike, USUAL_BITS};
use crate::field::{BitOrder, Coding, Field};

/// No wheel speed's field reaches further by bits that never moved, km/h: 16 bits of 0.01 km/h reach
/// 655. Common practice, no source.
const HIGHEST_SPEED_KMH: f64 = 700.0;

/// A field may be found with some lowest bits too few, where they hardly moved; more than these are no part
/// of it, but of what lies behind.
const MOST_BITS_LACKED: i32 = 2;

/// Bits above a field that never moved and guard nothing, across bytes, at most so many.
pub(crate) fn still_above(source: &Source, field: &Field, most: usize) -> usize {
    let bits = 8 * source.length_bytes;
    let start = usize::from(field.start());
    let free = |sent: usize| {
        source.activity.flips(sent) == 0 && !source.guards.iter().any(|guard| guard.covers(sent))
    };
    match field.order() {
        BitOrder::Big => (0..start)
            .rev()
            .take(most)
            .take_while(|&bit| free(bit))
            .count(),
        BitOrder::Little => (start + usize::from(field.length())..bits)
            .take(most)
            .take_while(|&bit| free(little_number(bit)))
            .count(),
    }
}

/// Where one or two of the four were found with lowest bits too many or too few, gives them those
/// of the others.
pub(crate) fn level_lowest_bits(
    sources: &[Source],
    candidates: &[Candidate],
    four: &mut [SpeedLike; 4],
    axis: &Timeline,
) -> Option<()> {
    let reference_slope = four[0].slope;
    let steps: Vec<i32> = four
        .iter()
        .map(|like| (like.slope / reference_slope).log2().round() as i32)
        .collect();
    if steps.iter().all(|&s| s == 0) {
        return Some(());
    }
    let mut sorted = steps.clone();
    sorted.sort_unstable();
    // The most frequent step; of equally many, the finer.
    let common = *sorted
        .iter()
        .max_by_key(|&&s| (sorted.iter().filter(|&&o| o == s).count(), -s))?;
    for (like, step) in four.iter_mut().zip(steps) {
        let more = step - common;
        if more == 0 {
            continue;
        }
        if more > MOST_BITS_LACKED {
            return None;
        }
        let length = i32::from(like.field.length()) + more;
        let order = like.field.order();
        // A coarser one lacks low bits; in big order they follow at the end, in little before it.
        let start = match order {
            BitOrder::Big => i32::from(like.field.start()),
            BitOrder::Little => i32::from(like.field.start()) - more,
        };
        let (start, length) = (u16::try_from(start).ok()?, u8::try_from(length).ok()?);
        let field = Field::new(start, length, order, Coding::Unsigned).ok()?;
        let candidate = candidates.get(like.candidate)?;
        like.raw = series(sources.get(candidate.source)?, &field, axis);
        like.field = field;
        like.slope /= 2_f64.powi(more);
    }
    Some(())
}

/// One length for the four: no longer than any can be, no shorter than what moved in any, and such
/// that the raw numbers agree. Returns how many bits of each never moved.
pub(crate) fn level_lengths(
    sources: &[Source],
    candidates: &[Candidate],
    four: &mut [SpeedLike; 4],
    axis: &Timeline,
) -> Option<[u8; 4]> {
    // Frames may differ in their order. Within a frame the order of a field in one byte is that of
    // the others.
    let crosses = |like: &SpeedLike| {
        let candidate = candidates.get(like.candidate);
        candidate.is_some_and(|c| !c.segment.within_byte)
    };
    let frame = |like: &SpeedLike| candidates.get(like.candidate).map(|c| c.source);
    let orders: [BitOrder; 4] = four.each_ref().map(|of| {
        let own = frame(of);
        let beside = four
            .iter()
            .find(|like| crosses(like) && frame(like) == own)
            .or_else(|| four.iter().find(|like| crosses(like)));
        beside.map_or(BitOrder::Big, |like| like.field.order())
    });
    let proven_of = |like: &SpeedLike| -> Option<u8> {
        let candidate = candidates.get(like.candidate)?;
        let top = highest_bit(&candidate.field);
        // Bits from the highest that moved down to the lowest of the levelled field.
        bits_between(top, lowest_bit(&like.field), like.field.order())
    };
    let mut proven = [0; 4];
    let mut can_be = [0; 4];
    let levelled = proven.iter_mut().zip(&mut can_be).zip(orders);
    for (like, ((proven, can_be), order)) in four.iter_mut().zip(levelled) {
        *proven = proven_of(like)?;
        if like.field.order() != order {
            // Found within one byte: the same bits, numbered in the other order.
            let low = lowest_bit(&like.field);
            like.field = field_up_from(low, *proven, order)?;
        }
        let source = source_of(sources, candidates, like)?;
        let bare = field_up_from(lowest_bit(&like.field), *proven, order)?;
        let room = match like.marked {
            true => 0,
            false => usize::from(USUAL_BITS.saturating_sub(*proven)),
        };
        *can_be = *proven + still_above(source, &bare, room) as u8;
    }
    let least = proven.iter().copied().max()?;
    let most = can_be.iter().copied().min()?.max(least);
    let mut length = most;
    // Still bits that differ among the four are no part of a speed.
    while length > least {
        let stills: Vec<u64> = four
            .iter()
            .zip(orders)
            .filter_map(|(like, order)| {
                let source = source_of(sources, candidates, like)?;
                let field = field_up_from(lowest_bit(&like.field), length, order)?;
                Some(field.extract(source.rows.data(0))? >> least)
            })
            .collect();
        if stills.windows(2).all(|pair| pair.first() == pair.last()) {
            break;
        }
        length -= 1;
    }
    let mut unproven = [0; 4];
    let levelled = unproven.iter_mut().zip(proven).zip(orders);
    for (like, ((unproven, proven), order)) in four.iter_mut().zip(levelled) {
        let source = source_of(sources, candidates, like)?;
        let field = field_up_from(lowest_bit(&like.field), length, order)?;
        if field != like.field {
            like.raw = series(source, &field, axis);
            like.field = field;
        }
        *unproven = length.saturating_sub(proven);
    }
    Some(unproven)
}

/// The frame that a wheel's field lies in.
fn source_of<'a>(
    sources: &'a [Source],
    candidates: &[Candidate],
    like: &SpeedLike,
) -> Option<&'a Source> {
    sources.get(candidates.get(like.candidate)?.source)
}

/// What a wheel's field holds in the first frame.
fn first_raw(sources: &[Source], candidates: &[Candidate], like: &SpeedLike) -> Option<u64> {
    like.field
        .extract(source_of(sources, candidates, like)?.rows.data(0))
}

/// Bits above that never moved and would let the field reach speeds that no car has are no part of it:
/// a shorter field than the usual one lies below unused bits.
pub(crate) fn leave_out_impossible_speeds(
    sources: &[Source],
    candidates: &[Candidate],
    four: &mut [SpeedLike; 4],
    unproven: &mut [u8; 4],
    scale: &SpeedScale,
    axis: &Timeline,
) -> bool {
    let length = four[0].field.length();
    let spare = unproven.iter().copied().min().unwrap_or(0);
    let top = |less: u8| f64::from(length - less).exp2() * scale.scale_kmh + scale.offset_kmh;
    let less = (0..spare)
        .find(|&less| top(less) <= HIGHEST_SPEED_KMH)
        .unwrap_or(spare);
    // What is left out must not hold a part of the number.
    let zeros = |like: &SpeedLike| {
        let raw = first_raw(sources, candidates, like)?;
        Some(raw >> (length - less) == 0)
    };
    if less == 0 || !four.iter().all(|like| zeros(like) == Some(true)) {
        return false;
    }
    shorten(sources, candidates, four, unproven, less, axis);
    true
}

/// Takes the same number of highest bits away from each.
fn shorten(
    sources: &[Source],
    candidates: &[Candidate],
    four: &mut [SpeedLike; 4],
    unproven: &mut [u8; 4],
    less: u8,
    axis: &Timeline,
) {
    for (like, unproven) in four.iter_mut().zip(unproven) {
        let length = like.field.length().saturating_sub(less);
        let shorter = field_up_from(lowest_bit(&like.field), length, like.field.order());
        let source = source_of(sources, candidates, like);
        if let (Some(field), Some(source)) = (shorter, source) {
            like.raw = series(source, &field, axis);
            like.field = field;
            *unproven = unproven.saturating_sub(less);
        }
    }
}

/// Bits above that never moved and are ones would set the speed of code 0 far below nought. They are
/// part of the field only as far as a standing car needs them; unused bits are often all ones.
/// Returns whether the fields changed.
pub(crate) fn leave_out_foreign_ones(
    sources: &[Source],
    candidates: &[Candidate],
    four: &mut [SpeedLike; 4],
    unproven: &mut [u8; 4],
    scale: &SpeedScale,
    axis: &Timeline,
) -> bool {
    /// Speed that a field may lack at its lower end, km/h.
    const SLACK_KMH: f64 = 0.5;
    let spare = unproven.iter().copied().min().unwrap_or(0);
    if spare == 0 {
        return false;
    }
    let Some((length, still)) = four.first().and_then(|like| {
        let raw = first_raw(sources, candidates, like)?;
        let length = like.field.length();
        Some((length, raw >> (length - spare)))
    }) else {
        return false;
    };
    let weight = |bits: u8| f64::from(length - spare + bits).exp2();
    let zero = -scale.offset_kmh / scale.scale_kmh;
    // What code 0 would be with only the lowest `kept` of the still bits.
    let zero_with = |kept: u8| {
        let left_out = (still >> kept) as f64 * weight(kept);
        zero - left_out
    };
    let slack = (SLACK_KMH + 2.0 * scale.u_offset_kmh) / scale.scale_kmh;
    let Some(least) = (0..=spare).find(|&kept| zero_with(kept) >= -slack) else {
        return false;
    };
    // Zeros above may belong to it; ones that nothing needs do not.
    let more = (least..spare)
        .take_while(|&bit| still >> bit & 1 == 0)
        .count() as u8;
    let kept = least + more;
    if kept == spare {
        return false;
    }
    shorten(sources, candidates, four, unproven, spare - kept, axis);
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::rows::Rows;
    use crate::frame::CanId;

    /// Four fields of 64 bits that all moved: there is no bit above to be left out.
    #[test]
    fn the_longest_fields_have_nothing_above_them() {
        let mut rows = Rows::bounded(16);
        rows.offer(0, &[0xFF; 32]);
        rows.offer(1_000_000_000, &[0x7F; 32]);
        let axis = Timeline::new(&[(0, 1_000_000_000)]);
        let sources = [Source::of_rows(CanId::Base(1), rows)];
        let field = |k: u16| Field::new(64 * k, 64, BitOrder::Big, Coding::Unsigned).unwrap();
        let candidates: Vec<Candidate> = (0..4)
            .map(|k| Candidate::of_field(0, &sources[0], field(k), &axis))
            .collect();
        let mut four: [SpeedLike; 4] = std::array::from_fn(|k| SpeedLike {
            candidate: k,
            field: field(k as u16),
            raw: candidates[k].raw.clone(),
            marked: false,
            slope: 1.0,
            r2: 1.0,
        });
        let scale = SpeedScale {
            scale_kmh: 1e-17,
            u_scale_kmh: 0.0,
            offset_kmh: 0.0,
            u_offset_kmh: 0.0,
            measured_scale_kmh: 1e-17,
            usual_step: false,
            standing_raw: None,
            residual_mps: 0.0,
        };
        let mut unproven = level_lengths(&sources, &candidates, &mut four, &axis).unwrap();
        assert_eq!((unproven, four[0].field.length()), ([0; 4], 64));
        for leave_out in [leave_out_foreign_ones, leave_out_impossible_speeds] {
            assert!(!leave_out(
                &sources,
                &candidates,
                &mut four,
                &mut unproven,
                &scale,
                &axis
            ));
        }
    }
}
