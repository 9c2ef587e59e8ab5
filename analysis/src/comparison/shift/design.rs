//! The regressors of a shift: the set, the kind of engagement, and what drives engagements.

use std::collections::BTreeMap;

use super::Observation;
use crate::comparison::condition::Condition;
use crate::comparison::matching::Stratum;
use crate::statistics::spread::robust_sd;
use crate::statistics::two_level::Fit;

/// Residuals beyond so many robust standard deviations do not speak on how far values spread.
const FAR_OUT: f64 = 3.0;

/// Variance of the logarithm of a standard deviation, times its degrees of freedom: 1/2 for normal
/// values, and half as much again for the tails that measured values have.
const LOG_SD_VARIANCE: f64 = 0.75;

/// By how many standard errors the spreads of the sets must differ to be told apart: 1 % of
/// campaigns with equal spread do by chance.
const UNEVEN_ERRORS: f64 = 2.576;

/// Squared correlation from which on demand is taken to tell how far the accelerator goes.
const TOLD: f64 = 0.5;

/// Column of the design that tells the sets apart.
pub(super) const SET: usize = 0;

/// Regressors, one value an observation.
pub(super) struct Design {
    pub(super) columns: Vec<Vec<f64>>,
    /// Where the columns that are adjusted for begin; before them stand set and kinds.
    first_adjusted: usize,
    pub(super) trend: Option<usize>,
    pub(super) drive: Vec<usize>,
}

impl Design {
    pub(super) fn new(observations: &[Observation], strata: &[Stratum], with_trend: bool) -> Self {
        let column = |f: &dyn Fn(&Observation) -> f64| observations.iter().map(f).collect();
        let mut columns: Vec<Vec<f64>> = vec![column(&|o| f64::from(u8::from(o.is_after)))];
        for stratum in 1..strata.len() {
            columns.push(column(&|o| f64::from(u8::from(o.stratum == stratum))));
        }
        let first_adjusted = columns.len();
        let trend = with_trend.then_some(first_adjusted);
        if with_trend {
            let use_so_far = |o: &Observation| (o.since_work as f64).ln_1p();
            let after: Vec<f64> = observations
                .iter()
                .filter(|o| o.is_after)
                .map(use_so_far)
                .collect();
            let mean = after.iter().sum::<f64>() / after.len().max(1) as f64;
            columns.push(column(&|o| {
                if o.is_after {
                    use_so_far(o) - mean
                } else {
                    0.0
                }
            }));
            columns.push(column(&|o| (o.place_in_drive as f64).ln_1p()));
        }
        for condition in Condition::ALL {
            let told = condition.is_throttle() && demand_tells(condition, observations);
            if !told {
                columns.extend(condition_column(condition, observations, strata));
            }
        }
        let drive = observations.iter().map(|o| o.drive).collect();
        Self {
            columns,
            first_adjusted,
            trend,
            drive,
        }
    }

    /// Fits, leaving out conditions from the last one on while too little is left to judge by.
    pub(super) fn fit(&self, with: impl Fn(&[Vec<f64>]) -> Option<Fit>) -> Option<Fit> {
        let least = self.first_adjusted + if self.trend.is_some() { 2 } else { 0 };
        let mut columns = self.columns.clone();
        loop {
            let fit = with(&columns);
            let enough = fit
                .as_ref()
                .is_some_and(|f| f.between_df > 0 && f.within_df > 1);
            if enough || columns.len() <= least {
                return fit;
            }
            columns.pop();
        }
    }

    fn is_after(&self) -> impl Iterator<Item = bool> {
        self.columns
            .get(SET)
            .into_iter()
            .flatten()
            .map(|v| *v > 0.5)
    }

