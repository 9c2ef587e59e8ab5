//! The plain actions that a manoeuvre comes down to, with gear and steering, in the order in which the
//! driver goes through them.

use super::{Kind, Manoeuvre, composite};
use crate::gearbox::Gear;
use crate::random::Stream;

/// Which gear the driver wants during an action.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum GearPolicy {
    /// Change up and down with engine speed.
    Auto,
    /// The highest gear in which the engine turns at least this fast at the action's start; it is
    /// kept until the engine nears its limit.
    Lively(f64),
    /// This gear.
    Fixed(Gear),
}

/// What the feet do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Action {
    /// Brake to rest.
    Stop {
        /// Deceleration, m/s².
        decel_mps2: f64,
    },
    /// Stay at rest with the brake on.
    Rest {
        /// How long, s.
        seconds: f64,
    },
    /// Come to a speed gently, from above or below.
    Reach {
        /// Speed, m/s.
        mps: f64,
    },
    /// Keep a speed.
    Keep {
        /// Speed, m/s.
        mps: f64,
        /// How long, s.
        seconds: f64,
    },
    /// Press the pedal and hold it.
    Press {
        /// Pedal, per cent.
        percent: f64,
        /// Time to get there, s.
        rise_s: f64,
        /// Speed that ends it, m/s.
        until_mps: f64,
        /// Longest time, s.
        seconds: f64,
    },
    /// Ease the pedal so that the speed stays, but never so far that the coupling opens, and never
    /// brake.
    Ease {
        /// Speed, m/s.
        mps: f64,
        /// How long, s.
        seconds: f64,
    },
    /// Take the foot off.
    Lift {
        /// How long, s.
        seconds: f64,
    },
    /// Roll without pedals.
    Coast {
        /// Speed that ends it, m/s.
        until_mps: f64,
        /// Longest time, s.
        seconds: f64,
    },
}

/// One action with gear and steering.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phase {
    /// Feet.
    pub action: Action,
    /// Gear.
    pub gear: GearPolicy,
    /// Steering wheel angle, deg; `None` keeps straight on.
    pub steering_deg: Option<f64>,
    /// Grade, per cent.
    pub grade_percent: f64,
}

/// Engine speed that a tip-in starts from at least, rpm.
const LIVELY_RPM: f64 = 1900.0;
/// Time to settle before a press, s.
const SETTLE_S: f64 = 1.0;
/// Longest press that closes the coupling before a circle, s.
const CLOSES_S: f64 = 1.2;
/// Time off the pedal after a press, s.
const LIFT_S: f64 = 0.9;

