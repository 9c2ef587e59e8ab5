//! By how much a feature has changed, against the car's own healthy drives or a reference value,
//! with the uncertainty that drive-to-drive scatter leaves.
//!
//! Against a baseline: temperature and demand step are taken off by one line over both sets
//! (analysis of covariance with robust weights), each drive is summed up by its trimmed mean, and the two
//! sets of drives are compared. The scatter of few drives is itself uncertain, so the feature's own
//! repeatability counts as four more drives would.

use super::feature::{Feature, Scale};
use super::likeness::{Set, alike, observations};
use super::record::{DriveRecord, Observation};
use crate::statistics::huber::huber_line;
use crate::statistics::quantile::median;
use crate::statistics::spread::{mean, median_and_sigma};

/// How much the feature's own repeatability weighs, in degrees of freedom.
const PRIOR_FREEDOM: f64 = 4.0;
/// A set must cover this much temperature for its slope to be told, K.
const LEAST_SPREAD_K: f64 = 1.5;
/// And this much of the logarithm of demand.
const LEAST_SPREAD_STEP: f64 = 0.08;
/// A light transmission fluid thins by a factor e over so many kelvin around 40 °C (33 to 7.2 mm²/s
/// from 40 to 100 °C is a factor of 4.6; common practice, no source).
const KELVIN_PER_E: f64 = 33.0;
/// What a condition may do to the logarithm of a time where the drives do not tell it, per unit of the
/// condition: half of what flow follows thickness by, and of what pressure follows demand by. Our own
/// estimate.
const UNKNOWN_SLOPE: f64 = 0.3;
/// A change counts from this many of its uncertainties on.
pub(super) const CLEAR: f64 = 2.5;
/// Fewest observations for a slope.
const LEAST_FOR_SLOPE: usize = 8;

/// What the change is told against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// The car's own healthy drives.
    Baseline,
    /// The vehicle file's value for the healthy car.
    Nominal,
    /// What any healthy coupling does.
    Usual,
}

impl Against {
    /// Word in JSON.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Baseline => "baseline",
            Self::Nominal => "nominal",
            Self::Usual => "itself",
        }
    }

    /// As said to a person, in a table.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Baseline => "healthy drives",
            Self::Nominal => "vehicle file",
            Self::Usual => "usual",
        }
    }
}

/// A reference value where there is no baseline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reference {
    /// Expected of the healthy car, on the feature's scale.
    pub value: f64,
    /// Standard uncertainty of that expectation.
    pub u: f64,
    /// Where it comes from.
    pub against: Against,
}

/// A feature's change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Of which feature.
    pub feature: Feature,
    /// On the feature's scale.
    pub shift: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Degrees of freedom of that uncertainty.
    pub freedom: f64,
    /// Level now, on the feature's scale.
    pub now: f64,
    /// Level before or expected.
    pub was: f64,
    /// What it is told against.
    pub against: Against,
    /// The level now is a bound: the shift is this or further down.
    pub at_most: bool,
}

impl Change {
    /// A value of the feature's scale as a person reads it.
    #[must_use]
    pub fn shown(&self, value: f64) -> f64 {
        match self.feature.scale() {
            Scale::Ratio => value.exp(),
            Scale::Difference => value,
        }
    }
}

/// How thick the fluid is, over its thickness at 40 °C: what cold does to flow goes with it.
pub(super) fn thickness(temperature_c: f64) -> f64 {
    (-(temperature_c - 40.0) / KELVIN_PER_E).exp()
}

/// Change of a feature from one set of drives to another; `None` where one of them does not tell it.
///
/// # Errors
/// In what the sets were driven so differently that they cannot be compared.
pub fn against_baseline(
    feature: Feature,
    now: &[DriveRecord],
    baseline: &[DriveRecord],
) -> Result<Option<Change>, String> {
    let [here, mut before] = alike(feature, now, baseline)?;
    // How far below a bound the healthy drives were nobody knows.
    before.retain(|(_, o)| !o.at_most);
    let counts = |was: f64| least_that_counts(feature, now, baseline, was.exp()) / CLEAR;
    with_bounds(here, |here| {
        between(feature, [here, before.clone()], counts)
    })
}

/// A change as a set tells it; a bound in the set counts only where it lies lower than what was healthy.
///
/// # Errors
/// Where the set holds nothing else.
fn with_bounds(set: Set, tell: impl Fn(Set) -> Option<Change>) -> Result<Option<Change>, String> {
    let change = tell(set.clone());
    if !change.is_some_and(|c| c.at_most && c.shift >= 0.0) {
        return Ok(change);
    }
    let values = set.into_iter().filter(|(_, o)| !o.at_most).collect();
    match tell(values) {
        Some(change) => Ok(Some(change)),
        None => Err("all that is told is a bound, no lower than in the healthy drives".into()),
    }
}

