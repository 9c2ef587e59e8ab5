//! JSON of `book`.

use serde::Serialize;
use slipwright_analysis::book::{Due, Usage};

/// `book new`, `book work`: what was written.
#[derive(Debug, Serialize)]
pub(crate) struct BookOutput {
    pub(crate) book: String,
    pub(crate) written: Vec<String>,
}

/// `book due`: every reminder and how much of its intervals is used.
#[derive(Debug, Serialize)]
pub(crate) struct DueOutput<'a> {
    /// Drives that friction work is summed over.
    drives: usize,
    reminders: Vec<ReminderOutput<'a>>,
    /// Drives that cannot be read, whose work is not in the sums.
    failures: &'a [String],
}

impl<'a> DueOutput<'a> {
    pub(crate) fn new(all: &'a [Due], drives: usize, failures: &'a [String]) -> Self {
        Self {
            drives,
            reminders: reminders(all),
            failures,
        }
    }
}

/// The same reminders inside the object of another command.
pub(super) fn reminders(all: &[Due]) -> Vec<ReminderOutput<'_>> {
    all.iter().map(ReminderOutput::from).collect()
}

#[derive(Debug, Serialize)]
pub(super) struct ReminderOutput<'a> {
    what: &'a str,
    state: &'static str,
    since_work: Option<&'a str>,
    intervals: Vec<IntervalOutput<'a>>,
}

impl<'a> From<&'a Due> for ReminderOutput<'a> {
    fn from(due: &'a Due) -> Self {
        Self {
            what: &due.what,
            state: due.state.text(),
            since_work: due.since.as_deref(),
            intervals: due.usage.iter().map(IntervalOutput::from).collect(),
        }
    }
}

#[derive(Debug, Serialize)]
struct IntervalOutput<'a> {
    unit: &'static str,
    every: f64,
    used: Option<f64>,
    left: Option<f64>,
    why: Option<&'a str>,
}

impl<'a> From<&'a Usage> for IntervalOutput<'a> {
    fn from(usage: &'a Usage) -> Self {
        let used = usage.used.as_ref().ok().copied();
        Self {
            unit: usage.unit,
            every: usage.every,
            used,
            left: used.map(|used| usage.every - used),
            why: usage.used.as_ref().err().map(String::as_str),
        }
    }
}
