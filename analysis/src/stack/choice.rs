//! A stack that was found, as the mechanic reads it: height, clearance, what it changes, warnings.

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF, Normal};

use super::arrange::{self, Placed};
use super::parts::{Aim, Parts, Room, mm};
use super::search::Found;
use super::{OrWhy, judge, predict};
use crate::vehicle::Vehicle;

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

/// What every stack is held against.
pub(super) struct Context<'a> {
    pub(super) parts: &'a Parts,
    pub(super) vehicle: Option<&'a Vehicle>,
    pub(super) target_um: u32,
    pub(super) room: OrWhy<Room>,
}

impl Context<'_> {
    pub(super) fn choice(&self, found: &Found) -> Choice {
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

    /// Readings err independently. What several parts share adds up: one reading that stands for a whole
    /// group, and the zero of all.
    fn u_height_mm(&self, order: &[Placed]) -> f64 {
        let mut variance = 0.0;
        for (index, group) in self.parts.groups.iter().enumerate() {
            let readings = order.iter().filter(|p| p.group == index);
            let u_mm = readings.map(|p| p.measured.u_mm);
            variance += match group.measured {
                true => u_mm.map(|u| u.powi(2)).sum::<f64>(),
                false => u_mm.sum::<f64>().powi(2),
            };
        }
        variance
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

    pub(super) fn notes(&self) -> Vec<String> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probability_is_the_normal_one() {
        // Phi(1) - Phi(-1) and Phi(0), from any table of the normal distribution.
        assert!((inside(0.1, 0.2, 0.1) - 0.682_689_492).abs() < 1e-6);
        assert!((inside(0.0, 5.0, 0.1) - 0.5).abs() < 1e-9);
        assert_eq!(inside(0.3, 0.2, 0.0), 0.0);
    }
}
