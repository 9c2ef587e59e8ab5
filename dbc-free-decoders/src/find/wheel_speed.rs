//! The four wheel speeds: four fields of one format that turn the same road.
//!
//! The reference picks the fields that move as the car does (correlation with a diagnostic or
//! satellite speed is the published way: Verma et al., "ACTT", arXiv 1811.07897; bit-level linear
//! regression, Sensors 22 (2022) 981). What makes four of them wheel speeds is said by themselves:
//! one format, one scale, the same quick changes, and yet four numbers, each with noise of its own.
//! Four copies of one vehicle speed fail at the last, and the answer is then "none here".

use super::candidate::{Candidate, Source, series};
use super::reference::Aligned;
use super::speed_scale::{self, SpeedScale};
use super::statistics::{correlation, deviation, line, mean, regress, robust_line, slope, smooth};
use super::timeline::Timeline;
use crate::field::{BitOrder, Coding, Field};

/// Least share of a field's variance that the reference explains.
const LEAST_R2: f64 = 0.7;
/// Fewest codes and bits of a wheel speed.
const LEAST_CODES: usize = 20;
const LEAST_BITS: u8 = 6;
/// Longest wheel speed that is completed by bits that never moved.
const USUAL_BITS: u8 = 16;
/// Window over which slow change is taken out, s.
const SLOW_S: f64 = 4.0;
/// Largest difference of scale between the four.
const SCALE_SHARE: f64 = 0.06;
/// A set of this score is proposed as wheel speeds.
pub const ACCEPTANCE_SCORE: f64 = 0.7;
/// Least deviation of two wheels from each other, beyond delay, in counts.
const LEAST_OWN_NOISE: f64 = 0.6;

/// A speed-like field and how well it fits.
#[derive(Clone, Debug)]
pub(crate) struct SpeedLike {
    pub(crate) candidate: usize,
    pub(crate) field: Field,
    pub(crate) raw: Vec<f64>,
    /// m/s a count by this field alone; 1 without a reference.
    pub(crate) slope: f64,
    pub(crate) r2: f64,
}

/// The four, still without corners.
#[derive(Clone, Debug)]
pub(crate) struct WheelSet {
    pub(crate) members: [SpeedLike; 4],
    /// Bits above that never moved and are part of the fields.
    pub(crate) unproven: [u8; 4],
    pub(crate) scale: Option<SpeedScale>,
    pub(crate) score: f64,
    pub(crate) evidence: Vec<String>,
}

/// Why there are none.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct NoWheels {
    pub(crate) why: String,
}

/// Fields that follow the reference, best first; without one, all that could.
pub(crate) fn speed_like(
    sources: &[Source],
    candidates: &[Candidate],
    reference: Option<&Aligned>,
    axis: &Timeline,
) -> Vec<SpeedLike> {
    let window = axis.points(0.5);
    let mut found: Vec<SpeedLike> = candidates
        .iter()
        .enumerate()
        .filter(|(_, c)| c.distinct >= LEAST_CODES && c.field.length() >= LEAST_BITS)
        .filter_map(|(index, candidate)| {
            let source = sources.get(candidate.source)?;
            let (field, raw) = completed(source, candidate, axis)?;
            let Some(reference) = reference else {
                return Some(SpeedLike {
                    candidate: index,
                    field,
                    raw,
                    slope: 1.0,
                    r2: 0.0,
                });
            };
            let pick = |values: &[f64]| -> Vec<f64> {
                let pairs = values.iter().zip(&reference.valid);
                pairs
                    .filter(|(_, valid)| **valid)
                    .map(|(v, _)| *v)
                    .collect()
            };
            let (x, y) = (
                pick(&smooth(&raw, window)),
                pick(&smooth(&reference.speed_mps, window)),
            );
            let fit = robust_line(&x, &y);
            (fit.slope > 0.0 && fit.r2 >= LEAST_R2).then_some(SpeedLike {
                candidate: index,
                field,
                raw,
                slope: fit.slope,
                r2: fit.r2,
            })
        })
        .collect();
    found.sort_by(|a, b| b.r2.total_cmp(&a.r2));
    found
}

