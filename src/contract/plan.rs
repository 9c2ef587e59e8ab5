//! What `plan --json` prints, and what `watch --plan` reads of it.

use serde::{Deserialize, Serialize};
use slipwright_analysis::plan::{CampaignPlan, MeasurePlan};
use slipwright_analysis::readiness::SignalLine;
use slipwright_analysis::test_card::Need;

/// A plan.
#[derive(Debug, Serialize)]
pub(crate) struct PlanOutput {
    vehicle: String,
    earlier: Vec<String>,
    engagements: usize,
    noise_slip_mps: Option<f64>,
    change_percent: f64,
    provable: bool,
    recommended: Recommended,
    accelerator_why: Option<String>,
    signals: Vec<SignalOutput>,
    measures: Vec<MeasureOutput>,
    card: Option<String>,
}

/// What each side of the campaign needs.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Recommended {
    drives: usize,
    launches: usize,
    tip_ins: usize,
    accelerator_percent: Option<[f64; 2]>,
}

#[derive(Debug, Serialize)]
struct SignalOutput {
    role: &'static str,
    there: bool,
    without_it: &'static str,
}

#[derive(Debug, Serialize)]
struct MeasureOutput {
    name: &'static str,
    typical: Option<f64>,
    spread_between_drives: Option<f64>,
    spread_within_drive: Option<f64>,
    /// Whether the spread between drives is assumed rather than measured.
    assumed: bool,
    smallest_provable: Vec<Provable>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

#[derive(Debug, Serialize)]
struct Provable {
    drives: usize,
    launches: usize,
    tip_ins: usize,
    percent: f64,
    /// In the measure's unit; missing where nothing was measured.
    change: Option<f64>,
}

impl PlanOutput {
    pub(crate) fn new(
        vehicle: &str,
        earlier: &[String],
        plan: &CampaignPlan,
        signals: &[SignalLine],
        card: Option<String>,
    ) -> Self {
        let need = plan.need();
        Self {
            vehicle: vehicle.to_owned(),
            earlier: earlier.to_vec(),
            engagements: plan.earlier_engagements,
            noise_slip_mps: plan.noise_slip_mps,
            change_percent: plan.target * 100.0,
            provable: plan.recommended.is_some(),
            recommended: Recommended {
                drives: need.drives,
                launches: need.launches,
                tip_ins: need.tip_ins,
                accelerator_percent: need.accelerator_percent.map(|(low, high)| [low, high]),
            },
            accelerator_why: plan.accelerator_percent.as_ref().err().cloned(),
            signals: signals
                .iter()
                .map(|line| SignalOutput {
                    role: line.role.text(),
                    there: line.is_there,
                    without_it: line.cost,
                })
                .collect(),
            measures: plan.measures.iter().map(|m| measure(plan, m)).collect(),
            card,
        }
    }
}

fn measure(plan: &CampaignPlan, measure: &MeasurePlan) -> MeasureOutput {
    let known = measure.spread.as_ref().ok().filter(|_| !measure.is_assumed);
    MeasureOutput {
        name: measure.measure.key(),
        typical: known.map(|s| s.typical),
        spread_between_drives: known.map(|s| s.between),
        spread_within_drive: known.map(|s| s.within),
        assumed: measure.is_assumed || measure.spread.as_ref().is_ok_and(|s| s.is_between_assumed),
        smallest_provable: plan
            .designs
            .iter()
            .zip(&measure.provable)
            .filter(|(_, part)| part.is_finite())
            .map(|(design, part)| Provable {
                drives: design.drives,
                launches: design.launches,
                tip_ins: design.tip_ins,
                percent: part * 100.0,
                change: known.map(|s| s.typical * part),
            })
            .collect(),
        why: measure.spread.as_ref().err().cloned(),
    }
}

/// What is read back of a plan.
#[derive(Debug, Deserialize)]
pub(crate) struct PlanFile {
    recommended: Recommended,
}

impl PlanFile {
    pub(crate) fn need(&self) -> Need {
        let it = self.recommended;
        Need {
            drives: it.drives,
            launches: it.launches,
            tip_ins: it.tip_ins,
            accelerator_percent: it.accelerator_percent.map(|[low, high]| (low, high)),
        }
    }
}
