//! `truth.json`: what the drives of a scenario were made from, as the text of one file.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::drive::DriveTruth;
use crate::fault::Cause;
use crate::scenario::Scenario;
use crate::state::WHEEL_NAMES;
use crate::truth::TrueEngagement;

#[derive(Serialize)]
struct TruthFile<'a> {
    scenario: &'a str,
    seed: u64,
    car: &'a str,
    faults: Vec<FaultTruth>,
    drives: Vec<DriveRecord<'a>>,
}

#[derive(Serialize)]
struct FaultTruth {
    cause: &'static str,
    severity: f64,
    onset_s: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    form: Option<&'static str>,
}

#[derive(Serialize)]
struct DriveRecord<'a> {
    capture: String,
    duration_s: f64,
    frames: u64,
    fluid_c: f64,
    air_c: f64,
    radius_ratio: BTreeMap<&'static str, f64>,
    noise_slip_mps: f64,
    dropout_speed_mps: f64,
    bus_load: &'a [f64],
    energy_residual: f64,
    engagements: &'a [TrueEngagement],
}

/// The truth of a scenario's drives as JSON text.
#[must_use]
pub(crate) fn to_json(scenario: &Scenario, drives: &[DriveTruth]) -> String {
    let file = TruthFile {
        scenario: &scenario.name,
        seed: scenario.seed,
        car: &scenario.car.name,
        faults: scenario
            .faults
            .iter()
            .map(|fault| FaultTruth {
                cause: fault.cause.text(),
                severity: fault.severity,
                onset_s: fault.onset_s,
                form: (fault.cause == Cause::InhibitedOrWiring).then(|| fault.form.text()),
            })
            .collect(),
        drives: scenario
            .drives
            .iter()
            .zip(drives)
            .map(|(plan, truth)| DriveRecord {
                capture: plan.capture_name(scenario.compress),
                duration_s: truth.duration_s,
                frames: truth.frames,
                fluid_c: plan.fluid_c,
                air_c: plan.air_c,
                radius_ratio: WHEEL_NAMES.into_iter().zip(truth.radius_ratio).collect(),
                noise_slip_mps: truth.noise_slip_mps,
                dropout_speed_mps: truth.dropout_speed_mps,
                bus_load: &truth.bus_load,
                energy_residual: truth.energy_residual,
                engagements: &truth.engagements,
            })
            .collect(),
    };
    // A plain tree of numbers and texts always serialises.
    let mut text = serde_json::to_string_pretty(&file).unwrap_or_default();
    text.push('\n');
    text
}
