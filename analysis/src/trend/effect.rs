//! What one condition does to a measure, and how well that is known.
//!
//! It is learnt from what changes fast: inside a drive, from each engagement against the median of
//! its kind there, and from drive to drive, from each drive against the line through the drives
//! before and after it. Whatever changes slowly over months, wear as well as the season, leaves no
//! trace in either, so neither is taken for the other.
//!
//! Both slopes and a belief held beforehand are weighed by their inverse variances (ridge
//! regression; Hoerl & Kennard, Technometrics 12 (1970) 55-67). The belief is a slope of nought
//! with the standard deviation of the values over that of the condition, both between one work and
//! the next: a condition explains no more than all that is seen, and what the work changed is none
//! of its doing. All conditions but the temperature may as well do nothing at all
//! (Mitchell & Beauchamp, "Bayesian variable selection in linear regression", JASA 83 (1988)
//! 1023-1032). Where the data tell little the slope thus stays near nought, and its uncertainty
//! says so.

use super::course::Entry;
use crate::comparison::condition::Condition;
use crate::statistics::huber::CLIP;
use crate::statistics::neighbours::Neighbours;
use crate::statistics::quantile::median;
use crate::statistics::spread::{robust_sd, sd};
use crate::statistics::student_t::{normal_critical, two_sided_critical};

/// Rounds of reweighting; what still changes then is far below the uncertainty.
const ROUNDS: usize = 10;
/// Fewer free values than this do not know their own noise.
const LEAST_FREE: usize = 8;

/// What one condition does.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Effect {
    pub(super) condition: Condition,
    /// Change of the measure per unit of the condition.
    slope: f64,
    /// Standard uncertainty of the slope.
    pub(super) u_slope: f64,
    /// How far each entry is from the median of its kind; nothing where the condition is missing.
    pub(super) away: Vec<Option<f64>>,
}

impl Effect {
    /// Learns the effect; `t` is the time of each drive. Nothing if the condition hardly differs,
    /// or no value does. The entries stand drive by drive.
    pub(super) fn learn(condition: Condition, entries: &[Entry], t: &[f64]) -> Option<Self> {
        let away = away(condition, entries)?;
        let known: Vec<(&Entry, f64)> = entries
            .iter()
            .zip(&away)
            .filter_map(|(entry, away)| Some((entry, (*away)?)))
            .collect();
        let (values, conditions): (Vec<f64>, Vec<f64>) =
            known.iter().map(|(e, away)| (e.levelled, *away)).unzip();
        let stretches: Vec<usize> = known.iter().map(|(e, _)| e.stretch).collect();
        let believed = robust_sd(&without_levels(values, &stretches))?
            / sd(&without_levels(conditions, &stretches))?;
        if !(believed.is_finite() && believed > 0.0) {
            return None;
        }
        let learnt = [inside_drives(&known), between_drives(&known, t)];
        let (sum, weight) = learnt
            .into_iter()
            .flatten()
            .filter(|(slope, u)| slope.is_finite() && u.is_finite() && *u > 0.0)
            .map(|(slope, u)| (slope * u.powi(-2), u.powi(-2)))
            .fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
        let (slope, u_slope) = held_back(sum, weight, believed, does_something(condition));
        Some(Self {
            condition,
            slope,
            u_slope,
            away,
        })
    }

    /// Brings the entries to the median of the condition, each kind to its own: an effect that
    /// was learnt inside a kind says nothing of what is far from it.
    pub(super) fn take_out(&self, entries: &mut [Entry]) {
        for (entry, away) in entries.iter_mut().zip(&self.away) {
            entry.value -= self.slope * away.unwrap_or(0.0);
        }
    }
}

/// Values counted from the median of their stretch.
fn without_levels(mut values: Vec<f64>, stretches: &[usize]) -> Vec<f64> {
    for stretch in 0..=stretches.iter().copied().max().unwrap_or(0) {
        let own = |(_, s): &(&mut f64, &usize)| **s == stretch;
        let of: Vec<f64> = (values.iter_mut().zip(stretches).filter(own))
            .map(|(v, _)| *v)
            .collect();
        let level = median(&of).unwrap_or(0.0);
        for (value, _) in values.iter_mut().zip(stretches).filter(own) {
            *value -= level;
        }
    }
    values
}

