//! From a survey to findings: the order in which everything is asked.

use super::candidate::{Candidate, Source, collect};
use super::contrast;
use super::corner::{self, Corners, Geometry};
use super::corner_side;
use super::coupling::coupling;
use super::motion::{self, Motion};
use super::obd;
use super::powertrain::{self, Ranked};
use super::proposal::{
    Findings, FoundField, IdReport, Meaning, Proposal, ReferenceUsed, WheelAnswer,
};
use super::pulling;
use super::reference::{self, Aligned, SpeedReference};
use super::speed_proposal::{mean_speed_mps, speeds_mps, vehicle_speeds, wheel_proposals};
use super::speed_scale;
use super::survey::Survey;
use super::timeline::Timeline;
use super::warming::warming;
use super::wheel_field;
use super::wheel_speed::{self, SpeedLike, WheelSet};
use crate::role::Role;

const NS_PER_MS: f64 = 1e6;

/// What the user knows or asks beside the captures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FindOptions {
    /// A speed over ground; else one in the captures is used.
    pub speed: Option<SpeedReference>,
    /// The car's size.
    pub geometry: Geometry,
    /// Whether marks are contrasted.
    pub marks: bool,
}

/// Finds what it can in a survey, which it uses up.
#[must_use]
pub fn find(mut survey: Survey, options: &FindOptions) -> Findings {
    let geometry = options.geometry;
    let axis = Timeline::new(&survey.spans);
    let told = obd::told(&survey);
    let chosen = reference::choose(options.speed.as_ref(), &survey, &told);
    let (sources, candidates) = collect(&mut survey, &axis);
    let mut notes = Vec::new();
    if survey.left_out_frames > 0 {
        notes.push(format!(
            "{} frames of identifiers beyond the first 4096 of a bus were not looked at",
            survey.left_out_frames
        ));
    }
    let aligned = chosen.as_ref().and_then(|chosen| {
        let raws: Vec<&[f64]> = candidates
            .iter()
            .filter(|c| c.distinct >= 20)
            .map(|c| c.raw.as_slice())
            .collect();
        reference::align(chosen, &raws, &axis)
    });
    match (&chosen, &aligned) {
        (None, _) => notes.push("no reference speed: give --speed, or record with a satellite receiver or OBD-II answers; scales are unknown without one".to_owned()),
        (Some(_), None) => notes.push("the reference speed does not overlap the capture in time; is it of the same drive and clock?".to_owned()),
        _ => {}
    }
    let likes = wheel_speed::speed_like(&sources, &candidates, aligned.as_ref(), &axis);
    let answer = wheel_speed::search(&sources, &candidates, &likes, aligned.as_ref(), &axis);
    let mut proposals = Vec::new();
    let mut known_corners: Option<Corners> = None;
    let wheels = match &answer {
        Ok(set) => {
            let mut corners = corners(set, aligned.as_ref(), &survey, geometry, &axis);
            let motion = motion_of(
                Some((set, &corners)),
                &likes,
                &candidates,
                aligned.as_ref(),
                &axis,
            );
            if let Some(motion) = &motion {
                let turning = motion::turning(&candidates, motion, &axis);
                by_convention(&mut corners, &turning, &sources, &candidates, motion);
            }
            proposals.extend(wheel_proposals(set, &corners, &sources, &candidates));
            known_corners = Some(corners.clone());
            WheelAnswer::Found {
                axle_confidence: corners.axle_confidence,
                side_confidence: corners.side_confidence,
                to_tell: corners.to_tell,
            }
        }
        Err(none) => WheelAnswer::None {
            why: none.why.clone(),
        },
    };
    let set = answer.ok();
    proposals.extend(vehicle_speeds(
        &set,
        &likes,
        &sources,
        &candidates,
        aligned.as_ref(),
        &axis,
    ));
    let marks = match options.marks {
        true => contrast::contrasts(&survey.marks, &sources, &candidates, &axis),
        false => Vec::new(),
    };
    if options.marks && survey.marks.is_empty() {
        notes.push("the captures hold no mark; set some while recording".to_owned());
    }
    let mut ranked = contrast::told_by_marks(&marks, &sources, &candidates);
    let wheels_and_corners = set.as_ref().zip(known_corners.as_ref());
    if let Some(motion) = motion_of(
        wheels_and_corners,
        &likes,
        &candidates,
        aligned.as_ref(),
        &axis,
    ) {
        let taken: Vec<usize> = set
            .iter()
            .flat_map(|set| set.members.iter().map(|m| m.candidate))
            .collect();
        ranked.extend(the_rest(
            &sources,
            &candidates,
            &motion,
            &told,
            &taken,
            &axis,
        ));
    }
    proposals.extend(ranked_proposals(ranked, &sources, &candidates));
    contrast::heed_marks(&mut proposals, &marks);
    Findings {
        proposals,
        wheels,
        marks,
        ids: id_reports(&sources, &candidates),
        reference: aligned.as_ref().map(|aligned| ReferenceUsed {
            kind: aligned.kind,
            lag_s: aligned.lag_s,
            coverage: aligned.valid.iter().filter(|v| **v).count() as f64
                / axis.len().max(1) as f64,
        }),
        reference_mps: aligned.map(|aligned| aligned.speed_mps).unwrap_or_default(),
        axis,
        notes,
    }
}

