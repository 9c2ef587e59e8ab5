//! Drives recorded in memory for the checks, with every true state.

use std::collections::BTreeMap;

use slipwright_decoders::frame::CanId;
use slipwright_sample::memory::{Recording, StoredFrame};
use slipwright_sample::scenario::Scenario;

/// Records the first drive of a scenario file's text.
pub(crate) fn drive(text: &str) -> Recording {
    Recording::with_states(&Scenario::parse(text, None).unwrap(), 0).unwrap()
}

/// A truth column by name, over the whole drive.
pub(crate) fn truth_column(recording: &Recording, name: &str) -> Vec<f64> {
    let mut all = Vec::new();
    for table in &recording.states {
        let index = table.names.iter().position(|(n, _)| n == name);
        let index = index.unwrap_or_else(|| panic!("no column {name}"));
        all.extend_from_slice(&table.columns[index]);
    }
    all
}

/// Frames by identifier.
pub(crate) fn by_id(recording: &Recording) -> BTreeMap<CanId, Vec<&StoredFrame>> {
    let mut map: BTreeMap<CanId, Vec<&StoredFrame>> = BTreeMap::new();
    for frame in &recording.frames {
        map.entry(frame.id).or_default().push(frame);
    }
    map
}