/// The change from the second set to the first, what is `counts` at the second's level being too little to
/// say anything.
fn between(feature: Feature, mut sets: [Set; 2], counts: impl Fn(f64) -> f64) -> Option<Change> {
    if sets.iter().any(Vec::is_empty) {
        return None;
    }
    let at_most = sets[0].iter().any(|(_, o)| o.at_most);
    let of_conditions = take_conditions_off(&mut sets, feature);
    let [Some(now), Some(was)] = sets.map(|set| levels(&set, feature)) else {
        return None;
    };
    let freedom = (now.drives + was.drives) as f64 - 2.0;
    let scale = scale(now.squares + was.squares, freedom);
    // A set of drives is told no better than the car repeats itself from day to day.
    let of_days = 0.5 * feature.repeat().powi(2);
    let of_drives = scale * (now.variance + was.variance);
    let counts = counts(was.level);
    Some(Change {
        feature,
        shift: now.level - was.level,
        u: (of_drives + of_days + of_conditions + counts.powi(2)).sqrt(),
        freedom: PRIOR_FREEDOM + freedom,
        now: now.level,
        was: was.level,
        against: Against::Baseline,
        at_most,
    })
}

/// The least change that says anything of the car, on the feature's scale: a twenty-fifth of a time, which
/// another way of driving makes too, and of one that counts from a frame a quarter of what passes between
/// two, because nobody sees between them; one step of the pressure signal.
fn least_that_counts(
    feature: Feature,
    now: &[DriveRecord],
    baseline: &[DriveRecord],
    ms: f64,
) -> f64 {
    let most = |of: fn(&DriveRecord) -> Option<f64>| {
        let all = now.iter().chain(baseline).filter_map(of);
        all.reduce(f64::max).unwrap_or(0.0)
    };
    match feature {
        Feature::DeadTime | Feature::FillingTime => {
            0.04_f64.hypot(250.0 * most(|r| r.demand_period_s) / ms)
        }
        Feature::RiseTime => 0.04,
        Feature::PressureShort => most(|r| r.pressure_step_bar),
        _ => 0.0,
    }
}

/// Change of a feature from what is expected of a healthy car. `None` where the drives do not tell it, or tell
/// a bound that is no lower.
#[must_use]
pub fn against_reference(
    feature: Feature,
    now: &[DriveRecord],
    reference: Reference,
) -> Option<Change> {
    let set = observations(now, feature);
    with_bounds(set, |set| from_reference(feature, set, reference)).ok()?
}

fn from_reference(feature: Feature, set: Set, reference: Reference) -> Option<Change> {
    let at_most = set.iter().any(|(_, o)| o.at_most);
    let mut sets = [set];
    take_conditions_off(&mut sets, feature);
    let [set] = sets;
    let levels = levels(&set, feature)?;
    let freedom = levels.drives as f64 - 1.0;
    let scale = scale(levels.squares, freedom);
    Some(Change {
        feature,
        shift: levels.level - reference.value,
        u: (scale * levels.variance + reference.u.powi(2)).sqrt(),
        freedom: PRIOR_FREEDOM + freedom,
        now: levels.level,
        was: reference.value,
        against: reference.against,
        at_most,
    })
}

/// By how much the drives scatter more, or less, than their own uncertainties and the feature's
/// repeatability say; those count as some drives too.
fn scale(squares: f64, freedom: f64) -> f64 {
    (PRIOR_FREEDOM + squares) / (PRIOR_FREEDOM + freedom.max(0.0))
}

struct Levels {
    level: f64,
    drives: usize,
    /// Weighted squares of the drives' levels about the set's: one a degree of freedom where the
    /// drives scatter as expected.
    squares: f64,
    /// Variance of the set's level where they do.
    variance: f64,
}

