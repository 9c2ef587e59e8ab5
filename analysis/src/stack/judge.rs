//! What a mechanic must know of a stack before closing it.

use super::arrange::Placed;
use super::parts::{Kind, Limits, mm};

/// Discs, or plates of one kind, that differ by more are worn unevenly, mm (common practice, no
/// source).
const WEAR_SPREAD_MM: f64 = 0.1;
/// A plate thinner than this warps where the heat is, mm (common practice, no source).
const THIN_PLATE_MM: f64 = 1.0;
/// Clearance below which a pack drags, mm for each friction face (common practice, no source).
const LEAST_CLEARANCE_MM_PER_FACE: f64 = 0.03;
/// A stack that measures within its tolerance should be there with this probability.
const LEAST_PROBABILITY: f64 = 0.9;

/// Friction faces of so many discs: both of each.
pub(super) fn faces(discs: usize) -> usize {
    2 * discs
}

/// Warnings, in short sentences.
pub(super) fn warnings(
    stack: &[Placed],
    clearance_mm: Option<f64>,
    probability: f64,
    limits: &Limits,
) -> Vec<String> {
    let discs: Vec<&Placed> = stack.iter().filter(|p| p.kind == Kind::Disc).collect();
    let plates: Vec<&Placed> = stack
        .iter()
        .filter(|p| p.kind != Kind::Disc && !p.spacer)
        .collect();
    let mut warnings = Vec::new();
    mixed_wear("discs", &discs, limits, &mut warnings);
    mixed_wear("plates", &plates, limits, &mut warnings);
    if plates.iter().any(|p| p.coated) && plates.iter().any(|p| !p.coated) {
        warnings
            .push("Coated and uncoated plates run together: they do not grip alike.".to_owned());
    }
    let thin_mm = limits.thin_plate_mm.unwrap_or(THIN_PLATE_MM);
    let thin = middle_third(&plates)
        .map(|p| mm(p.measured.thickness_um))
        .filter(|t| *t < thin_mm)
        .min_by(f64::total_cmp);
    if let Some(thin) = thin {
        warnings.push(format!(
            "A plate of {thin} mm stands in the middle of the pack, where the heat is: a thin plate warps there."
        ));
    }
    let spacers = stack.iter().filter(|p| p.spacer).count();
    if spacers > 1 {
        warnings.push(format!(
            "{spacers} spacers stand outside the pack: each more face can hide dirt or a burr; one thicker spacer is better."
        ));
    }
    let least = limits
        .least_clearance_mm
        .unwrap_or(LEAST_CLEARANCE_MM_PER_FACE * faces(discs.len()) as f64);
    match clearance_mm {
        Some(clearance) if clearance <= 0.0 => warnings.push(format!(
            "The stack is {:.3} mm higher than its room: it cannot open. Do not fit it.",
            -clearance
        )),
        Some(clearance) if clearance < least => warnings.push(format!(
            "Only {clearance:.3} mm of clearance where {least:.2} mm are wanted: this stack would drag, run hot and bind in tight turns."
        )),
        _ => {}
    }
    if probability < LEAST_PROBABILITY {
        warnings.push(format!(
            "With the uncertainty of the measurements it is inside the tolerance with a probability of only {:.0} %: measure the parts again.",
            100.0 * probability
        ));
    }
    warnings
}

fn mixed_wear(what: &str, parts: &[&Placed], limits: &Limits, warnings: &mut Vec<String>) {
    if parts.iter().any(|p| p.reused) && parts.iter().any(|p| !p.reused) {
        warnings.push(format!(
            "Mixed wear: new and reused {what} run together; the new ones carry more until they have bedded in."
        ));
    }
    let limit_mm = limits.wear_spread_mm.unwrap_or(WEAR_SPREAD_MM);
    // Plates are made in several thicknesses; only parts of one group should be alike.
    let alike = |a: &Placed, b: &Placed| a.kind == Kind::Disc || a.group == b.group;
    let spread = parts
        .iter()
        .flat_map(|a| parts.iter().map(move |b| (a, b)))
        .filter(|(a, b)| alike(a, b))
        .map(|(a, b)| (b.measured.thickness_um, a.measured.thickness_um))
        .max_by_key(|(thick, thin)| thick.saturating_sub(*thin));
    if let Some((thick, thin)) = spread
        && mm(thick.saturating_sub(thin)) > limit_mm
    {
        warnings.push(format!(
            "Mixed wear: {what} from {} to {} mm run together; the thick ones carry more.",
            mm(thin),
            mm(thick)
        ));
    }
}

/// The plates of the middle third of the pack, never none.
fn middle_third<'a>(plates: &'a [&'a Placed]) -> impl Iterator<Item = &'a Placed> {
    let count = plates.len() as f64;
    let middle = (count - 1.0) / 2.0;
    plates
        .iter()
        .enumerate()
        .filter(move |(index, _)| (*index as f64 - middle).abs() <= (count / 6.0).max(0.5))
        .map(|(_, plate)| *plate)
}