/// The probability beforehand that a condition does something to a measure. Cold oil is thick; of
/// the rest nothing is known.
fn does_something(condition: Condition) -> f64 {
    match condition {
        Condition::FluidTemperature => 1.0,
        _ => 0.5,
    }
}

/// Slope and standard uncertainty after the data, whose weight is `weight` and whose slope times
/// that is `sum`, for one who believed with probability `likely` in an effect of about `believed`.
fn held_back(sum: f64, weight: f64, believed: f64, likely: f64) -> (f64, f64) {
    let all = weight + believed.powi(-2);
    let (slope, variance) = (sum / all, 1.0 / all);
    // How much more likely the data are without an effect than with one.
    let without = (believed / variance.sqrt()) * (-0.5 * slope * sum).exp();
    let there_is = likely / (likely + (1.0 - likely) * without);
    let mean = there_is * slope;
    let variance = there_is * (variance + slope * slope) - mean * mean;
    (mean, variance.max(0.0).sqrt())
}

/// How far each entry is from the median of its kind, unless the condition hardly differs.
fn away(condition: Condition, entries: &[Entry]) -> Option<Vec<Option<f64>>> {
    let mut of_group: Vec<Vec<f64>> = Vec::new();
    for entry in entries {
        of_group.resize_with(of_group.len().max(entry.group + 1), Vec::new);
        of_group[entry.group].extend(condition.of(&entry.conditions));
    }
    let usual: Vec<Option<f64>> = of_group.iter().map(|values| median(values)).collect();
    let away: Vec<Option<f64>> = entries
        .iter()
        .map(|e| Some(condition.of(&e.conditions)? - usual[e.group]?))
        .collect();
    let sizes: Vec<f64> = of_group.iter().flatten().map(|v| v.abs()).collect();
    let (least, most) = away
        .iter()
        .flatten()
        .fold((0.0f64, 0.0f64), |(a, b), v| (a.min(*v), b.max(*v)));
    (most - least > condition.adjusted_from(median(&sizes)?)).then_some(away)
}

/// The slope inside drives with its standard uncertainty.
fn inside_drives(known: &[(&Entry, f64)]) -> Option<(f64, f64)> {
    let mut order: Vec<&(&Entry, f64)> = known.iter().collect();
    order.sort_by_key(|(e, _)| (e.drive, e.group));
    let blocks: Vec<usize> = order
        .chunk_by(|(a, _), (b, _)| (a.drive, a.group) == (b.drive, b.group))
        .map(<[_]>::len)
        .collect();
    let x: Vec<f64> = order.iter().map(|(_, away)| *away).collect();
    let y: Vec<f64> = order.iter().map(|(e, _)| e.value).collect();
    let slope = RobustSlope::fit(&x, &y, &blocks)?;
    let squares: f64 = slope.weighed.iter().map(|w| w * w).sum();
    Some((slope.slope, slope.u(squares.sqrt())))
}

/// The slope from drive to drive with its standard uncertainty.
fn between_drives(known: &[(&Entry, f64)], t: &[f64]) -> Option<(f64, f64)> {
    let (mut at, mut x, mut y) = (Vec::new(), Vec::new(), Vec::new());
    for own in known.chunk_by(|(a, _), (b, _)| a.drive == b.drive) {
        let (of, values): (Vec<f64>, Vec<f64>) =
            own.iter().map(|(e, away)| (*away, e.levelled)).unzip();
        at.push(*t.get(own.first()?.0.drive)?);
        x.push(median(&of)?);
        y.push(median(&values)?);
    }
    let neighbours = Neighbours::at(&at);
    let (x, y) = (neighbours.distances(&x), neighbours.distances(&y));
    let slope = RobustSlope::fit(&x, &y, &[])?;
    Some((slope.slope, slope.u(neighbours.sd_of_sum(&slope.weighed))))
}

/// A slope with Huber's weights, shared by blocks that have a level of their own each, or through
/// the origin where there are no blocks.
struct RobustSlope {
    slope: f64,
    /// Each x counted from its block's level, times its weight; the slope is `weighed · y` over
    /// `weighed · x`.
    weighed: Vec<f64>,
    /// `weighed · x`.
    lever: f64,
    /// Standard deviation of y around the line, widened for the few values that tell it.
    sigma: f64,
}