/// The actions of a manoeuvre. `random` draws what a composite manoeuvre is made of.
#[must_use]
pub fn phases(m: &Manoeuvre, random: &mut Stream) -> Vec<Phase> {
    let steering_deg = (m.steering_deg != 0.0).then_some(m.steering_deg);
    let on = |action: Action, gear: GearPolicy| Phase {
        action,
        gear,
        steering_deg: None,
        grade_percent: m.grade_percent,
    };
    let turning = |action: Action, gear: GearPolicy| Phase {
        steering_deg,
        ..on(action, gear)
    };
    let press = Action::Press {
        percent: m.throttle_percent,
        rise_s: m.rise_s,
        until_mps: m.to_mps,
        seconds: m.seconds,
    };
    let lively = GearPolicy::Lively(LIVELY_RPM);
    let first = GearPolicy::Fixed(1);
    match m.kind {
        Kind::Stand => vec![
            on(
                Action::Stop {
                    decel_mps2: m.decel_mps2,
                },
                GearPolicy::Auto,
            ),
            on(Action::Rest { seconds: m.seconds }, first),
        ],
        Kind::Launch | Kind::HillStart => vec![
            Phase {
                grade_percent: 0.0,
                ..on(
                    Action::Stop {
                        decel_mps2: m.decel_mps2,
                    },
                    GearPolicy::Auto,
                )
            },
            turning(Action::Rest { seconds: m.rest_s }, first),
            turning(press, GearPolicy::Lively(0.0)),
            on(Action::Lift { seconds: LIFT_S }, lively),
        ],
        Kind::TipIn => vec![
            on(Action::Reach { mps: m.from_mps }, GearPolicy::Auto),
            on(
                Action::Keep {
                    mps: m.from_mps,
                    seconds: SETTLE_S,
                },
                lively,
            ),
            on(press, lively),
            on(Action::Lift { seconds: LIFT_S }, lively),
        ],
        Kind::TurnIn => vec![
            on(Action::Reach { mps: m.from_mps }, GearPolicy::Auto),
            turning(
                Action::Keep {
                    mps: m.from_mps,
                    seconds: SETTLE_S + 0.4,
                },
                lively,
            ),
            turning(press, lively),
            turning(
                Action::Lift {
                    seconds: 0.5 * LIFT_S,
                },
                lively,
            ),
            on(Action::Lift { seconds: LIFT_S }, lively),
        ],
        Kind::Coast => {
            let gear = if m.in_gear {
                lively
            } else {
                GearPolicy::Fixed(0)
            };
            vec![
                on(Action::Reach { mps: m.from_mps }, GearPolicy::Auto),
                on(
                    Action::Coast {
                        until_mps: m.to_mps,
                        seconds: m.seconds,
                    },
                    gear,
                ),
            ]
        }
        Kind::Brake => vec![
            on(Action::Reach { mps: m.from_mps }, GearPolicy::Auto),
            on(
                Action::Stop {
                    decel_mps2: m.decel_mps2,
                },
                GearPolicy::Auto,
            ),
        ],
        Kind::Cruise => vec![
            on(Action::Reach { mps: m.from_mps }, GearPolicy::Auto),
            turning(
                Action::Keep {
                    mps: m.from_mps,
                    seconds: m.seconds,
                },
                GearPolicy::Auto,
            ),
        ],
        Kind::TightTurn => vec![
            on(Action::Reach { mps: m.from_mps }, first),
            turning(
                Action::Keep {
                    mps: m.from_mps,
                    seconds: m.seconds,
                },
                first,
            ),
        ],
        Kind::Circle => vec![
            on(Action::Reach { mps: m.from_mps }, GearPolicy::Auto),
            turning(
                Action::Keep {
                    mps: m.from_mps,
                    seconds: SETTLE_S + 0.4,
                },
                first,
            ),
            turning(
                Action::Press {
                    percent: m.throttle_percent,
                    rise_s: m.rise_s,
                    until_mps: m.to_mps,
                    seconds: CLOSES_S,
                },
                first,
            ),
            turning(
                Action::Ease {
                    mps: m.to_mps,
                    seconds: m.seconds,
                },
                first,
            ),
            on(Action::Lift { seconds: LIFT_S }, lively),
        ],
        Kind::Reverse => vec![
            on(
                Action::Stop {
                    decel_mps2: m.decel_mps2,
                },
                GearPolicy::Auto,
            ),
            on(Action::Rest { seconds: m.rest_s }, GearPolicy::Fixed(-1)),
            turning(
                Action::Keep {
                    mps: -m.from_mps,
                    seconds: m.seconds,
                },
                GearPolicy::Fixed(-1),
            ),
            on(
                Action::Stop {
                    decel_mps2: m.decel_mps2,
                },
                GearPolicy::Fixed(-1),
            ),
            on(Action::Rest { seconds: m.rest_s }, first),
        ],
        Kind::Motorway => composite::motorway(m, random),
        Kind::Everyday => composite::everyday(m, random),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Purpose;

    #[test]
    fn a_tip_in_presses_once_and_lifts() {
        let mut random = Stream::new(1, 0, Purpose::Programme);
        let list = phases(&Manoeuvre::usual(Kind::TipIn), &mut random);
        let presses = list
            .iter()
            .filter(|p| matches!(p.action, Action::Press { .. }))
            .count();
        assert_eq!(presses, 1);
        assert!(matches!(list.last().unwrap().action, Action::Lift { .. }));
    }
}