/// The field with the bits above it that never moved, up to the usual length; unsigned.
fn completed(source: &Source, candidate: &Candidate, axis: &Timeline) -> Option<(Field, Vec<f64>)> {
    let proven = &candidate.field;
    let room = USUAL_BITS.saturating_sub(proven.length());
    let still = still_above(source, proven, usize::from(room));
    let long = candidate.extended(still)?;
    let field = Field::new(long.start(), long.length(), long.order(), Coding::Unsigned).ok()?;
    let raw = if proven.coding() == Coding::Unsigned && still == 0 {
        candidate.raw.clone()
    } else {
        series(source, &field, axis)
    };
    Some((field, raw))
}

/// Bits above a field that never moved and guard nothing, across bytes, at most so many.
pub(crate) fn still_above(source: &Source, field: &Field, most: usize) -> usize {
    let bits = 8 * source.bytes;
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
            .take_while(|&bit| free(super::segment::little_number(bit)))
            .count(),
    }
}

/// The best four, or why there are none.
pub(crate) fn search(
    sources: &[Source],
    candidates: &[Candidate],
    likes: &[SpeedLike],
    reference: Option<&Aligned>,
    axis: &Timeline,
) -> Result<WheelSet, NoWheels> {
    if reference.is_some() && likes.is_empty() {
        return Err(NoWheels {
            why: "no field of the capture follows the reference speed".to_owned(),
        });
    }
    let mut best: Option<WheelSet> = None;
    for group in groups(sources, candidates, likes) {
        for four in fours(sources, candidates, likes, &group) {
            let Some(set) = judge(sources, candidates, four, reference, axis) else {
                continue;
            };
            if best.as_ref().is_none_or(|best| set.score > best.score) {
                best = Some(set);
            }
        }
    }
    let follow = match likes.len() {
        1 => "one field follows the reference speed".to_owned(),
        n => format!("{n} fields follow the reference speed"),
    };
    let follow = if reference.is_some() {
        follow
    } else {
        "fields of equal format differ".to_owned()
    };
    match best {
        Some(set) if set.score >= ACCEPTANCE_SCORE => Ok(set),
        Some(set) => Err(NoWheels {
            why: format!(
                "none here: {follow}, but no four of them are wheel speeds (best set {:.2} of {ACCEPTANCE_SCORE} needed: {})",
                set.score,
                set.evidence.join("; ")
            ),
        }),
        None => Err(NoWheels {
            why: format!("none here: {follow}, but no four of one format"),
        }),
    }
}

/// Indices of speed-like fields of one bus, period and scale (but for lowest bits found one by one
/// too many or too few).
fn groups(sources: &[Source], candidates: &[Candidate], likes: &[SpeedLike]) -> Vec<Vec<usize>> {
    let source = |like: usize| {
        let like = likes.get(like)?;
        sources.get(candidates.get(like.candidate)?.source)
    };
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for like in 0..likes.len() {
        let Some(own) = source(like) else { continue };
        let fits = |group: &Vec<usize>| {
            let first = group.first().copied().and_then(source);
            let scale = |k: usize| likes.get(k).map_or(1.0, |like| like.slope);
            let ratio = group
                .first()
                .map_or(1.0, |&k| scale(like) / scale(k))
                .log2();
            let whole = ratio.round();
            first.is_some_and(|first| {
                first.bus == own.bus
                    && (first.period_ns / own.period_ns.max(1.0) - 1.0).abs() < 0.1
                    && whole.abs() <= 2.0
                    && (ratio - whole).abs() < (1.0 + 1.5 * SCALE_SHARE).log2()
            })
        };
        match groups.iter_mut().find(|group| fits(group)) {
            Some(group) => group.push(like),
            None => groups.push(vec![like]),
        }
    }
    groups.retain(|group| group.len() >= 4);
    groups
}

