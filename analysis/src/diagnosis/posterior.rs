//! From changes to probabilities, by Bayes' rule over plain hypotheses: healthy, one cause, or two
//! at once, each cause at any severity.
//!
//! Likelihood of a hypothesis: the product over features of Student's t density of what was seen
//! about what is expected, its width made of the change's own uncertainty and of a tolerance in
//! proportion to what is expected, because cars differ. Severity is averaged over. The prior is
//! stated below. A logistic correction of the log odds has its place here; see the constant.

use statrs::distribution::{Continuous, StudentsT};

use super::cause::Cause;
use super::change::Change;
use super::signature::shift;

/// Severities that are averaged over, equally weighted.
const SEVERITIES: [f64; 8] = [0.15, 0.25, 0.35, 0.5, 0.65, 0.8, 1.0, 1.2];
/// Tolerance of an expected shift, as a share of it: one for what every cause does as a whole is in
/// the severity, this is for how features differ from each other between cars.
const TOLERANCE: f64 = 0.25;
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

/// Slope and offset of the log odds: `logit(p) = slope · logit(raw) + offset`. The identity: on
/// development seeds stated probabilities lay near the shares of true ones, and a fit awaits a
/// larger run of the study.
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

/// Log likelihood of the changes under these expected shifts.
fn log_likelihood(changes: &[Change], expected: impl Fn(&Change) -> f64) -> f64 {
    changes
        .iter()
        .map(|change| {
            let mean = expected(change);
            let width = change.u.hypot(TOLERANCE * mean);
            let freedom = change.freedom.clamp(2.0, MOST_FREEDOM);
            StudentsT::new(mean, width.max(1e-12), freedom)
                .map_or(f64::NEG_INFINITY, |t| t.ln_pdf(change.shift))
        })
        .sum()
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

/// Every hypothesis over these causes, most probable first. `wiring_sign` says whether demand,
/// messages or wires gave a sign of trouble.
#[must_use]
pub fn hypotheses(changes: &[Change], causes: &[Cause], wiring_sign: bool) -> Vec<Hypothesis> {
    let wiring = |causes: &[Cause]| {
        let has = causes.contains(&Cause::InhibitedOrWiring);
        match (has, wiring_sign) {
            (true, true) => (1.0 - SIGN_MISSED).ln(),
            (true, false) => SIGN_MISSED.ln(),
            (false, true) => SIGN_BY_CHANCE.ln(),
            (false, false) => (1.0 - SIGN_BY_CHANCE).ln(),
        }
    };
    let n = causes.len().max(1) as f64;
    let single = ((1.0 - PRIOR_HEALTHY - PRIOR_PAIR) / n).ln();
    let pairs = (n * (n - 1.0) / 2.0).max(1.0);
    let pair = (PRIOR_PAIR / pairs).ln();
    let mut scored: Vec<(Vec<Cause>, f64, Vec<f64>)> = Vec::new();
    let healthy = PRIOR_HEALTHY.ln() + log_likelihood(changes, |_| 0.0) + wiring(&[]);
    scored.push((Vec::new(), healthy, Vec::new()));
    for (i, &a) in causes.iter().enumerate() {
        let mut values = Vec::new();
        let mut best = (f64::NEG_INFINITY, 0.0);
        for s in severities(a) {
            let value = log_likelihood(changes, |c| shift(a, c.feature, *s));
            if value > best.0 {
                best = (value, *s);
            }
            values.push(value);
        }
        let own = vec![a];
        let score = single + log_mean(&values) + wiring(&own);
        scored.push((own, score, vec![best.1]));
        for &b in causes.get(i + 1..).unwrap_or_default() {
            let mut values = Vec::new();
            let mut best = (f64::NEG_INFINITY, 0.0, 0.0);
            for s in severities(a) {
                for t in severities(b) {
                    let value = log_likelihood(changes, |c| {
                        shift(a, c.feature, *s) + shift(b, c.feature, *t)
                    });
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
