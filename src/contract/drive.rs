//! What `measure` prints of a whole drive beside its engagements.

use serde::Serialize;
use slipwright_analysis::coupling_model::{CouplingModel, Parameter};
use slipwright_analysis::tested::{Tested, TestedDrive};
use slipwright_analysis::traction::GroundSpeed;

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

/// Scale and lag of ground speed against the wheels.
#[derive(Debug, Serialize)]
pub(super) struct GroundSpeedOutput {
    #[serde(flatten)]
    scale: Value,
    lag_s: Option<f64>,
    lag_u: Option<f64>,
}

impl From<&GroundSpeed> for GroundSpeedOutput {
    fn from(ground: &GroundSpeed) -> Self {
        let lag = ground.lag_s.as_ref().ok();
        Self {
            scale: Value::from(&ground.scale),
            lag_s: lag.map(|e| e.value),
            lag_u: lag.map(|e| e.u),
        }
    }
}

/// How much of the coupling's rated torque was tested, per cent.
#[derive(Debug, Serialize)]
pub(super) struct TestedOutput {
    percent: Value,
    upper_bound: bool,
    slipped_s: f64,
}

impl From<&Tested> for TestedOutput {
    fn from(tested: &Tested) -> Self {
        Self {
            percent: Value::from(&tested.percent),
            upper_bound: tested.upper_bound,
            slipped_s: tested.slipped_s,
        }
    }
}

/// The same of a drive, and which manoeuvre would test more.
#[derive(Debug, Serialize)]
pub(super) struct TestedDriveOutput {
    #[serde(flatten)]
    most: TestedOutput,
    slipped_engagements: usize,
    enough: bool,
    sentence: String,
    manoeuvre: Option<String>,
}

impl From<&TestedDrive> for TestedDriveOutput {
    fn from(tested: &TestedDrive) -> Self {
        Self {
            most: TestedOutput::from(&tested.most),
            slipped_engagements: tested.slipped,
            enough: tested.is_enough(),
            sentence: tested.sentence(),
            manoeuvre: tested.manoeuvre(),
        }
    }
}
