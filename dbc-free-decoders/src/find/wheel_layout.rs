//! Which four of the speed-like fields could be the wheels of one car, by where they lie.
//!
//! Between the search for speed-like fields (`wheel_speed`) and their comparison (`wheel_score`):
//! four in a frame, three and one, two and two, or one in each of four frames. Two and one and one are not
//! looked for: speeds of one format from several units lie so. The contents that one identifier sends by
//! turns are frames of their own.

use std::collections::{BTreeMap, BTreeSet};

use super::candidate::{Candidate, Source};
use super::field_bits::{first_bit_sent, lowest_bit};
use super::wheel_speed::{SCALE_SHARE, SpeedLike, USUAL_BITS};
use crate::frame::CanId;

/// Most lowest bits that a field was found with too many: a checksum or noise right behind it flips as
/// often as its own lowest bit.
const MOST_BITS_MORE: f64 = USUAL_BITS as f64;

/// Indices of speed-like fields of one bus, period and scale (but for lowest bits found too many or too
/// few).
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
                    && whole.abs() <= MOST_BITS_MORE
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

/// Most sets of one layout that are tried in a group.
pub(crate) const MOST_OF_A_LAYOUT: usize = 600;

/// Sets of four within a group whose layout is one that senders use, as indices of speed-like fields.
/// Frames that hold some of the four hold nothing else of their format, unless it is one in each of four
/// frames at one place. Whether there are more than are given comes with them.
pub(crate) fn fours(
    sources: &[Source],
    candidates: &[Candidate],
    likes: &[SpeedLike],
    group: &[usize],
) -> (Vec<[usize; 4]>, bool) {
    let source_of = |like: usize| {
        likes
            .get(like)
            .and_then(|like| candidates.get(like.candidate))
            .map(|c| c.source)
    };
    let mut by_source: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    // At the same place in whichever frame.
    let mut places: Vec<Vec<usize>> = Vec::new();
    for &like in group {
        if let Some(source) = source_of(like) {
            by_source.entry(source).or_default().push(like);
        }
        match places
            .iter_mut()
            .find(|place| place.first().is_some_and(|&f| same_place(likes, f, like)))
        {
            Some(place) => place.push(like),
            None => places.push(vec![like]),
        }
    }
    let twos: Vec<&Vec<usize>> = by_source
        .values()
        .filter(|m| (2..=4).contains(&m.len()))
        .collect();
    let mut in_one = by_source.values().flat_map(|members| quads(members));
    let mut in_two = pairs(&twos).flat_map(|[a, b]| {
        pairs(a).flat_map(move |[a1, a2]| pairs(b).map(move |[b1, b2]| [a1, a2, b1, b2]))
    });
    let mut in_four = places
        .iter()
        .filter(|place| place.len() <= 6)
        .flat_map(|place| quads(place));
    // A field without another of its format in its frame, wherever it lies.
    let of_size = |size: usize| by_source.values().filter(move |m| m.len() == size);
    let lone: Vec<usize> = of_size(1).flatten().copied().collect();
    let mut in_four_anywhere =
        quads(&lone).filter(|&[a, b, c, d]| ![b, c, d].iter().all(|&k| same_place(likes, a, k)));
    let mut three_and_one = of_size(3).flat_map(|three| {
        let with = |one: &usize| match three.as_slice() {
            &[a, b, c] => Some([a, b, c, *one]),
            _ => None,
        };
        lone.iter().filter_map(with)
    });
    // Contents of one identifier, each with a field of the four wherever it lies.
    let contents: BTreeMap<(&str, CanId), Vec<usize>> =
        group.iter().fold(BTreeMap::new(), |mut contents, &like| {
            let source = source_of(like).and_then(|k| sources.get(k));
            if let Some(source) = source.filter(|source| source.selector.is_some()) {
                let key = (source.bus.as_str(), source.id);
                contents.entry(key).or_insert_with(Vec::new).push(like);
            }
            contents
        });
    let mut in_contents =
        contents
            .values()
            .flat_map(|members| quads(members))
            .filter(|&[a, b, c, d]| {
                let all: BTreeSet<Option<usize>> = [a, b, c, d].map(source_of).into();
                let at_one_place = [b, c, d].iter().all(|&like| same_place(likes, a, like));
                all.len() == 4 && !at_one_place
            });
    let mut more = false;
    let mut first_of = |layout: &mut dyn Iterator<Item = [usize; 4]>| {
        let sets: Vec<[usize; 4]> = layout.take(MOST_OF_A_LAYOUT).collect();
        more |= layout.next().is_some();
        sets
    };
    let sets = [
        first_of(&mut in_one),
        first_of(&mut in_two),
        first_of(&mut in_four),
        first_of(&mut in_contents),
        first_of(&mut three_and_one),
        first_of(&mut in_four_anywhere),
    ];
    // As they lie in their frames.
    let place = |like: &usize| {
        let like = likes.get(*like)?;
        let source = candidates.get(like.candidate).map(|c| c.source);
        let id = source.and_then(|s| sources.get(s)).map(|s| s.id);
        Some((id, first_bit_sent(&like.field)))
    };
    let mut sets: Vec<[usize; 4]> = sets.into_iter().flatten().collect();
    sets.iter_mut().for_each(|set| set.sort_by_key(place));
    (sets, more)
}

