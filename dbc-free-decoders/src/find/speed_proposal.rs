//! Wheel speeds and the vehicle's own speed as proposals: score, scale and reasons in words.
//!
//! What `wheel_speed` and `corner` found goes in; `propose` takes what comes out.

use super::candidate::{Candidate, Source};
use super::codes::Codes;
use super::corner::{self, Axle, Corners, Side};
use super::proposal::{Meaning, Proposal, Scaling};
use super::reference::Aligned;
use super::speed_scale::{self, SpeedScale};
use super::statistics::mean_of_series;
use super::timeline::Timeline;
use super::wheel_speed::{SpeedLike, WheelSet};
use crate::role::Role;

/// The four in m/s; without a scale their range is stretched over 0 to 30 m/s, which has the shape of
/// the drive and nothing of its size.
pub(crate) fn speeds_mps(set: &WheelSet) -> [Vec<f64>; 4] {
    let low = set
        .members
        .iter()
        .flat_map(|like| like.raw.iter().copied())
        .fold(f64::INFINITY, f64::min);
    let high = set
        .members
        .iter()
        .flat_map(|like| like.raw.iter().copied())
        .fold(low, f64::max);
    std::array::from_fn(|k| {
        let raw = set
            .members
            .get(k)
            .map(|like| like.raw.as_slice())
            .unwrap_or_default();
        match &set.scale {
            Some(scale) => raw.iter().map(|raw| scale.mps(*raw)).collect(),
            // Shape only: the corners' law is checked in its sign, not its size.
            None => raw
                .iter()
                .map(|raw| (raw - low) * 30.0 / (high - low).max(1.0))
                .collect(),
        }
    })
}

/// Mean speed of the four wheels at each time of the axis, m/s; without a scale made up as in
/// [`speeds_mps`], and with it every threshold in m/s that is asked of it.
pub(crate) fn mean_speed_mps(set: &WheelSet, axis: &Timeline) -> Vec<f64> {
    let speeds = speeds_mps(set);
    mean_of_series(&speeds.each_ref().map(Vec::as_slice), axis.len())
}

pub(crate) fn wheel_proposals(
    set: &WheelSet,
    corners: &Corners,
    sources: &[Source],
    candidates: &[Candidate],
) -> Vec<Proposal> {
    let told = corners.axle_confidence >= corner::LEAST_CONFIDENCE
        && corners.side_confidence >= corner::LEAST_CONFIDENCE;
    set.members
        .iter()
        .enumerate()
        .filter_map(|(wheel, like)| {
            let source = sources.get(candidates.get(like.candidate)?.source)?;
            let axle = corners.axle.get(wheel).copied().flatten();
            let side = corners.side.get(wheel).copied().flatten();
            let role = role_of(axle.zip(side)).filter(|_| told);
            let mut evidence = set.evidence.clone();
            evidence.extend(corners.evidence.iter().cloned());
            if !told {
                let mut known = Vec::new();
                if let Some(axle) = axle {
                    let name = if axle == Axle::Front { "front" } else { "rear" };
                    known.push(format!("{name} {:.0} %", 100.0 * corners.axle_confidence));
                }
                if let (Some(side), true) = (side, corners.side_confidence > 0.5) {
                    let name = if side == Side::Left { "left" } else { "right" };
                    known.push(format!("{name} {:.0} %", 100.0 * corners.side_confidence));
                }
                let known = if known.is_empty() {
                    "nothing".to_owned()
                } else {
                    known.join(", ")
                };
                evidence.push(format!(
                    "corner not told apart yet (known: {known}); to tell: {}",
                    corners.to_tell.join("; ")
                ));
            }
            let meaning = role.map_or(Meaning::WheelSpeed, Meaning::Role);
            Some(Proposal {
                unproven_bits: set.unproven.get(wheel).copied().unwrap_or(0),
                score: set.score,
                invalid_raw: Codes::of(source, &like.field).invalid,
                scaling: set.scale.map(Scaling::from),
                scaling_note: Some(scale_note(set.scale)),
                evidence,
                series: like
                    .raw
                    .iter()
                    .map(|raw| set.scale.map_or(*raw, |s| raw * s.scale_kmh + s.offset_kmh))
                    .collect(),
                ..Proposal::of(source, like.field, meaning)
            })
        })
        .collect()
}

