//! Transfer fraction (definition 11): the methods together.
//!
//! Estimates are combined by inverse variance where they agree. `tyre` and `balance` share the wheels'
//! slips, the axle loads and the tyres' curve, so their errors go together by about [`TOGETHER`]; the
//! combined uncertainty carries that. An upper bound takes no part, and alone it is no value. Where
//! `tyre` and `balance` disagree nothing is said beyond the disagreement; where only `hydraulic`
//! stands apart, its assumption of a healthy lining is the likely one to fail, and it is left out. What
//! the methods by the wheels share stands here, too.

use super::view::View;
use super::{transfer_balance, transfer_hydraulic, transfer_tyre};
use crate::engagement::Kind;
use crate::measure::{Estimate, Measured, Missing, TransferEstimate, TransferMethod};

/// Correlation of the errors of `tyre` and `balance`.
const TOGETHER: f64 = 0.6;

/// Standard deviations of a difference within which two methods agree.
const AGREE: f64 = 2.6;

/// What the model is wrong by: one curve for both axles and all slips.
const U_MODEL: f64 = 0.012;
/// The same from standstill, where tyres wind up before they roll and may slide.
const U_MODEL_LAUNCHED: f64 = 0.02;
/// The same in a bend, where side forces take grip.
const U_MODEL_TURNING: f64 = 0.045;

/// An estimate that is known no better than this says nothing.
pub(super) const NOT_TOLD: f64 = 0.2;

/// Share of the held part in which a rear wheel may spin.
const MOST_SPINNING: f64 = 0.05;

/// Where the sensors tell nothing, the rear's share over that of the first moments told, and its standard
/// uncertainty: the rear's shafts have to twist before they carry, so that its share builds up from
/// nothing. Common practice, no source.
pub(super) const UNTOLD_SHARE: (f64, f64) = (0.5, 0.2);

/// What a method by the tyres is wrong by at best.
pub(super) fn model_uncertainty(view: &View<'_>) -> f64 {
    match view.found.kind {
        Kind::TurnIn => U_MODEL_TURNING,
        Kind::Launch => U_MODEL_LAUNCHED,
        Kind::TipIn => U_MODEL,
    }
}

/// Every estimate of one engagement.
pub(super) fn estimates(view: &View<'_>) -> Vec<TransferEstimate> {
    vec![
        transfer_hydraulic::transfer_hydraulic(view),
        transfer_tyre::transfer_tyre(view),
        transfer_balance::transfer_balance(view),
    ]
}

/// The combined fraction.
pub(super) fn combined(estimates: &[TransferEstimate]) -> Measured {
    let by = |method| estimates.iter().find(|e| e.method == method);
    let value = |method| by(method).and_then(|e| e.fraction.as_ref().ok());
    let (tyre, balance) = (value(TransferMethod::Tyre), value(TransferMethod::Balance));
    let wheels = match (tyre, balance) {
        (Some(a), Some(b)) => Some(both(a, b)?),
        (Some(one), None) | (None, Some(one)) => Some(one.clone()),
        (None, None) => None,
    };
    let hydraulic = by(TransferMethod::Hydraulic).filter(|e| e.fraction.is_ok());
    match (wheels, hydraulic) {
        (Some(wheels), Some(h)) if h.upper_bound => Ok(wheels),
        (Some(wheels), Some(h)) => with_hydraulic(
            wheels,
            h.fraction.clone()?,
            tyre.is_some() && balance.is_some(),
        ),
        (Some(wheels), None) => Ok(wheels),
        (None, Some(h)) if h.upper_bound => Err(ONLY_A_BOUND),
        (None, Some(h)) => h.fraction.clone(),
        (None, None) => Err(first_reason(estimates)),
    }
}

const ONLY_A_BOUND: Missing = Missing::NotIdentifiable(
    "only an upper bound is known: the coupling is locked, and its pressure tells what it could carry",
);

/// Whether one rear wheel spins in too much of the held part for the rear axle's speed to tell how its
/// tyres pull.
pub(super) fn rear_rolls(view: &View<'_>) -> Result<(), Missing> {
    let held = view.held_samples()?;
    let count = held.len();
    let spins = held.filter(|&i| view.kinematics.rear_spins(i)).count();
    if spins as f64 > MOST_SPINNING * count as f64 {
        return Err(Missing::NotIdentifiable(
            "one rear wheel spins while the coupling is held, so the rear axle's speed does not tell how its tyres pull",
        ));
    }
    Ok(())
}

/// The reason that a reader can act on: a coupling that was not held, a key or signal that is missing, else
/// that of the method which needs least. `tyre` needs more signals than the others, so what it lacks is not
/// what stands in the way.
fn first_reason(estimates: &[TransferEstimate]) -> Missing {
    let reason = |method| {
        estimates
            .iter()
            .find(|e| e.method == method)
            .and_then(|e| e.fraction.as_ref().err().cloned())
    };
    let reasons = || {
        [TransferMethod::Hydraulic, TransferMethod::Balance]
            .into_iter()
            .filter_map(reason)
    };
    reasons()
        .find(|why| matches!(why, Missing::NoHeldPart))
        .or_else(|| reasons().find(|why| matches!(why, Missing::VehicleKey(_) | Missing::Role(_))))
        .or_else(|| reason(TransferMethod::Balance))
        .unwrap_or(Missing::NotIdentifiable("no method applies"))
}

