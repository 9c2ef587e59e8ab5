//! The four wheel speeds: four fields of one format that turn the same road.
//!
//! The reference picks the fields that move as the car does (correlation with a diagnostic or
//! satellite speed is the published way: Verma et al., "ACTT", arXiv 1811.07897; bit-level linear
//! regression, Sensors 22 (2022) 981). What makes four of them wheel speeds is said by themselves:
//! one format, one scale, the same quick changes, and yet four numbers, each with noise of its own.
//! Four copies of one vehicle speed fail at the last, and the answer is then "none here".

use super::candidate::{Candidate, Source, series};
use super::field_bits::{field_up_from, lowest_bit};
use super::reference::Aligned;
use super::speed_scale::SpeedScale;
use super::statistics::{robust_line, smooth};
use super::timeline::Timeline;
use super::wheel_field::still_above;
use super::wheel_layout::{MOST_OF_A_LAYOUT, fours, groups};
use super::wheel_score::judge;
use crate::field::{Coding, Field};

/// Least share of a field's variance that the reference explains.
pub(crate) const LEAST_R2: f64 = 0.7;
/// Fewest codes and bits of a wheel speed.
const LEAST_CODES: usize = 20;
const LEAST_BITS: u8 = 6;
/// Longest wheel speed that is completed by bits that never moved.
pub(crate) const USUAL_BITS: u8 = 16;
/// Largest difference of scale between the four.
pub(crate) const SCALE_SHARE: f64 = 0.06;
/// How much numbers of their own count between sets, and how much of it is usual, m/s.
const OWN_WEIGHT: f64 = 0.3;
/// How much it counts that nothing of their format is left over in their frames.
const WHOLE_WEIGHT: f64 = 0.4;
/// How much lying alike around the mean counts.
const BALANCE_WEIGHT: f64 = 0.4;
const USUAL_OWN_MPS: f64 = 0.02;
/// A set of this score is proposed as wheel speeds.
pub const ACCEPTANCE_SCORE: f64 = 0.7;

/// A speed-like field and how well it fits.
#[derive(Clone, Debug)]
pub(crate) struct SpeedLike {
    pub(crate) candidate: usize,
    pub(crate) field: Field,
    pub(crate) raw: Vec<f64>,
    /// m/s a count by this field alone; 1 without a reference.
    pub(crate) slope: f64,
    pub(crate) r2: f64,
}

/// The four, still without corners.
#[derive(Clone, Debug)]
pub(crate) struct WheelSet {
    pub(crate) members: [SpeedLike; 4],
    /// Bits above that never moved and are part of the fields.
    pub(crate) unproven: [u8; 4],
    pub(crate) scale: Option<SpeedScale>,
    pub(crate) score: f64,
    /// What each has of its own at least, m/s; 0 where that is not known.
    pub(crate) own_mps: f64,
    /// How alike the four lie around their mean, 0 to 1.
    pub(crate) balance: f64,
    /// Whether their frames hold no more fields of their format.
    pub(crate) whole: bool,
    pub(crate) evidence: Vec<String>,
}

impl WheelSet {
    /// Of two sets that pass, the one whose numbers are more their own and lie alike around their mean
    /// is of the wheels: means and filtered speeds have lost most of the road's roughness, and an
    /// axle's mean does not turn. Nor does a sender put two wheels beside two others that it leaves.
    fn merit(&self) -> f64 {
        self.score
            + OWN_WEIGHT * self.own_mps / (self.own_mps + USUAL_OWN_MPS)
            + BALANCE_WEIGHT * self.balance
            + if self.whole { WHOLE_WEIGHT } else { 0.0 }
    }
}

/// Why there are none.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct NoWheels {
    pub(crate) why: String,
}