/// Middle of a drive's values, and the variance of it that their scatter leaves: their median; of five
/// or more their mean without a fifth at either end (K. K. Yuen, The two-sample trimmed t for unequal
/// population variances, Biometrika 61 (1974) 165-170; from memory), which does not jump where values
/// fall into two heaps, as times do that slow frames tell.
fn centre(values: &[f64]) -> Option<(f64, f64)> {
    let n = values.len();
    let cut = n / 5;
    if cut == 0 {
        let (middle, sigma) = median_and_sigma(values)?;
        // Variance of a median of normal values: pi/2 of that of their mean.
        let share = if n > 2 { 1.57 } else { 1.0 };
        return Some((middle, share * sigma * sigma / n as f64));
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = mean(sorted.get(cut..n - cut)?)?;
    let (lowest, highest) = (*sorted.get(cut)?, *sorted.get(n - cut - 1)?);
    let drawn: Vec<f64> = sorted.iter().map(|v| v.clamp(lowest, highest)).collect();
    let drawn_mean = mean(&drawn)?;
    let squares: f64 = drawn.iter().map(|v| (v - drawn_mean).powi(2)).sum();
    let left = (n - 2 * cut) as f64;
    // Winsorized sum of squares over h (h - 1).
    Some((middle, squares / (left * (left - 1.0))))
}

/// Each drive by its middle, the set by the mean of its drives, weighted by how well each is told.
fn levels(set: &[(usize, Observation)], feature: Feature) -> Option<Levels> {
    let mut told: Vec<(f64, f64)> = Vec::new();
    // They stand drive by drive.
    for own in set.chunk_by(|a, b| a.0 == b.0) {
        let values: Vec<f64> = own.iter().map(|(_, o)| o.value).collect();
        let us: Vec<f64> = own.iter().map(|(_, o)| o.u).collect();
        let (centre, scattered) = centre(&values)?;
        let stated = median(&us).unwrap_or(0.0).powi(2) / values.len() as f64;
        let variance = scattered.max(stated) + feature.repeat().powi(2);
        told.push((centre, 1.0 / variance));
    }
    let weight: f64 = told.iter().map(|(_, w)| w).sum();
    let level = told.iter().map(|(l, w)| l * w).sum::<f64>() / weight;
    Some(Levels {
        level,
        drives: told.len(),
        squares: told.iter().map(|(l, w)| w * (l - level).powi(2)).sum(),
        variance: 1.0 / weight,
    })
    .filter(|l| l.level.is_finite() && l.variance.is_finite())
}

/// One drive's observations without what temperature and the size of the step do to them.
pub(super) fn without_conditions(
    feature: Feature,
    observations: Vec<Observation>,
) -> Vec<Observation> {
    let mut sets = [observations.into_iter().map(|o| (0, o)).collect()];
    take_conditions_off(&mut sets, feature);
    let [set] = sets;
    set.into_iter().map(|(_, o)| o).collect()
}

/// Takes off all sets what conditions do. The variance of the difference between the first set and the last
/// that this leaves.
fn take_conditions_off(sets: &mut [Set], feature: Feature) -> f64 {
    let unknown_slope = match feature {
        Feature::DeadTime | Feature::FillingTime | Feature::RiseTime => UNKNOWN_SLOPE,
        _ => 0.0,
    };
    let fluid = take_off(sets, LEAST_SPREAD_K / KELVIN_PER_E, unknown_slope, |o| {
        o.temperature_c.map(thickness)
    });
    fluid + take_off(sets, LEAST_SPREAD_STEP, unknown_slope, |o| o.log_step)
}

/// Takes the line on one condition off all sets, where all tell it and it varies. The slope is known only
/// so well, and counts over as much as the first set's condition lies off the last's: the variance of that.
fn take_off(
    sets: &mut [Set],
    least_spread: f64,
    unknown_slope: f64,
    condition: impl Fn(&Observation) -> Option<f64>,
) -> f64 {
    let mut x = Vec::new();
    let mut y = Vec::new();
    let mut middles = Vec::new();
    for set in sets.iter() {
        let known: Vec<(f64, f64)> = set
            .iter()
            .filter_map(|(_, o)| Some((condition(o)?, o.value)))
            .collect();
        if known.len() < set.len() || known.is_empty() {
            return 0.0;
        }
        // Each set about its own middle, so that the change itself stays.
        let middle_x = median(&known.iter().map(|k| k.0).collect::<Vec<_>>()).unwrap_or(0.0);
        let middle_y = median(&known.iter().map(|k| k.1).collect::<Vec<_>>()).unwrap_or(0.0);
        x.extend(known.iter().map(|k| k.0 - middle_x));
        y.extend(known.iter().map(|k| k.1 - middle_y));
        middles.push(middle_x);
    }
    let apart = match (middles.first(), middles.last()) {
        (Some(first), Some(last)) => last - first,
        _ => 0.0,
    };
    let not_told = (unknown_slope * apart).powi(2);
    let spread = x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64;
    if x.len() < LEAST_FOR_SLOPE || spread.sqrt() < least_spread {
        return not_told;
    }
    let Some(line) = huber_line(&x, &y) else {
        return not_told;
    };
    // A slope that its own uncertainty drowns is held back towards none.
    let trust = line.slope.powi(2) / (line.slope.powi(2) + line.u_slope.powi(2));
    if !trust.is_finite() {
        return not_told;
    }
    let slope = trust * line.slope;
    let all: Vec<f64> = sets
        .iter()
        .flatten()
        .filter_map(|(_, o)| condition(o))
        .collect();
    let centre = mean(&all).unwrap_or(0.0);
    for (_, observation) in sets.iter_mut().flatten() {
        if let Some(v) = condition(observation) {
            observation.value -= slope * (v - centre);
        }
    }
    trust * (line.u_slope * apart).powi(2)
}
