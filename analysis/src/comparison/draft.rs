//! One measure on its way to a verdict: first alone, then among the others.

use super::campaign::{Campaign, Placed};
use super::family::{self, Question};
use super::matching::Matching;
use super::shift::{self, Observation, Shift};
use super::{EngagementPosition, MatchedPair, MeasureComparison, Verdict, provable};
use crate::measure::Measure;
use crate::number;
use crate::statistics::quantile::median;
use crate::statistics::spread::{error_of_median, sd};
use crate::words;

/// One measure before the correction over measures.
pub(super) struct Draft {
    pub(super) measure: Measure,
    pub(super) matching: Matching,
    pub(super) observations: Vec<Observation>,
    before_median: Option<f64>,
    after_median: Option<f64>,
    before_u: Option<f64>,
    after_u: Option<f64>,
    matched: Vec<MatchedPair>,
    compared: [Vec<EngagementPosition>; 2],
    pub(super) shift: Result<Shift, String>,
    too_few: Option<String>,
}

/// Drives of a set among observations, which stand drive by drive.
fn drives(observations: &[Observation], is_after: bool) -> usize {
    let mut drives: Vec<usize> = observations
        .iter()
        .filter(|o| o.is_after == is_after)
        .map(|o| o.drive)
        .collect();
    drives.dedup();
    drives.len()
}

/// Standard uncertainty of a set's median: the larger of what engagements by themselves and what whole
/// drives by themselves would give. `None` with fewer than two drives.
fn median_uncertainty(observations: &[Observation], is_after: bool) -> Option<f64> {
    let set: Vec<&Observation> = observations
        .iter()
        .filter(|o| o.is_after == is_after)
        .collect();
    let values: Vec<f64> = set.iter().map(|o| o.value).collect();
    let of_drives: Vec<f64> = set
        .chunk_by(|a, b| a.drive == b.drive)
        .filter_map(|drive| median(&drive.iter().map(|o| o.value).collect::<Vec<f64>>()))
        .collect();
    let by_engagements = error_of_median(sd(&values)?, values.len());
    let by_drives = sd(&of_drives)? / (of_drives.len() as f64).sqrt();
    Some(by_engagements.max(by_drives))
}

