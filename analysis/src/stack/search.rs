//! The best stacks, exactly.
//!
//! Thicknesses are whole micrometres, so every height is a whole number and the search is over
//! integers. Backward pass: for the groups from one on, and for every number of parts still to be
//! placed and of reused parts still allowed, the set of heights that those groups can add
//! (subset-sum dynamic programming; Bellman, Dynamic Programming, 1957). Forward pass: best-first
//! over how many parts of each group are taken; the backward sets give the exact best that any
//! beginning can come to, so the first stack that is complete is proven best, the next one second,
//! and so on (Hart, Nilsson & Raphael, "A formal basis for the heuristic determination of minimum
//! cost paths", IEEE Trans. Syst. Sci. Cybern. 4 (1968) 100-107, with a bound that is never wrong).

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};
use std::rc::Rc;

use super::parts::{Group, Kind};
use super::problem::{COATED_DISC, PLATE, Places, Problem, SPACER, UNCOATED_DISC};
use super::sums::{Sums, of_subsets};

/// How much of one group is used.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Taken {
    /// Parts in the pack.
    pub(super) in_pack: usize,
    /// Parts outside it.
    pub(super) spacers: usize,
}

impl Taken {
    fn all(&self) -> usize {
        self.in_pack + self.spacers
    }
}

/// One stack that fits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Found {
    /// One entry a group.
    pub(super) taken: Vec<Taken>,
    /// Which parts of each group, by position; one entry a group.
    pub(super) members: Vec<Vec<usize>>,
    pub(super) height_um: u32,
    pub(super) reused: usize,
    pub(super) discs: usize,
}

/// Heights on both sides of the window when nothing lies in it, µm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Nearest {
    pub(super) below_um: Option<u32>,
    pub(super) above_um: Option<u32>,
}

/// How far above the window the nearest stack is looked for, µm.
const REACH_UM: u32 = 5_000;

/// The best stacks, at most `most`, best first: fewest reused parts, then closest above the target,
/// then most discs, then fewest spacers. No two use the same numbers of parts of each group.
pub(super) fn best(problem: &Problem<'_>, most: usize) -> Vec<Found> {
    let mut search = Search::new(problem, problem.tolerance_um);
    for discs in problem.disc_counts() {
        let found = search.best_of(&discs, most);
        if !found.is_empty() {
            return found;
        }
    }
    Vec::new()
}

/// The stacks next to the window, whatever they reuse.
pub(super) fn nearest(problem: &Problem<'_>) -> Nearest {
    let mut search = Search::new(problem, problem.tolerance_um.saturating_add(REACH_UM));
    let mut all = Sums::default();
    for discs in problem.disc_counts().into_iter().flatten() {
        for places in problem.shapes(discs) {
            for reused in 0..=search.reusable {
                all.union(&search.reach(0, places, reused));
            }
        }
    }
    let um = |units: usize| u32::try_from(units).ok().map(|u| u * search.unit_um);
    let above = (problem.target_um.saturating_add(problem.tolerance_um) / search.unit_um) as usize;
    Nearest {
        below_um: all.last_below(search.least).and_then(um),
        above_um: all.first_from(above + 1).and_then(um),
    }
}

struct Search<'a> {
    problem: &'a Problem<'a>,
    /// Height of one unit: what divides every thickness, µm.
    unit_um: u32,
    /// The window in units.
    least: usize,
    limit: usize,
    /// Sums of so many parts of a group, by group and count.
    subsets: Vec<Vec<Sums>>,
    /// How many reused parts there are.
    reusable: usize,
    /// What the groups from one on hold; one entry a group, and one behind the last.
    left: Vec<Left>,
    reached: HashMap<(usize, Places, usize), Rc<Sums>>,
    nothing: Rc<Sums>,
}

/// What some groups hold, by place.
#[derive(Clone, Copy, Debug, Default)]
struct Left {
    parts: [usize; 4],
    /// Height of the thinnest of them, in units.
    thinnest: [usize; 4],
    reused: usize,
}

impl Left {
    /// Together with a group of parts of these heights, that may fill these places.
    fn and(mut self, group: &Group, units: &[usize]) -> Self {
        let Some(thinnest) = units.iter().copied().min() else {
            return self;
        };
        for place in places_of(group).into_iter().flatten() {
            let own = &mut self.thinnest[place];
            *own = if self.parts[place] == 0 {
                thinnest
            } else {
                thinnest.min(*own)
            };
            self.parts[place] += units.len();
        }
        self.reused += if group.reused { units.len() } else { 0 };
        self
    }

