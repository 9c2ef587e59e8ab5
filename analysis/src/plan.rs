//! How many launches and tip-ins prove a change of which size.
//!
//! The answer is the comparison's own, asked before the drives are driven: the two-level model of
//! [`crate::comparison::shift`], engagement within drive, with the spreads that an earlier drive of
//! the car shows. For `d` drives a side with `m` engagements each, the standard error of the shift is
//!
//! `SE² = (2 / d) (sigma_b² + sigma_e² / m)`, with `2 d - 2` degrees of freedom
//!
//! (balanced data: the t test on drive means; S. R. Searle, G. Casella & C. E. McCulloch, Variance
//! Components, 1992, chapter 3; from memory). It is never taken smaller than the stated uncertainty
//! of the measured values allows. The smallest provable change is the one shown with the
//! comparison's power at the level that its correction over measures leaves to this one.
//!
//! **Spread between drives.** Two drives hardly show it. With fewer than [`LEAST_DRIVES`] earlier
//! drives it is taken to be at least [`ASSUMED_BETWEEN`] of the typical value, the spread that the
//! comparison's calibration was made with, and the plan says that this is assumed.
//!
//! What drives engagements (temperature, demand) is adjusted for as the comparison does, as far as the
//! earlier drives hold enough values.

use crate::comparison::POWER;
use crate::comparison::condition::Condition;
use crate::comparison::family::{self, LEVEL, PROOF, Question};
use crate::engagement::{Kind, Reference};
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};
use crate::number;
use crate::statistics::quantile::median;
use crate::statistics::student_t::detectable;
use crate::statistics::two_level::Fit;
use crate::statistics::two_level::robust::fit_robust;
use crate::test_card::Need;

/// Spread from drive to drive that is assumed where it cannot be told, as a part of the value.
pub const ASSUMED_BETWEEN: f64 = 0.035;
/// Spread from engagement to engagement that is assumed without any earlier drive.
pub const ASSUMED_WITHIN: f64 = 0.055;
/// Fewer earlier drives than this do not tell how drives differ.
pub const LEAST_DRIVES: usize = 3;
/// Values of one measure below which its spread is not told.
const LEAST_VALUES: usize = 4;
/// Values that each regressor asks for.
const VALUES_A_COLUMN: usize = 8;
/// Slip must stand out of its noise by this factor for an accelerator position to be recommended.
const STANDS_OUT: f64 = 10.0;
/// Half the width of the recommended range of the accelerator, per cent.
const ACCELERATOR_HALF_WIDTH: f64 = 5.0;

/// Drives a side that are considered.
const DRIVES: [usize; 5] = [2, 3, 4, 5, MOST_DRIVES];
/// Most drives a side that are planned.
pub const MOST_DRIVES: usize = 6;
/// Launches, and as many tip-ins, a drive that are considered.
const EACH: [usize; 4] = [4, 6, 8, 10];

/// A campaign that could be driven.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Design {
    /// Drives before the work, and as many after it.
    pub drives: usize,
    /// Launches in each drive.
    pub launches: usize,
    /// Tip-ins in each drive.
    pub tip_ins: usize,
}

impl Design {
    fn engagements(self) -> usize {
        self.drives * (self.launches + self.tip_ins)
    }
}

/// How the values of one measure spread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Median, in the measure's unit; 1 where nothing was measured and spreads are parts of it.
    pub typical: f64,
    /// Standard deviation from drive to drive, in the unit of `typical`.
    pub between: f64,
    /// Standard deviation from engagement to engagement within a drive.
    pub within: f64,
    /// Typical standard uncertainty of a value.
    pub u: f64,
    /// Whether `between` is assumed.
    pub is_between_assumed: bool,
}

/// What can be proven of one measure.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasurePlan {
    /// Which measure.
    pub measure: Measure,
    /// How its values spread, or why that is not known.
    pub spread: Result<Spread, String>,
    /// Whether the spread is assumed, because there is no earlier drive.
    pub is_assumed: bool,
    /// Smallest provable change as a part of the typical value, one a design; empty without spread.
    pub provable: Vec<f64>,
}

