//! At the bench: from measured parts to the stack of discs and plates to build.
//!
//! A pack is discs and plates in turn, a disc at each end, between the two thick outer plates.
//! Worn parts make it low, and the piston then travels far before it closes. [`Parts`] is what lies
//! on the bench; [`choose`] finds the stacks that come just over the target height with the fewest
//! reused parts, proven best, and says what each changes.
//!
//! - [`parts`]: the parts file as values; `read`: its text, with the line of whatever is wrong.
//! - `problem`: which stacks there are. `search`: the best of them, exactly; `sums`: sets of heights
//!   as bits.
//! - `choice`: a stack that was found, as the mechanic reads it. `arrange`: which part stands where. `judge`: warnings. `predict`: what the car will show.

mod arrange;
mod choice;
mod judge;
pub mod parts;
mod predict;
mod problem;
mod read;
mod search;
mod sums;
#[cfg(test)]
mod tests;

use slipwright_decoders::toml_error::TomlError;

pub use self::arrange::Placed;
pub use self::choice::Choice;
use self::choice::Context;
use self::parts::{Aim, Room, mm};
pub use self::parts::{Kind, Parts, Side};
use self::problem::{DiscCount, Problem};
use crate::vehicle::Vehicle;

/// A value that may be missing, and why.
pub type OrWhy<T> = Result<T, String>;

/// What can be built.
#[derive(Clone, Debug, PartialEq)]
pub struct Stacks {
    /// Height wanted, mm.
    pub target_mm: f64,
    /// Where it comes from: `height`, `clearance` or `stock`.
    pub target_from: &'static str,
    /// How far above it a stack may be, mm.
    pub tolerance_mm: f64,
    /// Height of the pack as built, mm.
    pub stock_height_mm: Option<f64>,
    /// The best first; none if no stack comes within the tolerance.
    pub choices: Vec<Choice>,
    /// Why there is none.
    pub why: Option<String>,
    /// The next height below the target that the parts can make, mm; only if there is no choice.
    pub nearest_below_mm: Option<f64>,
    /// The next height above the tolerance, mm; only if there is no choice.
    pub nearest_above_mm: Option<f64>,
    /// What a reader must know of all of them.
    pub notes: Vec<String>,
}

/// The best stacks that the parts make, at most `most`, best first: over the target but within the
/// tolerance; then the fewest reused parts; then the closest to the target; then the most discs.
///
/// # Errors
/// [`TomlError`] with the line if a clearance is wanted and the room for the pack is not known.
pub fn choose(parts: &Parts, vehicle: Option<&Vehicle>, most: usize) -> Result<Stacks, TomlError> {
    let room = room(parts, vehicle);
    let (target_um, target_from) = target_um(parts, &room)?;
    let problem = Problem {
        groups: &parts.groups,
        discs: disc_count(parts),
        most_spacers: most_spacers(parts),
        target_um,
        tolerance_um: parts.tolerance_um,
    };
    let context = Context {
        parts,
        vehicle,
        target_um,
        room,
    };
    let choices: Vec<Choice> = search::best(&problem, most)
        .iter()
        .map(|found| context.choice(found))
        .collect();
    let nearest = match choices.is_empty() {
        true => search::nearest(&problem),
        false => search::Nearest::default(),
    };
    Ok(Stacks {
        target_mm: mm(target_um),
        target_from,
        tolerance_mm: mm(parts.tolerance_um),
        stock_height_mm: parts.stock.height_um.map(mm),
        why: choices.is_empty().then(|| no_choice(&problem, nearest)),
        nearest_below_mm: nearest.below_um.map(mm),
        nearest_above_mm: nearest.above_um.map(mm),
        notes: context.notes(),
        choices,
    })
}

/// What the owner wants, or else every new disc; with none new, every disc.
fn disc_count(parts: &Parts) -> DiscCount {
    let discs = || parts.groups.iter().filter(|g| g.kind == Kind::Disc);
    let new: usize = discs().filter(|g| !g.reused).map(|g| g.parts.len()).sum();
    match parts.discs {
        Some(count) => DiscCount::Exactly(count as usize),
        None if new > 0 => DiscCount::AtLeast(new),
        None => DiscCount::AtLeast(parts.count(Kind::Disc)),
    }
}

/// One, or one an end where coated discs need it.
fn most_spacers(parts: &Parts) -> usize {
    let coated_disc = parts
        .groups
        .iter()
        .any(|g| g.kind == Kind::Disc && g.coated);
    let default = if coated_disc { 2 } else { 1 };
    parts.most_spacers.map_or(default, |most| most as usize)
}

/// Space between the outer plates with the piston fully back.
fn room(parts: &Parts, vehicle: Option<&Vehicle>) -> OrWhy<Room> {
    if let Some(room) = parts.room {
        return Ok(room);
    }
    if !parts.outer_plates_kept {
        return Err(
            "the outer plates are new: measure the room between them and write room.height_mm"
                .to_owned(),
        );
    }
    let from_vehicle = || {
        let clearance_m = vehicle?.coupling.clearance_m?;
        Some((clearance_m * 1e6).round() as u32)
    };
    match (
        parts.stock.height_um,
        parts.stock.clearance_um.or_else(from_vehicle),
    ) {
        (Some(height), Some(clearance)) => Ok(Room {
            height_um: height.saturating_add(clearance),
            u_mm: 0.0,
        }),
        _ => Err("the room for the pack is not known: write room.height_mm, or stock.height_mm with stock.clearance_mm".to_owned()),
    }
}

fn target_um(parts: &Parts, room: &OrWhy<Room>) -> Result<(u32, &'static str), TomlError> {
    match parts.aim {
        Aim::Height(um) => Ok((um, "height")),
        Aim::Stock => parts
            .stock
            .height_um
            .map(|um| (um, "stock"))
            .ok_or_else(|| TomlError::whole("no target; write [target] with height_mm")),
        Aim::Clearance(clearance_um, line) => {
            let wrong = |message: String| TomlError {
                line: Some(line),
                message,
            };
            let room = room.as_ref().map_err(|why| wrong(why.clone()))?;
            let height = room.height_um.checked_sub(clearance_um).filter(|h| *h > 0);
            let height = height.ok_or_else(|| {
                wrong(format!(
                    "the room is only {} mm; clearance_mm must be less",
                    mm(room.height_um)
                ))
            })?;
            Ok((height, "clearance"))
        }
    }
}

fn no_choice(problem: &Problem<'_>, nearest: search::Nearest) -> String {
    let window = format!(
        "no stack of these parts is between {} and {} mm",
        mm(problem.target_um),
        mm(problem.target_um.saturating_add(problem.tolerance_um))
    );
    let text = |um: Option<u32>| um.map(|um| format!("{} mm", mm(um)));
    match (text(nearest.below_um), text(nearest.above_um)) {
        (Some(below), Some(above)) => {
            format!(
                "{window}; the next ones are {below} and {above}; add a spacer or plates of another thickness"
            )
        }
        (Some(below), None) => {
            format!("{window}; the highest is {below}; add discs, thicker plates or a spacer")
        }
        (None, Some(above)) => {
            format!("{window}; the lowest is {above}; add thinner plates or lower pack.discs")
        }
        (None, None) => format!(
            "{window}, nor near it; check the thicknesses and that there is one plate fewer than discs"
        ),
    }
}
