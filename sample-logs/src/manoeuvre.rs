//! Manoeuvres: what the driver is told to do. A scenario lists them; the driver takes the plain
//! actions that each comes down to, from `phases`.

mod composite;
mod phases;

use serde::Deserialize;

use crate::surface::Stretch;

pub use self::phases::{Action, GearPolicy, Phase, phases};

/// What a manoeuvre is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Stand with the brake on.
    Stand,
    /// Pull away from rest.
    Launch,
    /// Roll at a speed, then press the pedal.
    TipIn,
    /// Roll into a bend, then press the pedal.
    TurnIn,
    /// Roll without the pedal, out of gear unless `in_gear`.
    Coast,
    /// Brake to rest.
    Brake,
    /// Keep a speed.
    Cruise,
    /// Full lock at walking pace.
    TightTurn,
    /// Slowly round a small circle with the coupling closed: the pedal past where it closes, then
    /// only so far as keeps the pace.
    Circle,
    /// Back up gently.
    Reverse,
    /// Pull away uphill.
    HillStart,
    /// Motorway with overtaking.
    Motorway,
    /// An untidy everyday drive.
    Everyday,
}

impl Kind {
    /// As written in scenario files.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Stand => "stand",
            Self::Launch => "launch",
            Self::TipIn => "tip_in",
            Self::TurnIn => "turn_in",
            Self::Coast => "coast",
            Self::Brake => "brake",
            Self::Cruise => "cruise",
            Self::TightTurn => "tight_turn",
            Self::Circle => "circle",
            Self::Reverse => "reverse",
            Self::HillStart => "hill_start",
            Self::Motorway => "motorway",
            Self::Everyday => "everyday",
        }
    }
}

/// One manoeuvre with every number filled in; what a kind does not use is ignored by it.
#[derive(Clone, Debug, PartialEq)]
pub struct Manoeuvre {
    /// What it is.
    pub kind: Kind,
    /// Pedal that is pressed, per cent.
    pub throttle_percent: f64,
    /// Time in which the pedal gets there, s.
    pub rise_s: f64,
    /// How long: the pressing of a launch or tip-in at most, otherwise the whole.
    pub seconds: f64,
    /// Standing time before a launch, s.
    pub rest_s: f64,
    /// Speed at the start, m/s.
    pub from_mps: f64,
    /// Speed that ends it, m/s.
    pub to_mps: f64,
    /// Steering wheel angle, deg, positive to the left.
    pub steering_deg: f64,
    /// Grade, per cent, positive uphill.
    pub grade_percent: f64,
    /// Deceleration when braking, m/s².
    pub decel_mps2: f64,
    /// Whether a coast stays in gear.
    pub in_gear: bool,
    /// Surface over the distance of this manoeuvre; the drive's own if empty.
    pub road: Vec<Stretch>,
}

impl Manoeuvre {
    /// The kind with its usual numbers.
    #[must_use]
    pub fn usual(kind: Kind) -> Self {
        let kmh = |v: f64| v / 3.6;
        let base = Self {
            kind,
            throttle_percent: 60.0,
            rise_s: 0.25,
            seconds: 4.0,
            rest_s: 1.2,
            from_mps: kmh(30.0),
            to_mps: kmh(32.0),
            steering_deg: 0.0,
            grade_percent: 0.0,
            decel_mps2: 2.5,
            in_gear: false,
            road: Vec::new(),
        };
        match kind {
            Kind::Stand => Self {
                seconds: 3.0,
                ..base
            },
            Kind::Launch => base,
            Kind::TipIn => Self {
                seconds: 1.8,
                to_mps: kmh(130.0),
                ..base
            },
            Kind::TurnIn => Self {
                seconds: 1.8,
                from_mps: kmh(16.0),
                to_mps: kmh(27.0),
                steering_deg: 220.0,
                ..base
            },
            Kind::Coast => Self {
                seconds: 15.0,
                from_mps: kmh(60.0),
                to_mps: kmh(15.0),
                ..base
            },
            Kind::Brake => Self {
                from_mps: kmh(50.0),
                ..base
            },
            Kind::Cruise => Self {
                seconds: 10.0,
                from_mps: kmh(50.0),
                ..base
            },
            Kind::TightTurn => Self {
                seconds: 10.0,
                from_mps: kmh(7.0),
                steering_deg: 470.0,
                ..base
            },
            Kind::Circle => Self {
                throttle_percent: 42.0,
                rise_s: 0.3,
                seconds: 20.0,
                from_mps: kmh(13.0),
                to_mps: kmh(15.0),
                steering_deg: 300.0,
                grade_percent: 11.0,
                ..base
            },
            Kind::Reverse => Self {
                seconds: 5.0,
                from_mps: kmh(6.0),
                ..base
            },
            Kind::HillStart => Self {
                grade_percent: 12.0,
                ..base
            },
            Kind::Motorway => Self {
                seconds: 120.0,
                from_mps: kmh(115.0),
                ..base
            },
            Kind::Everyday => Self {
                seconds: 300.0,
                ..base
            },
        }
    }
}
