//! The codes of a field in its source's rows: which are numbers, signed or not, and which mean "not
//! available".
//!
//! `candidate` and the searches for speeds turn rows into series by it.

use super::candidate::Source;
use super::timeline::Timeline;
use crate::field::{Coding, Field};

/// The codes of a field in a source's rows.
pub(crate) struct Codes {
    t_ns: Vec<i64>,
    raws: Vec<u64>,
    /// Codes that mean "not available".
    pub(crate) invalid: Vec<u64>,
}

impl Codes {
    pub(crate) fn of(source: &Source, field: &Field) -> Self {
        let rows = source.rows.iter();
        let (t_ns, raws): (Vec<i64>, Vec<u64>) = rows
            .filter_map(|(t_ns, data)| Some((t_ns, field.extract(data)?)))
            .unzip();
        let invalid = not_available(&raws, field);
        Self {
            t_ns,
            raws,
            invalid,
        }
    }

    /// Times and numbers of those that are measurements.
    pub(crate) fn numbers(&self, field: &Field) -> (Vec<i64>, Vec<f64>) {
        let codes = self.t_ns.iter().zip(&self.raws);
        codes
            .filter(|(_, raw)| !self.invalid.contains(raw))
            .map(|(t_ns, raw)| (*t_ns, field.number(*raw)))
            .unzip()
    }
}

/// The series of a field over a source's rows, codes for "not available" left out.
pub(crate) fn series(source: &Source, field: &Field, axis: &Timeline) -> Vec<f64> {
    let (t_ns, numbers) = Codes::of(source, field).numbers(field);
    axis.resample(&t_ns, &numbers, 0)
}

/// Most codes that mean "not available" or "error".
const MOST_INVALID: usize = 4;

/// How near to its end such a code lies, as a share of the field's range: SAE J1939-71 has the highest
/// two of 256 for "error" and "not available" (from memory); and in codes, for short fields.
const END_SHARE: f64 = 2.0 / 256.0;
const LEAST_END: f64 = 4.0;

/// Codes at the very end of a field's range, far from all others and seldom: "not available", as
/// SAE J1939-71 has it for the highest codes and many senders for the highest or lowest one.
fn not_available(raws: &[u64], field: &Field) -> Vec<u64> {
    let length = field.length();
    if length < 6 {
        return Vec::new();
    }
    let number = |raw: u64| field.number(raw);
    let mut distinct: Vec<u64> = raws.to_vec();
    distinct.sort_by(|a, b| number(*a).total_cmp(&number(*b)));
    distinct.dedup();
    let full = field.mask() as f64;
    let ends = [
        (true, distinct.iter().rev().copied().collect::<Vec<u64>>()),
        (false, distinct.clone()),
    ];
    let mut found = Vec::new();
    for (at_top, order) in ends {
        let Some(&outermost) = order.first() else {
            continue;
        };
        let limit = match (field.coding(), at_top) {
            (Coding::Signed, true) => 0.5 * full,
            (Coding::Signed, false) => -0.5 * full,
            (_, true) => full,
            (_, false) => continue,
        };
        let at_end = (END_SHARE * (full + 1.0)).max(LEAST_END);
        if (number(outermost) - limit).abs() >= at_end {
            continue;
        }
        let near: Vec<u64> = order
            .iter()
            .copied()
            .take_while(|&raw| (number(raw) - limit).abs() < at_end)
            .collect();
        let next = order.get(near.len()).copied();
        let gap = next.map_or(0.0, |next| (number(next) - limit).abs());
        let share =
            raws.iter().filter(|raw| near.contains(raw)).count() as f64 / raws.len().max(1) as f64;
        if near.len() <= MOST_INVALID && gap > 0.2 * full && share < 0.4 {
            found.extend(near);
        }
    }
    found
}

/// Codes from which a number counts as one of many.
const MANY_CODES: u64 = 20;

/// Signed if the two highest bits are alike in nearly all frames and both codes occur, and the
/// numbers jump less so (the two highest bits are what CAN-D classifies signedness by, Verma et
/// al., arXiv 2006.05993). A number of many codes that in its negative half takes none but -1 is
/// unsigned and marked "not available" there.
pub(crate) fn coding(source: &Source, field: &Field) -> Coding {
    if field.length() < 3 {
        return Coding::Unsigned;
    }
    let top = field.length() - 2;
    let half = 1_u64 << (field.length() - 1);
    let (mut alike, mut ones, mut all) = (0_u32, 0_u32, 0_u32);
    let (mut jumps, mut signed_jumps) = (0_u32, 0_u32);
    let (mut highest, mut below_minus_one) = (0, false);
    let mut last: Option<u64> = None;
    for (_, data) in source.rows.iter() {
        let Some(raw) = field.extract(data) else {
            continue;
        };
        all += 1;
        let two = raw >> top;
        alike += u32::from(two == 0 || two == 3);
        ones += u32::from(two == 3);
        match raw < half {
            true => highest = raw.max(highest),
            false => below_minus_one |= raw != field.mask(),
        }
        if let Some(last) = last {
            jumps += u32::from(raw.abs_diff(last) > half);
            let signed = |raw| field.sign_extended(raw);
            signed_jumps += u32::from(signed(raw).abs_diff(signed(last)) > half);
        }
        last = Some(raw);
    }
    let both = ones > 0 && ones < alike;
    let mostly = f64::from(alike) > 0.97 * f64::from(all);
    let marked = !below_minus_one && highest >= MANY_CODES;
    if both && mostly && jumps > signed_jumps && !marked {
        Coding::Signed
    } else {
        Coding::Unsigned
    }
}
