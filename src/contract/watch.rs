//! What `watch --json` prints.

use serde::Serialize;
use slipwright_analysis::test_card::{Need, next};
use slipwright_logger::recorder::live::Status;

use super::StatusOutput;
use crate::watch::Count;

/// The state of the recorder, and what its drive holds.
#[derive(Serialize)]
pub(crate) struct WatchOutput {
    #[serde(flatten)]
    status: StatusOutput,
    test_card: Option<TestCard>,
}

#[derive(Serialize)]
struct TestCard {
    drive: String,
    launches: Option<usize>,
    launches_needed: usize,
    tip_ins: Option<usize>,
    tip_ins_needed: usize,
    coasting: Option<bool>,
    next: Option<String>,
    not_counted: Vec<NotCounted>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

#[derive(Serialize)]
struct NotCounted {
    kind: &'static str,
    why: String,
    engagements: usize,
}

impl WatchOutput {
    pub(crate) fn new(status: Option<Status>, count: Option<Count>, need: Need) -> Self {
        Self {
            status: StatusOutput::new(status),
            test_card: count.map(|count| TestCard::new(count, need)),
        }
    }
}

impl TestCard {
    fn new(count: Count, need: Need) -> Self {
        let (tally, why) = match count.tally {
            Ok(tally) => (Some(tally), None),
            Err(why) => (None, Some(why)),
        };
        let held = tally.as_ref();
        Self {
            drive: count.drive,
            launches: held.map(|t| t.launches),
            launches_needed: need.launches,
            tip_ins: held.map(|t| t.tip_ins),
            tip_ins_needed: need.tip_ins,
            coasting: held.map(|t| t.has_coasted),
            next: held.map(|t| next(&need, t).text(&need)),
            not_counted: held
                .map_or(&[][..], |t| &t.refused)
                .iter()
                .map(|(kind, why, engagements)| NotCounted {
                    kind: kind.text(),
                    why: why.clone(),
                    engagements: *engagements,
                })
                .collect(),
            why,
        }
    }
}
