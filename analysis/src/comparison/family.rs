//! Many measures, one verdict.
//!
//! Every measure that can be judged is a question, and [`crate::statistics::holm`] keeps the
//! chance that any of them is answered wrongly below 5 % a campaign. Its weights say how the 5 %
//! are spent first; what a shown measure does not need goes to the others.
//!
//! - Three quarters go to the engagement delay and a quarter to the measures of slip together, which
//!   are what the work is for and what the overall verdict is about; each measure that only explains
//!   gets a fiftieth beside that. Few drives leave few degrees of freedom, and with 4 of them an even
//!   split over eleven measures would ask for 5.7 standard errors of each. The delay is one measure
//!   and slip four that tell much the same. Of 3 + 3 drives (`comparison_calibration -- 500` from seed
//!   1230000) a delay of 15 % less is found in 82 % and slip of 30 % less in 54 %; shared half and
//!   half (300 campaigns) in 72 and 74 %.
//! - Among the measures of slip by `1 / spread²`, with the measure's spread from engagement to
//!   engagement within a drive, as a part of its typical value. The spread within drives tells nothing
//!   of the shift between sets, nor of the spread between drives that its p value rests on, so weights
//!   chosen by it keep the level (the argument of Kropf, Läuter, Eszlinger, Krohn & Paschke, J.
//!   Statistical Planning and Inference 125 (2004) 31-47, for weights from independent statistics).
//!   Below 5 % it counts as 5 %, above 25 % as 25 %: a large change of a wide measure must still show.
//!
//! [`Corrected::level`] says at which level each p value is tested in the end: the part that it has at
//! first, and its share of what measures that were shown no longer need.
//!
//! Friction work per area is friction work divided by a constant: the same question, asked once.
//!
//! **Overall verdict.** `reduced` if at least one measure of slip and delay is shown reduced and
//! none increased; `increased` the other way round. Both at once is mixed: that shows no
//! improvement, so the verdict is `no change shown` and the sentence says what moved which way.
//! `not enough data` if none of them can be judged. Slip time ends at a tenth of slip's own peak, so a
//! lower peak lengthens it: a rise of it counts for nothing beside a peak or a distance that is shown
//! reduced.

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

/// What the delay gets, and what the measures of slip get together.
const SHARE_OF_DELAY: f64 = 0.75;
const SHARE_OF_SLIP: f64 = 1.0 - SHARE_OF_DELAY;

/// What each measure gets that only explains, beside the two.
const SHARE_OF_OTHERS: f64 = 0.02;

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
    /// The part of [`LEVEL`] at which its own p is tested: a change is shown where p is below it.
    pub level: f64,
}

/// How the level is spent before any question is answered.
fn weights(questions: &[Question]) -> Vec<f64> {
    let is_slip =
        |q: &&Question| PROOF.contains(&q.measure) && q.measure != Measure::EngagementDelay;
    let narrowness = |q: &Question| {
        // `min` first, so that a spread that is not a number counts as a wide one.
        let spread = q.relative_spread.min(SPREAD_RANGE.1).max(SPREAD_RANGE.0);
        spread.powi(-2)
    };
    let of_slip: f64 = questions.iter().filter(is_slip).map(narrowness).sum();
    let work_is_asked = questions.iter().any(|q| q.measure == Measure::FrictionWork);
    questions
        .iter()
        .map(|q| match q.measure {
            Measure::EngagementDelay => SHARE_OF_DELAY,
            Measure::FrictionWorkPerArea if work_is_asked => 0.0,
            _ if is_slip(&q) => SHARE_OF_SLIP * narrowness(q) / of_slip,
            _ => SHARE_OF_OTHERS,
        })
        .collect()
}

