//! At the bench: from measured parts to the stack of discs and plates to build.
//!
//! A pack is discs and plates in turn, a disc at each end, between the two thick outer plates.
//! Worn parts make it low, and the piston then travels far before it closes. [`Parts`] is what lies
//! on the bench; [`choose`] finds the stacks that come just over the target height with the fewest
//! reused parts, proven best, and says what each changes.
//!
//! - [`parts`]: the parts file as values; `read`: its text, with the line of whatever is wrong.
//! - `search`: the best stacks, exactly; `sums`: sets of heights as bits.
//! - `arrange`: which part stands where. `judge`: warnings. `predict`: what the car will show.

mod arrange;
mod judge;
pub mod parts;
mod predict;
mod read;
mod search;
mod sums;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use slipwright_decoders::toml_error::TomlError;
use statrs::distribution::{ContinuousCDF, Normal};

pub use self::arrange::Placed;
use self::parts::{Aim, Room, mm};
pub use self::parts::{Kind, Parts, Side};
use self::search::{DiscCount, Found, Problem};
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

/// One stack.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Height, mm.
    pub height_mm: f64,
    /// Its standard uncertainty, mm.
    pub u_height_mm: f64,
    /// Height above the target, mm.
    pub over_target_mm: f64,
    /// Probability that the true height lies within the tolerance.
    pub probability: f64,
    /// How many of which parts, by name; spacers have `, as spacer` behind it.
    pub parts: BTreeMap<String, usize>,
    /// Reused parts among them.
    pub reused: usize,
    /// Discs.
    pub discs: usize,
    /// Every part from the piston side to the far side.
    pub order: Vec<Placed>,
    /// Friction faces.
    pub faces: usize,
    /// Piston travel left and its standard uncertainty, mm.
    pub clearance_mm: OrWhy<(f64, f64)>,
    /// Piston travel saved against the pack named, mm.
    pub travel_saved_mm: OrWhy<(f64, &'static str)>,
    /// Predicted change of dead time, ms.
    pub dead_time_change_ms: OrWhy<f64>,
    /// Predicted torque at the highest working pressure, N·m.
    pub torque_capacity_nm: OrWhy<f64>,
    /// Friction faces against those of before, per cent.
    pub faces_change_percent: OrWhy<f64>,
    /// What a mechanic must know before closing it.
    pub warnings: Vec<String>,
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

struct Context<'a> {
    parts: &'a Parts,
    vehicle: Option<&'a Vehicle>,
    target_um: u32,
    room: OrWhy<Room>,
}