/// The plan.
#[derive(Clone, Debug, PartialEq)]
pub struct CampaignPlan {
    /// Earlier drives that it rests on.
    pub earlier_drives: usize,
    /// Engagements in them that the comparison could use.
    pub earlier_engagements: usize,
    /// The change that shall be provable, as a part of the typical value.
    pub target: f64,
    /// Campaigns considered, smallest first.
    pub designs: Vec<Design>,
    /// One entry a measure of slip and delay.
    pub measures: Vec<MeasurePlan>,
    /// Place in `designs` of the smallest campaign that proves the target on delay and on peak slip,
    /// as far as each is known; if none does, of the smallest of the usual size that proves it on one.
    pub recommended: Option<usize>,
    /// Accelerator position at which slip stands out of its noise, per cent, lowest and highest; or
    /// why none is recommended.
    pub accelerator_percent: Result<(f64, f64), String>,
    /// Noise of slip in the earlier drives, m/s.
    pub noise_slip_mps: Option<f64>,
}

impl CampaignPlan {
    /// What the recommended campaign asks of each drive; the usual numbers where none is enough.
    #[must_use]
    pub fn need(&self) -> Need {
        let design = self.recommended.and_then(|at| self.designs.get(at));
        let usual = Need::default();
        Need {
            drives: design.map_or(usual.drives, |d| d.drives),
            launches: design.map_or(usual.launches, |d| d.launches),
            tip_ins: design.map_or(usual.tip_ins, |d| d.tip_ins),
            accelerator_percent: self.accelerator_percent.clone().ok(),
        }
    }
}

/// Plans a campaign that proves a change of `target`, a part of the typical value.
#[must_use]
pub fn plan(earlier: &[DriveMeasures], target: f64) -> CampaignPlan {
    let values = Values::of(earlier);
    let mut designs: Vec<Design> = DRIVES
        .into_iter()
        .flat_map(|drives| {
            EACH.into_iter().map(move |each| Design {
                drives,
                launches: each,
                tip_ins: each,
            })
        })
        .collect();
    designs.sort_by_key(|d| (d.engagements(), d.drives));
    let spreads: Vec<(Measure, Result<Spread, String>)> = Measure::ALL
        .iter()
        .map(|m| (*m, values.spread(*m)))
        .collect();
    let questions: Vec<Question> = spreads
        .iter()
        .filter_map(|(measure, spread)| {
            let spread = spread.as_ref().ok()?;
            Some(Question {
                measure: *measure,
                p: 1.0,
                relative_spread: spread.within / spread.typical,
            })
        })
        .collect();
    let corrected = family::correct(&questions);
    let level = |measure: Measure| {
        let at = questions.iter().position(|q| q.measure == measure);
        at.and_then(|at| corrected.get(at)).map(|c| c.level)
    };
    let measures: Vec<MeasurePlan> = spreads
        .into_iter()
        .filter(|(measure, _)| PROOF.contains(measure))
        .map(|(measure, spread)| {
            let is_assumed = earlier.is_empty() && measure == Measure::EngagementDelay;
            let spread = if is_assumed { Ok(assumed()) } else { spread };
            // Without data every measure of slip and delay is asked alike.
            let level = level(measure).unwrap_or(LEVEL / PROOF.len() as f64);
            let provable = spread.as_ref().map_or_else(
                |_| Vec::new(),
                |spread| {
                    designs
                        .iter()
                        .map(|d| provable(spread, *d, level))
                        .collect()
                },
            );
            MeasurePlan {
                measure,
                spread,
                is_assumed,
                provable,
            }
        })
        .collect();
    CampaignPlan {
        earlier_drives: earlier.len(),
        earlier_engagements: values.engagements.len(),
        target,
        recommended: recommended(&designs, &measures, target),
        designs,
        measures,
        accelerator_percent: values.accelerator(),
        noise_slip_mps: noise(earlier),
    }
}