/// Corrects the p values of all questions, in their order.
#[must_use]
pub fn correct(questions: &[Question]) -> Vec<Corrected> {
    let weights = weights(questions);
    let p: Vec<f64> = questions.iter().map(|q| q.p).collect();
    let mut corrected: Vec<Corrected> = holm::weighted(&p, &weights)
        .into_iter()
        .zip(holm::levels(&p, &weights, LEVEL))
        .map(|(p, level)| Corrected { p, level })
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

/// The measures of slip and delay that are shown increased, but for a slip time whose peak or distance is
/// shown reduced.
#[must_use]
pub fn grown(measures: &[MeasureComparison]) -> Vec<&MeasureComparison> {
    let smaller = of_proof(measures, Verdict::Reduced)
        .iter()
        .any(|m| matches!(m.measure, Measure::PeakSlip | Measure::SlipDistance));
    let mut grown = of_proof(measures, Verdict::Increased);
    grown.retain(|m| !(smaller && m.measure == Measure::SlipTime));
    grown
}

/// The measures beside slip and delay that are shown to have this verdict, each question once.
#[must_use]
pub fn beside_proof(measures: &[MeasureComparison], verdict: Verdict) -> Vec<&MeasureComparison> {
    measures
        .iter()
        .filter(|m| m.verdict == verdict && !PROOF.contains(&m.measure))
        .filter(|m| m.measure != Measure::FrictionWorkPerArea)
        .collect()
}

/// The verdict on slip and delay together.
#[must_use]
pub fn overall(measures: &[MeasureComparison]) -> Verdict {
    let has = |verdict| match verdict {
        Verdict::Increased => !grown(measures).is_empty(),
        _ => !of_proof(measures, verdict).is_empty(),
    };
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
            ask(Measure::EngagementDelay, 0.5, 0.06),
            ask(Measure::PeakSlip, 0.5, 0.12),
            ask(Measure::FrictionWork, 0.1, 0.2),
            ask(Measure::FrictionWorkPerArea, 0.1, 0.2),
        ]);
        let sum: f64 = found[..3].iter().map(|c| c.level).sum();
        assert!((sum - LEVEL).abs() < 1e-15);
        assert_eq!(found[2], found[3]);
        assert!(found[0].level > found[1].level && found[1].level > found[2].level);
    }

    /// A narrow delay leaves slip its third, whatever the spreads, and all of it once it is shown.
    #[test]
    fn the_delay_does_not_starve_slip() {
        let found = |p_of_delay: f64| {
            correct(&[
                ask(Measure::EngagementDelay, p_of_delay, 0.01),
                ask(Measure::PeakSlip, 0.3, 0.8),
                ask(Measure::SlipTime, 0.3, 0.8),
                ask(Measure::RiseTime, 0.3, 0.1),
            ])
        };
        let level = |found: &[Corrected]| found[1].level + found[2].level;
        let (open, shown) = (found(0.5), found(1e-4));
        assert!((level(&open) / LEVEL - SHARE_OF_SLIP / 1.02).abs() < 1e-12);
        assert!((level(&shown) / LEVEL - SHARE_OF_SLIP / (SHARE_OF_SLIP + 0.02)).abs() < 1e-12);
        assert!(shown[0].p < LEVEL && open[0].p >= LEVEL);
    }

    /// What is printed as the level is the level: p below it, and only then, is shown.
    #[test]
    fn a_change_is_shown_where_its_p_is_below_its_level() {
        let p = [1e-5, 0.004, 0.012, 0.02, 0.03, 0.2];
        let questions: Vec<Question> = Measure::ALL
            .iter()
            .filter(|m| **m != Measure::FrictionWorkPerArea)
            .enumerate()
            .map(|(at, measure)| ask(*measure, p[(5 * at) % 6], 0.02 * at as f64))
            .collect();
        let found = correct(&questions);
        assert!(found.iter().any(|c| c.p < LEVEL) && found.iter().any(|c| c.p >= LEVEL));
        for (question, corrected) in questions.iter().zip(&found) {
            assert_eq!(corrected.p < LEVEL, question.p < corrected.level);
        }
    }
}
