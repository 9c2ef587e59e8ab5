//! What each cause does to each feature: the expected shift at severity 0.3 and at 1, straight in
//! between, from none at 0.
//!
//! Signs and neighbours follow from how the coupling works (the module texts of the features say what each shows);
//! sizes are medians over development seeds of the diagnosis study and are meant as orders: the
//! likelihood gives each of them its own factor and a tolerance, and the severity is free.

use super::cause::Cause;
use super::feature::Feature;

/// How surely a cause moves a feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sure {
    /// In every car.
    Always,
    /// In every car, but up in some and down in others.
    EitherWay,
    /// In most cars, and in a few far more than usual.
    Mostly,
    /// In some cars, and in a few far more than usual; in others it stays.
    Often,
    /// Beside what it mainly does: in some cars, never far more than usual.
    Aside,
    /// The same in few cars.
    Seldom,
}

/// Shifts at severity 0.3 and 1, on the feature's scale.
type Shifts = &'static [(Feature, [f64; 2], Sure)];

/// The features that a cause moves.
#[must_use]
pub fn shifts(cause: Cause) -> Shifts {
    use Feature::*;
    use Sure::*;
    match cause {
        Cause::WeakPump => &[
            (DeadTime, [0.18, 0.62], Always),
            (RiseTime, [0.25, 0.82], Always),
            (DeadTimeScatter, [0.2, 0.6], Aside),
            (PressureShort, [-0.06, -0.16], Seldom),
            (Hold, [-0.10, -0.40], Seldom),
            // A motor that turns hard, or long against what leaks within its pump.
            (FillCurrent, [0.1, 0.4], Seldom),
            (HoldCurrent, [0.1, 0.4], Seldom),
        ],
        Cause::LeakingPistonSeal => &[
            (PressureShort, [-0.06, -0.17], Mostly),
            (RiseTime, [0.08, 0.22], Aside),
            (Hold, [1.0, 6.0], Often),
            // The pump that makes up what leaks comes and goes, or runs on.
            (Ripple, [0.3, 0.8], Aside),
            (HoldCurrent, [0.1, 0.4], Often),
        ],
        Cause::WornLining => &[
            (TorquePerBar, [-0.20, -1.10], Always),
            // A pack with torque to spare holds on a worn lining too.
            (HeldSlip, [0.5, 2.3], Often),
            (FrictionFall, [0.02, 0.1], Aside),
            (ShortShudder, [0.3, 0.7], Aside),
            // A control unit that answers slip moves its demand, and pressure with it.
            (Ripple, [0.15, 1.6], Often),
        ],
        Cause::ExcessClearance => &[
            // More oil to fill the clearance, and none more to close what is then stiff.
            (DeadTime, [0.32, 0.80], Always),
            (DeadTimeScatter, [0.3, 1.4], Aside),
            (Ripple, [0.15, 0.7], Aside),
        ],
        Cause::DraggingPack => &[
            (TurnDrag, [12.0, 40.0], Always),
            (DeadTime, [-0.15, -0.55], Aside),
            (TorquePerBar, [0.15, 0.70], Aside),
            (HeldSlip, [-0.3, -0.5], Aside),
            (SlipSwing, [0.2, 0.6], Aside),
            (Shudder, [0.1, 0.5], Aside),
            (ShortShudder, [0.2, 0.6], Aside),
            (TyreRatio, [0.1, 0.3], Aside),
        ],
        Cause::AeratedFluid => &[
            (DeadTimeScatter, [1.2, 2.8], Always),
            (DeadTime, [0.15, 0.50], Aside),
            (RiseTime, [0.18, 0.60], Aside),
            (Ripple, [0.3, 1.2], Often),
            (PressureShort, [-0.02, -0.06], Aside),
            (Hold, [-0.10, -0.25], Aside),
            // Torque swings with pressure, and slip with torque.
            (Shudder, [0.2, 0.6], Often),
            (ShortShudder, [0.2, 0.6], Often),
        ],
        Cause::WarpedPlate => &[
            (SlipSwing, [0.95, 1.9], Always),
            (ShortSwing, [0.6, 1.2], Always),
            (ShortShudder, [0.15, 0.4], Aside),
            (FrictionFall, [0.1, 0.5], Aside),
        ],
        Cause::Shudder => &[
            (Shudder, [1.3, 1.9], Always),
            (ShortShudder, [0.3, 1.0], Often),
            (FrictionFall, [0.08, 0.25], Aside),
            (TorquePerBar, [0.15, 0.3], Aside),
            (HeldSlip, [-0.2, -0.6], Aside),
        ],
        Cause::TyreMismatch => &[
            // Which axle has the larger tyres is anybody's guess.
            (TyreRatio, [-0.9, -3.0], EitherWay),
            (HeldSlip, [-0.15, -0.5], Aside),
            (FrictionFall, [-0.1, -0.35], Aside),
            (ShortShudder, [0.2, 0.6], Aside),
        ],
        Cause::InhibitedOrWiring | Cause::Healthy => &[],
    }
}

