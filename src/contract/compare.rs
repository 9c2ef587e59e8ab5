//! JSON of `compare`: the sets, each measure's verdict, and the pairs that it rests on.

use serde::Serialize;
use slipwright_analysis::book::Due;
use slipwright_analysis::comparison::{
    Comparison, EngagementPosition, MatchedPair, MeasureComparison, SetSize,
};
use slipwright_analysis::drive::seconds_between;
use slipwright_analysis::measure::Measure;
use slipwright_analysis::measures::DriveMeasures;

use super::book::{ReminderOutput, reminders};
use crate::page::PageFiles;

/// `compare`: the proof.
#[derive(Debug, Serialize)]
pub(crate) struct CompareOutput<'a> {
    before: SetOutput,
    after: SetOutput,
    measures: Vec<MeasureComparisonOutput>,
    verdict: &'static str,
    sentence: String,
    warnings: Vec<String>,
    /// Of the car's book; not there without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    reminders: Option<Vec<ReminderOutput<'a>>>,
    report: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pictures: Option<String>,
}

impl<'a> CompareOutput<'a> {
    pub(crate) fn new(
        comparison: &Comparison,
        sets: [&[DriveMeasures]; 2],
        of_drives: &[String],
        due: Option<&'a [Due]>,
        files: Option<&PageFiles>,
    ) -> Self {
        Self {
            before: comparison.before.into(),
            after: comparison.after.into(),
            measures: comparison
                .measures
                .iter()
                .map(|m| MeasureComparisonOutput::new(m, sets))
                .collect(),
            verdict: comparison.verdict.text(),
            sentence: comparison.sentence.clone(),
            warnings: [&comparison.warnings, of_drives].concat(),
            reminders: due.map(reminders),
            report: files.map(PageFiles::page),
            pictures: files.and_then(PageFiles::pictures),
        }
    }
}

#[derive(Debug, Serialize)]
struct SetOutput {
    drives: usize,
    engagements: usize,
}

impl From<SetSize> for SetOutput {
    fn from(size: SetSize) -> Self {
        Self {
            drives: size.drives,
            engagements: size.engagements,
        }
    }
}

/// Two engagements that were driven alike, and what was measured of them.
#[derive(Debug, Serialize)]
struct MatchedPairOutput {
    before: MatchedOutput,
    after: MatchedOutput,
}

#[derive(Debug, Serialize)]
struct MatchedOutput {
    capture: String,
    start_s: f64,
    value: f64,
}

impl MatchedPairOutput {
    fn new(
        pair: &MatchedPair,
        measure: Measure,
        [before, after]: [&[DriveMeasures]; 2],
    ) -> Option<Self> {
        let side = |set: &[DriveMeasures], at: EngagementPosition| {
            let drive = set.get(at.drive)?;
            let engagement = drive.engagements.get(at.engagement)?;
            Some(MatchedOutput {
                capture: drive.name.clone(),
                start_s: seconds_between(drive.start_ns, engagement.start_ns),
                value: engagement.estimate(measure)?.value,
            })
        };
        Some(Self {
            before: side(before, pair.before)?,
            after: side(after, pair.after)?,
        })
    }
}

#[derive(Debug, Serialize)]
struct MeasureComparisonOutput {
    name: &'static str,
    before_median: Option<f64>,
    after_median: Option<f64>,
    before_u: Option<f64>,
    after_u: Option<f64>,
    shift: Option<f64>,
    ci_low: Option<f64>,
    ci_high: Option<f64>,
    p: Option<f64>,
    p_holm: Option<f64>,
    level: Option<f64>,
    smallest_provable: Option<f64>,
    pairs: usize,
    matched: Vec<MatchedPairOutput>,
    verdict: &'static str,
    method: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

impl MeasureComparisonOutput {
    fn new(m: &MeasureComparison, sets: [&[DriveMeasures]; 2]) -> Self {
        Self {
            name: m.measure.key(),
            before_median: m.before_median,
            after_median: m.after_median,
            before_u: m.before_u,
            after_u: m.after_u,
            shift: m.shift,
            ci_low: m.ci_low,
            ci_high: m.ci_high,
            p: m.p,
            p_holm: m.p_holm,
            level: m.level,
            smallest_provable: m.smallest_provable,
            pairs: m.pairs,
            matched: m
                .matched
                .iter()
                .filter_map(|pair| MatchedPairOutput::new(pair, m.measure, sets))
                .collect(),
            verdict: m.verdict.text(),
            method: m.method,
            why: m.why.clone(),
        }
    }
}