/// How the car moved, from the best that was found.
fn motion_of(
    wheels: Option<(&WheelSet, &Corners)>,
    likes: &[SpeedLike],
    candidates: &[Candidate],
    aligned: Option<&Aligned>,
    axis: &Timeline,
) -> Option<Motion> {
    let Some((set, corners)) = wheels else {
        let aligned = aligned?;
        let best = likes
            .first()
            .filter(|like| like.r2 > 0.97)
            .and_then(|like| {
                let scale = speed_scale::estimate(&like.raw, aligned, axis)?;
                candidates.get(like.candidate)?;
                Some(
                    like.raw
                        .iter()
                        .map(|raw| scale.mps(*raw).max(0.0))
                        .collect(),
                )
            });
        let speed = best.unwrap_or_else(|| aligned.speed_mps.clone());
        let mut motion = Motion::of_speed(speed, axis);
        motion.yaw = aligned.yaw_rad_s.clone();
        motion.yaw_signed = !motion.yaw.is_empty();
        return Some(motion);
    };
    let mut motion = Motion::of_speed(mean_speed_mps(set, axis), axis);
    motion.yaw = corners.yaw_rad_s.clone();
    motion.yaw_signed = corners.side_confidence >= corner::LEAST_CONFIDENCE;
    if let (true, Some(aligned)) = (motion.yaw.is_empty(), aligned) {
        motion.yaw = aligned.yaw_rad_s.clone();
        motion.yaw_signed = !motion.yaw.is_empty();
    }
    Some(motion)
}

/// Left from right by steering and yaw fields that are surely such.
fn by_convention(
    corners: &mut Corners,
    turning: &[Ranked],
    sources: &[Source],
    candidates: &[Candidate],
    motion: &Motion,
) {
    let best = |role: Role| {
        turning
            .iter()
            .filter(|r| r.role == role && r.score > 0.5)
            .max_by(|a, b| a.score.total_cmp(&b.score))
    };
    let fields: Vec<corner_side::TurnField<'_>> = [Role::SteeringAngle, Role::BodyYawRate]
        .into_iter()
        .filter_map(|role| {
            let ranked = best(role)?;
            let candidate = candidates.get(ranked.candidate)?;
            let source = sources.get(candidate.source)?;
            Some(corner_side::TurnField {
                series: &candidate.raw,
                name: format!(
                    "{} ({} at {})",
                    role.label(),
                    source.id,
                    candidate.field.start()
                ),
                is_rate: role == Role::BodyYawRate,
            })
        })
        .collect();
    // One field for both roles is one vote.
    corner_side::by_sign_convention(corners, &fields, &motion.speed);
}

/// Candidates for every other role.
fn the_rest(
    sources: &[Source],
    candidates: &[Candidate],
    motion: &Motion,
    told: &[obd::Told],
    taken: &[usize],
    axis: &Timeline,
) -> Vec<Ranked> {
    let free = |ranked: &Ranked| !taken.contains(&ranked.candidate);
    let best = |list: &[Ranked], role: Role, least: f64| {
        list.iter()
            .filter(|r| r.role == role && r.score > least && free(r))
            .max_by(|a, b| a.score.total_cmp(&b.score))
            .map(|r| r.candidate)
    };
    let of = |k: Option<usize>| k.and_then(|k| candidates.get(k));
    let mut all = motion::turning(candidates, motion, axis);
    all.extend(powertrain::told_by_obd(candidates, told, axis));
    all.extend(powertrain::engine_speed(candidates, motion, axis));
    let engine_field = of(best(&all, Role::EngineSpeed, 0.4));
    let engine = engine_field.map(|c| c.raw.as_slice());
    let mut pulling = pulling::pulling(candidates, motion, engine, axis);
    pulling.retain(free);
    pulling::heed_order(&mut pulling, candidates, engine_field, axis);
    all.extend(pulling);
    let pedal = of(best(&all, Role::PedalAccelerator, 0.4));
    let engine_sources: Vec<usize> = [engine_field, pedal]
        .into_iter()
        .flatten()
        .map(|c| c.source)
        .collect();
    all.extend(powertrain::brake(candidates, motion, axis));
    all.extend(powertrain::gear(candidates, motion, engine, axis));
    all.extend(coupling(
        sources,
        candidates,
        motion,
        pedal,
        &engine_sources,
        axis,
    ));
    // Only a coupling that was surely found can heat anything.
    let work = of(best(&all, Role::CouplingPressure, 0.6))
        .or_else(|| of(best(&all, Role::CouplingDemand, 0.6)));
    all.extend(warming(sources, candidates, motion, work, axis));
    all.retain(free);
    all
}

