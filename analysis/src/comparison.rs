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

use crate::drive::DriveMeasures;
use crate::engagement::Engagement;
use crate::measure::Measure;
use crate::statistics::quantile::median;
use crate::statistics::student_t::detectable;

pub mod bedding_in;
pub mod condition;
pub mod family;
pub mod matching;
pub mod sets;
pub mod shift;
#[cfg(test)]
mod tests;
pub mod wording;

use family::Question;
use matching::Matching;
use shift::{Observation, Shift};

/// Drives a side without which there is no verdict: with one, nothing shows how drives differ.
pub const LEAST_DRIVES: usize = 2;

/// Pairs without which there is no verdict: even if engagements were all independent, three
/// against three cannot reach 5 % in an exact rank test.
pub const LEAST_PAIRS: usize = 4;

/// Power at which the smallest provable change is given.
const POWER: f64 = 0.8;

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
            let matching = matchings.get(at).map_or_else(Matching::default, |(_, m)| m.clone());
            campaign.draft(*measure, matching)
        })
        .collect();

    let mut warnings = sets.warnings.clone();
    warnings.extend(campaign.unmatched_conditions());
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

/// One engagement in its place.
struct Placed<'a> {
    engagement: &'a Engagement,
    drive: usize,
    place_in_drive: usize,
    since_work: usize,
}

/// Every engagement of both sets.
struct Campaign<'a> {
    before: Vec<Placed<'a>>,
    after: Vec<Placed<'a>>,
    drives_before: usize,
    drives_after: usize,
}

impl<'a> Campaign<'a> {
    fn new(sets: &sets::Sets<'a>) -> Self {
        let place = |drives: &[&'a DriveMeasures], is_after: bool| {
            let mut placed: Vec<Placed<'a>> = Vec::new();
            for (drive, measures) in drives.iter().enumerate() {
                for (place_in_drive, engagement) in measures.engagements.iter().enumerate() {
                    let since_work = if is_after { placed.len() } else { 0 };
                    placed.push(Placed { engagement, drive, place_in_drive, since_work });
                }
            }
            placed
        };
        Self {
            before: place(&sets.before, false),
            after: place(&sets.after, true),
            drives_before: sets.before.len(),
            drives_after: sets.after.len(),
        }
    }

    /// Which engagements, before then after, have a usable value of the measure.
    fn present(&self, measure: Measure) -> Vec<bool> {
        self.before.iter().chain(&self.after).map(|p| value(p.engagement, measure).is_some()).collect()
    }

    /// Matches those engagements that are present; indices are into the full sets.
    fn matched(&self, present: &[bool]) -> Matching {
        let pick = |placed: &[Placed<'a>], offset: usize| -> (Vec<usize>, Vec<&'a Engagement>) {
            placed
                .iter()
                .enumerate()
                .filter(|(index, _)| present.get(offset + index) == Some(&true))
                .map(|(index, p)| (index, p.engagement))
                .unzip()
        };
        let (b, before) = pick(&self.before, 0);
        let (a, after) = pick(&self.after, self.before.len());
        let mut matching = matching::match_engagements(&before, &after);
        let back = |own: &mut Vec<usize>, indices: &[usize]| {
            for slot in own {
                *slot = indices.get(*slot).copied().unwrap_or(*slot);
            }
        };
        back(&mut matching.before, &b);
        back(&mut matching.after, &a);
        for (x, y) in &mut matching.pairs {
            *x = b.get(*x).copied().unwrap_or(*x);
            *y = a.get(*y).copied().unwrap_or(*y);
        }
        matching
    }

    /// One measure's numbers before the correction over measures.
    fn draft(&self, measure: Measure, matching: Matching) -> Draft {
        let observations = self.observations(measure, &matching);
        let count_drives = |is_after: bool| {
            let mut drives: Vec<usize> =
                observations.iter().filter(|o| o.is_after == is_after).map(|o| o.drive).collect();
            drives.dedup();
            drives.len()
        };
        let drives = (count_drives(false), count_drives(true));
        let medians = |is_after: bool| {
            let values: Vec<f64> = if observations.is_empty() {
                let all = if is_after { &self.after } else { &self.before };
                all.iter().filter_map(|p| value(p.engagement, measure)).map(|(v, _)| v).collect()
            } else {
                observations.iter().filter(|o| o.is_after == is_after).map(|o| o.value).collect()
            };
            median(&values)
        };
        let (before_median, after_median) = (medians(false), medians(true));
        let shift = if observations.is_empty() {
            Err(self.nothing_to_compare(measure, &matching))
        } else {
            shift::estimate(&observations, &matching.strata, false)
        };
        let too_few = self.too_few(measure, &matching, drives);
        Draft { measure, matching, observations, before_median, after_median, shift, too_few }
    }

