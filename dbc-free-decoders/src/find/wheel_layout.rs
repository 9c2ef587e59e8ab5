//! Which four of the speed-like fields could be the wheels of one car, by where they lie.
//!
//! Between the search for speed-like fields (`wheel_speed`) and their comparison (`wheel_score`):
//! four in a frame, two in each of two frames, or one in each of four.

use std::collections::BTreeMap;

use super::candidate::{Candidate, Source};
use super::wheel_field::{first_bit_sent, lowest_bit};
use super::wheel_speed::{SCALE_SHARE, SpeedLike};

/// Indices of speed-like fields of one bus, period and scale (but for lowest bits found one by one
/// too many or too few).
pub(crate) fn groups(
    sources: &[Source],
    candidates: &[Candidate],
    likes: &[SpeedLike],
) -> Vec<Vec<usize>> {
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
pub(crate) fn fours(
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
    let mut by_source: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
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
    let twos: Vec<&Vec<usize>> = by_source
        .values()
        .filter(|m| (2..=4).contains(&m.len()))
        .collect();
    for (k, a) in twos.iter().enumerate() {
        for b in twos.iter().skip(k + 1) {
            for pair_a in &combinations(a, 2) {
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

/// Whether two fields end at the same lowest bit of the same order.
fn same_place(likes: &[SpeedLike], a: usize, b: usize) -> bool {
    likes
        .get(a)
        .zip(likes.get(b))
        .is_some_and(|(a, b)| lowest_bit(&a.field) == lowest_bit(&b.field))
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
