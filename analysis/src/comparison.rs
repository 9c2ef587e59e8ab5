//! Two sets of drives, measured, to verdicts.
//!
//! [`compare`] is the arrow from measures to proof. For every measure:
//!
//! 1. [`sets`]: drives that are given twice, or in both sets, or in the wrong order of time.
//! 2. [`matching`]: engagements that have a counterpart in the other set, alike in what drives
//!    them; the rest are left out, and nothing is extrapolated to them.
//! 3. [`shift`]: the Hodges-Lehmann shift at equal conditions, with an interval and a p value from
//!    a two-level model, engagement within drive.
//! 4. [`bedding_in`]: a change over the after set, which must not pose as noise.
//! 5. [`family`]: Holm's correction over the measures, and the overall verdict.
//! 6. [`wording`]: the verdict as a sentence.
//!
//! **Why not ranks alone.** The unit of repetition is the drive. Dealt to two sets in every way,
//! three drives against three give a p value of 2 / 20 = 0.1 at best, and rank tests on
//! engagements would count one drive with ten launches as ten drives. So the spread from drive to
//! drive is modelled, with the degrees of freedom that few drives leave.
//!
//! **When there is no verdict.** `not enough data` is said, with the reason, if a side has fewer
//! than [`LEAST_DRIVES`] drives with comparable engagements, or fewer than [`LEAST_PAIRS`] pairs
//! could be formed, or the model is left without degrees of freedom, or the values do not vary at
//! all. One drive against one never gives a verdict: what differs between two days cannot be told
//! from what the work did. Medians and shift are still given, and the reason says what the spread
//! within the two drives alone would allow.
//!
//! **What "no change shown" means.** That this campaign could not tell the change from chance. It
//! never means "no change": [`MeasureComparison::smallest_provable`] says what it would have shown.
//!
//! **How honest it is**, measured by `examples/comparison_calibration.rs` (200 made campaigns a line
//! from seed 990000, none of them used in development; drives 3.5 % apart and engagements 5.5 %, as
//! parts of the delay, unless said; slip spreads two to eight times as much):
//!
//! | campaign | overall verdict wrong | found | intervals of delay, peak slip cover |
//! | --- | --- | --- | --- |
//! | nothing changed, all kinds in turn | 2.5 % | | 97.5, 99.0 % |
//! | nothing changed, 2 + 2 drives | 1.5 % | | 99.0, 97.0 % |
//! | nothing changed, 3 + 3 drives | 3.0 % | | 96.0, 96.5 % |
//! | nothing changed, 3 + 6 drives, half the spread after | 6.0 % | | 92.5, 95.5 % |
//! | nothing changed, demand one step, accelerator 20 % further after | 2.5 % | | 96.0, 95.5 % |
//! | delay -15 %, 3 + 3 drives of 6 launches | 1.0 % | 79.0 % | 96.0, 95.5 % |
//! | the same, drives 3 % apart, engagements 5 % | 1.0 % | 86.0 % | 96.0, 95.5 % |
//! | slip -30 %, 3 + 3 drives | 0.5 % | 52.0 % | 96.0, 97.0 % |
//! | slip -90 %, 4 + 4 drives | 0.0 % | 100 % | 97.0, 91.0 % |
//! | slip -90 %, 4 + 4 drives, half the spread after | 0.0 % | 100 % | 97.0, 86.5 % |
//!
//! Three drives a side of six launches are at the edge. Few drives beside twice as many that spread half
//! as much are called changed too often; no verdict should rest on such a pair of sets alone. Where
//! little is left of a measure on logarithms its interval is a little too narrow.
//!
//! Drives that are simulated whole, frames and all, lie closer together than 3.5 %: there 14 of 15
//! campaigns of three drives of six launches a side find a true fall of 15 %, and 0 of 15 unchanged
//! ones are called changed; 28 of the 30 intervals hold the truth (`campaign_study -- 30 909000` of the
//! sample crate).

use crate::measure::Measure;
use crate::measures::DriveMeasures;

pub mod bedding_in;
mod campaign;
pub mod condition;
mod draft;
pub mod family;
pub mod matching;
mod provable;
pub mod sets;
pub mod shift;
#[cfg(test)]
pub(crate) mod tests;
pub mod wording;

use campaign::Campaign;
use draft::Draft;
use family::Question;
use matching::Matching;
pub use provable::POWER;

/// Drives a side without which there is no verdict: with one, nothing shows how drives differ.
pub const LEAST_DRIVES: usize = 2;

/// Pairs without which there is no verdict: even if engagements were all independent, three
/// against three cannot reach 5 % in an exact rank test.
pub const LEAST_PAIRS: usize = 4;

/// The plain answer of a comparison.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Shown to be smaller after.
    Reduced,
    /// Shown to be larger after.
    Increased,
    /// Neither shown; this is not "no change".
    NoChangeShown,
    /// The campaign could not have shown anything.
    NotEnoughData,
}

impl Verdict {
    /// Words in JSON, tables and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Reduced => "reduced",
            Self::Increased => "increased",
            Self::NoChangeShown => "no change shown",
            Self::NotEnoughData => "not enough data",
        }
    }
}

