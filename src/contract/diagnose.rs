//! What `diagnose --json` prints.

use std::collections::BTreeMap;

use serde::Serialize;
use slipwright_analysis::diagnosis::{Change, Diagnosis};

use crate::page::PageFiles;

/// `diagnose`: ranked causes.
#[derive(Debug, Serialize)]
pub(crate) struct DiagnoseOutput {
    pub(crate) judgeable: bool,
    why: String,
    findings: Vec<FindingOutput>,
    /// Causes that these drives cannot judge, each with its reason.
    not_judged: BTreeMap<&'static str, String>,
    /// What changed, feature by feature.
    changes: Vec<ChangeOutput>,
    pub(crate) warnings: Vec<String>,
    report: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pictures: Option<String>,
}

#[derive(Debug, Serialize)]
struct FindingOutput {
    cause: &'static str,
    probability: f64,
    evidence: Vec<String>,
    next_check: String,
}

/// One change. On a ratio scale, `shift` and `u` are of the natural logarithm.
#[derive(Debug, Serialize)]
struct ChangeOutput {
    feature: &'static str,
    against: &'static str,
    scale: &'static str,
    now: f64,
    was: f64,
    shift: f64,
    u: f64,
    /// `now` is a bound: it is this or less, and the shift this or further down.
    at_most: bool,
}

impl From<&Change> for ChangeOutput {
    fn from(change: &Change) -> Self {
        Self {
            feature: change.feature.key(),
            against: change.against.text(),
            scale: change.feature.scale().text(),
            now: change.shown(change.now),
            was: change.shown(change.was),
            shift: change.shift,
            u: change.u,
            at_most: change.at_most,
        }
    }
}

impl DiagnoseOutput {
    pub(crate) fn new(
        diagnosis: &Diagnosis,
        warnings: Vec<String>,
        files: Option<&PageFiles>,
    ) -> Self {
        Self {
            judgeable: diagnosis.judgeable,
            why: diagnosis.why.clone(),
            findings: diagnosis
                .findings
                .iter()
                .map(|f| FindingOutput {
                    cause: f.cause.text(),
                    probability: (f.probability * 1000.0).round() / 1000.0,
                    evidence: f.evidence.iter().map(ToString::to_string).collect(),
                    next_check: f.next_check.clone(),
                })
                .collect(),
            not_judged: diagnosis
                .not_judged
                .iter()
                .map(|n| (n.cause.text(), n.why.clone()))
                .collect(),
            changes: diagnosis.changes.iter().map(Into::into).collect(),
            warnings,
            report: files.map(PageFiles::page),
            pictures: files.and_then(PageFiles::pictures),
        }
    }
}