/// What of a cause's shift of a feature shows beside the features that share its factor, and in how many
/// cars.
#[must_use]
pub fn shows(cause: Cause, feature: Feature) -> &'static [(f64, f64)] {
    match (cause, feature) {
        // All of a weak pump's slow rise, half of it where valve or relief ends the rise, seldom nothing,
        // where the valve alone makes it and the pump only fills the clearance: that is how too much
        // clearance looks in every car.
        (Cause::WeakPump, Feature::RiseTime) => &[(1.0, 0.55), (0.5, 0.39), (0.0, 0.06)],
        _ => &[(1.0, 1.0)],
    }
}

/// The features without which a cause cannot be judged: one of them is enough.
#[must_use]
pub fn rests_on(cause: Cause) -> &'static [Feature] {
    use Feature::*;
    match cause {
        Cause::WeakPump => &[RiseTime, DeadTime, FillingTime],
        Cause::LeakingPistonSeal => &[Hold, PressureShort],
        Cause::WornLining => &[TorquePerBar, HeldSlip],
        Cause::ExcessClearance => &[DeadTime, FillingTime],
        Cause::DraggingPack => &[TurnDrag],
        Cause::AeratedFluid => &[DeadTimeScatter, Ripple],
        Cause::WarpedPlate => &[SlipSwing, ShortSwing],
        Cause::Shudder => &[Shudder, ShortShudder],
        Cause::TyreMismatch => &[TyreRatio],
        Cause::InhibitedOrWiring | Cause::Healthy => &[],
    }
}

/// The feature that a cause moves in the same way: filling time is dead time, counted otherwise.
fn moved_alike(feature: Feature) -> Feature {
    match feature {
        Feature::FillingTime => Feature::DeadTime,
        other => other,
    }
}

/// Whether a cause is known by leaving this feature where it was.
#[must_use]
pub fn leaves(cause: Cause, feature: Feature) -> bool {
    (cause, feature) == (Cause::ExcessClearance, Feature::RiseTime)
}

/// The expected shift of a feature by a cause of this severity, and how sure it is; none where the
/// cause leaves the feature alone.
#[must_use]
pub fn expected(cause: Cause, feature: Feature, severity: f64) -> Option<(f64, Sure)> {
    let feature = moved_alike(feature);
    let (_, [mild, full], sure) = shifts(cause).iter().find(|(f, _, _)| *f == feature)?;
    let shift = if severity <= 0.3 {
        mild * severity / 0.3
    } else {
        mild + (full - mild) * (severity - 0.3) / 0.7
    };
    Some((shift, *sure))
}

/// How far a shift goes the way of a cause, on the feature's scale; negative the other way.
#[must_use]
pub fn towards(cause: Cause, feature: Feature, shift: f64) -> f64 {
    match expected(cause, feature, 1.0) {
        Some((_, Sure::EitherWay)) => shift.abs(),
        Some((full, _)) => shift * full.signum(),
        None => 0.0,
    }
}

/// The expected shift alone, 0 where the cause leaves the feature alone.
#[must_use]
pub fn shift(cause: Cause, feature: Feature, severity: f64) -> f64 {
    expected(cause, feature, severity).map_or(0.0, |(shift, _)| shift)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shifts_grow_from_none() {
        for cause in Cause::faults() {
            for &(feature, [mild, full], _) in shifts(cause) {
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
            let moved: Vec<Feature> = shifts(cause).iter().map(|(f, _, _)| *f).collect();
            assert!(
                rests_on(cause).iter().any(|f| moved.contains(f)),
                "{cause:?}"
            );
        }
    }
}
