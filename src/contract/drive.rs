//! What `measure` prints of a whole drive beside its engagements.

use serde::Serialize;
use slipwright_analysis::coupling_model::{CouplingModel, Parameter};

use super::Value;

/// The coupling's fitted model. Units stand in the names' endings or in `unit`.
#[derive(Debug, Serialize)]
pub(super) struct CouplingModelOutput {
    fill_time: ParameterOutput,
    rise_rate: ParameterOutput,
    leak_rate: ParameterOutput,
    torque_per_bar: ParameterOutput,
    engagements: usize,
    residual_bar: Option<f64>,
}

#[derive(Debug, Serialize)]
struct ParameterOutput {
    #[serde(flatten)]
    value: Value,
    interval: Option<[f64; 2]>,
    unit: &'static str,
}

impl ParameterOutput {
    fn new(parameter: &Parameter, unit: &'static str) -> Self {
        Self {
            value: Value::from(&parameter.estimate),
            interval: parameter.interval,
            unit,
        }
    }
}

impl From<&CouplingModel> for CouplingModelOutput {
    fn from(model: &CouplingModel) -> Self {
        Self {
            fill_time: ParameterOutput::new(&model.fill_time_ms, "ms"),
            rise_rate: ParameterOutput::new(&model.rise_rate_bar_per_s, "bar/s"),
            leak_rate: ParameterOutput::new(&model.leak_rate_percent_per_s, "%/s"),
            torque_per_bar: ParameterOutput::new(&model.torque_per_bar_nm, "Nm/bar"),
            engagements: model.engagements,
            residual_bar: model.residual_bar,
        }
    }
}
