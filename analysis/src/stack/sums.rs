//! Sets of whole numbers up to a limit, as bits: which heights a handful of parts can make.

/// A set of sums, none above the limit it was made with.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Sums {
    words: Vec<u64>,
}

const BITS: usize = u64::BITS as usize;

impl Sums {
    /// The set that holds `sum` alone.
    pub(super) fn only(sum: usize) -> Self {
        let mut sums = Self::default();
        sums.insert(sum);
        sums
    }

    pub(super) fn insert(&mut self, sum: usize) {
        let word = sum / BITS;
        if word >= self.words.len() {
            self.words.resize(word + 1, 0);
        }
        if let Some(bits) = self.words.get_mut(word) {
            *bits |= 1 << (sum % BITS);
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.words.iter().all(|bits| *bits == 0)
    }

    pub(super) fn contains(&self, sum: usize) -> bool {
        self.words
            .get(sum / BITS)
            .is_some_and(|bits| bits >> (sum % BITS) & 1 == 1)
    }

    /// Sums in ascending order.
    pub(super) fn iter(&self) -> impl Iterator<Item = usize> {
        self.words.iter().enumerate().flat_map(|(word, &bits)| {
            std::iter::successors((bits != 0).then_some(bits), |bits| {
                let rest = bits & (bits - 1);
                (rest != 0).then_some(rest)
            })
            .map(move |bits| word * BITS + bits.trailing_zeros() as usize)
        })
    }

    /// The smallest sum of at least `least`.
    pub(super) fn first_from(&self, least: usize) -> Option<usize> {
        let start = least / BITS;
        let mut words = self.words.iter().enumerate().skip(start);
        let (_, first) = words.next()?;
        let masked = first & (u64::MAX << (least % BITS));
        if masked != 0 {
            return Some(start * BITS + masked.trailing_zeros() as usize);
        }
        words
            .find(|(_, bits)| **bits != 0)
            .map(|(word, bits)| word * BITS + bits.trailing_zeros() as usize)
    }

    /// The largest sum below `bound`.
    pub(super) fn last_below(&self, bound: usize) -> Option<usize> {
        self.iter().take_while(|sum| *sum < bound).last()
    }

    /// Adds every sum of `other`.
    pub(super) fn union(&mut self, other: &Self) {
        if other.words.len() > self.words.len() {
            self.words.resize(other.words.len(), 0);
        }
        for (bits, more) in self.words.iter_mut().zip(&other.words) {
            *bits |= more;
        }
    }

    /// Every sum of one of these and one of the others, none above `limit`.
    pub(super) fn plus(&self, other: &Self, limit: usize) -> Self {
        let (few, many) = if self.count() <= other.count() {
            (self, other)
        } else {
            (other, self)
        };
        let mut sums = Self::default();
        for sum in few.iter() {
            sums.add_shifted(many, sum, limit);
        }
        sums
    }

    fn count(&self) -> u32 {
        self.words.iter().map(|bits| bits.count_ones()).sum()
    }

    fn add_shifted(&mut self, other: &Self, by: usize, limit: usize) {
        let (skip, shift) = (by / BITS, by % BITS);
        let most = limit / BITS + 1;
        let length = (other.words.len() + skip + usize::from(shift > 0)).min(most);
        if length > self.words.len() {
            self.words.resize(length, 0);
        }
        let mut carry = 0;
        let mut targets = self.words.iter_mut().skip(skip);
        for bits in &other.words {
            let Some(target) = targets.next() else { break };
            *target |= bits << shift | carry;
            carry = if shift > 0 { bits >> (BITS - shift) } else { 0 };
        }
        if let Some(target) = targets.next() {
            *target |= carry;
        }
        if let Some(last) = self.words.get_mut(limit / BITS) {
            *last &= u64::MAX >> (BITS - 1 - limit % BITS);
        }
    }

    /// The smallest sum of at least `least` that one of these and one of the others make.
    pub(super) fn first_pair_from(&self, other: &Self, least: usize) -> Option<usize> {
        self.iter()
            .filter_map(|a| Some(a + other.first_from(least.saturating_sub(a))?))
            .min()
    }
}

/// Sums of `count` of the parts, for every count from 0 to all of them, none above `limit`.
pub(super) fn of_subsets(parts: &[usize], limit: usize) -> Vec<Sums> {
    let mut by_count = vec![Sums::default(); parts.len() + 1];
    if let Some(none) = by_count.first_mut() {
        none.insert(0);
    }
    for (used, &part) in parts.iter().enumerate() {
        for count in (0..=used).rev() {
            let Some(more) = by_count
                .get(count)
                .map(|s| s.plus(&Sums::only(part), limit))
            else {
                continue;
            };
            if let Some(sums) = by_count.get_mut(count + 1) {
                sums.union(&more);
            }
        }
    }
    by_count
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn is_the_set_it_stands_for(
            a in prop::collection::btree_set(0usize..300, 0..12),
            b in prop::collection::btree_set(0usize..300, 0..12),
            limit in 0usize..700,
            least in 0usize..700,
        ) {
            let sums = |set: &BTreeSet<usize>| {
                let mut sums = Sums::default();
                set.iter().for_each(|s| sums.insert(*s));
                sums
            };
            let (x, y) = (sums(&a), sums(&b));
            let written: BTreeSet<usize> = a.iter().flat_map(|p| b.iter().map(move |q| p + q)).collect();
            let kept: Vec<usize> = written.iter().copied().filter(|s| *s <= limit).collect();
            prop_assert_eq!(x.plus(&y, limit).iter().collect::<Vec<_>>(), kept);
            prop_assert_eq!(x.first_pair_from(&y, least), written.range(least..).next().copied());
            prop_assert_eq!(x.first_from(least), a.range(least..).next().copied());
            prop_assert_eq!(x.last_below(least), a.range(..least).next_back().copied());
            prop_assert!(a.iter().all(|s| x.contains(*s)) && x.is_empty() == a.is_empty());
            let mut both = x.clone();
            both.union(&y);
            prop_assert_eq!(both.iter().collect::<Vec<_>>(), a.union(&b).copied().collect::<Vec<_>>());
        }

        #[test]
        fn subsets_are_all_there(parts in prop::collection::vec(1usize..90, 0..8)) {
            let by_count = of_subsets(&parts, 1000);
            let mut written = vec![BTreeSet::new(); parts.len() + 1];
            for mask in 0usize..1 << parts.len() {
                let chosen = parts.iter().enumerate().filter(|(i, _)| mask >> i & 1 == 1);
                written[mask.count_ones() as usize].insert(chosen.map(|(_, p)| p).sum::<usize>());
            }
            for (found, set) in by_count.iter().zip(written) {
                prop_assert_eq!(found.iter().collect::<BTreeSet<_>>(), set);
            }
        }
    }
}
