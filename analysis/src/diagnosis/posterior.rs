//! From changes to probabilities, by Bayes' rule over plain hypotheses: healthy, one cause, or two
//! at once, each cause at any severity.
//!
//! Likelihood of a hypothesis: the product over features of Student's t density of what was seen
//! about what is expected. What is expected is a cause's shift at a severity, which is averaged over,
//! times a factor of its own for each feature, because cars differ in what a fault of one size does
//! to them; a feature that a cause moves only in some cars may stay where it was ([`Sure`]). The
//! prior is stated below. A logistic correction of the log odds makes the answer calibrated.

use super::cause::Cause;
use super::change::Change;
use super::signature::{Sure, expected};
use super::wiring::WiringSign;

/// Severities that are averaged over, equally weighted.
const SEVERITIES: [f64; 8] = [0.15, 0.25, 0.35, 0.5, 0.65, 0.8, 1.0, 1.2];
/// Deviation of an expected shift about its factors, as a share of it.
const TOLERANCE: f64 = 0.2;
/// Factors on what is expected, with their weights: of a feature that the cause always moves, and of
/// one that it moves in some cars.
/// A few cars show far more of it than usual: a larger change in the expected direction still speaks for
/// the cause.
const ALWAYS: [(f64, f64); 5] = [
    (0.5, 0.19),
    (0.75, 0.29),
    (1.0, 0.29),
    (1.4, 0.19),
    (3.0, 0.04),
];
const OFTEN: [(f64, f64); 7] = [
    (0.0, 0.34),
    (0.4, 0.14),
    (0.7, 0.14),
    (1.0, 0.19),
    (1.5, 0.14),
    (5.0, 0.03),
    (20.0, 0.02),
];
/// Degrees of freedom of the likelihood are at most this: tails stay heavy, so that one feature
/// alone cannot convict.
const MOST_FREEDOM: f64 = 5.0;
/// Prior of a healthy car among those that are looked at.
const PRIOR_HEALTHY: f64 = 0.30;
/// Prior of two causes at once.
const PRIOR_PAIR: f64 = 0.15;
/// A sign of wiring trouble in a car without any, and no sign in a car with some.
const SIGN_BY_CHANCE: f64 = 0.004;
const SIGN_MISSED: f64 = 0.03;
/// A pack that slips gets hot, and a control unit opens what is too hot: so often it does.
const PROTECTED: f64 = 0.25;

/// Slope and offset of the log odds: `logit(p) = slope · logit(raw) + offset`. The identity, because
/// that is what was measured: fitted to 500 findings of development seeds 2000 to 2003, with and
/// without a baseline, slope 1.05 ± 0.10 and offset 0.02 ± 0.20 (with a baseline alone 1.00 ± 0.15
/// and −0.02 ± 0.32). The table of unseen seeds is in DEVELOPERS.md.
const CALIBRATION: (f64, f64) = (1.0, 0.0);

/// A hypothesis with its weight.
#[derive(Clone, Debug, PartialEq)]
pub struct Hypothesis {
    /// The causes at once; empty for healthy.
    pub causes: Vec<Cause>,
    /// Posterior probability, before calibration.
    pub probability: f64,
    /// The severities that fit best, one a cause.
    pub severities: Vec<f64>,
}

/// Logarithm of Student's t density but for the constant of its degrees of freedom.
fn log_density(change: &Change, mean: f64, spread: f64) -> f64 {
    let freedom = change.freedom.clamp(2.0, MOST_FREEDOM);
    let width = change.u.hypot(spread).max(1e-12);
    let z = (change.shift - mean) / width;
    -0.5 * (freedom + 1.0) * (z * z / freedom).ln_1p() - width.ln()
}

fn factors(sure: Sure) -> &'static [(f64, f64)] {
    match sure {
        Sure::Always => &ALWAYS,
        Sure::Often => &OFTEN,
    }
}

/// What a cause of one severity does to a feature.
#[derive(Clone, Copy)]
struct Expected {
    shift: f64,
    sure: Sure,
}

/// How much more likely the change is with these shifts than with none, as a logarithm.
fn log_ratio(change: &Change, shifts: &[Expected]) -> f64 {
    let still = log_density(change, 0.0, 0.0);
    let likelihood = match shifts {
        [a] => factors(a.sure)
            .iter()
            .map(|(factor, weight)| {
                let mean = factor * a.shift;
                weight * (log_density(change, mean, TOLERANCE * mean) - still).exp()
            })
            .sum::<f64>(),
        [a, b] => factors(a.sure)
            .iter()
            .flat_map(|x| factors(b.sure).iter().map(move |y| (x, y)))
            .map(|((factor_a, weight_a), (factor_b, weight_b))| {
                let (mean_a, mean_b) = (factor_a * a.shift, factor_b * b.shift);
                let spread = TOLERANCE * mean_a.hypot(mean_b);
                let log = log_density(change, mean_a + mean_b, spread) - still;
                weight_a * weight_b * log.exp()
            })
            .sum::<f64>(),
        _ => 1.0,
    };
    likelihood.max(1e-300).ln()
}

/// What a cause does to each change, one row a severity: the shift, and the log ratio alone.
fn rows(cause: Cause, changes: &[Change]) -> Vec<Vec<Option<(Expected, f64)>>> {
    severities(cause)
        .iter()
        .map(|severity| {
            changes
                .iter()
                .map(|change| {
                    let (shift, sure) = expected(cause, change.feature, *severity)?;
                    let expected = Expected { shift, sure };
                    Some((expected, log_ratio(change, &[expected])))
                })
                .collect()
        })
        .collect()
}

