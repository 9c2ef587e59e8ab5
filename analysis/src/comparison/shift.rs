//! One measure's shift over matched engagements, with an interval that knows which engagements
//! share a drive.
//!
//! **Model.** For engagement `j` of drive `i`, `z_ij = intercept + set + kind + conditions + b_i +
//! e_ij` ([`crate::statistics::two_level`]), with wild values held back ([`two_level::robust`]).
//! `b_i` is what all engagements of a drive share: the day, the road, the driver. Conditions
//! (temperature, demand, accelerator rate, speed, accelerator) enter linearly, as deviations from their
//! mean in calipers, the accelerator only where demand does not follow it within the drives, so the shift is at the mean conditions of the matched engagements.
//!
//! **Scale.** `z` is the value itself, or its logarithm where every value is positive and the
//! residual likelihood of Box & Cox (J. Royal Statistical Society B 26 (1964) 211-252), with `z`
//! scaled by the geometric mean, prefers it clearly: conditions then act by factors, as the
//! thickness of a cold oil does. The choice does not look at the shift.
//!
//! **Shift.** The weighted Hodges-Lehmann estimate of the adjusted values in the measure's unit
//! ([`scale`]), within strata, each engagement weighted as the model weights it,
//! `1 / (1 + n_i rho)`: between one an engagement where drives agree and one a drive where they do
//! not.
//!
//! **Spread.** Drives and engagements are taken to spread alike before and after, unless the
//! spread within drives clearly says otherwise (a healed coupling may be calmer, not only
//! quicker). Then both of a set's standard deviations are scaled by what it shows within drives.
//!
//! **Interval.** `shift -+ t SE`, brought to the measure's unit by [`scale`], with the model's standard error between drives and Satterthwaite's
//! degrees of freedom; three drives against three have 4 of them, whatever the number of
//! engagements. The standard error is widened by [`CHOICES`], and never taken smaller than the
//! stated uncertainty of the measured values allows.

mod design;
mod scale;

use design::{Design, SET};
use scale::Adjusted;

use super::matching::Stratum;
use crate::engagement::Conditions;
use crate::statistics::quantile::median;
use crate::statistics::student_t::{two_sided_critical, two_sided_p};
use crate::statistics::two_level::robust::fit_robust;
use crate::statistics::two_level::{self, Fit, Level};

/// Confidence of every interval.
pub const CONFIDENCE: f64 = 0.95;

/// The model's standard error does not know that the scale, the matches and the clipping of wild values
/// were chosen on the same data. Unchanged campaigns of all kinds are called changed in 5.5 to 6 %
/// without this factor (`comparison_calibration`, seeds 77000 on).
const CHOICES: f64 = 1.03;

/// By how much twice the log likelihood must prefer the logarithm. Two is the usual mark of a
/// difference worth noting (Akaike).
const PREFERENCE: f64 = 2.0;

/// Part of the values below which a spread is rounding.
const ROUNDING: f64 = 1e-11;

/// One measured value of a matched engagement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// Whether it is in the after set.
    pub is_after: bool,
    /// Its drive, numbered from zero over both sets, without gaps.
    pub drive: usize,
    /// Its stratum.
    pub stratum: usize,
    /// Value in the measure's unit.
    pub value: f64,
    /// Standard uncertainty of the value.
    pub u: f64,
    /// What drove it.
    pub conditions: Conditions,
    /// How many engagements its drive had before it.
    pub place_in_drive: usize,
    /// How many engagements the after set had before it; 0 before the work.
    pub since_work: usize,
}

/// A change over the after set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeddingIn {
    /// Change from the first engagement of the after set to its last, in the measure's unit.
    pub change: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
    /// Two-sided p value of the trend.
    pub p: f64,
}

/// How sure a shift is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sureness {
    /// Standard error on the model's scale.
    standard_error: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Lower end of the interval, in the measure's unit.
    pub low: f64,
    /// Upper end of the interval, in the measure's unit.
    pub high: f64,
}