fn scale_note(scale: Option<SpeedScale>) -> String {
    match scale {
        None => format!(
            "scale unknown: no reference speed; a guess only: {} are usual",
            speed_scale::usual_steps_text()
        ),
        Some(scale) => {
            let zero = match scale.standing_raw {
                Some(raw) => format!("the code of a standing car is {raw}"),
                None => "the drive shows no standstill, so the offset is extrapolated".to_owned(),
            };
            let step = match scale.usual_step {
                true => format!(
                    "measured {:.6} km/h a count, taken as the usual step {}",
                    scale.measured_scale_kmh, scale.scale_kmh
                ),
                false => format!(
                    "measured {:.6} km/h a count; no usual step is that near",
                    scale.measured_scale_kmh
                ),
            };
            format!("{step}; {zero}")
        }
    }
}

fn role_of(corner: Option<(Axle, Side)>) -> Option<Role> {
    Some(match corner? {
        (Axle::Front, Side::Left) => Role::WheelSpeedFrontLeft,
        (Axle::Front, Side::Right) => Role::WheelSpeedFrontRight,
        (Axle::Rear, Side::Left) => Role::WheelSpeedRearLeft,
        (Axle::Rear, Side::Right) => Role::WheelSpeedRearRight,
    })
}

/// Other fields that follow the car's speed: its own vehicle speed, and copies.
pub(crate) fn vehicle_speeds(
    set: &Option<WheelSet>,
    likes: &[SpeedLike],
    sources: &[Source],
    candidates: &[Candidate],
    aligned: Option<&Aligned>,
    axis: &Timeline,
) -> Vec<Proposal> {
    let Some(aligned) = aligned else {
        return Vec::new();
    };
    // The wheels themselves are the better reference where there are some.
    let wheels = set.as_ref().map(|set| Aligned {
        speed_mps: mean_speed_mps(set, axis),
        valid: vec![true; axis.len()],
        own_speed: true,
        whole_kmh: false,
        ..aligned.clone()
    });
    let reference = wheels.as_ref().unwrap_or(aligned);
    let is_wheel = |like: &SpeedLike| {
        set.as_ref()
            .is_some_and(|set| set.members.iter().any(|m| m.candidate == like.candidate))
    };
    let mut found: Vec<Proposal> = likes
        .iter()
        .filter(|like| !is_wheel(like))
        .filter_map(|like| {
            let candidate = candidates.get(like.candidate)?;
            let source = sources.get(candidate.source)?;
            let scale = speed_scale::estimate(&like.raw, reference, axis)?;
            let fit = super::statistics::robust_line(&like.raw, &reference.speed_mps);
            let score = ((fit.r2 - 0.9) / 0.099).clamp(0.0, 1.0);
            (score > 0.3).then(|| Proposal {
                unproven_bits: like.field.length()
                    - candidate.field.length().min(like.field.length()),
                score: 0.95 * score,
                invalid_raw: Codes::of(source, &like.field).invalid,
                scaling: Some(scale.into()),
                scaling_note: Some(scale_note(Some(scale))),
                evidence: vec![format!(
                    "follows the {} (r2 {:.4}, residual {:.2} m/s)",
                    if set.is_some() {
                        "wheel speeds"
                    } else {
                        aligned.kind.text()
                    },
                    fit.r2,
                    scale.residual_mps
                )],
                series: like
                    .raw
                    .iter()
                    .map(|raw| raw * scale.scale_kmh + scale.offset_kmh)
                    .collect(),
                ..Proposal::of(source, like.field, Meaning::VehicleSpeed)
            })
        })
        .collect();
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found.truncate(6);
    for (k, proposal) in found.iter_mut().enumerate() {
        proposal.rank = k + 1;
    }
    found
}
