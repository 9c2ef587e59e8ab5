//! From changes to probabilities, by Bayes' rule over plain hypotheses: healthy, one cause, or two
//! at once, each cause at any severity; and, counted neither for a cause nor for health, something that
//! no cause here tells of, and causes of which the drives show nothing.
//!
//! The likelihood of a hypothesis is that of [`super::likelihood`], averaged over severities. The prior
//! is stated below. Probabilities are given as they come out: a logistic correction, fitted to 500
//! findings of development seeds 2000 to 2003, had slope 1.05 ± 0.10 and offset 0.02 ± 0.20. The
//! table of unseen seeds is in DEVELOPERS.md.

use super::cause::Cause;
use super::change::Change;
use super::likelihood::{Effect, groups, log_ratio, unexplained_ratio};
use super::wiring::WiringSign;

/// Severities that are averaged over, equally weighted.
const SEVERITIES: [f64; 8] = [0.15, 0.25, 0.35, 0.5, 0.65, 0.8, 1.0, 1.2];
/// Prior of a healthy car among those that are looked at.
pub(super) const PRIOR_HEALTHY: f64 = 0.30;
/// Prior of two causes at once.
const PRIOR_PAIR: f64 = 0.15;
/// How often something moves a feature of a healthy car that no cause here tells of.
const UNEXPLAINED: f64 = 0.002;
/// A sign of wiring trouble in a car without any, and no sign in a car with some.
const SIGN_BY_CHANCE: f64 = 0.004;
const SIGN_MISSED: f64 = 0.03;
/// What is left whole between failures is little and not typical: its evidence counts half.
const TRUST_WHEN_FAILING: f64 = 0.5;
/// A pack that slips gets hot, and a control unit opens what is too hot: so often it does with friction
/// that fails, and with any pack on a hot day's slow circles.
const PROTECTED: f64 = 0.25;
const PROTECTED_ANYHOW: f64 = 0.03;

/// What the model does not know of stays possible: nothing is less or more probable than this.
const LEAST_AND_MOST: (f64, f64) = (0.001, 0.995);

/// What may be wrong beside the causes that are judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// Something moved that no cause here tells of.
    Unexplained,
    /// One of the causes of which these drives show nothing, as likely as before.
    Unseen,
}

/// A hypothesis with its weight.
#[derive(Clone, Debug, PartialEq)]
pub struct Hypothesis {
    /// The causes at once; empty for healthy.
    pub causes: Vec<Cause>,
    /// Something else is wrong.
    pub beyond: Option<Beyond>,
    /// Posterior probability.
    pub probability: f64,
}

/// What a cause does, one row a severity: to each group of changes, and the log ratio of that alone.
fn rows(cause: Cause, groups: &[Vec<&Change>]) -> Vec<Vec<Option<(Effect, f64)>>> {
    severities(cause)
        .iter()
        .map(|&severity| {
            groups
                .iter()
                .map(|group| {
                    let effect = Effect::of(cause, severity, group)?;
                    let alone = log_ratio(group, &[&effect]);
                    Some((effect, alone))
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

/// Every hypothesis, most probable first. `causes` are those that can be judged, `sign` is what demand,
/// messages and wires gave.
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
            (false, WiringSign::HeldOpen) => PROTECTED_ANYHOW.ln(),
            (false, WiringSign::None) => (1.0 - SIGN_BY_CHANCE - PROTECTED_ANYHOW).ln(),
            (false, WiringSign::Fails) => SIGN_BY_CHANCE.ln(),
        }
    };
    let trust = match sign {
        WiringSign::Fails => TRUST_WHEN_FAILING,
        _ => 1.0,
    };
    let all = Cause::faults().count() as f64;
    let of_one = (1.0 - PRIOR_HEALTHY - PRIOR_PAIR) / all;
    let of_pair = PRIOR_PAIR / (all * (all - 1.0) / 2.0);
    let pair = of_pair.ln();
    // Beside a cause that shows, one of which nothing is seen changes nothing.
    let unseen = all - causes.len() as f64;
    let single = (of_one + unseen * of_pair).ln();
    let nothing_seen = unseen * (of_one + (unseen - 1.0) / 2.0 * of_pair);
    let mut scored: Vec<(Vec<Cause>, f64)> = Vec::new();
    scored.push((Vec::new(), PRIOR_HEALTHY.ln() + wiring(&[])));
    // Nothing of what is known, and one feature or several moved by something else.
    let moved: f64 = changes
        .iter()
        .map(|change| (UNEXPLAINED * unexplained_ratio(change)).ln_1p())
        .sum();
    let unexplained = PRIOR_HEALTHY.ln() + wiring(&[]) + trust * moved.exp_m1().max(1e-300).ln();
    let groups = groups(changes);
    let tables: Vec<_> = causes.iter().map(|&c| rows(c, &groups)).collect();
    for (i, (&a, table)) in causes.iter().zip(&tables).enumerate() {
        let alone: Vec<f64> = table
            .iter()
            .map(|row| trust * row.iter().flatten().map(|(_, log)| log).sum::<f64>())
            .collect();
        let own = vec![a];
        let score = single + log_mean(&alone) + wiring(&own);
        scored.push((own, score));
        let others = causes.iter().zip(&tables).skip(i + 1);
        for (&b, other) in others {
            let mut values = Vec::new();
            for row in table {
                for other_row in other {
                    values.push(trust * both_ratio(&groups, row, other_row));
                }
            }
            let both = vec![a, b];
            let score = pair + log_mean(&values) + wiring(&both);
            scored.push((both, score));
        }
    }
    let unseen = (nothing_seen > 0.0).then(|| nothing_seen.ln() + wiring(&[]));
    let beyond = [
        (Beyond::Unexplained, Some(unexplained)),
        (Beyond::Unseen, unseen),
    ];
    let known = scored
        .into_iter()
        .map(|(causes, score)| (causes, None, score));
    let beyond = beyond
        .into_iter()
        .filter_map(|(beyond, score)| Some((Vec::new(), Some(beyond), score?)));
    let scored: Vec<_> = known.chain(beyond).collect();
    let top = scored
        .iter()
        .map(|(.., score)| *score)
        .fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = scored.iter().map(|(.., score)| (score - top).exp()).sum();
    let mut found: Vec<Hypothesis> = scored
        .into_iter()
        .map(|(causes, beyond, score)| Hypothesis {
            causes,
            beyond,
            probability: (score - top).exp() / total,
        })
        .collect();
    found.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    found
}

/// Two causes at once, each at one severity.
fn both_ratio(
    groups: &[Vec<&Change>],
    a: &[Option<(Effect, f64)>],
    b: &[Option<(Effect, f64)>],
) -> f64 {
    groups
        .iter()
        .zip(a.iter().zip(b))
        .map(|(group, pair)| match pair {
            (Some((a, _)), Some((b, _))) => log_ratio(group, &[a, b]),
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

/// The probability of each cause: the sum over the hypotheses that hold it.
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
            (cause, uncertain(raw))
        })
        .collect();
    let healthy: f64 = hypotheses
        .iter()
        .filter(|h| h.causes.is_empty() && h.beyond.is_none())
        .map(|h| h.probability)
        .sum();
    found.push((Cause::Healthy, uncertain(healthy)));
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found
}

fn uncertain(probability: f64) -> f64 {
    let (least, most) = LEAST_AND_MOST;
    probability.clamp(least, most)
}