impl Context<'_> {
    fn choice(&self, found: &Found) -> Choice {
        let order = arrange::arrange(found, &self.parts.groups, self.parts.spacer_side);
        let mut parts = BTreeMap::new();
        for placed in &order {
            *parts.entry(placed.name(self.parts)).or_insert(0) += 1;
        }
        let u_height_mm = self.u_height_mm(&order);
        let over_um = found.height_um.saturating_sub(self.target_um);
        let clearance_mm = self.room.clone().map(|room| {
            let clearance = mm(room.height_um) - mm(found.height_um);
            // Whole micrometres stay whole.
            let clearance = (clearance * 1e3).round() / 1e3;
            (clearance, u_height_mm.hypot(room.u_mm))
        });
        let u_mm = match (&self.parts.aim, &clearance_mm) {
            (Aim::Clearance(..), Ok((_, u))) => *u,
            _ => u_height_mm,
        };
        let probability = inside(mm(over_um), mm(self.parts.tolerance_um), u_mm);
        let travel_saved_mm = self.travel_saved_mm(found.height_um);
        let faces = judge::faces(found.discs);
        Choice {
            height_mm: mm(found.height_um),
            u_height_mm,
            over_target_mm: mm(over_um),
            probability,
            parts,
            reused: found.reused,
            discs: found.discs,
            faces,
            warnings: judge::warnings(
                &order,
                clearance_mm.as_ref().ok().map(|(c, _)| *c),
                probability,
                &self.parts.limits,
            ),
            dead_time_change_ms: self.dead_time_change_ms(&travel_saved_mm),
            torque_capacity_nm: self.vehicle().and_then(|vehicle| {
                predict::torque_capacity_nm(faces, vehicle).map_err(|why| why.to_string())
            }),
            faces_change_percent: self.faces_change_percent(faces),
            travel_saved_mm,
            clearance_mm,
            order,
        }
    }

    /// Readings err independently; what all share, such as the zero, adds up.
    fn u_height_mm(&self, order: &[Placed]) -> f64 {
        let independent: f64 = order.iter().map(|p| p.measured.u_mm.powi(2)).sum();
        independent
            .sqrt()
            .hypot(order.len() as f64 * self.parts.shared_u_mm)
    }

    fn vehicle(&self) -> OrWhy<&Vehicle> {
        self.vehicle
            .ok_or_else(|| "no vehicle file; name one with --vehicle".to_owned())
    }

    fn travel_saved_mm(&self, height_um: u32) -> OrWhy<(f64, &'static str)> {
        if !self.parts.outer_plates_kept {
            return Err(
                "the outer plates are new, so the travel of before does not compare".to_owned(),
            );
        }
        let before = match (self.parts.removed_um, self.parts.stock.height_um) {
            (Some(removed), _) => Some((removed, "removed")),
            (None, Some(stock)) => Some((stock, "stock")),
            (None, None) => None,
        };
        before
            .map(|(um, which)| ((i64::from(height_um) - i64::from(um)) as f64 / 1e3, which))
            .ok_or_else(|| {
                "the height of the pack of before is not known; write removed.height_mm".to_owned()
            })
    }

    fn dead_time_change_ms(&self, travel_saved_mm: &OrWhy<(f64, &'static str)>) -> OrWhy<f64> {
        let (saved_mm, _) = travel_saved_mm.clone()?;
        predict::dead_time_change_ms(saved_mm, self.vehicle()?).map_err(|why| why.to_string())
    }

    /// Faces of the pack of before.
    fn faces_before(&self) -> Option<u32> {
        let stock = self.parts.stock.discs.map(|discs| 2 * discs);
        stock.or_else(|| self.vehicle?.coupling.friction_surfaces)
    }

    fn faces_change_percent(&self, faces: usize) -> OrWhy<f64> {
        let before = self.faces_before().ok_or_else(|| {
            "the number of friction faces of before is not known; write stock.discs".to_owned()
        })?;
        Ok(100.0 * (faces as f64 / f64::from(before) - 1.0))
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let guessed: Vec<&str> = self
            .parts
            .groups
            .iter()
            .filter(|g| !g.measured && g.parts.len() > 1)
            .map(|g| g.name.as_str())
            .collect();
        if !guessed.is_empty() {
            notes.push(format!(
                "One thickness stands for all of: {}. Measure every part and write measured_mm.",
                guessed.join("; ")
            ));
        }
        if let Err(why) = &self.room {
            notes.push(format!(
                "Clearance unknown, so drag cannot be judged: {why}."
            ));
        }
        let surfaces = self.vehicle.and_then(|v| v.coupling.friction_surfaces);
        if let (Some(discs), Some(surfaces)) = (self.parts.stock.discs, surfaces)
            && 2 * discs != surfaces
        {
            notes.push(format!(
                "The stock pack has {} friction faces but the vehicle file says coupling.friction_surfaces = {surfaces}; correct one of them.",
                2 * discs
            ));
        }
        notes
    }
}

/// Probability that a height which measures `over` the target is within 0 and `tolerance` of it.
fn inside(over_mm: f64, tolerance_mm: f64, u_mm: f64) -> f64 {
    match Normal::new(over_mm, u_mm) {
        Ok(normal) if u_mm > 0.0 => normal.cdf(tolerance_mm) - normal.cdf(0.0),
        _ => f64::from(u8::from((0.0..=tolerance_mm).contains(&over_mm))),
    }
}
