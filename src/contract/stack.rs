//! JSON of `stack`.

use std::collections::BTreeMap;

use serde::Serialize;
use slipwright_analysis::stack::parts::mm;
use slipwright_analysis::stack::{Choice, Parts, Placed, Stacks};

/// `stack`: what can be built, the best first.
#[derive(Debug, Serialize)]
pub(crate) struct StackOutput<'a> {
    name: Option<&'a str>,
    target_mm: f64,
    target_from: &'static str,
    tolerance_mm: f64,
    stock_height_mm: Option<f64>,
    choices: Vec<ChoiceOutput<'a>>,
    why: Option<&'a str>,
    nearest_below_mm: Option<f64>,
    nearest_above_mm: Option<f64>,
    notes: &'a [String],
}

impl<'a> StackOutput<'a> {
    pub(crate) fn new(stacks: &'a Stacks, parts: &'a Parts) -> Self {
        Self {
            name: parts.name.as_deref(),
            target_mm: stacks.target_mm,
            target_from: stacks.target_from,
            tolerance_mm: stacks.tolerance_mm,
            stock_height_mm: stacks.stock_height_mm,
            choices: stacks
                .choices
                .iter()
                .map(|choice| ChoiceOutput::new(choice, parts))
                .collect(),
            why: stacks.why.as_deref(),
            nearest_below_mm: stacks.nearest_below_mm,
            nearest_above_mm: stacks.nearest_above_mm,
            notes: &stacks.notes,
        }
    }
}

#[derive(Debug, Serialize)]
struct ChoiceOutput<'a> {
    height_mm: f64,
    height_u_mm: f64,
    over_target_mm: f64,
    probability_within_tolerance: f64,
    parts: &'a BTreeMap<String, usize>,
    /// Names as in `parts`, from the piston side to the far side.
    order: Vec<String>,
    /// The same, part by part.
    stack: Vec<PlacedOutput>,
    reused_parts: usize,
    discs: usize,
    friction_faces: usize,
    friction_faces_change_percent: Option<f64>,
    friction_faces_why: Option<&'a str>,
    clearance_mm: Option<f64>,
    clearance_u_mm: Option<f64>,
    clearance_why: Option<&'a str>,
    travel_saved_mm: Option<f64>,
    travel_saved_against: Option<&'static str>,
    travel_saved_why: Option<&'a str>,
    predicted_dead_time_change_ms: Option<f64>,
    predicted_dead_time_why: Option<&'a str>,
    predicted_torque_capacity_nm: Option<f64>,
    predicted_torque_why: Option<&'a str>,
    warnings: &'a [String],
}

impl<'a> ChoiceOutput<'a> {
    fn new(choice: &'a Choice, parts: &Parts) -> Self {
        Self {
            height_mm: choice.height_mm,
            height_u_mm: choice.u_height_mm,
            over_target_mm: choice.over_target_mm,
            probability_within_tolerance: choice.probability,
            parts: &choice.parts,
            order: choice.order.iter().map(|p| p.name(parts)).collect(),
            stack: choice.order.iter().map(PlacedOutput::from).collect(),
            reused_parts: choice.reused,
            discs: choice.discs,
            friction_faces: choice.faces,
            friction_faces_change_percent: choice.faces_change_percent.clone().ok(),
            friction_faces_why: why(&choice.faces_change_percent),
            clearance_mm: choice.clearance_mm.as_ref().ok().map(|(value, _)| *value),
            clearance_u_mm: choice.clearance_mm.as_ref().ok().map(|(_, u)| *u),
            clearance_why: why(&choice.clearance_mm),
            travel_saved_mm: choice
                .travel_saved_mm
                .as_ref()
                .ok()
                .map(|(value, _)| *value),
            travel_saved_against: choice
                .travel_saved_mm
                .as_ref()
                .ok()
                .map(|(_, which)| *which),
            travel_saved_why: why(&choice.travel_saved_mm),
            predicted_dead_time_change_ms: choice.dead_time_change_ms.clone().ok(),
            predicted_dead_time_why: why(&choice.dead_time_change_ms),
            predicted_torque_capacity_nm: choice.torque_capacity_nm.clone().ok(),
            predicted_torque_why: why(&choice.torque_capacity_nm),
            warnings: &choice.warnings,
        }
    }
}

fn why<T>(value: &Result<T, String>) -> Option<&str> {
    value.as_ref().err().map(String::as_str)
}

#[derive(Debug, Serialize)]
struct PlacedOutput {
    kind: &'static str,
    spacer: bool,
    thickness_mm: f64,
    coated: bool,
    reused: bool,
    /// Which of its group, counted from 1 in the order listed.
    number: usize,
}

impl From<&Placed> for PlacedOutput {
    fn from(placed: &Placed) -> Self {
        Self {
            kind: placed.kind.text(),
            spacer: placed.spacer,
            thickness_mm: mm(placed.measured.thickness_um),
            coated: placed.coated,
            reused: placed.reused,
            number: placed.part + 1,
        }
    }
}