    fn observations(&self, measure: Measure, matching: &Matching) -> Vec<Observation> {
        // Drives without a matched engagement get no number.
        let mut numbers = std::collections::BTreeMap::new();
        let sides = [(false, &self.before, &matching.before), (true, &self.after, &matching.after)];
        let mut observations = Vec::new();
        for (is_after, placed, indices) in sides {
            for placed in indices.iter().filter_map(|index| placed.get(*index)) {
                let engagement = placed.engagement;
                let Some((value, u)) = value(engagement, measure) else { continue };
                let stratum = matching.strata.iter().position(|s| {
                    s.kind == engagement.kind && s.reference == engagement.reference
                });
                let next = numbers.len();
                let drive = *numbers.entry((is_after, placed.drive)).or_insert(next);
                observations.push(Observation {
                    is_after,
                    drive,
                    stratum: stratum.unwrap_or(0),
                    value,
                    u,
                    conditions: engagement.conditions,
                    place_in_drive: placed.place_in_drive,
                    since_work: placed.since_work,
                });
            }
        }
        observations
    }

    fn too_few(&self, measure: Measure, matching: &Matching, drives: (usize, usize)) -> Option<String> {
        let (b, a) = drives;
        if b == 0 || a == 0 {
            return Some(self.nothing_to_compare(measure, matching));
        }
        let apart = match matching.apart.as_slice() {
            [] => String::new(),
            reasons => format!(" ({})", reasons.join("; ")),
        };
        if b < LEAST_DRIVES || a < LEAST_DRIVES {
            return Some(format!(
                "{} before and {} after can be compared{apart}, and one drive cannot tell the work                  from the day; record at least {LEAST_DRIVES}, better 4, drives on each side under                  like conditions",
                wording::of(b, self.drives_before, "drive"),
                wording::of(a, self.drives_after, "drive"),
            ));
        }
        let pairs = matching.pairs.len();
        (pairs < LEAST_PAIRS).then(|| {
            format!(
                "only {} of engagements can be compared{apart}; {LEAST_PAIRS} are needed",
                wording::count(pairs, "matched pair")
            )
        })
    }

    /// Why not one engagement has a counterpart.
    fn nothing_to_compare(&self, measure: Measure, matching: &Matching) -> String {
        let sides = [("before", &self.before), ("after", &self.after)];
        let mut reasons = Vec::new();
        for (set, placed) in sides {
            if placed.is_empty() {
                reasons.push(format!("the {set} set has no engagement"));
            } else if placed.iter().all(|p| value(p.engagement, measure).is_none()) {
                let why = common_reason(placed, measure);
                reasons.push(format!("it is missing in the whole {set} set ({why})"));
            }
        }
        if reasons.is_empty() {
            let apart = matching.apart.join("; ");
            reasons.push(format!(
                "no engagement has a counterpart under like conditions ({apart}); the medians are                  over all engagements"
            ));
        }
        reasons.join(" and ")
    }

    /// Measures that only one side has.
    fn one_sided(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        if self.before.is_empty() || self.after.is_empty() {
            return warnings;
        }
        for measure in Measure::ALL {
            let missing = |placed: &[Placed<'_>]| {
                placed.iter().filter(|p| value(p.engagement, *measure).is_none()).count()
            };
            let (b, a) = (missing(&self.before), missing(&self.after));
            let whole = [b == self.before.len(), a == self.after.len()];
            let (set, placed) = match whole {
                [true, false] => ("before", &self.before),
                [false, true] => ("after", &self.after),
                _ => continue,
            };
            warnings.push(format!(
                "{} is missing in all {} of the {set} set, mostly because {}",
                measure.label(),
                wording::count(placed.len(), "engagement"),
                common_reason(placed, *measure)
            ));
        }
        warnings
    }

