//! One measure's shift over matched engagements, with an interval that knows which engagements
//! share a drive.
//!
//! **Model.** For engagement `j` of drive `i`, `z_ij = intercept + set + kind + conditions + b_i +
//! e_ij` ([`crate::statistics::two_level`]), with wild values held back ([`two_level::robust`]).
//! `b_i` is what all engagements of a drive share: the day, the road, the driver. Conditions
//! (temperature, demand, accelerator rate, speed) enter linearly, as deviations from their mean
//! in calipers, so the shift is at the mean conditions of the matched engagements.
//!
//! **Scale.** `z` is the value itself, or its logarithm where every value is positive and the
//! residual likelihood of Box & Cox (J. Royal Statistical Society B 26 (1964) 211-252), with `z`
//! scaled by the geometric mean, prefers it clearly: conditions then act by factors, as the
//! thickness of a cold oil does. The choice does not look at the shift.
//!
//! **Shift.** The weighted Hodges-Lehmann estimate of the adjusted values, within strata, each
//! engagement weighted as the model weights it, `1 / (1 + n_i rho)`: between one an engagement
//! where drives agree and one a drive where they do not. On the logarithmic scale a shift of
//! `delta` is given in the measure's unit as `2 L sinh(delta / 2)`, which is `L_after - L_before`
//! about their geometric mean `L`.
//!
//! **Spread.** Drives and engagements are taken to spread alike before and after, unless the
//! spread within drives clearly says otherwise (a healed coupling may be calmer, not only
//! quicker). Then both of a set's standard deviations are scaled by what it shows within drives.
//!
//! **Interval.** `shift -+ t SE` with the model's standard error between drives and Satterthwaite's
//! degrees of freedom; three drives against three have 4 of them, whatever the number of
//! engagements. The standard error is widened by [`CHOICES`], and never taken smaller than the
//! stated uncertainty of the measured values allows.

mod design;

use design::{Design, SET};

use super::matching::Stratum;
use crate::engagement::Conditions;
use crate::statistics::hodges_lehmann::{self, weighted_shift};
use crate::statistics::quantile::{median, weighted_median};
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
    scale: Scale,
}

impl Shift {
    /// The size of change, in the measure's unit, that is `errors` standard errors.
    #[must_use]
    pub fn of_errors(&self, errors: f64) -> Option<f64> {
        let sureness = self.sureness.as_ref().ok()?;
        let size = self.scale.natural(errors * sureness.standard_error);
        size.is_finite().then_some(size)
    }

    /// Whether the model worked on logarithms.
    #[must_use]
    pub fn is_logarithmic(&self) -> bool {
        matches!(self.scale, Scale::Logarithmic { .. })
    }
}

/// The scale on which effects add up.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Scale {
    Plain,
    Logarithmic {
        /// Geometric mean of the levels before and after, in the measure's unit.
        level: f64,
    },
}

impl Scale {
    /// A difference on the model's scale in the measure's unit.
    fn natural(self, difference: f64) -> f64 {
        match self {
            Self::Plain => difference,
            Self::Logarithmic { level } => 2.0 * level * (0.5 * difference).sinh(),
        }
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
    let adjusted = design.adjusted(&model.z, &fit);
    let (difference, levels) = weigh(observations, strata.len(), &adjusted, &fit)
        .ok_or_else(|| "no engagement after has a counterpart before".to_owned())?;
    let scale = model.scale(levels);
    if !scale.natural(difference).is_finite() {
        return Err("the values are too far apart to be compared".to_owned());
    }
    let spread = fit.within_variance.sqrt();
    let typical = median(&values.iter().map(|v| v.abs()).collect::<Vec<_>>()).unwrap_or(0.0);
    let relative_spread = match scale {
        Scale::Plain if typical > 0.0 => spread / typical,
        Scale::Plain => f64::INFINITY,
        Scale::Logarithmic { .. } => spread,
    };
    let within_drives = fit.coefficient(SET, Level::Total).map(|c| {
        let reach = two_sided_critical(1.0 - CONFIDENCE, fit.within_df as f64) * c.standard_error;
        (
            scale.natural(difference - reach),
            scale.natural(difference + reach),
        )
    });
    let floor = model.measurement_error(observations);
    let trend = design
        .trend
        .and_then(|column| trend(&fit, column, &design, scale));
    Ok(Shift {
        shift: scale.natural(difference),
        sureness: sureness(&fit, difference, floor, scale),
        within_drives: within_drives.filter(|(low, high)| low.is_finite() && high.is_finite()),
        relative_spread,
        trend,
        scale,
    })
}

fn sureness(fit: &Fit, difference: f64, floor: f64, scale: Scale) -> Result<Sureness, String> {
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
    let (low, high) = (
        scale.natural(difference - reach),
        scale.natural(difference + reach),
    );
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

fn trend(fit: &Fit, column: usize, design: &Design, scale: Scale) -> Option<BeddingIn> {
    let slope = fit.coefficient(column, Level::Total)?;
    let values = design.columns.get(column)?;
    let first = values.iter().copied().fold(f64::INFINITY, f64::min);
    let last = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let reach = two_sided_critical(1.0 - CONFIDENCE, slope.df) * slope.standard_error;
    let change = |slope: f64| scale.natural(slope * (last - first));
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
}

impl Model {
    fn choose(values: &[f64], design: &Design) -> Option<(Self, Fit)> {
        let plain = Self {
            z: values.to_vec(),
            is_logarithmic: false,
        };
        let logarithmic = values.iter().all(|v| *v > 0.0).then(|| Self {
            z: values.iter().map(|v| v.ln()).collect(),
            is_logarithmic: true,
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
        let fit = match design.uneven_spread(&fit) {
            Some(scale) => robust(&scale).unwrap_or(fit),
            None => fit,
        };
        Some((chosen, fit))
    }

    /// `levels` are the middles of both sets' adjusted values.
    fn scale(&self, levels: [f64; 2]) -> Scale {
        if self.is_logarithmic {
            Scale::Logarithmic {
                level: (0.5 * (levels[0] + levels[1])).exp(),
            }
        } else {
            Scale::Plain
        }
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

/// The weighted Hodges-Lehmann shift of the adjusted values and the middle of each set.
fn weigh(
    observations: &[Observation],
    strata: usize,
    adjusted: &[f64],
    fit: &Fit,
) -> Option<(f64, [f64; 2])> {
    let drives = observations.iter().map(|o| o.drive + 1).max().unwrap_or(0);
    let mut count = vec![0_usize; drives];
    for o in observations {
        if let Some(slot) = count.get_mut(o.drive) {
            *slot += 1;
        }
    }
    let weight = |o: &Observation| fit.weight(count.get(o.drive).copied().unwrap_or(1));
    let mut by_stratum = vec![hodges_lehmann::Stratum::default(); strata];
    let mut sides: [(Vec<f64>, Vec<f64>); 2] = Default::default();
    for (o, value) in observations.iter().zip(adjusted) {
        let entry = (*value, weight(o));
        if let Some(stratum) = by_stratum.get_mut(o.stratum) {
            if o.is_after {
                stratum.after.push(entry)
            } else {
                stratum.before.push(entry)
            }
        }
        let (values, weights) = &mut sides[usize::from(o.is_after)];
        values.push(entry.0);
        weights.push(entry.1);
    }
    let [before, after] = &sides;
    let levels = [
        weighted_median(&before.0, &before.1)?,
        weighted_median(&after.0, &after.1)?,
    ];
    Some((weighted_shift(&by_stratum)?, levels))
}
