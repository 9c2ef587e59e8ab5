//! The four wheel speeds: four fields of one format that turn the same road.
//!
//! The reference picks the fields that move as the car does (correlation with a diagnostic or
//! satellite speed is the published way: Verma et al., "ACTT", arXiv 1811.07897; bit-level linear
//! regression, Sensors 22 (2022) 981). What makes four of them wheel speeds is said by themselves:
//! one format, one scale, the same quick changes, and yet four numbers, each with noise of its own.
//! Four copies of one vehicle speed fail at the last, and the answer is then "none here".

use super::candidate::{Candidate, Source};
use super::codes::{Codes, series};
use super::field_bits::{field_up_from, lowest_bit};
use super::reference::Aligned;
use super::speed_scale::SpeedScale;
use super::statistics::{robust_line, smooth};
use super::timeline::Timeline;
use super::wheel_field::still_above;
use super::wheel_layout::{MOST_OF_A_LAYOUT, fours, groups};
use super::wheel_score::judge;
use crate::field::Field;

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
    /// Whether codes for "not available" prove where the field ends.
    pub(crate) marked: bool,
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
            let like = completed(source, index, candidate, axis)?;
            let Some(reference) = reference else {
                return Some(like);
            };
            let pick = |values: &[f64]| -> Vec<f64> {
                let pairs = values.iter().zip(&reference.valid);
                pairs
                    .filter(|(_, valid)| **valid)
                    .map(|(v, _)| *v)
                    .collect()
            };
            let (x, y) = (
                pick(&smooth(&like.raw, window)),
                pick(&smooth(&reference.speed_mps, window)),
            );
            let fit = robust_line(&x, &y);
            (fit.slope > 0.0 && fit.r2 >= LEAST_R2).then_some(SpeedLike {
                slope: fit.slope,
                r2: fit.r2,
                ..like
            })
        })
        .collect();
    found.sort_by(|a, b| b.r2.total_cmp(&a.r2));
    found
}

/// The field with the bits above it that never moved, up to the usual length; unsigned. Where codes
/// for "not available" moved its highest bit, it ends there.
fn completed(
    source: &Source,
    index: usize,
    candidate: &Candidate,
    axis: &Timeline,
) -> Option<SpeedLike> {
    let moved = &candidate.field;
    let proven = field_up_from(lowest_bit(moved), moved.length(), moved.order())?;
    let codes = Codes::of(source, &proven);
    let marked = !codes.invalid.is_empty();
    let room = usize::from(USUAL_BITS.saturating_sub(proven.length()));
    let still = match marked {
        true => 0,
        false => still_above(source, &proven, room),
    };
    let length = proven.length() + u8::try_from(still).ok()?;
    let field = field_up_from(lowest_bit(&proven), length, proven.order())?;
    let raw = if *moved == field {
        candidate.raw.clone()
    } else {
        series(source, &field, axis)
    };
    Some(SpeedLike {
        candidate: index,
        field,
        raw,
        marked,
        slope: 1.0,
        r2: 0.0,
    })
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
        for set in sets {
            // Series of the whole drive, so no more than one set's at a time.
            let [Some(a), Some(b), Some(c), Some(d)] = set.map(|like| likes.get(like).cloned())
            else {
                continue;
            };
            let four = [a, b, c, d];
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

#[cfg(test)]
mod tests {
    use super::super::made_drive::{Drive, at, put};
    use super::super::proposal::WheelAnswer;
    use super::super::{FindOptions, Findings, Survey, find};
    use crate::field::BitOrder::{self, Big, Little};

    /// Four fields of a length and order, a step in km/h, all ones in the spells.
    fn marked(
        seed: u64,
        (length, order): (u8, BitOrder),
        step_kmh: f64,
        spells: &[(f64, f64)],
    ) -> Findings {
        let mut drive = Drive::of_seed(seed);
        let mut survey = Survey::new();
        drive.send_the_rest(&mut survey);
        drive.send(&mut survey, 0x1A0, 0.02, |drive, _, t, data| {
            let silent = spells.iter().any(|(from, to)| (*from..*to).contains(&t));
            for (k, wheel) in (0..).zip(&drive.wheels) {
                let raw = match silent {
                    true => f64::MAX,
                    false => 3.6 * at(wheel, t) / step_kmh,
                };
                let room = if length > 14 { 16 } else { u16::from(length) };
                // What is left over lies above the number, whichever its order.
                let above = match order {
                    Big => room - u16::from(length),
                    Little => 0,
                };
                put(data, (k * room + above, length), order, raw);
            }
        });
        let options = FindOptions {
            speed: Some(drive.reference(10.0, 0.2)),
            ..FindOptions::default()
        };
        find(survey, &options)
    }

    #[test]
    fn codes_for_not_available_neither_hide_the_wheels_nor_count_as_speed() {
        let (wakes, fails) = ([(0.0, 3.0)], [(70.0, 71.5), (110.0, 110.5)]);
        for (seed, format, step_kmh, spells) in [
            (831, (16, Big), 0.01, &wakes[..]),
            (832, (16, Big), 0.03125, &wakes),
            (833, (16, Little), 0.05625, &wakes),
            (834, (16, Big), 0.0625, &fails),
            (835, (16, Little), 0.075, &fails),
            (836, (15, Big), 0.03125, &fails),
            (837, (15, Little), 0.02, &wakes),
            (838, (13, Big), 0.0625, &fails),
            (839, (14, Little), 0.05, &wakes),
            (843, (12, Little), 0.0625, &fails),
            (844, (13, Big), 0.03125, &[(40.0, 48.0)]),
            (845, (16, Little), 0.003_906_25, &fails),
        ] {
            let findings = marked(seed, format, step_kmh, spells);
            let wheels = findings.proposals.iter();
            let wheels: Vec<_> = wheels.filter(|p| p.meaning.is_wheel_speed()).collect();
            assert_eq!(wheels.len(), 4, "seed {seed}: {:?}", findings.wheels);
            for wheel in wheels {
                let place = (wheel.field.length(), wheel.field.order());
                assert_eq!(place, format, "seed {seed}");
                assert_eq!(wheel.invalid_raw, [wheel.field.mask()], "seed {seed}");
                let scale = wheel.scaling.unwrap().scale;
                assert!(
                    (scale / step_kmh - 1.0).abs() < 0.015,
                    "seed {seed}: {scale}"
                );
            }
        }
    }

    /// Whole km/h hide what each wheel has of its own, which is no reason to call one a copy.
    #[test]
    fn coarse_steps_are_named_where_they_hide_the_wheels() {
        let findings = marked(842, (8, Big), 1.0, &[]);
        let WheelAnswer::None { why } = &findings.wheels else {
            panic!("{:?}", findings.wheels);
        };
        assert!(why.contains("in steps of 1 km/h"), "{why}");
        assert!(!why.contains("made of"), "{why}");
    }
}