fn disagree(one: (&'static str, &Estimate), other: (TransferMethod, &Estimate)) -> Missing {
    Missing::Disagreement {
        one: (one.0, one.1.value),
        other: (other.0.text(), other.1.value),
    }
}

/// `tyre` and `balance` where they agree.
fn both(tyre: &Estimate, balance: &Estimate) -> Measured {
    let difference = tyre.value - balance.value;
    // Counted as if their errors were independent, which makes disagreement harder to claim.
    if difference.abs() > AGREE * tyre.u.hypot(balance.u) {
        return Err(disagree(
            (TransferMethod::Tyre.text(), tyre),
            (TransferMethod::Balance, balance),
        ));
    }
    Ok(weighted(
        tyre,
        balance,
        TOGETHER,
        "tyre and balance combined by inverse variance",
    ))
}

fn with_hydraulic(wheels: Estimate, hydraulic: Estimate, two: bool) -> Measured {
    let difference = wheels.value - hydraulic.value;
    if difference.abs() <= AGREE * wheels.u.hypot(hydraulic.u) {
        let method = if two {
            "hydraulic, tyre and balance combined by inverse variance"
        } else {
            "hydraulic and one method by the wheels combined by inverse variance"
        };
        return Ok(weighted(&wheels, &hydraulic, 0.0, method));
    }
    if two {
        return Ok(Estimate {
            method: "tyre and balance combined; hydraulic disagrees, as with a lining that carries more or less than its file says",
            ..wheels
        });
    }
    Err(disagree(
        ("the wheels", &wheels),
        (TransferMethod::Hydraulic, &hydraulic),
    ))
}

fn weighted(a: &Estimate, b: &Estimate, correlation: f64, method: &'static str) -> Estimate {
    let least = 1e-6;
    let (wa, wb) = (a.u.max(least).powi(-2), b.u.max(least).powi(-2));
    let (sa, sb) = (wa / (wa + wb), wb / (wa + wb));
    let variance =
        (sa * a.u).powi(2) + (sb * b.u).powi(2) + 2.0 * sa * sb * correlation * a.u * b.u;
    Estimate {
        value: sa * a.value + sb * b.value,
        u: variance.sqrt(),
        method,
        samples: a.samples + b.samples,
    }
}

#[cfg(test)]
mod tests {
    use super::TransferMethod::{Balance, Hydraulic, Tyre};
    use super::*;

    fn estimate(method: TransferMethod, value: f64, u: f64, upper_bound: bool) -> TransferEstimate {
        TransferEstimate {
            method,
            fraction: Ok(Estimate {
                value,
                u,
                method: method.text(),
                samples: 10,
            }),
            assumption: "",
            upper_bound,
        }
    }

    #[test]
    fn agreeing_methods_combine_by_inverse_variance() {
        let all = [
            estimate(Tyre, 0.40, 0.04, false),
            estimate(Balance, 0.36, 0.02, false),
        ];
        let found = combined(&all).unwrap();
        assert!((found.value - 0.368).abs() < 1e-12, "{found:?}");
        // (0.2·0.04)² + (0.8·0.02)² + 2·0.2·0.8·0.6·0.04·0.02
        assert!((found.u.powi(2) - 0.000_473_6).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn disagreement_is_said_and_not_averaged() {
        let all = [
            estimate(Tyre, 0.60, 0.03, false),
            estimate(Balance, 0.36, 0.02, false),
            estimate(Hydraulic, 0.40, 0.05, false),
        ];
        let why = combined(&all).unwrap_err().to_string();
        insta::assert_snapshot!(why, @"tyre says 0.60 and balance says 0.36, further apart than their uncertainties allow");
    }

    #[test]
    fn a_lining_that_carries_less_leaves_the_hydraulic_estimate_out() {
        let all = [
            estimate(Hydraulic, 0.60, 0.05, false),
            estimate(Tyre, 0.37, 0.03, false),
            estimate(Balance, 0.36, 0.03, false),
        ];
        let found = combined(&all).unwrap();
        assert!((found.value - 0.365).abs() < 1e-12 && found.method.contains("disagrees"));
    }

    #[test]
    fn an_upper_bound_is_no_value() {
        let bound = estimate(Hydraulic, 0.9, 0.1, true);
        assert_eq!(combined(std::slice::from_ref(&bound)), Err(ONLY_A_BOUND));
        let all = [bound, estimate(Balance, 0.36, 0.02, false)];
        assert_eq!(combined(&all).unwrap().value, 0.36);
    }
}