/// Most candidates named for a role.
const MOST_RANKS: usize = 5;
/// Less than this is not worth naming.
const LEAST_SCORE: f64 = 0.2;

/// The ranked ones as proposals, each role's best first.
fn ranked_proposals(
    ranked: Vec<Ranked>,
    sources: &[Source],
    candidates: &[Candidate],
) -> Vec<Proposal> {
    let mut by_role: std::collections::BTreeMap<Role, Vec<Ranked>> =
        std::collections::BTreeMap::new();
    for one in ranked.into_iter().filter(|r| r.score > LEAST_SCORE) {
        let list = by_role.entry(one.role).or_default();
        match list
            .iter_mut()
            .find(|other| other.candidate == one.candidate)
        {
            Some(other) if other.score < one.score => *other = one,
            Some(_) => {}
            None => list.push(one),
        }
    }
    let mut proposals = Vec::new();
    for (role, mut list) in by_role {
        list.sort_by(|a, b| b.score.total_cmp(&a.score));
        for (k, ranked) in list.into_iter().take(MOST_RANKS).enumerate() {
            let Some(candidate) = candidates.get(ranked.candidate) else {
                continue;
            };
            let Some(source) = sources.get(candidate.source) else {
                continue;
            };
            let series = match ranked.scaling {
                Some(s) => candidate
                    .raw
                    .iter()
                    .map(|raw| raw * s.scale + s.offset)
                    .collect(),
                None => candidate.raw.clone(),
            };
            proposals.push(Proposal {
                bus: source.bus.clone(),
                id: source.id,
                field: candidate.field,
                unproven_bits: 0,
                selector: source.selector,
                meaning: Meaning::Role(role),
                rank: k + 1,
                score: ranked.score.clamp(0.0, 1.0),
                invalid_raw: candidate.invalid_raw.clone(),
                period_ms: source.periodic.then_some(source.period_ns / NS_PER_MS),
                timeout_ms: source.timeout_ms(),
                frame_bytes: source.bytes,
                scaling: ranked.scaling,
                scaling_note: ranked.note,
                evidence: ranked.evidence,
                series,
            });
        }
    }
    proposals
}

fn corners(
    set: &WheelSet,
    aligned: Option<&Aligned>,
    survey: &Survey,
    geometry: Geometry,
    axis: &Timeline,
) -> Corners {
    corner::tell(&speeds_mps(set), aligned, &survey.marks, geometry, axis)
}

fn id_reports(sources: &[Source], candidates: &[Candidate]) -> Vec<IdReport> {
    let mut reports: Vec<IdReport> = sources
        .iter()
        .enumerate()
        .map(|(index, source)| IdReport {
            bus: source.bus.clone(),
            id: source.id,
            frames: source.frames,
            bytes: source.bytes,
            period_ms: source.periodic.then_some(source.period_ns / NS_PER_MS),
            timeout_ms: source.timeout_ms(),
            guards: source.guards.clone(),
            selector: source.selector,
            fields: candidates
                .iter()
                .filter(|c| c.source == index)
                .map(|c| FoundField {
                    field: c.field,
                    segment: c.segment,
                    distinct: c.distinct,
                    flip_rate: source.activity.rate(wheel_field::lowest_bit(&c.field)),
                })
                .collect(),
            constant_bits: (0..8 * source.bytes)
                .filter(|&bit| source.activity.flips(bit) == 0)
                .count(),
        })
        .collect();
    reports.sort_by(|a, b| (&a.bus, a.id).cmp(&(&b.bus, b.id)));
    reports
}
