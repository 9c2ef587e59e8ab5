//! Whether two runs of bits are one number, told by their values where single bits do not show it.
//!
//! Asked by `segment`, which joins them.

use super::rows::Rows;
use crate::field::{BitOrder, Coding, Field};

/// Deviations above chance.
const SIGNIFICANT: f64 = 3.0;
/// Steps in which the upper bits change, at least, to tell by.
pub(crate) const LEAST_STEPS: usize = 6;
const MOST_ROWS: usize = 20_000;
/// The joined number must step less than the upper bits alone say, by this share.
const LEAST_SMOOTHER: f64 = 0.2;

/// Single steps of the upper bits, at least, to tell by these alone.
const LEAST_UNITS: f64 = 12.0;

/// Bits below, frames and share of frames that an end of all ones is told by.
const LEAST_MARKED_BITS: u8 = 3;
const LEAST_MARKED_FRAMES: usize = 3;
const MOST_MARKED_SHARE: f64 = 0.4;

/// Runs as fields of their own, in the order in which bits are sent.
fn fields(upper: (usize, usize), lower: (usize, usize)) -> Option<(Field, Field)> {
    let of = |(first, last): (usize, usize)| {
        let length = (last - first + 1) as u8;
        Field::new(first as u16, length, BitOrder::Big, Coding::Unsigned).ok()
    };
    of(upper).zip(of(lower))
}

/// Whether the upper bits are ones only in a code of all ones that the lower bits are part of: no
/// measurement moves them, but the code for "not available" shows that they belong to the number.
pub(crate) fn end_in_ones(rows: &Rows, upper: (usize, usize), lower: (usize, usize)) -> bool {
    let Some((high, low)) = fields(upper, lower) else {
        return false;
    };
    if low.length() < LEAST_MARKED_BITS {
        return false;
    }
    let mut marked = 0;
    for (_, data) in rows.iter() {
        match high.extract(data).zip(low.extract(data)) {
            Some((0, _)) | None => {}
            Some((h, l)) if h == high.mask() && l == low.mask() => marked += 1,
            Some(_) => return false,
        }
    }
    marked >= LEAST_MARKED_FRAMES && marked as f64 <= MOST_MARKED_SHARE * rows.len() as f64
}

/// Whether the lower bits continue the upper ones: whenever the upper bits step, the lower ones wrap,
/// so that the joined number moves less than a step of the upper ones. Two numbers of their own move
/// a whole step in the mean. Counted modulo the joined length, so that a number that goes through 0
/// in two's complement is as smooth as any.
pub(crate) fn continues(rows: &Rows, upper: (usize, usize), lower: (usize, usize)) -> bool {
    let Some((high, low)) = fields(upper, lower) else {
        return false;
    };
    let bits = u32::from(high.length()) + u32::from(low.length());
    let around = |a: u64, b: u64, bits: u32| {
        let turn = 1_u64 << bits;
        let apart = a.abs_diff(b) % turn;
        apart.min(turn - apart) as f64
    };
    let (mut joined, mut alone, mut squares, mut steps) = (0.0, 0.0, 0.0, 0_usize);
    let (mut unit_sum, mut unit_squares, mut units) = (0.0, 0.0, 0.0);
    let mut last: Option<(u64, u64)> = None;
    let (mut with_upper, mut by_itself, mut still) = (0_usize, 0_usize, 0_usize);
    for (_, data) in rows.iter().take(MOST_ROWS) {
        let (Some(h), Some(l)) = (high.extract(data), low.extract(data)) else {
            continue;
        };
        if let Some((h0, l0)) = last {
            let moved = usize::from(l != l0);
            if h == h0 {
                still += 1;
                by_itself += moved;
            } else {
                with_upper += moved;
            }
        }
        if let Some((h0, l0)) = last
            && h0 != h
        {
            let (now, before) = (h << low.length() | l, h0 << low.length() | l0);
            let step = around(now, before, bits) / f64::from(low.length()).exp2();
            let upper = around(h, h0, u32::from(high.length()));
            joined += step;
            alone += upper;
            squares += (step - upper).powi(2);
            steps += 1;
            if upper <= 1.0 {
                unit_sum += 1.0 - step;
                unit_squares += (1.0 - step).powi(2);
                units += 1.0;
            }
        }
        last = Some((h, l));
    }
    if steps < LEAST_STEPS || alone <= 0.0 {
        return false;
    }
    // A number that jumps while it moves and rests otherwise: the lower bits then change whenever the
    // upper ones do, and seldom alone.
    let chance = 1.0 - (-f64::from(low.length())).exp2();
    let together = with_upper as f64 / steps as f64;
    let alone_share = by_itself as f64 / still.max(1) as f64;
    if low.length() > 1 && together > 0.9 * chance && alone_share < 0.6 * chance {
        return true;
    }
    // Single steps tell most: where large ones are many, they drown them.
    let shorter = unit_sum / f64::max(units, 1.0);
    if units >= LEAST_UNITS
        && shorter > LEAST_SMOOTHER
        && unit_sum > SIGNIFICANT * unit_squares.sqrt()
    {
        return true;
    }
    let error = squares.sqrt();
    alone - joined > (LEAST_SMOOTHER * alone).max(SIGNIFICANT * error * 0.5)
}