    /// Conditions that could not be matched on because a set lacks them.
    fn unmatched_conditions(&self) -> Vec<String> {
        use condition::Condition;
        let lacks = |condition: Condition| {
            let share = |placed: &[Placed<'_>]| {
                let have =
                    placed.iter().filter(|p| condition.of(&p.engagement.conditions).is_some());
                have.count() as f64 / placed.len().max(1) as f64
            };
            share(&self.before).min(share(&self.after)) < matching::PRESENT_SHARE
        };
        if self.before.is_empty() || self.after.is_empty() {
            return Vec::new();
        }
        Condition::ALL
            .into_iter()
            .filter(|c| lacks(*c))
            // The stand-in is only missed together with what it stands in for.
            .filter(|c| *c != Condition::AcceleratorPosition || lacks(Condition::DemandStep))
            .map(|c| {
                format!(
                    "{} is missing in one of the sets, so engagements could not be matched on it:                      a difference in it would show as a change",
                    c.label()
                )
            })
            .collect()
    }
}

/// A measure's value and standard uncertainty in one engagement, if it has a finite one.
fn value(engagement: &Engagement, measure: Measure) -> Option<(f64, f64)> {
    let estimate = engagement.measures.get(measure as usize)?.as_ref().ok()?;
    estimate.value.is_finite().then_some((estimate.value, estimate.u))
}

/// The reason given most often for a missing measure.
fn common_reason(placed: &[Placed<'_>], measure: Measure) -> String {
    let mut counts: std::collections::BTreeMap<String, usize> = std::collections::BTreeMap::new();
    for p in placed {
        let reason = match p.engagement.measures.get(measure as usize) {
            Some(Err(missing)) => missing.to_string(),
            Some(Ok(_)) => "the value is not a finite number".to_owned(),
            None => "it was not measured".to_owned(),
        };
        *counts.entry(reason).or_default() += 1;
    }
    counts.into_iter().max_by_key(|(_, count)| *count).map(|(reason, _)| reason).unwrap_or_default()
}

/// One measure before the correction over measures.
struct Draft {
    measure: Measure,
    matching: Matching,
    observations: Vec<Observation>,
    before_median: Option<f64>,
    after_median: Option<f64>,
    shift: Result<Shift, String>,
    too_few: Option<String>,
}

impl Draft {
    /// The question it asks, if it can be judged.
    fn question(&self) -> Option<Question> {
        let shift = self.shift.as_ref().ok().filter(|_| self.too_few.is_none())?;
        let p = shift.sureness.as_ref().ok()?.p;
        Some(Question { measure: self.measure, p, relative_spread: shift.relative_spread })
    }

    fn finish(self, corrected: Option<&family::Corrected>, questions: usize) -> MeasureComparison {
        let mut out = MeasureComparison {
            measure: self.measure,
            before_median: self.before_median,
            after_median: self.after_median,
            shift: None,
            ci_low: None,
            ci_high: None,
            p: None,
            p_holm: None,
            smallest_provable: None,
            pairs: self.matching.pairs.len(),
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
        out.method = if shift.is_logarithmic() { METHOD_LOGARITHMIC } else { METHOD_PLAIN };
        let sureness = match (&self.too_few, &shift.sureness) {
            (None, Ok(sureness)) => *sureness,
            (Some(why), _) | (None, Err(why)) => {
                let mut why = why.clone();
                if let Some((low, high)) = shift.within_drives {
                    let half = 0.5 * (high - low);
                    why += &format!(
                        "; by the spread within the drives alone the shift would lie between {} and {}",
                        wording::digits(low, half),
                        wording::with_unit(&wording::digits(high, half), self.measure)
                    );
                }
                out.why = Some(why);
                return out;
            }
        };
        out.ci_low = Some(sureness.low);
        out.ci_high = Some(sureness.high);
        out.p = Some(sureness.p);
        let Some(corrected) = corrected else { return out };
        out.p_holm = Some(corrected.p);
        out.smallest_provable = shift.of_errors(detectable(corrected.level, POWER, sureness.df));
        out.verdict = if corrected.p >= family::LEVEL {
            Verdict::NoChangeShown
        } else if shift.shift < 0.0 {
            Verdict::Reduced
        } else {
            Verdict::Increased
        };
        if out.verdict == Verdict::NoChangeShown && sureness.p < family::LEVEL {
            out.why = Some(format!(
                "the interval leaves zero out, but of {} one is expected to do so by chance more                  often than is safe (p {} after correction)",
                wording::count(questions, "measure"),
                wording::digits(corrected.p, 0.01)
            ));
        }
        out
    }
}

const METHOD_NONE: &str = "no comparison";
const METHOD_PLAIN: &str =
    "Hodges-Lehmann shift at equal conditions; interval from a two-level model, engagement in drive";
const METHOD_LOGARITHMIC: &str = "Hodges-Lehmann shift at equal conditions, on logarithms; interval                                   from a two-level model, engagement in drive";