/// Sets of four within a group whose layout is one that senders use: four in a frame, two in each
/// of two, or one in each of four.
fn fours(
    sources: &[Source],
    candidates: &[Candidate],
    likes: &[SpeedLike],
    group: &[usize],
) -> Vec<[SpeedLike; 4]> {
    const MOST: usize = 600;
    let source_of = |like: usize| {
        likes
            .get(like)
            .and_then(|like| candidates.get(like.candidate))
            .map(|c| c.source)
    };
    let mut by_source: std::collections::BTreeMap<usize, Vec<usize>> =
        std::collections::BTreeMap::new();
    for &like in group {
        if let Some(source) = source_of(like) {
            by_source.entry(source).or_default().push(like);
        }
    }
    let mut sets: Vec<[usize; 4]> = Vec::new();
    for members in by_source.values().filter(|members| members.len() >= 4) {
        for quad in combinations(members, 4) {
            if let &[a, b, c, d] = quad.as_slice() {
                sets.push([a, b, c, d]);
            }
        }
    }
    let twos: Vec<(&usize, &Vec<usize>)> = by_source
        .iter()
        .filter(|(_, m)| (2..=4).contains(&m.len()))
        .collect();
    for (k, (first, a)) in twos.iter().enumerate() {
        for (second, b) in twos.iter().skip(k + 1) {
            let alike = sources
                .get(**first)
                .zip(sources.get(**second))
                .is_some_and(|(a, b)| a.id.is_extended() == b.id.is_extended());
            for pair_a in combinations(a, 2).iter().filter(|_| alike) {
                for pair_b in combinations(b, 2) {
                    if let (&[a1, a2], &[b1, b2]) = (pair_a.as_slice(), pair_b.as_slice()) {
                        sets.push([a1, a2, b1, b2]);
                    }
                }
            }
        }
    }
    // One in each of four frames: all at the same place.
    let mut places: Vec<Vec<usize>> = Vec::new();
    for &like in group {
        match places
            .iter_mut()
            .find(|place| place.first().is_some_and(|&f| same_place(likes, f, like)))
        {
            Some(place) => place.push(like),
            None => places.push(vec![like]),
        }
    }
    for place in places.iter().filter(|place| (4..=6).contains(&place.len())) {
        for quad in combinations(place, 4) {
            if let &[a, b, c, d] = quad.as_slice() {
                sets.push([a, b, c, d]);
            }
        }
    }
    sets.truncate(MOST);
    sets.into_iter()
        .filter_map(|set| {
            let mut members: Vec<SpeedLike> = set
                .iter()
                .filter_map(|&like| likes.get(like).cloned())
                .collect();
            // As they lie in their frames.
            members.sort_by_key(|like| {
                let source = candidates.get(like.candidate).map(|c| c.source);
                (
                    source.and_then(|s| sources.get(s)).map(|s| s.id),
                    first_bit_sent(&like.field),
                )
            });
            members.try_into().ok()
        })
        .collect()
}

/// The bit of a field that is sent first, for an order by place.
pub(crate) fn first_bit_sent(field: &Field) -> u16 {
    match field.order() {
        BitOrder::Big => field.start(),
        BitOrder::Little => field.start() / 8 * 8,
    }
}

/// Whether two fields end at the same lowest bit of the same order.
fn same_place(likes: &[SpeedLike], a: usize, b: usize) -> bool {
    likes
        .get(a)
        .zip(likes.get(b))
        .is_some_and(|(a, b)| lowest_bit(&a.field) == lowest_bit(&b.field))
}

/// Lowest bit as sent.
pub(crate) fn lowest_bit(field: &Field) -> usize {
    match field.order() {
        BitOrder::Big => usize::from(field.start()) + usize::from(field.length()) - 1,
        BitOrder::Little => super::segment::little_number(usize::from(field.start())),
    }
}

