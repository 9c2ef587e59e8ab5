//! Many measures, one verdict.
//!
//! Every measure that can be judged is a question, and [`crate::statistics::holm`] keeps the
//! chance that any of them is answered wrongly below 5 % a campaign. Its weights say how the 5 %
//! are spent first; what a shown measure does not need goes to the others.
//!
//! `weight = importance / max(spread, 5 %)⁴`
//!
//! - `importance` is 1 for the measures of slip and delay, which are what the work is for and what
//!   the overall verdict is about, and 1/50 for the others, which explain.
//! - `spread` is the measure's spread from engagement to engagement within a drive, as a part of
//!   its typical value: the 5 % go where this campaign can see. Few drives leave few degrees of
//!   freedom, and with 4 of them an even split over twelve measures would ask for 5.9 standard
//!   errors of each. The spread within drives tells nothing of the shift between sets, nor of the
//!   spread between drives that its p value rests on, so weights chosen by it keep the level (the
//!   argument of Kropf, Läuter, Eszlinger, Krohn & Paschke, J. Statistical Planning and Inference
//!   125 (2004) 31-47, for weights from independent statistics). Below 5 % it counts as 5 %, above
//!   25 % as 25 %: beyond that a large change must still be able to show, and what the wide ones
//!   then take from the narrow ones is a hundredth.
//!
//! Friction work per area is friction work divided by a constant: the same question, asked once.
//!
//! **Overall verdict.** `reduced` if at least one measure of slip and delay is shown reduced and
//! none increased; `increased` the other way round. Both at once is mixed: that shows no
//! improvement, so the verdict is `no change shown` and the sentence says what moved which way.
//! `not enough data` if none of them can be judged.

use super::{MeasureComparison, Verdict};
use crate::measure::Measure;
use crate::statistics::holm;

/// The measures of slip and delay, which the overall verdict is about.
pub const PROOF: [Measure; 5] = [
    Measure::EngagementDelay,
    Measure::PeakSlip,
    Measure::SlipTime,
    Measure::SlipDistance,
    Measure::SteadySlip,
];

/// Chance of a wrong answer anywhere in a campaign.
pub const LEVEL: f64 = 0.05;

/// What a measure that only explains counts, beside one of slip or delay.
const IMPORTANCE_OF_OTHERS: f64 = 0.02;

/// Relative spreads outside this range count as its ends.
const SPREAD_RANGE: (f64, f64) = (0.05, 0.25);

/// One measure that can be judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// Which measure.
    pub measure: Measure,
    /// Its two-sided p value.
    pub p: f64,
    /// Its relative spread within drives.
    pub relative_spread: f64,
}

/// The correction for one measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corrected {
    /// p value after the correction.
    pub p: f64,
    /// The part of [`LEVEL`] that the measure gets before any other is shown.
    pub level: f64,
}

/// Corrects the p values of all questions, in their order.
#[must_use]
pub fn correct(questions: &[Question]) -> Vec<Corrected> {
    let asked = |measure| questions.iter().any(|q: &Question| q.measure == measure);
    let weights: Vec<f64> = questions
        .iter()
        .map(|q| {
            if q.measure == Measure::FrictionWorkPerArea && asked(Measure::FrictionWork) {
                return 0.0;
            }
            let importance = if PROOF.contains(&q.measure) {
                1.0
            } else {
                IMPORTANCE_OF_OTHERS
            };
            // `min` first, so that a spread that is not a number counts as a wide one.
            let spread = q.relative_spread.min(SPREAD_RANGE.1).max(SPREAD_RANGE.0);
            importance / spread.powi(4)
        })
        .collect();
    let p: Vec<f64> = questions.iter().map(|q| q.p).collect();
    let total: f64 = weights.iter().sum();
    let mut corrected: Vec<Corrected> = holm::weighted(&p, &weights)
        .into_iter()
        .zip(&weights)
        .map(|(p, weight)| Corrected {
            p,
            level: LEVEL * weight / total,
        })
        .collect();
    let place = |measure| questions.iter().position(|q| q.measure == measure);
    if let (Some(work), Some(per_area)) = (
        place(Measure::FrictionWork),
        place(Measure::FrictionWorkPerArea),
    ) && let Some(answer) = corrected.get(work).copied()
        && let Some(slot) = corrected.get_mut(per_area)
    {
        *slot = answer;
    }
    corrected
}

/// The measures of slip and delay that have this verdict.
#[must_use]
pub fn of_proof(measures: &[MeasureComparison], verdict: Verdict) -> Vec<&MeasureComparison> {
    measures
        .iter()
        .filter(|m| PROOF.contains(&m.measure) && m.verdict == verdict)
        .collect()
}

/// The verdict on slip and delay together.
#[must_use]
pub fn overall(measures: &[MeasureComparison]) -> Verdict {
    let has = |verdict| !of_proof(measures, verdict).is_empty();
    match (has(Verdict::Reduced), has(Verdict::Increased)) {
        (true, false) => Verdict::Reduced,
        (false, true) => Verdict::Increased,
        (true, true) => Verdict::NoChangeShown,
        (false, false) if has(Verdict::NoChangeShown) => Verdict::NoChangeShown,
        (false, false) => Verdict::NotEnoughData,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(measure: Measure, p: f64, relative_spread: f64) -> Question {
        Question {
            measure,
            p,
            relative_spread,
        }
    }

    #[test]
    fn a_lone_question_keeps_its_p() {
        let found = correct(&[ask(Measure::PeakSlip, 0.03, f64::INFINITY)]);
        assert!((found[0].p - 0.03).abs() < 1e-15 && (found[0].level - LEVEL).abs() < 1e-15);
        assert!(correct(&[]).is_empty());
    }

    #[test]
    fn levels_add_up_and_the_same_question_is_asked_once() {
        let found = correct(&[
            ask(Measure::EngagementDelay, 0.001, 0.06),
            ask(Measure::PeakSlip, 0.5, 0.12),
            ask(Measure::FrictionWork, 0.01, 0.2),
            ask(Measure::FrictionWorkPerArea, 0.01, 0.2),
        ]);
        let sum: f64 = found[..3].iter().map(|c| c.level).sum();
        assert!((sum - LEVEL).abs() < 1e-15);
        assert_eq!(found[2], found[3]);
        assert!(found[0].level > found[1].level && found[1].level > found[2].level);
    }
}