/// An estimated shift.
#[derive(Clone, Debug, PartialEq)]
pub struct Shift {
    /// After less before, in the measure's unit.
    pub shift: f64,
    /// How sure it is, or why that cannot be said.
    pub sureness: Result<Sureness, String>,
    /// Shift and interval from the spread within drives only, in the measure's unit: what could
    /// be said if the drives were alike but for the work.
    pub within_drives: Option<(f64, f64)>,
    /// Spread from engagement to engagement within a drive, as a part of the typical value.
    pub relative_spread: f64,
    /// A trend over the after set, if the model was asked for one and could tell.
    pub trend: Option<BeddingIn>,
    adjusted: Adjusted,
}

impl Shift {
    /// The size of change, in the measure's unit, that is `errors` standard errors: on logarithms of
    /// a fall, or of a rise where that is wanted.
    #[must_use]
    pub fn of_errors(&self, errors: f64, rises: bool) -> Option<f64> {
        let sureness = self.sureness.as_ref().ok()?;
        let size = self.adjusted.size(errors * sureness.standard_error, rises);
        size.is_finite().then_some(size)
    }

    /// The middle of the before set at equal conditions, in the measure's unit.
    #[must_use]
    pub fn level_before(&self) -> f64 {
        self.adjusted.level_before()
    }

    /// Whether the model worked on logarithms.
    #[must_use]
    pub fn is_logarithmic(&self) -> bool {
        self.adjusted.is_logarithmic()
    }
}

/// Estimates the shift. With `with_trend` the model also allows for a change over the after set,
/// and the shift is then the average over that set. `Err` says in plain words why there is none.
pub fn estimate(
    observations: &[Observation],
    strata: &[Stratum],
    with_trend: bool,
) -> Result<Shift, String> {
    let design = Design::new(observations, strata, with_trend);
    let values: Vec<f64> = observations.iter().map(|o| o.value).collect();
    let (model, fit) = Model::choose(&values, &design)
        .ok_or_else(|| "fewer engagements than the model has unknowns".to_owned())?;
    let adjusted = Adjusted::new(
        observations,
        strata.len(),
        &design.adjusted(&model.z, &fit),
        &fit,
        &model,
    )
    .ok_or_else(|| "no engagement after has a counterpart before".to_owned())?;
    let difference = adjusted.difference();
    let shift = adjusted.shift();
    if !shift.is_finite() {
        return Err("the values are too far apart to be compared".to_owned());
    }
    let spread = fit.within_variance.sqrt();
    let typical = median(&values.iter().map(|v| v.abs()).collect::<Vec<_>>()).unwrap_or(0.0);
    let relative_spread = match (model.is_logarithmic, typical > 0.0) {
        (true, _) => spread,
        (false, true) => spread / typical,
        (false, false) => f64::INFINITY,
    };
    let within_drives = fit.coefficient(SET, Level::Total).map(|c| {
        let reach = two_sided_critical(1.0 - CONFIDENCE, fit.within_df as f64) * c.standard_error;
        (adjusted.limit(-reach), adjusted.limit(reach))
    });
    let floor = model.measurement_error(observations);
    let trend = design
        .trend
        .and_then(|column| trend(&fit, column, &design, &adjusted));
    Ok(Shift {
        shift,
        sureness: sureness(&fit, difference, floor, &adjusted),
        within_drives: within_drives.filter(|(low, high)| low.is_finite() && high.is_finite()),
        relative_spread,
        trend,
        adjusted,
    })
}

fn sureness(
    fit: &Fit,
    difference: f64,
    floor: f64,
    adjusted: &Adjusted,
) -> Result<Sureness, String> {
    let between = fit.coefficient(SET, Level::Between).ok_or_else(|| {
        "too few drives to tell the work from what else differs between drives".to_owned()
    })?;
    let standard_error = (CHOICES * between.standard_error).max(floor);
    let rounding = ROUNDING * fit.intercept.abs().max(difference.abs());
    if standard_error <= rounding {
        return Err(
            "the values do not vary, so there is no spread to judge a change by".to_owned(),
        );
    }
    let reach = two_sided_critical(1.0 - CONFIDENCE, between.df) * standard_error;
    let (low, high) = (adjusted.limit(-reach), adjusted.limit(reach));
    if !(low.is_finite() && high.is_finite()) {
        return Err("the interval has no end".to_owned());
    }
    let p = two_sided_p(difference / standard_error, between.df);
    Ok(Sureness {
        standard_error,
        df: between.df,
        p,
        low,
        high,
    })
}