/// Whether two fields end at the same lowest bit.
fn same_place(likes: &[SpeedLike], a: usize, b: usize) -> bool {
    likes
        .get(a)
        .zip(likes.get(b))
        .is_some_and(|(a, b)| lowest_bit(&a.field) == lowest_bit(&b.field))
}

/// Every two of them, in order.
fn pairs<T: Copy>(items: &[T]) -> impl Iterator<Item = [T; 2]> {
    let rest = |k: usize| items.get(k + 1..).unwrap_or_default();
    items
        .iter()
        .enumerate()
        .flat_map(move |(k, &a)| rest(k).iter().map(move |&b| [a, b]))
}

/// Every four of them, in order.
fn quads(items: &[usize]) -> impl Iterator<Item = [usize; 4]> {
    let rest = |k: usize| items.get(k + 1..).unwrap_or_default();
    items.iter().enumerate().flat_map(move |(k, &a)| {
        let after = rest(k);
        after.iter().enumerate().flat_map(move |(j, &b)| {
            pairs(after.get(j + 1..).unwrap_or_default()).map(move |[c, d]| [a, b, c, d])
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::{BitOrder, Coding, Field};
    use crate::find::rows::Rows;
    use crate::find::timeline::Timeline;
    use crate::frame::CanId;

    #[test]
    fn pairs_and_quads_come_each_once_and_in_order() {
        let five = [0, 1, 2, 3, 4];
        assert_eq!(pairs(&five).count(), 10);
        let all: Vec<[usize; 4]> = quads(&five).collect();
        assert_eq!(all.len(), 5);
        assert_eq!((all[0], all[4]), ([0, 1, 2, 3], [1, 2, 3, 4]));
        assert!(all.is_sorted() && quads(&five[..3]).next().is_none());
    }

    /// Many frames of four fields each give more sets than are tried; one field in each of four
    /// frames is tried all the same.
    #[test]
    fn many_sets_of_one_layout_do_not_crowd_out_another() {
        let axis = Timeline::new(&[(0, 1_000_000_000)]);
        let (mut sources, mut candidates, mut likes) = (Vec::new(), Vec::new(), Vec::new());
        let mut add = |number: u32, starts: &[u16]| {
            let mut rows = Rows::bounded(16);
            rows.offer(0, &[0x55; 64]);
            sources.push(Source::of_rows(CanId::new(number, false).unwrap(), rows));
            let index = sources.len() - 1;
            for &start in starts {
                let field = Field::new(start, 16, BitOrder::Big, Coding::Unsigned).unwrap();
                let candidate = Candidate::of_field(index, &sources[index], field, &axis);
                likes.push(SpeedLike {
                    candidate: candidates.len(),
                    field,
                    raw: candidate.raw.clone(),
                    marked: false,
                    slope: 1.0,
                    r2: 1.0,
                });
                candidates.push(candidate);
            }
        };
        // No two frames have a place in common.
        for frame in 0..10_u16 {
            let starts = [0, 1, 2, 3].map(|k| 16 * k + frame);
            add(0x100 + u32::from(frame), &starts);
        }
        for frame in 0..4 {
            add(0x200 + frame, &[300]);
        }
        let group: Vec<usize> = (0..likes.len()).collect();
        let (sets, more) = fours(&sources, &candidates, &likes, &group);
        assert!(more);
        assert_eq!(sets.len(), 10 + MOST_OF_A_LAYOUT + 1);
        let last = sets.last().unwrap();
        assert!(last.iter().all(|&like| likes[like].field.start() == 300));
        let (sets, more) = fours(&sources, &candidates, &likes, &group[36..]);
        assert_eq!((sets.len(), more), (2, false));
    }
}
