//! Which part stands where, from the piston to the far side.
//!
//! The middle of a pack is hottest: its plates are heated from both sides and the outer plates,
//! which carry heat off, are far. So the thickest plates go there and the thin ones to the ends; of
//! equals the new ones go to the middle (common practice, no source). A coated disc never meets an
//! outer plate.

use super::parts::{Group, Kind, Part, Parts, Side};
use super::search::Found;

/// One part in its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Its group, by position.
    pub group: usize,
    /// Which of the group's parts, by position.
    pub part: usize,
    /// What it is worth.
    pub measured: Part,
    /// What it is.
    pub kind: Kind,
    /// Whether it stands outside the pack.
    pub spacer: bool,
    /// Whether its faces are coated.
    pub coated: bool,
    /// Whether it ran before.
    pub reused: bool,
}

impl Placed {
    /// What the part is called in a list of parts.
    #[must_use]
    pub fn name(&self, parts: &Parts) -> String {
        let name = parts.groups.get(self.group).map_or("", |g| g.name.as_str());
        if self.spacer && self.kind != Kind::Spacer {
            format!("{name}, as spacer")
        } else {
            name.to_owned()
        }
    }
}

/// The stack from the piston side to the far side.
pub(super) fn arrange(found: &Found, groups: &[Group], side: Side) -> Vec<Placed> {
    let (mut discs, mut plates, mut spacers) = (Vec::new(), Vec::new(), Vec::new());
    for (index, group) in groups.iter().enumerate() {
        let mut members: Vec<Placed> = found
            .members
            .get(index)
            .into_iter()
            .flatten()
            .filter_map(|&part| {
                Some(Placed {
                    group: index,
                    part,
                    measured: *group.parts.get(part)?,
                    kind: group.kind,
                    spacer: false,
                    coated: group.coated,
                    reused: group.reused,
                })
            })
            .collect();
        // A spacer does not rub: the thinnest, the most worn, serve there.
        members.sort_by_key(|p| p.measured.thickness_um);
        let outside = found.taken.get(index).map_or(0, |taken| taken.spacers);
        let inside = members.split_off(outside.min(members.len()));
        spacers.extend(members.into_iter().map(|p| Placed { spacer: true, ..p }));
        match group.kind {
            Kind::Disc => discs.extend(inside),
            Kind::Plate | Kind::Spacer => plates.extend(inside),
        }
    }
    let both_ends = discs.iter().any(|d| d.coated) && spacers.len() > 1;
    let bare = match side {
        Side::Far => Side::Piston,
        Side::Piston => Side::Far,
    };
    discs.sort_by_key(|d| {
        (
            !d.coated,
            d.reused,
            std::cmp::Reverse(d.measured.thickness_um),
        )
    });
    plates.sort_by_key(|p| {
        (
            std::cmp::Reverse(p.measured.thickness_um),
            p.reused,
            !p.coated,
        )
    });
    let mut plates = from_the_middle(plates, bare).into_iter();
    let mut pack = Vec::new();
    for disc in from_the_middle(discs, bare) {
        if !pack.is_empty() {
            pack.extend(plates.next());
        }
        pack.push(disc);
    }
    let mut stack = Vec::with_capacity(pack.len() + spacers.len());
    let at_piston = match (both_ends, side) {
        (true, _) => 1,
        (false, Side::Piston) => spacers.len(),
        (false, Side::Far) => 0,
    };
    let at_far = spacers.split_off(at_piston);
    stack.extend(spacers);
    stack.extend(pack);
    stack.extend(at_far);
    stack
}

/// Puts the first of a list in the middle and the last at the ends, the very last at `end`.
fn from_the_middle<T>(list: Vec<T>, end: Side) -> Vec<T> {
    let count = list.len() as isize;
    let mut places: Vec<isize> = (0..count).collect();
    let from_middle = |place: isize| (2 * place - (count - 1)).abs();
    places.sort_by_key(|&place| {
        let near_the_end = match end {
            Side::Piston => -place,
            Side::Far => place,
        };
        (from_middle(place), near_the_end)
    });
    let mut placed: Vec<(isize, T)> = places.into_iter().zip(list).collect();
    placed.sort_by_key(|(place, _)| *place);
    placed.into_iter().map(|(_, part)| part).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_go_to_the_middle_and_the_last_to_the_bare_end() {
        assert_eq!(
            from_the_middle(vec![9, 8, 7, 6, 5], Side::Piston),
            [5, 7, 9, 8, 6]
        );
        assert_eq!(from_the_middle(vec![9, 8, 7, 6], Side::Far), [7, 9, 8, 6]);
        assert!(from_the_middle(Vec::<u8>::new(), Side::Far).is_empty());
    }
}