fn combinations(items: &[usize], size: usize) -> Vec<Vec<usize>> {
    if size == 0 {
        return vec![Vec::new()];
    }
    let mut all = Vec::new();
    for (k, &item) in items.iter().enumerate() {
        for mut rest in combinations(items.get(k + 1..).unwrap_or_default(), size - 1) {
            rest.insert(0, item);
            all.push(rest);
        }
    }
    all
}

/// Brings four fields to one lowest bit, one length and one order, and scores them.
fn judge(
    sources: &[Source],
    candidates: &[Candidate],
    mut four: [SpeedLike; 4],
    reference: Option<&Aligned>,
    axis: &Timeline,
) -> Option<WheelSet> {
    level_lowest_bits(sources, candidates, &mut four, axis)?;
    let unproven = level_lengths(sources, candidates, &mut four, axis)?;
    for (k, a) in four.iter().enumerate() {
        for b in four.iter().skip(k + 1) {
            let source = |like: &SpeedLike| candidates.get(like.candidate).map(|c| c.source);
            if source(a) == source(b) && overlap(&a.field, &b.field) {
                return None;
            }
        }
    }
    let mut unproven = unproven;
    let mut scale = reference
        .and_then(|reference| speed_scale::estimate(&mean_of(&four, axis), reference, axis));
    if let (Some(reference), Some(first)) = (reference, scale)
        && leave_out_foreign_ones(sources, candidates, &mut four, &mut unproven, &first, axis)
    {
        scale = speed_scale::estimate(&mean_of(&four, axis), reference, axis);
    }
    if reference.is_some() && scale.is_none() {
        return None;
    }
    let common = mean_of(&four, axis);
    let raws: Vec<&[f64]> = four.iter().map(|like| like.raw.as_slice()).collect();
    let mut score: f64 = 1.0;
    let mut evidence = Vec::new();
    let mut lower = |factor: f64, why: String| {
        if factor < 0.999 {
            score *= factor.clamp(0.0, 1.0);
        }
        evidence.push(why);
    };
    // Against the reference.
    if let (Some(reference), Some(scale)) = (reference, &scale) {
        let worst = four.iter().map(|like| like.r2).fold(1.0, f64::min);
        let variation = deviation(&reference.speed_mps);
        let factor = ((worst - LEAST_R2) / (0.9 - LEAST_R2)).clamp(0.3, 1.0);
        lower(
            factor,
            format!(
                "follows the {} (r2 {worst:.3} or better for each, residual {:.2} m/s, lag {:.2} s)",
                reference.kind.text(),
                scale.residual_mps,
                reference.lag_s
            ),
        );
        let top = (f64::from(1_u32 << four[0].field.length().min(31)) - 1.0) * scale.scale_kmh
            + scale.offset_kmh;
        let can_stand = scale.offset_kmh <= 0.5 + 3.0 * scale.u_offset_kmh;
        if !(60.0..=2_000.0).contains(&top) || !can_stand || variation < 0.05 {
            lower(
                0.5,
                format!(
                    "a field of this scale would reach from {:.0} to {top:.0} km/h",
                    scale.offset_kmh
                ),
            );
        }
    }
    // Among themselves: one scale.
    let slopes: Vec<f64> = raws
        .iter()
        .map(|raw| line(&common, raw, |_| true).slope)
        .collect();
    let spread = slopes.iter().map(|s| (s - 1.0).abs()).fold(0.0, f64::max);
    lower(
        (1.0 - ((spread - 0.02) / SCALE_SHARE).clamp(0.0, 1.0) * 0.6).min(1.0),
        format!("one scale within {:.1} %", 100.0 * spread),
    );
    // The same quick changes.
    let window = axis.points(SLOW_S);
    let short = axis.points(0.3);
    let quick: Vec<Vec<f64>> = raws
        .iter()
        .map(|raw| {
            let (near, slow) = (smooth(raw, short), smooth(raw, window));
            near.iter().zip(&slow).map(|(a, b)| a - b).collect()
        })
        .collect();
    let mut least_shared: f64 = 1.0;
    let mut least_own = f64::INFINITY;
    let mut largest_apart: f64 = 0.0;
    let change = slope(&smooth(&common, short));
    let ones = vec![1.0; axis.len()];
    for (k, a) in quick.iter().enumerate() {
        for (j, b) in quick.iter().enumerate().skip(k + 1) {
            least_shared = least_shared.min(correlation(a, b));
            let apart: Vec<f64> = raws[k].iter().zip(raws[j]).map(|(a, b)| a - b).collect();
            largest_apart = largest_apart.max(mean(&apart).abs());
            // What a delay or another scale would make of one number is not noise of its own.
            let fit = regress(&[&ones, &common, &change], &apart, &|_| true);
            let own: Vec<f64> = match fit.as_deref() {
                Some(&[c0, c1, c2]) => apart
                    .iter()
                    .zip(common.iter().zip(&change))
                    .map(|(apart, (m, s))| apart - c0 - c1 * m - c2 * s)
                    .collect(),
                _ => apart,
            };
            least_own = least_own.min(deviation(&own));
        }
    }
    lower(
        (0.4 + 0.6 * ((least_shared - 0.1) / 0.4).clamp(0.0, 1.0)).min(1.0),
        format!("quick changes shared by all four (correlation {least_shared:.2} or better)"),
    );
    if least_own < LEAST_OWN_NOISE {
        lower(
            0.3,
            format!("two of them are one number ({least_own:.2} counts apart)"),
        );
    } else {
        lower(
            1.0,
            format!("each has noise of its own ({least_own:.1} counts or more)"),
        );
    }
    // Means alike: four wheels of one car.
    let zero = scale.map_or(0.0, |scale| -scale.offset_kmh / scale.scale_kmh.max(1e-9));
    let span = (mean(&common) - zero).abs().max(deviation(&common));
    let share = largest_apart / span.max(1e-9);
    lower(
        1.0 - 0.7 * ((share - 0.04) / 0.1).clamp(0.0, 1.0),
        format!("means within {:.1} %", 100.0 * share),
    );
    // The lengths as they were proven, one format.
    let members = four;
    if reference.is_none() {
        // Speeds rest at a floor and vary widely; without a reference that is all there is.
        let wide = deviation(&common) > 8.0 && least_shared > 0.6;
        lower(
            if wide { 0.8 } else { 0.3 },
            "no reference speed: told by their likeness alone".to_owned(),
        );
    }
    Some(WheelSet {
        members,
        unproven,
        scale,
        score,
        evidence,
    })
}