fn assumed() -> Spread {
    Spread {
        typical: 1.0,
        between: ASSUMED_BETWEEN,
        within: ASSUMED_WITHIN,
        u: 0.0,
        is_between_assumed: true,
    }
}

/// Smallest provable change of a design, as a part of the typical value.
fn provable(spread: &Spread, design: Design, level: f64) -> f64 {
    let drives = design.drives as f64;
    let each = (design.launches + design.tip_ins) as f64;
    let variance = 2.0 / drives * (spread.between.powi(2) + spread.within.powi(2) / each);
    let floor = 2.0 * spread.u.powi(2) / (drives * each);
    let df = 2.0 * drives - 2.0;
    detectable(level, POWER, df) * variance.max(floor).sqrt() / spread.typical
}

fn recommended(designs: &[Design], measures: &[MeasurePlan], target: f64) -> Option<usize> {
    let asked = [Measure::EngagementDelay, Measure::PeakSlip];
    let known: Vec<&MeasurePlan> = measures
        .iter()
        .filter(|m| asked.contains(&m.measure) && !m.provable.is_empty())
        .collect();
    let proves = |at: usize, m: &MeasurePlan| m.provable.get(at).is_some_and(|p| *p <= target);
    let usual = Need::default();
    let is_usual = |d: &Design| d.drives >= usual.drives && d.launches >= usual.launches;
    let on_all = |at: &usize| !known.is_empty() && known.iter().all(|m| proves(*at, m));
    let on_one = |at: &usize| known.iter().any(|m| proves(*at, m));
    (0..designs.len()).find(on_all).or_else(|| {
        (0..designs.len()).find(|at| designs.get(*at).is_some_and(is_usual) && on_one(at))
    })
}

fn noise(earlier: &[DriveMeasures]) -> Option<f64> {
    let noises: Vec<f64> = earlier
        .iter()
        .filter_map(|d| d.noise_slip_mps.as_ref().ok().map(|e| e.value))
        .collect();
    median(&noises)
}

/// The launches and tip-ins of the earlier drives.
struct Values<'a> {
    drives: usize,
    /// Drive, its noise of slip, and the engagement.
    engagements: Vec<(usize, Option<f64>, &'a Engagement)>,
}

impl<'a> Values<'a> {
    fn of(earlier: &'a [DriveMeasures]) -> Self {
        let all = earlier.iter().flat_map(|d| &d.engagements);
        // Kinds of reference are never mixed; demand where it occurs.
        let reference = if all.clone().any(|e| e.reference == Reference::Demand) {
            Reference::Demand
        } else {
            Reference::Slip
        };
        let engagements = earlier.iter().enumerate().flat_map(|(drive, measured)| {
            let noise = measured.noise_slip_mps.as_ref().ok().map(|e| e.value);
            let wanted = measured.engagements.iter().filter(move |e| {
                e.reference == reference && matches!(e.kind, Kind::Launch | Kind::TipIn)
            });
            wanted.map(move |e| (drive, noise, e))
        });
        Self {
            drives: earlier.len(),
            engagements: engagements.collect(),
        }
    }