fn position(placed: &[Placed<'_>], index: usize) -> Option<EngagementPosition> {
    placed.get(index).map(|placed| placed.position)
}

/// The matched pairs.
fn matched(campaign: &Campaign<'_>, matching: &Matching) -> Vec<MatchedPair> {
    matching
        .pairs
        .iter()
        .filter_map(|&(before, after)| {
            Some(MatchedPair {
                before: position(&campaign.before, before)?,
                after: position(&campaign.after, after)?,
            })
        })
        .collect()
}

/// Every engagement that is compared.
fn compared(campaign: &Campaign<'_>, matching: &Matching) -> [Vec<EngagementPosition>; 2] {
    let of = |placed: &[Placed<'_>], indices: &[usize]| {
        let mut positions: Vec<EngagementPosition> = indices
            .iter()
            .filter_map(|&index| position(placed, index))
            .collect();
        positions.sort_unstable();
        positions
    };
    [
        of(&campaign.before, &matching.before),
        of(&campaign.after, &matching.after),
    ]
}

impl Draft {
    pub(super) fn new(campaign: &Campaign<'_>, measure: Measure, matching: Matching) -> Self {
        let observations = campaign.observations(measure, &matching);
        let drives = (drives(&observations, false), drives(&observations, true));
        let medians = |is_after: bool| {
            let values: Vec<f64> = if observations.is_empty() {
                let all = if is_after {
                    &campaign.after
                } else {
                    &campaign.before
                };
                all.iter()
                    .filter_map(|p| Some(p.engagement.estimate(measure)?.value))
                    .collect()
            } else {
                observations
                    .iter()
                    .filter(|o| o.is_after == is_after)
                    .map(|o| o.value)
                    .collect()
            };
            median(&values)
        };
        let (before_median, after_median) = (medians(false), medians(true));
        let (before_u, after_u) = (
            median_uncertainty(&observations, false),
            median_uncertainty(&observations, true),
        );
        let matched = matched(campaign, &matching);
        let compared = compared(campaign, &matching);
        let shift = if observations.is_empty() {
            Err(campaign.nothing_to_compare(measure, &matching))
        } else {
            shift::estimate(&observations, &matching.strata, false)
        };
        let too_few = campaign.too_few(measure, &matching, drives);
        Self {
            measure,
            matching,
            observations,
            before_median,
            after_median,
            before_u,
            after_u,
            matched,
            compared,
            shift,
            too_few,
        }
    }

    /// Drives of a set with matched engagements.
    pub(super) fn drives(&self, is_after: bool) -> usize {
        drives(&self.observations, is_after)
    }

    /// The question it asks, if it can be judged.
    pub(super) fn question(&self) -> Option<Question> {
        let shift = self
            .shift
            .as_ref()
            .ok()
            .filter(|_| self.too_few.is_none())?;
        let p = shift.sureness.as_ref().ok()?.p;
        Some(Question {
            measure: self.measure,
            p,
            relative_spread: shift.relative_spread,
        })
    }

    pub(super) fn finish(
        self,
        corrected: Option<&family::Corrected>,
        questions: usize,
    ) -> MeasureComparison {
        let mut out = MeasureComparison {
            measure: self.measure,
            before_median: self.before_median,
            after_median: self.after_median,
            before_u: self.before_u,
            after_u: self.after_u,
            shift: None,
            ci_low: None,
            ci_high: None,
            p: None,
            p_holm: None,
            level: None,
            smallest_provable: None,
            pairs: self.matching.pairs.len(),
            matched: self.matched,
            compared: self.compared,
            verdict: Verdict::NotEnoughData,
            method: METHOD_NONE,
            why: None,
        };
        let shift = match self.shift {
            Ok(shift) => shift,
            Err(why) => {
                out.why = Some(self.too_few.unwrap_or(why));
                return out;
            }
        };
        out.shift = Some(shift.shift);
        out.method = if shift.is_logarithmic() {
            METHOD_LOGARITHMIC
        } else {
            METHOD_PLAIN
        };
        let sureness = match (&self.too_few, &shift.sureness) {
            (None, Ok(sureness)) => *sureness,
            (Some(why), _) | (None, Err(why)) => {
                let mut why = why.clone();
                if let Some((low, high)) = shift.within_drives {
                    let u = number::u_of_interval(low, high);
                    why += &format!(
                        "; by the spread within the drives alone the shift would lie between {} and {}{}",
                        number::rounded_to(low, u),
                        number::rounded_to(high, u),
                        words::behind(self.measure.unit())
                    );
                }
                out.why = Some(why);
                return out;
            }
        };
        out.ci_low = Some(sureness.low);
        out.ci_high = Some(sureness.high);
        out.p = Some(sureness.p);
        let Some(corrected) = corrected else {
            return out;
        };
        out.p_holm = Some(corrected.p);
        out.level = Some(corrected.level);
        out.verdict = if corrected.p >= family::LEVEL {
            Verdict::NoChangeShown
        } else if shift.shift < 0.0 {
            Verdict::Reduced
        } else {
            Verdict::Increased
        };
        let mut whys = Vec::new();
        if out.verdict == Verdict::NoChangeShown && sureness.p < family::LEVEL {
            whys.push(format!(
                "the interval leaves zero out, but of {} one is expected to do so by chance more \
                 often than is safe (p {} after correction)",
                number::count(questions, "measure", "measures"),
                number::probability(corrected.p)
            ));
        }
        match provable::smallest(self.measure, &shift, sureness.df, corrected.level) {
            Ok(smallest) => out.smallest_provable = Some(smallest),
            Err(why) => whys.push(why.to_owned()),
        }
        out.why = (!whys.is_empty()).then(|| whys.join("; "));
        out
    }
}

const METHOD_NONE: &str = "no comparison";
const METHOD_PLAIN: &str = "Hodges-Lehmann shift at equal conditions; interval from a two-level model, engagement in drive";
const METHOD_LOGARITHMIC: &str = "Hodges-Lehmann shift at equal conditions, on logarithms; interval \
                                  from a two-level model, engagement in drive";
