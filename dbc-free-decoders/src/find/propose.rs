//! From a survey to findings: the order in which everything is asked.

use super::candidate::{Candidate, Source, collect};
use super::contrast;
use super::corner::{self, Corners, Geometry};
use super::corner_side;
use super::coupling::coupling;
use super::motion::Motion;
use super::obd;
use super::powertrain;
use super::proposal::{Findings, ReferenceUsed, WheelAnswer};
use super::pulling;
use super::ranked::{Ranked, best};
use super::reference::{self, Aligned, SpeedReference};
use super::role_proposal::{id_reports, ranked_proposals};
use super::speed_proposal::{mean_speed_mps, speeds_mps, vehicle_speeds, wheel_proposals};
use super::speed_scale;
use super::survey::{MOST_IDS, Survey};
use super::timeline::Timeline;
use super::turning;
use super::warming::warming;
use super::wheel_speed::{self, SpeedLike, WheelSet};
use crate::role::Role;

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
    survey.sort();
    let geometry = options.geometry;
    let axis = Timeline::new(&survey.spans);
    let told = obd::told(&survey);
    let chosen = reference::choose(options.speed.as_ref(), &survey, &told);
    let (sources, candidates) = collect(&mut survey, &axis);
    let mut notes = Vec::new();
    if survey.left_out_frames > 0 {
        notes.push(format!(
            "{} frames of identifiers beyond the first {MOST_IDS} of a bus were not looked at",
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
    if aligned.is_some() && likes.is_empty() {
        notes.push("no field follows the reference speed, so how late it is cannot be told; it was taken as it came".to_owned());
    }
    let answer = wheel_speed::search(
        &sources,
        &candidates,
        &likes,
        aligned.as_ref(),
        &axis,
        &mut notes,
    );
    let mut proposals = Vec::new();
    let mut known_corners: Option<Corners> = None;
    let wheels = match &answer {
        Ok(set) => {
            let speeds = speeds_mps(set);
            let mut corners =
                corner::tell(&speeds, aligned.as_ref(), &survey.marks, geometry, &axis);
            let motion = motion_of(
                Some((set, &corners)),
                &likes,
                &candidates,
                aligned.as_ref(),
                &axis,
            );
            if let Some(motion) = &motion {
                let turning = turning::turning(&candidates, motion, geometry, &axis);
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
            geometry,
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
    let mut votes: Vec<&Ranked> = [Role::SteeringAngle, Role::BodyYawRate]
        .into_iter()
        .filter_map(|role| best(turning, role).filter(|ranked| ranked.score > 0.5))
        .collect();
    // One field that is the best for both roles has one vote, as what it is more surely.
    votes.sort_by(|a, b| b.score.total_cmp(&a.score));
    votes.dedup_by_key(|ranked| ranked.candidate);
    let fields: Vec<corner_side::TurnField<'_>> = votes
        .into_iter()
        .filter_map(|ranked| {
            let role = ranked.role;
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
    corner_side::by_sign_convention(corners, &fields, &motion.speed);
}

/// Candidates for every other role.
fn the_rest(
    sources: &[Source],
    candidates: &[Candidate],
    motion: &Motion,
    geometry: Geometry,
    told: &[obd::Told],
    taken: &[usize],
    axis: &Timeline,
) -> Vec<Ranked> {
    let free = |ranked: &Ranked| !taken.contains(&ranked.candidate);
    let of = |list: &[Ranked], role: Role, least: f64| {
        let ranked = best(list.iter().filter(|r| free(r)), role)?;
        let candidate = candidates.get(ranked.candidate)?;
        (ranked.score > least).then_some((ranked.candidate, candidate))
    };
    let mut all = turning::turning(candidates, motion, geometry, axis);
    all.extend(powertrain::told_by_obd(candidates, told, axis));
    all.extend(powertrain::engine_speed(candidates, motion, axis));
    let engine_field = of(&all, Role::EngineSpeed, 0.4).map(|(_, c)| c);
    let engine = engine_field.map(|c| c.raw.as_slice());
    let mut pulling = pulling::pulling(candidates, motion, engine, axis);
    pulling.retain(free);
    pulling::heed_order(&mut pulling, candidates, engine_field, axis);
    all.extend(pulling);
    let pedal = of(&all, Role::PedalAccelerator, 0.4);
    let engine_sources: Vec<usize> = [engine_field, pedal.map(|(_, c)| c)]
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
    let work =
        of(&all, Role::CouplingPressure, 0.6).or_else(|| of(&all, Role::CouplingDemand, 0.6));
    all.extend(warming(sources, candidates, motion, work, axis));
    all.retain(free);
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::{BitOrder, Coding, Field};
    use crate::find::corner::Side;
    use crate::find::rows::Rows;
    use crate::frame::CanId;

    /// Where a car sends a steering angle and no yaw rate, the angle's field is the best for both.
    #[test]
    fn one_field_has_one_vote_on_which_side_is_left() {
        let mut rows = Rows::bounded(4096);
        for n in 0..600_i64 {
            let angle = 2048.0 + 1000.0 * (n as f64 * 0.02).sin();
            rows.offer(n * 50_000_000, &(angle as u16).to_be_bytes());
        }
        let axis = Timeline::new(&[(0, 599 * 50_000_000)]);
        let sources = [Source::of_rows(CanId::Base(0x0C2), rows)];
        let field = Field::new(0, 16, BitOrder::Big, Coding::Unsigned).unwrap();
        let candidates = [Candidate::of_field(0, &sources[0], field, &axis)];
        let motion = Motion::of_speed(vec![10.0; axis.len()], &axis);
        let yaw: Vec<f64> = candidates[0]
            .raw
            .iter()
            .map(|raw| 2e-4 * (raw - 2048.0))
            .collect();
        let mut corners = Corners {
            axle: [None; 4],
            axle_confidence: 1.0,
            side: [
                Some(Side::Left),
                Some(Side::Left),
                Some(Side::Right),
                Some(Side::Right),
            ],
            side_confidence: 0.5,
            evidence: Vec::new(),
            to_tell: vec![corner::KNOWN_TURN],
            yaw_rad_s: yaw,
        };
        let ranked = |role, score| Ranked::new(role, 0, score, Vec::new());
        let turning = [
            ranked(Role::SteeringAngle, 1.0),
            ranked(Role::BodyYawRate, 0.86),
        ];
        by_convention(&mut corners, &turning, &sources, &candidates, &motion);
        assert_eq!(corners.side_confidence, 0.9);
        assert!(corners.to_tell.is_empty(), "{:?}", corners.to_tell);
        let names = corners.evidence.join("; ");
        assert_eq!(names.matches("0x0C2").count(), 1, "{names}");
    }
}