/// Fields that follow the reference, best first; without one, all that could.
pub(crate) fn speed_like(
    sources: &[Source],
    candidates: &[Candidate],
    reference: Option<&Aligned>,
    axis: &Timeline,
) -> Vec<SpeedLike> {
    let window = axis.points(0.5);
    let mut found: Vec<SpeedLike> = candidates
        .iter()
        .enumerate()
        .filter(|(_, c)| c.distinct >= LEAST_CODES && c.field.length() >= LEAST_BITS)
        .filter_map(|(index, candidate)| {
            let source = sources.get(candidate.source)?;
            let (field, raw) = completed(source, candidate, axis)?;
            let Some(reference) = reference else {
                return Some(SpeedLike {
                    candidate: index,
                    field,
                    raw,
                    slope: 1.0,
                    r2: 0.0,
                });
            };
            let pick = |values: &[f64]| -> Vec<f64> {
                let pairs = values.iter().zip(&reference.valid);
                pairs
                    .filter(|(_, valid)| **valid)
                    .map(|(v, _)| *v)
                    .collect()
            };
            let (x, y) = (
                pick(&smooth(&raw, window)),
                pick(&smooth(&reference.speed_mps, window)),
            );
            let fit = robust_line(&x, &y);
            (fit.slope > 0.0 && fit.r2 >= LEAST_R2).then_some(SpeedLike {
                candidate: index,
                field,
                raw,
                slope: fit.slope,
                r2: fit.r2,
            })
        })
        .collect();
    found.sort_by(|a, b| b.r2.total_cmp(&a.r2));
    found
}

/// The field with the bits above it that never moved, up to the usual length; unsigned.
fn completed(source: &Source, candidate: &Candidate, axis: &Timeline) -> Option<(Field, Vec<f64>)> {
    let proven = &candidate.field;
    let room = USUAL_BITS.saturating_sub(proven.length());
    let still = still_above(source, proven, usize::from(room));
    let length = proven.length() + u8::try_from(still).ok()?;
    let field = field_up_from(lowest_bit(proven), length, proven.order())?;
    let raw = if proven.coding() == Coding::Unsigned && still == 0 {
        candidate.raw.clone()
    } else {
        series(source, &field, axis)
    };
    Some((field, raw))
}

/// The best four, or why there are none. What a reader must know beside goes to `notes`.
pub(crate) fn search(
    sources: &[Source],
    candidates: &[Candidate],
    likes: &[SpeedLike],
    reference: Option<&Aligned>,
    axis: &Timeline,
    notes: &mut Vec<String>,
) -> Result<WheelSet, NoWheels> {
    if reference.is_some() && likes.is_empty() {
        return Err(NoWheels {
            why: "no field of the capture follows the reference speed".to_owned(),
        });
    }
    let mut best: Option<WheelSet> = None;
    let mut left_out = false;
    for group in groups(sources, candidates, likes) {
        let (sets, more) = fours(sources, candidates, likes, &group);
        left_out |= more;
        for four in sets {
            let whole = takes_whole_frames(candidates, likes, &group, &four);
            let Some(mut set) = judge(sources, candidates, four, reference, axis) else {
                continue;
            };
            set.whole = whole;
            if best.as_ref().is_none_or(|best| set.merit() > best.merit()) {
                best = Some(set);
            }
        }
    }
    if left_out {
        notes.push(format!(
            "of the sets of four fields that could be wheel speeds, only the first {MOST_OF_A_LAYOUT} of a layout were compared; a reference speed leaves fewer"
        ));
    }
    let follow = match likes.len() {
        1 => "one field follows the reference speed".to_owned(),
        n => format!("{n} fields follow the reference speed"),
    };
    let follow = if reference.is_some() {
        follow
    } else {
        "fields of equal format differ".to_owned()
    };
    match best {
        Some(set) if set.score >= ACCEPTANCE_SCORE => Ok(set),
        Some(set) => Err(NoWheels {
            why: format!(
                "none here: {follow}, but no four of them are wheel speeds (best set {:.2} of {ACCEPTANCE_SCORE} needed: {})",
                set.score,
                set.evidence.join("; ")
            ),
        }),
        None => Err(NoWheels {
            why: format!("none here: {follow}, but no four of one format"),
        }),
    }
}

/// Whether a group has no other field in the frames of four of its fields.
fn takes_whole_frames(
    candidates: &[Candidate],
    likes: &[SpeedLike],
    group: &[usize],
    four: &[SpeedLike; 4],
) -> bool {
    let source = |like: &SpeedLike| candidates.get(like.candidate).map(|c| c.source);
    let frames: Vec<Option<usize>> = four.iter().map(source).collect();
    let there = group
        .iter()
        .filter_map(|&like| likes.get(like))
        .filter(|like| frames.contains(&source(like)));
    there.count() == four.len()
}