    /// Whether so many places can be filled at all, and no higher than the limit.
    fn may_fill(&self, places: Places, reused: usize, limit: usize) -> bool {
        let each = || places.iter().zip(self.parts).zip(self.thinnest);
        let least: usize = each().map(|((n, _), unit)| n.saturating_mul(unit)).sum();
        each().all(|((n, there), _)| *n <= there) && reused <= self.reused && least <= limit
    }
}

/// The place of a group's parts within the pack, and that outside it.
fn places_of(group: &Group) -> [Option<usize>; 2] {
    match (group.kind, group.coated) {
        (Kind::Disc, false) => [Some(UNCOATED_DISC), None],
        (Kind::Disc, true) => [Some(COATED_DISC), None],
        // No coated face against an outer plate.
        (Kind::Plate, true) => [Some(PLATE), None],
        (Kind::Plate, false) => [Some(PLATE), Some(SPACER)],
        (Kind::Spacer, _) => [None, Some(SPACER)],
    }
}

/// A beginning of a stack: how many parts the first groups give.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Beginning {
    /// The least height that it can come to, in units.
    bound: usize,
    fewer_discs: Reverse<usize>,
    spacers: usize,
    /// Deeper ones first, so that equals are finished before they are begun.
    depth: Reverse<usize>,
    taken: Vec<Taken>,
    places: Places,
    reused: usize,
}

impl<'a> Search<'a> {
    fn new(problem: &'a Problem<'a>, tolerance_um: u32) -> Self {
        let thicknesses = || problem.groups.iter().flat_map(|g| &g.parts);
        let unit_um = thicknesses()
            .fold(0, |unit, part| gcd(unit, part.thickness_um))
            .max(1);
        let limit = (problem.target_um.saturating_add(tolerance_um) / unit_um) as usize;
        let units = |g: &Group| -> Vec<usize> {
            g.parts
                .iter()
                .map(|p| (p.thickness_um / unit_um) as usize)
                .collect()
        };
        let mut left = vec![Left::default()];
        for group in problem.groups.iter().rev() {
            let behind = left.last().copied().unwrap_or_default();
            left.push(behind.and(group, &units(group)));
        }
        left.reverse();
        Self {
            problem,
            unit_um,
            left,
            nothing: Rc::default(),
            least: problem.target_um.div_ceil(unit_um) as usize,
            limit,
            subsets: problem
                .groups
                .iter()
                .map(|g| of_subsets(&units(g), limit))
                .collect(),
            reusable: problem
                .groups
                .iter()
                .filter(|g| g.reused)
                .map(|g| g.parts.len())
                .sum(),
            reached: HashMap::new(),
        }
    }

    fn best_of(&mut self, disc_counts: &[usize], most: usize) -> Vec<Found> {
        let mut found = Vec::new();
        for reused in 0..=self.reusable {
            let mut open = BinaryHeap::new();
            for &discs in disc_counts {
                for places in self.problem.shapes(discs) {
                    let start = Beginning {
                        bound: 0,
                        fewer_discs: Reverse(discs),
                        spacers: places[SPACER],
                        depth: Reverse(0),
                        taken: Vec::new(),
                        places,
                        reused,
                    };
                    let bound = self.reach(0, places, reused).first_from(self.least);
                    open.extend(bound.map(|bound| Reverse(Beginning { bound, ..start })));
                }
            }
            while found.len() < most
                && let Some(Reverse(next)) = open.pop()
            {
                if next.taken.len() == self.problem.groups.len() {
                    found.extend(self.complete(&next, reused));
                } else {
                    open.extend(self.extended(&next).into_iter().map(Reverse));
                }
            }
            if found.len() >= most {
                break;
            }
        }
        found
    }

    /// Heights that the groups from `group` on can add when they fill exactly these places with
    /// exactly so many reused parts.
    fn reach(&mut self, group: usize, places: Places, reused: usize) -> Rc<Sums> {
        let left = self.left.get(group);
        if !left.is_some_and(|left| left.may_fill(places, reused, self.limit)) {
            return Rc::clone(&self.nothing);
        }
        if let Some(known) = self.reached.get(&(group, places, reused)) {
            return Rc::clone(known);
        }
        let mut sums = Sums::default();
        if group == self.problem.groups.len() {
            if places == [0; 4] && reused == 0 {
                sums.insert(0);
            }
        } else {
            for (taken, places, reused) in self.ways(group, places, reused) {
                let rest = self.reach(group + 1, places, reused);
                if rest.is_empty() {
                    continue;
                }
                if let Some(own) = self.sums(group, &taken) {
                    sums.union(&own.plus(&rest, self.limit));
                }
            }
        }
        let sums = Rc::new(sums);
        self.reached
            .insert((group, places, reused), Rc::clone(&sums));
        sums
    }

