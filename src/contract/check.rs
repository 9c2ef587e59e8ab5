//! What `check --json` prints.

use serde::Serialize;
use slipwright_analysis::readiness::{CouldWork, Readiness, ReadinessFinding, SignalState};

/// `check`: ready or not, and why.
#[derive(Debug, Serialize)]
pub(crate) struct CheckOutput {
    pub(crate) ready: bool,
    pub(crate) why: String,
    pub(crate) signals: Vec<SignalOutput>,
    pub(crate) other_signals: Vec<SignalOutput>,
    pub(crate) findings: Vec<FindingOutput>,
    /// Whether the coupling can have worked; `null` where nothing tells.
    pub(crate) coupling_could_work: Option<bool>,
    pub(crate) coupling_why: String,
    /// Trouble codes by the units asked; only with `--ask`, or where a capture holds answers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) trouble_codes: Option<Vec<TroubleCodesOutput>>,
    pub(crate) notes: Vec<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct SignalOutput {
    pub(crate) role: &'static str,
    pub(crate) state: &'static str,
    pub(crate) rate_hz: Option<f64>,
    pub(crate) why: Option<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct FindingOutput {
    pub(crate) what: &'static str,
    pub(crate) why: String,
    pub(crate) evidence: Vec<String>,
    pub(crate) blocking: bool,
}

/// What one unit said when asked for its trouble codes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub(crate) struct TroubleCodesOutput {
    /// Identifier that the answer came with.
    pub(crate) unit: String,
    /// Which list: `confirmed`, `pending`, `permanent`, `by status`.
    pub(crate) list: &'static str,
    pub(crate) codes: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) why: Option<String>,
}

impl From<&SignalState> for SignalOutput {
    fn from(state: &SignalState) -> Self {
        Self {
            role: state.role.text(),
            state: state.state.text(),
            rate_hz: state.rate_hz.map(|hz| (hz * 100.0).round() / 100.0),
            why: state.why.clone(),
        }
    }
}

impl From<&ReadinessFinding> for FindingOutput {
    fn from(finding: &ReadinessFinding) -> Self {
        Self {
            what: finding.what,
            why: finding.why.clone(),
            evidence: finding.evidence.clone(),
            blocking: finding.blocking,
        }
    }
}

impl CheckOutput {
    pub(crate) fn new(
        readiness: &Readiness,
        trouble_codes: Option<Vec<TroubleCodesOutput>>,
    ) -> Self {
        let mut findings: Vec<FindingOutput> = readiness.findings.iter().map(Into::into).collect();
        let set: Vec<String> = trouble_codes
            .iter()
            .flatten()
            .flat_map(|unit| {
                let named = |code: &String| format!("{code} ({}, {})", unit.unit, unit.list);
                unit.codes.iter().map(named)
            })
            .collect();
        if !set.is_empty() {
            findings.push(FindingOutput {
                what: "trouble_codes",
                why: "Trouble codes are set. Read what they mean in the vehicle maker's text, and mend what they name before the test.".into(),
                evidence: set,
                blocking: true,
            });
        }
        let ready = readiness.ready && !findings.iter().any(|f| f.blocking);
        Self {
            ready,
            why: why(readiness, &findings, ready),
            signals: readiness.signals.iter().map(Into::into).collect(),
            other_signals: readiness.others.iter().map(Into::into).collect(),
            findings,
            coupling_could_work: match readiness.coupling.could_work {
                CouldWork::Yes => Some(true),
                CouldWork::No => Some(false),
                CouldWork::NotKnown => None,
            },
            coupling_why: readiness.coupling.why.clone(),
            trouble_codes,
            notes: readiness.notes.clone(),
        }
    }
}

fn why(readiness: &Readiness, findings: &[FindingOutput], ready: bool) -> String {
    if ready {
        return "every needed signal is alive and nothing stands in the way".into();
    }
    let bad: Vec<String> = readiness
        .signals
        .iter()
        .filter(|s| s.state.text() != "alive")
        .map(|s| format!("{} is {}", s.role, s.state.text()))
        .collect();
    let blocking = findings.iter().filter(|f| f.blocking);
    let reasons: Vec<String> = bad
        .into_iter()
        .chain(blocking.map(|f| f.what.replace('_', " ")))
        .collect();
    reasons.join("; ")
}
