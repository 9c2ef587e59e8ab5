//! What is searched: the parts, the window of heights, and which stacks there are at all.

use super::parts::{Group, Kind};

/// How many discs a stack may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum DiscCount {
    /// So many.
    Exactly(usize),
    /// So many or more; if none of these fits, as many as fit.
    AtLeast(usize),
}

/// What is searched.
#[derive(Clone, Debug)]
pub(super) struct Problem<'a> {
    pub(super) groups: &'a [Group],
    pub(super) discs: DiscCount,
    /// Most spacers outside the pack.
    pub(super) most_spacers: usize,
    /// Least height, µm.
    pub(super) target_um: u32,
    /// How far above it a stack may be, µm.
    pub(super) tolerance_um: u32,
}

/// Places to be filled: uncoated discs, coated discs, plates between discs, spacers.
pub(super) type Places = [usize; 4];

pub(super) const UNCOATED_DISC: usize = 0;
pub(super) const COATED_DISC: usize = 1;
pub(super) const PLATE: usize = 2;
pub(super) const SPACER: usize = 3;

impl Problem<'_> {
    fn listed(&self, kind: Kind, coated: bool) -> usize {
        let of = |g: &&Group| g.kind == kind && g.coated == coated;
        self.groups.iter().filter(of).map(|g| g.parts.len()).sum()
    }

    /// Numbers of discs to try together, in the order in which to try them.
    pub(super) fn disc_counts(&self) -> Vec<Vec<usize>> {
        let all = self.listed(Kind::Disc, false) + self.listed(Kind::Disc, true);
        match self.discs {
            DiscCount::Exactly(count) => vec![vec![count]],
            DiscCount::AtLeast(least) => {
                let mut tries = vec![(least.max(1)..=all).collect::<Vec<_>>()];
                tries.extend((1..least).rev().map(|count| vec![count]));
                tries
            }
        }
    }

    /// Every way to share out a number of discs: a coated disc at an end of the pack needs a
    /// spacer between itself and the outer plate.
    pub(super) fn shapes(&self, discs: usize) -> Vec<Places> {
        let (plain, coated) = (
            self.listed(Kind::Disc, false),
            self.listed(Kind::Disc, true),
        );
        let mut shapes = Vec::new();
        for spacers in 0..=self.most_spacers {
            // A single disc has both ends.
            let bare_ends = 2usize.saturating_sub(spacers).min(discs);
            for uncoated in bare_ends..=discs.min(plain) {
                if discs - uncoated <= coated {
                    let plates = discs.saturating_sub(1);
                    shapes.push([uncoated, discs - uncoated, plates, spacers]);
                }
            }
        }
        shapes
    }
}