fn trend(fit: &Fit, column: usize, design: &Design, adjusted: &Adjusted) -> Option<BeddingIn> {
    let slope = fit.coefficient(column, Level::Total)?;
    let values = design.columns.get(column)?;
    let first = values.iter().copied().fold(f64::INFINITY, f64::min);
    let last = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let reach = two_sided_critical(1.0 - CONFIDENCE, slope.df) * slope.standard_error;
    let change = |slope: f64| adjusted.natural(slope * (last - first));
    let (low, high) = (change(slope.value - reach), change(slope.value + reach));
    let usable = slope.standard_error > 0.0 && low.is_finite() && high.is_finite();
    usable.then(|| BeddingIn {
        change: change(slope.value),
        low,
        high,
        p: two_sided_p(slope.value / slope.standard_error, slope.df),
    })
}

/// Values on the scale on which the model works.
struct Model {
    z: Vec<f64>,
    is_logarithmic: bool,
    /// How far each value's set spreads, beside the other; empty where both are taken to spread alike.
    spread: Vec<f64>,
}

impl Model {
    fn choose(values: &[f64], design: &Design) -> Option<(Self, Fit)> {
        let plain = Self {
            z: values.to_vec(),
            is_logarithmic: false,
            spread: Vec::new(),
        };
        let logarithmic = values.iter().all(|v| *v > 0.0).then(|| Self {
            z: values.iter().map(|v| v.ln()).collect(),
            is_logarithmic: true,
            spread: Vec::new(),
        });
        let mut chosen = plain;
        if let Some(logarithmic) = logarithmic {
            // Box & Cox: logarithms times the geometric mean have the values' own density.
            let mean = logarithmic.z.iter().sum::<f64>() / values.len() as f64;
            let scaled: Vec<f64> = logarithmic
                .z
                .iter()
                .map(|z| mean.exp() * (z - mean))
                .collect();
            let criterion = |z: &[f64]| {
                let fit = design.fit(|columns| two_level::fit(z, columns, &design.drive))?;
                Some(fit.criterion)
            };
            let prefers = |a: Option<f64>, b: Option<f64>| matches!((a, b), (Some(a), Some(b)) if a > b + PREFERENCE);
            if prefers(criterion(&chosen.z), criterion(&scaled)) {
                chosen = logarithmic;
            }
        }
        let robust = |scale: &[f64]| {
            design.fit(|columns| fit_robust(&chosen.z, columns, &design.drive, scale))
        };
        let fit = robust(&vec![1.0; values.len()])?;
        let largest = chosen.z.iter().fold(0.0_f64, |most, z| most.max(z.abs()));
        if fit.within_variance.sqrt() <= ROUNDING * largest {
            return Some((chosen, fit));
        }
        let uneven = design.uneven_spread(&fit);
        if let Some((spread, fit)) = uneven.and_then(|s| Some((s.clone(), robust(&s)?))) {
            chosen.spread = spread;
            return Some((chosen, fit));
        }
        Some((chosen, fit))
    }

    /// Standard error of the difference of set means from the values' stated uncertainties alone.
    fn measurement_error(&self, observations: &[Observation]) -> f64 {
        let mut variance = 0.0;
        for is_after in [false, true] {
            let squares: Vec<f64> = observations
                .iter()
                .filter(|o| o.is_after == is_after && o.u.is_finite())
                .map(|o| {
                    if self.is_logarithmic {
                        o.u / o.value
                    } else {
                        o.u
                    }
                })
                .map(|u| u * u)
                .collect();
            let count = squares.len().max(1) as f64;
            // The median, so that one hopeless value does not speak for all.
            variance += median(&squares).unwrap_or(0.0) / count;
        }
        variance.sqrt()
    }
}
