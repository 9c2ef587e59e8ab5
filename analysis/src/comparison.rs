//! Two sets of drives, measured, to verdicts.

use crate::measure::Measure;

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

/// One measure compared over matched engagements.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasureComparison {
    /// Which measure.
    pub measure: Measure,
    /// Median over the before set's matched engagements.
    pub before_median: Option<f64>,
    /// Median over the after set's matched engagements.
    pub after_median: Option<f64>,
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
    /// Smallest absolute change that this campaign would have shown with 80 % power.
    pub smallest_provable: Option<f64>,
    /// Matched pairs of engagements.
    pub pairs: usize,
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