    fn spread(&self, measure: Measure) -> Result<Spread, String> {
        let found: Vec<(usize, &Engagement, f64, f64)> = self
            .engagements
            .iter()
            .filter_map(|(drive, _, e)| {
                let estimate = e.estimate(measure).filter(|e| e.u.is_finite())?;
                Some((*drive, *e, estimate.value, estimate.u))
            })
            .collect();
        if found.len() < LEAST_VALUES {
            return Err(self.lacking(measure, found.len()));
        }
        let y: Vec<f64> = found.iter().map(|(_, _, value, _)| *value).collect();
        let drives: Vec<usize> = found.iter().map(|(drive, ..)| *drive).collect();
        let mut seen = drives.clone();
        seen.dedup();
        let cluster: Vec<usize> = drives
            .iter()
            .map(|d| seen.iter().position(|s| s == d).unwrap_or(0))
            .collect();
        let engagements: Vec<&Engagement> = found.iter().map(|(_, e, ..)| *e).collect();
        let fit = spread_model(&y, &engagements, &cluster)
            .ok_or_else(|| "its values do not let their spread be told".to_owned())?;
        let sizes: Vec<f64> = y.iter().map(|v| v.abs()).collect();
        let typical = median(&sizes)
            .filter(|t| *t > 0.0)
            .ok_or_else(|| "its typical value is nought".to_owned())?;
        let us: Vec<f64> = found.iter().map(|(.., u)| *u).collect();
        let is_between_assumed = seen.len() < LEAST_DRIVES;
        let told = fit.between_variance.max(0.0).sqrt();
        Ok(Spread {
            typical,
            between: if is_between_assumed {
                told.max(ASSUMED_BETWEEN * typical)
            } else {
                told
            },
            within: fit.within_variance.max(0.0).sqrt(),
            u: median(&us).unwrap_or(0.0),
            is_between_assumed,
        })
    }

    fn lacking(&self, measure: Measure, have: usize) -> String {
        if self.drives == 0 {
            return "an earlier drive of this car would tell".to_owned();
        }
        let mut engagements = self.engagements.iter();
        match engagements.find_map(|(_, _, e)| e.why_missing(measure)) {
            Some(why) if have == 0 => why,
            _ => format!(
                "the earlier drives hold {} where {LEAST_VALUES} are needed",
                number::count(have, "value", "values")
            ),
        }
    }

    /// The accelerator positions of the engagements whose slip stands out.
    fn accelerator(&self) -> Result<(f64, f64), String> {
        if self.engagements.is_empty() {
            return Err(
                "an earlier drive would tell; until then firm, and the same every time".to_owned(),
            );
        }
        let clear: Vec<f64> = self
            .engagements
            .iter()
            .filter(
                |(_, noise, e)| match (e.estimate(Measure::PeakSlip), noise) {
                    (Some(slip), Some(noise)) => slip.value > STANDS_OUT * noise,
                    _ => false,
                },
            )
            .filter_map(|(_, _, e)| e.conditions.accelerator_percent)
            .collect();
        let middle = median(&clear).ok_or_else(|| {
            "slip never stood clear of its noise in the earlier drives: a looser surface or more \
             accelerator is needed, or the capture has no accelerator pedal"
                .to_owned()
        })?;
        let low = ((middle - ACCELERATOR_HALF_WIDTH) / 5.0).round() * 5.0;
        let low = low.clamp(5.0, 100.0 - 2.0 * ACCELERATOR_HALF_WIDTH);
        Ok((low, low + 2.0 * ACCELERATOR_HALF_WIDTH))
    }
}

/// The values without what kind and conditions explain; conditions are left out from the last one on
/// while they would leave too little to judge the spread by.
fn spread_model(y: &[f64], engagements: &[&Engagement], cluster: &[usize]) -> Option<Fit> {
    let of_kind = |e: &&Engagement| f64::from(u8::from(e.kind == Kind::TipIn));
    let mut columns: Vec<Vec<f64>> = vec![engagements.iter().map(of_kind).collect()];
    for condition in Condition::ALL {
        let values: Option<Vec<f64>> = engagements
            .iter()
            .map(|e| condition.of(&e.conditions))
            .collect();
        let Some(values) = values else { continue };
        let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
        let apart = values.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max);
        if condition.stands_in_for().is_none() && apart > condition.adjusted_from(mean.abs()) {
            columns.push(values.iter().map(|v| v - mean).collect());
        }
    }
    let scale = vec![1.0; y.len()];
    while columns.len() > 1 && y.len() < VALUES_A_COLUMN * columns.len() {
        columns.pop();
    }
    fit_robust(y, &columns, cluster, &scale)
}

#[cfg(test)]
mod tests;