fn mean_of(four: &[SpeedLike; 4], axis: &Timeline) -> Vec<f64> {
    let at = |like: &SpeedLike, k: usize| like.raw.get(k).copied().unwrap_or(0.0);
    (0..axis.len())
        .map(|k| four.iter().map(|like| at(like, k)).sum::<f64>() / 4.0)
        .collect()
}

/// Bits above that never moved and are ones would set the speed of code 0 far below nought. They are
/// part of the field only as far as a standing car needs them; unused bits are often all ones.
/// Returns whether the fields changed.
fn leave_out_foreign_ones(
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
    let Some((length, still)) = four.first().and_then(|like| {
        let source = sources.get(candidates.get(like.candidate)?.source)?;
        let raw = like.field.extract(source.rows.data(0))?;
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
    for (like, unproven) in four.iter_mut().zip(unproven) {
        let shorter = field_up_from(
            lowest_bit(&like.field),
            length - (spare - kept),
            like.field.order(),
        );
        let source = candidates
            .get(like.candidate)
            .and_then(|c| sources.get(c.source));
        if let (Some(field), Some(source)) = (shorter, source) {
            like.raw = series(source, &field, axis);
            like.field = field;
            *unproven = unproven.saturating_sub(spare - kept);
        }
    }
    true
}

fn overlap(a: &Field, b: &Field) -> bool {
    a.byte_masks()
        .iter()
        .zip(b.byte_masks())
        .any(|(a, b)| a & b != 0)
}

/// Where one or two of the four were found with lowest bits too many or too few, gives them those
/// of the others.
fn level_lowest_bits(
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
fn level_lengths(
    sources: &[Source],
    candidates: &[Candidate],
    four: &mut [SpeedLike; 4],
    axis: &Timeline,
) -> Option<[u8; 4]> {
    // The order of a field within one byte is that of the others.
    let order = four
        .iter()
        .find(|like| {
            candidates
                .get(like.candidate)
                .is_some_and(|c| !c.segment.within_byte)
        })
        .map_or(BitOrder::Big, |like| like.field.order());
    let proven_of = |like: &SpeedLike| -> Option<u8> {
        let candidate = candidates.get(like.candidate)?;
        let top = highest_bit(&candidate.field);
        // Bits from the highest that moved down to the lowest of the levelled field.
        bits_between(top, lowest_bit(&like.field), like.field.order())
    };
    let mut proven = [0; 4];
    let mut can_be = [0; 4];
    for ((like, proven), can_be) in four.iter_mut().zip(&mut proven).zip(&mut can_be) {
        *proven = proven_of(like)?;
        if like.field.order() != order {
            // Found within one byte: the same bits, numbered in the other order.
            let low = lowest_bit(&like.field);
            like.field = field_up_from(low, *proven, order)?;
        }
        let source = sources.get(candidates.get(like.candidate)?.source)?;
        let bare = field_up_from(lowest_bit(&like.field), *proven, order)?;
        let room = usize::from(USUAL_BITS.saturating_sub(*proven));
        *can_be = *proven + still_above(source, &bare, room) as u8;
    }
    let least = proven.iter().copied().max()?;
    let most = can_be.iter().copied().min()?.max(least);
    let mut length = most;
    // Still bits that differ among the four are no part of a speed.
    while length > least {
        let stills: Vec<u64> = four
            .iter()
            .filter_map(|like| {
                let source = sources.get(candidates.get(like.candidate)?.source)?;
                let field = field_up_from(lowest_bit(&like.field), length, order)?;
                Some(field.extract(source.rows.data(0))? >> (length - 1))
            })
            .collect();
        let tops_alike = stills.windows(2).all(|pair| pair.first() == pair.last());
        if tops_alike {
            break;
        }
        length -= 1;
    }
    let mut unproven = [0; 4];
    for ((like, unproven), proven) in four.iter_mut().zip(&mut unproven).zip(proven) {
        let source = sources.get(candidates.get(like.candidate)?.source)?;
        let field = field_up_from(lowest_bit(&like.field), length, order)?;
        if field != like.field {
            like.raw = series(source, &field, axis);
            like.field = field;
        }
        *unproven = length.saturating_sub(proven);
    }
    Some(unproven)
}

/// Highest bit as sent.
fn highest_bit(field: &Field) -> usize {
    match field.order() {
        BitOrder::Big => usize::from(field.start()),
        BitOrder::Little => super::segment::little_number(
            usize::from(field.start()) + usize::from(field.length()) - 1,
        ),
    }
}

fn bits_between(high: usize, low: usize, order: BitOrder) -> Option<u8> {
    let length = match order {
        BitOrder::Big => (low + 1).checked_sub(high)?,
        BitOrder::Little => (super::segment::little_number(high) + 1)
            .checked_sub(super::segment::little_number(low))?,
    };
    u8::try_from(length).ok().filter(|&length| length > 0)
}

/// The field of this length whose lowest bit, as sent, is `low`.
pub(crate) fn field_up_from(low: usize, length: u8, order: BitOrder) -> Option<Field> {
    let start = match order {
        BitOrder::Big => (low + 1).checked_sub(usize::from(length))?,
        BitOrder::Little => super::segment::little_number(low),
    };
    Field::new(u16::try_from(start).ok()?, length, order, Coding::Unsigned).ok()
}
