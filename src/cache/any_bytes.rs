//! What stands behind the seals of kept files, read from any bytes: for the fuzz target `tables`.

use slipwright_analysis::measures::{DriveMeasures, Trace};

use super::signals;

/// As signals; whether they could be read.
pub(crate) fn read_signals(bytes: &[u8]) -> bool {
    signals::unsealed(bytes.to_vec()).is_some()
}

/// As measures; whether they could be read.
pub(crate) fn read_measures(bytes: &[u8]) -> bool {
    rmp_serde::from_slice::<DriveMeasures>(bytes).is_ok()
}

/// As the traces of engagements; whether they could be read.
pub(crate) fn read_traces(bytes: &[u8]) -> bool {
    rmp_serde::from_slice::<Vec<Trace>>(bytes).is_ok()
}