/// Log of the mean of exponentials.
fn log_mean(values: &[f64]) -> f64 {
    let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return top;
    }
    let sum: f64 = values.iter().map(|v| (v - top).exp()).sum();
    top + (sum / values.len() as f64).ln()
}

/// Every hypothesis over these causes, most probable first. `sign` is what demand, messages and wires
/// gave.
#[must_use]
pub fn hypotheses(changes: &[Change], causes: &[Cause], sign: WiringSign) -> Vec<Hypothesis> {
    let wiring = |causes: &[Cause]| {
        let has = causes.contains(&Cause::InhibitedOrWiring);
        let slips = causes.contains(&Cause::WornLining) || causes.contains(&Cause::Shudder);
        match (has, sign) {
            (true, WiringSign::None) => SIGN_MISSED.ln(),
            (true, _) => (1.0 - SIGN_MISSED).ln(),
            (false, WiringSign::HeldOpen) if slips => PROTECTED.ln(),
            (false, WiringSign::None) if slips => (1.0 - PROTECTED).ln(),
            (false, WiringSign::None) => (1.0 - SIGN_BY_CHANCE).ln(),
            (false, _) => SIGN_BY_CHANCE.ln(),
        }
    };
    let n = causes.len().max(1) as f64;
    let single = ((1.0 - PRIOR_HEALTHY - PRIOR_PAIR) / n).ln();
    let pairs = (n * (n - 1.0) / 2.0).max(1.0);
    let pair = (PRIOR_PAIR / pairs).ln();
    let mut scored: Vec<(Vec<Cause>, f64, Vec<f64>)> = Vec::new();
    let healthy = PRIOR_HEALTHY.ln() + wiring(&[]);
    scored.push((Vec::new(), healthy, Vec::new()));
    let tables: Vec<_> = causes.iter().map(|&c| rows(c, changes)).collect();
    for (i, (&a, table)) in causes.iter().zip(&tables).enumerate() {
        let alone: Vec<f64> = table
            .iter()
            .map(|row| row.iter().flatten().map(|(_, log)| log).sum())
            .collect();
        let best = (0..alone.len()).max_by(|x, y| alone[*x].total_cmp(&alone[*y]));
        let own = vec![a];
        let score = single + log_mean(&alone) + wiring(&own);
        scored.push((
            own,
            score,
            best.map(|k| severities(a)[k]).into_iter().collect(),
        ));
        let others = causes.iter().zip(&tables).skip(i + 1);
        for (&b, other) in others {
            let mut values = Vec::new();
            let mut best = (f64::NEG_INFINITY, 0.0, 0.0);
            for (s, row) in severities(a).iter().zip(table) {
                for (t, other_row) in severities(b).iter().zip(other) {
                    let value = both_ratio(changes, row, other_row);
                    if value > best.0 {
                        best = (value, *s, *t);
                    }
                    values.push(value);
                }
            }
            let both = vec![a, b];
            let score = pair + log_mean(&values) + wiring(&both);
            scored.push((both, score, vec![best.1, best.2]));
        }
    }
    let top = scored
        .iter()
        .map(|(_, score, _)| *score)
        .fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = scored.iter().map(|(_, score, _)| (score - top).exp()).sum();
    let mut found: Vec<Hypothesis> = scored
        .into_iter()
        .map(|(causes, score, severities)| Hypothesis {
            causes,
            probability: (score - top).exp() / total,
            severities,
        })
        .collect();
    found.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    found
}

/// Two causes at once, each at one severity.
fn both_ratio(
    changes: &[Change],
    a: &[Option<(Expected, f64)>],
    b: &[Option<(Expected, f64)>],
) -> f64 {
    changes
        .iter()
        .zip(a.iter().zip(b))
        .map(|(change, pair)| match pair {
            (Some((a, _)), Some((b, _))) => log_ratio(change, &[*a, *b]),
            (Some((_, log)), None) | (None, Some((_, log))) => *log,
            (None, None) => 0.0,
        })
        .sum()
}

/// Wiring moves no feature of the clutch, so its severity does not matter.
fn severities(cause: Cause) -> &'static [f64] {
    match cause {
        Cause::InhibitedOrWiring => &SEVERITIES[..1],
        _ => &SEVERITIES,
    }
}

/// The probability of each cause: the sum over the hypotheses that hold it, calibrated.
#[must_use]
pub fn marginals(hypotheses: &[Hypothesis], causes: &[Cause]) -> Vec<(Cause, f64)> {
    let mut found: Vec<(Cause, f64)> = causes
        .iter()
        .map(|&cause| {
            let raw: f64 = hypotheses
                .iter()
                .filter(|h| h.causes.contains(&cause))
                .map(|h| h.probability)
                .sum();
            (cause, calibrated(raw))
        })
        .collect();
    let healthy: f64 = hypotheses
        .iter()
        .filter(|h| h.causes.is_empty())
        .map(|h| h.probability)
        .sum();
    found.push((Cause::Healthy, calibrated(healthy)));
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found
}

fn calibrated(raw: f64) -> f64 {
    let raw = raw.clamp(1e-9, 1.0 - 1e-9);
    let logit = (raw / (1.0 - raw)).ln();
    let (slope, offset) = CALIBRATION;
    // Nothing is certain: what the model does not know of stays possible.
    (1.0 / (1.0 + (-(slope * logit + offset)).exp())).clamp(0.001, 0.995)
}
