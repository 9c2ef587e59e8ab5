//! What each cause does to each feature: the expected shift at severity 0.3 and at 1, straight in
//! between, from none at 0.
//!
//! Signs and neighbours follow from how the coupling works (the table of causes in DEVELOPERS.md);
//! sizes are medians over development seeds of the diagnosis study and are meant as orders: the
//! likelihood gives each of them its own wide tolerance, and the severity is free.

use super::cause::Cause;
use super::feature::Feature;

/// Shifts at severity 0.3 and 1, on the feature's scale.
type Shifts = &'static [(Feature, [f64; 2])];

/// The features that a cause moves.
#[must_use]
pub fn shifts(cause: Cause) -> Shifts {
    use Feature::*;
    match cause {
        Cause::WeakPump => &[
            (DeadTime, [0.16, 0.58]),
            (RiseTime, [0.19, 0.78]),
            (PressureShort, [-0.06, -0.16]),
            (Hold, [-0.10, -0.40]),
        ],
        Cause::LeakingPistonSeal => &[(RiseTime, [0.08, 0.20]), (PressureShort, [-0.06, -0.20])],
        Cause::WornLining => &[(TorquePerBar, [-0.19, -0.88]), (HeldSlip, [0.3, 1.6])],
        Cause::ExcessClearance => &[(DeadTime, [0.30, 0.76]), (RiseTime, [0.01, 0.08])],
        Cause::DraggingPack => &[(DeadTime, [-0.155, -0.65]), (TurnDrag, [15.0, 60.0])],
        Cause::AeratedFluid => &[
            (DeadTime, [0.15, 0.50]),
            (RiseTime, [0.18, 0.60]),
            (DeadScatter, [2.0, 3.3]),
            (PressureShort, [-0.02, -0.06]),
            (Hold, [-0.10, -0.25]),
        ],
        Cause::WarpedPlate => &[(OncePerTurn, [6.0, 25.0])],
        Cause::Shudder => &[
            (FrictionFall, [11.0, 50.0]),
            (TorquePerBar, [-0.11, -0.39]),
            (Shudder, [0.1, 1.0]),
            (HeldSlip, [0.1, 0.8]),
        ],
        Cause::TyreMismatch => &[(TyreRatio, [-0.9, -3.0])],
        Cause::InhibitedOrWiring | Cause::Healthy => &[],
    }
}

/// The features without which a cause cannot be judged: one of them is enough.
#[must_use]
pub fn rests_on(cause: Cause) -> &'static [Feature] {
    use Feature::*;
    match cause {
        Cause::WeakPump => &[RiseTime, DeadTime],
        Cause::LeakingPistonSeal => &[Hold, PressureShort],
        Cause::WornLining => &[TorquePerBar, HeldSlip],
        Cause::ExcessClearance => &[DeadTime],
        Cause::DraggingPack => &[TurnDrag, DeadTime],
        Cause::AeratedFluid => &[DeadScatter, Ripple],
        Cause::WarpedPlate => &[OncePerTurn],
        Cause::Shudder => &[FrictionFall, Shudder],
        Cause::TyreMismatch => &[TyreRatio],
        Cause::InhibitedOrWiring | Cause::Healthy => &[],
    }
}

/// The expected shift of a feature by a cause of this severity.
#[must_use]
pub fn shift(cause: Cause, feature: Feature, severity: f64) -> f64 {
    let Some((_, [mild, full])) = shifts(cause).iter().find(|(f, _)| *f == feature) else {
        return 0.0;
    };
    if severity <= 0.3 {
        mild * severity / 0.3
    } else {
        mild + (full - mild) * (severity - 0.3) / 0.7
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shifts_grow_from_none() {
        for cause in Cause::faults() {
            for &(feature, [mild, full]) in shifts(cause) {
                assert_eq!(shift(cause, feature, 0.0), 0.0);
                assert!((shift(cause, feature, 0.3) - mild).abs() < 1e-12);
                assert!((shift(cause, feature, 1.0) - full).abs() < 1e-12);
                assert!(
                    mild * full > 0.0 && full.abs() >= mild.abs(),
                    "{cause:?} {feature:?}"
                );
            }
        }
    }

    #[test]
    fn every_cause_rests_on_something_that_it_moves() {
        for cause in Cause::faults().filter(|c| *c != Cause::InhibitedOrWiring) {
            let moved: Vec<Feature> = shifts(cause).iter().map(|(f, _)| *f).collect();
            assert!(
                rests_on(cause).iter().any(|f| moved.contains(f)),
                "{cause:?}"
            );
        }
    }
}
