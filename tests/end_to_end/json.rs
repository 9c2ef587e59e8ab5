//! The public contract, read anew: only what it promises, in structs of the tests' own.

use std::collections::BTreeMap;

use serde::Deserialize;

#[derive(Debug, Deserialize)]
pub(crate) struct Value {
    pub(crate) value: Option<f64>,
    pub(crate) u: Option<f64>,
    pub(crate) why: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Measured {
    pub(crate) drives: Vec<Drive>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Drive {
    pub(crate) capture: String,
    pub(crate) duration_s: f64,
    pub(crate) frames: u64,
    pub(crate) noise_slip_mps: Option<f64>,
    pub(crate) radius_ratio: BTreeMap<String, Value>,
    pub(crate) engagements: Vec<Engagement>,
    pub(crate) coupling_model: CouplingModel,
    pub(crate) tested: Tested,
    pub(crate) ground_speed_scale: GroundSpeedScale,
    pub(crate) warnings: Vec<String>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct CouplingModel {
    pub(crate) fill_time: Parameter,
    pub(crate) rise_rate: Parameter,
    pub(crate) leak_rate: Parameter,
    pub(crate) torque_per_bar: Parameter,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Parameter {
    #[serde(flatten)]
    pub(crate) value: Value,
    pub(crate) interval: Option<[f64; 2]>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Tested {
    pub(crate) percent: Value,
    pub(crate) enough: bool,
    pub(crate) sentence: String,
    pub(crate) manoeuvre: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct GroundSpeedScale {
    #[serde(flatten)]
    pub(crate) scale: Value,
    pub(crate) lag_s: Option<f64>,
    pub(crate) lag_u: Option<f64>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Engagement {
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    pub(crate) kind: String,
    pub(crate) reference: String,
    pub(crate) reference_s: f64,
    pub(crate) dead_time_ms: Value,
    pub(crate) rise_time_ms: Value,
    pub(crate) engagement_delay_ms: Value,
    pub(crate) peak_slip_mps: Value,
    pub(crate) slip_time_ms: Value,
    pub(crate) slip_distance_m: Value,
    pub(crate) steady_slip_mps: Value,
    pub(crate) friction_work_j: Value,
    pub(crate) transfer_fraction: Value,
    pub(crate) transfer: Vec<Transfer>,
    pub(crate) hold_percent_per_s: Value,
    pub(crate) ripple_bar: Value,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Transfer {
    pub(crate) method: String,
    pub(crate) value: Option<f64>,
    pub(crate) u: Option<f64>,
    pub(crate) why: Option<String>,
    pub(crate) assumption: String,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Compared {
    pub(crate) before: SetSize,
    pub(crate) after: SetSize,
    pub(crate) measures: Vec<ComparedMeasure>,
    pub(crate) verdict: String,
    pub(crate) sentence: String,
    pub(crate) warnings: Vec<String>,
    pub(crate) report: Option<String>,
}

impl Compared {
    /// The entry of one measure.
    pub(crate) fn measure(&self, name: &str) -> &ComparedMeasure {
        self.measures
            .iter()
            .find(|m| m.name == name)
            .unwrap_or_else(|| panic!("no {name}"))
    }
}

#[derive(Debug, Deserialize)]
pub(crate) struct SetSize {
    pub(crate) drives: usize,
    pub(crate) engagements: usize,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Pair {
    pub(crate) before: PairSide,
    pub(crate) after: PairSide,
}

#[derive(Debug, Deserialize)]
pub(crate) struct PairSide {
    pub(crate) capture: String,
    pub(crate) start_s: f64,
    pub(crate) value: f64,
}

#[derive(Debug, Deserialize)]
pub(crate) struct ComparedMeasure {
    pub(crate) name: String,
    pub(crate) before_median: Option<f64>,
    pub(crate) after_median: Option<f64>,
    pub(crate) shift: Option<f64>,
    pub(crate) ci_low: Option<f64>,
    pub(crate) ci_high: Option<f64>,
    pub(crate) p: Option<f64>,
    pub(crate) smallest_provable: Option<f64>,
    pub(crate) pairs: usize,
    pub(crate) before_u: Option<f64>,
    pub(crate) matched: Vec<Pair>,
    pub(crate) verdict: String,
}