impl RobustSlope {
    fn fit(x: &[f64], y: &[f64], blocks: &[usize]) -> Option<Self> {
        let free = x.len().checked_sub(blocks.len() + 1)?;
        if free < LEAST_FREE {
            return None;
        }
        let mut weights = vec![1.0; x.len()];
        // Levels of their own take up part of the scatter.
        let taken_up = (x.len() as f64 / free as f64).sqrt();
        let mut round = 0;
        let (fit, left) = loop {
            let (x, y) = (centred(x, &weights, blocks), centred(y, &weights, blocks));
            let weighed: Vec<f64> = x.iter().zip(&weights).map(|(x, w)| x * w).collect();
            let lever = dot(&weighed, &x);
            let slope = dot(&weighed, &y) / lever;
            let left: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - slope * x).collect();
            let scale = taken_up * robust_sd(&left)?;
            round += 1;
            if scale <= 0.0 || round == ROUNDS {
                break ((slope, weighed, lever), left);
            }
            for (weight, left) in weights.iter_mut().zip(&left) {
                *weight = (CLIP * scale / left.abs().max(f64::MIN_POSITIVE)).min(1.0);
            }
        };
        // Huber's asymptotic variance: the clipped residuals' square over the unclipped share's.
        let clipped: Vec<f64> = weights.iter().zip(&left).map(|(w, r)| w * r).collect();
        let whole = weights.iter().filter(|w| **w >= 1.0).count().max(1) as f64;
        let few = two_sided_critical(0.05, free as f64) / normal_critical(0.05);
        let (slope, weighed, lever) = fit;
        Some(Self {
            slope,
            weighed,
            lever,
            sigma: few * (dot(&clipped, &clipped) / free as f64).sqrt() * left.len() as f64 / whole,
        })
    }

    /// Standard uncertainty of the slope, from the standard deviation of `weighed · noise` for
    /// noise of standard deviation 1.
    fn u(&self, sd_of_sum: f64) -> f64 {
        self.sigma * sd_of_sum / self.lever
    }
}

/// Values counted from the weighted mean of their block.
fn centred(values: &[f64], weights: &[f64], blocks: &[usize]) -> Vec<f64> {
    let mut values = values.to_vec();
    let mut start = 0;
    for length in blocks {
        let own = start..start + length;
        let (of, with) = (&mut values[own.clone()], &weights[own]);
        let mean = dot(of, with) / with.iter().sum::<f64>();
        of.iter_mut().for_each(|v| *v -= mean);
        start += length;
    }
    values
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    #[test]
    fn a_slope_is_held_back_as_far_as_the_data_are_weak() {
        // Nothing known: no slope, and all doubt.
        assert_eq!(held_back(0.0, 0.0, 2.0, 1.0), (0.0, 2.0));
        let (slope, u) = held_back(0.0, 0.0, 2.0, 0.5);
        assert!(
            slope == 0.0 && (u - 2.0 * 0.5_f64.sqrt()).abs() < 1e-12,
            "{u}"
        );
        // Told to a hundredth: left as it is.
        let (slope, u) = held_back(1.0 * 1e4, 1e4, 2.0, 0.5);
        assert!(
            (slope - 1.0).abs() < 1e-3 && (u - 0.01).abs() < 1e-4,
            "{slope} {u}"
        );
        // Told no better than noise: rather nought.
        let (slope, u) = held_back(1.0, 1.0, 10.0, 0.5);
        assert!(slope < 0.3 && u > 0.3, "{slope} {u}");
    }

    /// Three values a block: levels taken from medians would draw the slope to nought.
    #[test]
    fn few_values_a_block_do_not_flatten_the_slope() {
        let mut random = Random::new(35_000);
        let (mut slopes, mut said) = (Vec::new(), 0.0);
        for _ in 0..200 {
            let x: Vec<f64> = (0..180).map(|i| 6.0 * f64::from(i % 3)).collect();
            let y: Vec<f64> = x
                .iter()
                .enumerate()
                .map(|(i, x)| 40.0 * (i / 3 % 7) as f64 - 0.3 * x + 3.5 * random.normal())
                .collect();
            let fit = RobustSlope::fit(&x, &y, &[3; 60]).unwrap();
            said += fit.u(dot(&fit.weighed, &fit.weighed).sqrt()) / 200.0;
            slopes.push(fit.slope);
        }
        let mean = slopes.iter().sum::<f64>() / 200.0;
        assert!((mean + 0.3).abs() < 0.02, "{mean}");
        let spread = sd(&slopes).unwrap();
        assert!((said / spread - 1.0).abs() < 0.2, "{said} {spread}");
    }
}