/// How many drives and engagements a set holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SetSize {
    /// Drives.
    pub drives: usize,
    /// Engagements in them.
    pub engagements: usize,
}

/// One engagement of a set of drives, by position in the set as it was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EngagementPosition {
    /// Position of its drive in the set.
    pub drive: usize,
    /// Its position in the drive.
    pub engagement: usize,
}

/// Two engagements, before and after, that were driven alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MatchedPair {
    /// Before the work.
    pub before: EngagementPosition,
    /// After it.
    pub after: EngagementPosition,
}

/// One measure compared over matched engagements.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasureComparison {
    /// Which measure.
    pub measure: Measure,
    /// Median over the before set's matched engagements.
    pub before_median: Option<f64>,
    /// Median over the after set's matched engagements.
    pub after_median: Option<f64>,
    /// Standard uncertainty of the median before, engagements nested in drives.
    pub before_u: Option<f64>,
    /// Standard uncertainty of the median after.
    pub after_u: Option<f64>,
    /// Hodges-Lehmann shift, after less before, in the measure's unit.
    pub shift: Option<f64>,
    /// Lower end of the shift's 95 % confidence interval.
    pub ci_low: Option<f64>,
    /// Upper end of the shift's 95 % confidence interval.
    pub ci_high: Option<f64>,
    /// Two-sided p value before correction over measures.
    pub p: Option<f64>,
    /// Two-sided p value after Holm's correction over measures.
    pub p_holm: Option<f64>,
    /// Level at which `p` is tested: a change is shown where `p` is below it.
    pub level: Option<f64>,
    /// Smallest absolute change that this campaign would have shown with 80 % power at that level, if
    /// there is room for one; on logarithms the smallest improvement.
    pub smallest_provable: Option<f64>,
    /// Matched pairs of engagements.
    pub pairs: usize,
    /// Those pairs, the closest in their conditions first.
    pub matched: Vec<MatchedPair>,
    /// Every engagement that was compared, of the set before and of the one after, ascending: those
    /// of the pairs, and those that share a counterpart with others.
    pub compared: [Vec<EngagementPosition>; 2],
    /// Verdict.
    pub verdict: Verdict,
    /// How the numbers were found, in a few plain words.
    pub method: &'static str,
    /// Why there is no number or no verdict, if so.
    pub why: Option<String>,
}

/// The proof.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Size of the before set.
    pub before: SetSize,
    /// Size of the after set.
    pub after: SetSize,
    /// One entry a measure, in the list's order.
    pub measures: Vec<MeasureComparison>,
    /// The plain answer on slip and delay together.
    pub verdict: Verdict,
    /// The verdict in one plain sentence with its numbers.
    pub sentence: String,
    /// What a reader of the verdict must know, in plain sentences.
    pub warnings: Vec<String>,
}

/// Compares two sets of drives.
///
/// The order of the drives within a set does not matter. Values that are not finite count as
/// missing. Never fails: what cannot be said is said to be so, measure by measure.
#[must_use]
pub fn compare(before: &[DriveMeasures], after: &[DriveMeasures]) -> Comparison {
    let sets = sets::Sets::new(before, after);
    let campaign = Campaign::new(&sets);
    let mut matchings: Vec<(Vec<bool>, Matching)> = Vec::new();
    let mut drafts: Vec<Draft> = Measure::ALL
        .iter()
        .map(|measure| {
            let present = campaign.present(*measure);
            // Most measures are missing together, so few matchings serve all.
            let known = matchings.iter().position(|(key, _)| *key == present);
            let at = known.unwrap_or_else(|| {
                matchings.push((present.clone(), campaign.matched(&present)));
                matchings.len() - 1
            });
            let matching = matchings
                .get(at)
                .map_or_else(Matching::default, |(_, m)| m.clone());
            Draft::new(&campaign, *measure, matching)
        })
        .collect();

    let mut warnings = sets.warnings.clone();
    warnings.extend(campaign.unmatched_conditions());
    warnings.extend(campaign.unlike_conditions());
    warnings.extend(bedding_in::allow_for_trends(&mut drafts));
    warnings.extend(campaign.one_sided());

    let questions: Vec<Question> = drafts.iter().filter_map(Draft::question).collect();
    let corrected = family::correct(&questions);
    let measures: Vec<MeasureComparison> = drafts
        .into_iter()
        .map(|draft| {
            let answer = questions.iter().position(|q| q.measure == draft.measure);
            draft.finish(answer.and_then(|at| corrected.get(at)), questions.len())
        })
        .collect();

    let size = |drives: &[&DriveMeasures]| SetSize {
        drives: drives.len(),
        engagements: drives.iter().map(|d| d.engagements.len()).sum(),
    };
    let mut comparison = Comparison {
        before: size(&sets.before),
        after: size(&sets.after),
        verdict: family::overall(&measures),
        measures,
        sentence: String::new(),
        warnings,
    };
    comparison.sentence = wording::sentence(&comparison);
    comparison
}