    fn sums(&self, group: usize, taken: &Taken) -> Option<&Sums> {
        self.subsets.get(group)?.get(taken.all())
    }

    /// How many parts of a group may be taken, and what is then left to fill.
    fn ways(&self, group: usize, places: Places, reused: usize) -> Vec<(Taken, Places, usize)> {
        let Some(group) = self.problem.groups.get(group) else {
            return Vec::new();
        };
        let there = group.parts.len();
        let most = if group.reused {
            there.min(reused)
        } else {
            there
        };
        let [in_pack, outside] = places_of(group);
        let room = |place: Option<usize>| place.map_or(0, |p| places[p].min(most));
        let spacer_room = room(outside);
        let mut ways = Vec::new();
        for inside in 0..=room(in_pack) {
            for spacers in 0..=spacer_room.min(most - inside) {
                let mut left = places;
                if let Some(place) = in_pack {
                    left[place] -= inside;
                }
                left[SPACER] -= spacers;
                let taken = Taken {
                    in_pack: inside,
                    spacers,
                };
                let used = if group.reused { taken.all() } else { 0 };
                ways.push((taken, left, reused - used));
            }
        }
        ways
    }

    /// Every beginning that goes one group further and can still come to a height in the window.
    fn extended(&mut self, from: &Beginning) -> Vec<Beginning> {
        let group = from.taken.len();
        let before = self.prefix_sums(&from.taken);
        let Some(before) = before.last() else {
            return Vec::new();
        };
        let mut next = Vec::new();
        for (taken, places, reused) in self.ways(group, from.places, from.reused) {
            let rest = self.reach(group + 1, places, reused);
            let Some(own) = self.sums(group, &taken) else {
                continue;
            };
            let bound = before
                .plus(own, self.limit)
                .first_pair_from(&rest, self.least);
            if let Some(bound) = bound.filter(|b| *b <= self.limit) {
                let mut all = from.taken.clone();
                all.push(taken);
                next.push(Beginning {
                    bound,
                    depth: Reverse(group + 1),
                    taken: all,
                    places,
                    reused,
                    ..*from
                });
            }
        }
        next
    }

    /// Sums of the first groups' parts taken: after none, after one, ... after all of `taken`.
    fn prefix_sums(&self, taken: &[Taken]) -> Vec<Sums> {
        let mut sums = vec![Sums::only(0)];
        for (group, taken) in taken.iter().enumerate() {
            if let (Some(last), Some(own)) = (sums.last(), self.sums(group, taken)) {
                sums.push(last.plus(own, self.limit));
            }
        }
        sums
    }

    /// Names the parts of a complete stack: backwards, one group at a time.
    fn complete(&self, stack: &Beginning, reused: usize) -> Option<Found> {
        let prefixes = self.prefix_sums(&stack.taken);
        let mut left = stack.bound;
        let mut members = vec![Vec::new(); stack.taken.len()];
        for (index, taken) in stack.taken.iter().enumerate().rev() {
            let before = prefixes.get(index)?;
            let own = self.sums(index, taken)?;
            let sum = own
                .iter()
                .find(|s| *s <= left && before.contains(left - s))?;
            let group = self.problem.groups.get(index)?;
            *members.get_mut(index)? = self.subset(group, taken.all(), sum)?;
            left -= sum;
        }
        Some(Found {
            members,
            height_um: u32::try_from(stack.bound).ok()? * self.unit_um,
            reused,
            discs: stack.fewer_discs.0,
            taken: stack.taken.clone(),
        })
    }

    /// Which `count` parts of a group make this sum: the first in the order listed.
    fn subset(&self, group: &Group, count: usize, sum: usize) -> Option<Vec<usize>> {
        let units: Vec<usize> = group
            .parts
            .iter()
            .map(|p| (p.thickness_um / self.unit_um) as usize)
            .collect();
        let (mut count, mut sum) = (count, sum);
        let mut chosen = Vec::new();
        for (index, part) in units.iter().enumerate() {
            if count == 0 {
                break;
            }
            let rest = of_subsets(units.get(index + 1..)?, self.limit);
            let fits = *part <= sum
                && rest
                    .get(count - 1)
                    .is_some_and(|sums| sums.contains(sum - part));
            if fits {
                chosen.push(index);
                count -= 1;
                sum -= part;
            }
        }
        (count == 0 && sum == 0).then_some(chosen)
    }
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}