    /// The spread within drives of each set, relative to their geometric mean, as one factor an
    /// observation; `None` if the sets do not clearly differ in it.
    pub(super) fn uneven_spread(&self, fit: &Fit) -> Option<Vec<f64>> {
        let side = |wanted: bool| {
            let mut drives = Vec::new();
            let mut residuals = Vec::new();
            for ((is_after, residual), drive) in
                self.is_after().zip(&fit.residuals).zip(&self.drive)
            {
                if is_after == wanted {
                    residuals.push(*residual);
                    drives.push(*drive);
                }
            }
            drives.dedup();
            let df = residuals.len().saturating_sub(drives.len()).max(1) as f64;
            let limit = FAR_OUT * robust_sd(&residuals)?;
            let squares: f64 = residuals
                .iter()
                .map(|r| r.clamp(-limit, limit).powi(2))
                .sum();
            Some(((squares / df).sqrt(), df))
        };
        let ((before, before_df), (after, after_df)) = (side(false)?, side(true)?);
        if before <= 0.0 || after <= 0.0 {
            return None;
        }
        let ratio = (after / before).ln();
        let error = (LOG_SD_VARIANCE * (1.0 / before_df + 1.0 / after_df)).sqrt();
        (ratio.abs() > UNEVEN_ERRORS * error).then(|| {
            self.is_after()
                .map(|a| (if a { 0.5 } else { -0.5 } * ratio).exp())
                .collect()
        })
    }

    /// Values with all but set and kind taken off.
    pub(super) fn adjusted(&self, z: &[f64], fit: &Fit) -> Vec<f64> {
        let mut adjusted = z.to_vec();
        let effects = self
            .columns
            .iter()
            .zip(&fit.coefficients)
            .skip(self.first_adjusted);
        for (column, coefficient) in effects {
            let beta = coefficient.unwrap_or(0.0);
            for (value, x) in adjusted.iter_mut().zip(column) {
                *value -= beta * x;
            }
        }
        adjusted
    }
}

/// Whether demand follows a condition within the drives. Both then say the same there, and a column
/// for what little they differ in would be learnt from how drives differ, of which there are few.
fn demand_tells(condition: Condition, observations: &[Observation]) -> bool {
    let mut groups: BTreeMap<(usize, usize), Vec<(f64, f64)>> = BTreeMap::new();
    for o in observations {
        if let (Some(x), Some(y)) = (
            condition.of(&o.conditions),
            Condition::DemandStep.of(&o.conditions),
        ) {
            groups.entry((o.drive, o.stratum)).or_default().push((x, y));
        }
    }
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for group in groups.values() {
        let count = group.len() as f64;
        let x_mean = group.iter().map(|(x, _)| x).sum::<f64>() / count;
        let y_mean = group.iter().map(|(_, y)| y).sum::<f64>() / count;
        for (x, y) in group {
            xx += (x - x_mean) * (x - x_mean);
            xy += (x - x_mean) * (y - y_mean);
            yy += (y - y_mean) * (y - y_mean);
        }
    }
    xy * xy > TOLD * xx * yy
}

/// A condition as deviations from its mean in each stratum, in calipers; `None` if it is used in
/// no stratum or hardly varies.
fn condition_column(
    condition: Condition,
    observations: &[Observation],
    strata: &[Stratum],
) -> Option<Vec<f64>> {
    let mut column = vec![0.0; observations.len()];
    let mut varies = false;
    for (index, stratum) in strata.iter().enumerate() {
        let Some((_, caliper)) = stratum.calipers.iter().find(|(c, _)| *c == condition) else {
            continue;
        };
        let values: Vec<(usize, f64)> = observations
            .iter()
            .enumerate()
            .filter(|(_, o)| o.stratum == index)
            .filter_map(|(at, o)| Some((at, condition.of(&o.conditions)?)))
            .collect();
        let count = values.len().max(1) as f64;
        let mean = values.iter().map(|(_, v)| v).sum::<f64>() / count;
        let typical = values.iter().map(|(_, v)| v.abs()).sum::<f64>() / count;
        let least = values.iter().map(|(_, v)| *v).fold(f64::INFINITY, f64::min);
        let most = values
            .iter()
            .map(|(_, v)| *v)
            .fold(f64::NEG_INFINITY, f64::max);
        varies |= most - least > condition.adjusted_from(typical);
        for (at, value) in values {
            if let Some(slot) = column.get_mut(at) {
                *slot = (value - mean) / caliper;
            }
        }
    }
    varies.then_some(column)
}
