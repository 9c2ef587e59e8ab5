//! What the diagnosis looks at: one list, with the scale that changes are told on.

use serde::{Deserialize, Serialize};

use crate::measure::Measure;

/// How a change of a feature is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// As a ratio; values are natural logarithms.
    Ratio,
    /// As a difference in the feature's unit.
    Difference,
}

impl Scale {
    /// Word in JSON.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Ratio => "ratio",
            Self::Difference => "difference",
        }
    }
}

macro_rules! features {
    ($($variant:ident $key:literal $label:expr, $unit:literal $scale:ident $floor:literal;)*) => {
        /// A feature of a drive or of an engagement.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Feature {
            $(#[doc = concat!("`", $key, "`, ", $unit, ".")] #[serde(rename = $key)] $variant,)*
        }

        impl Feature {
            /// Every feature.
            pub const ALL: &[Self] = &[$(Self::$variant),*];
            /// How many there are.
            pub const COUNT: usize = Self::ALL.len();

            /// Its name for programs.
            #[must_use]
            pub fn key(self) -> &'static str {
                match self { $(Self::$variant => $key),* }
            }

            /// As said to a person.
            #[must_use]
            pub fn label(self) -> &'static str {
                match self { $(Self::$variant => $label),* }
            }

            /// Unit of its value as printed.
            #[must_use]
            pub fn unit(self) -> &'static str {
                match self { $(Self::$variant => $unit),* }
            }

            /// The scale of its changes.
            #[must_use]
            pub fn scale(self) -> Scale {
                match self { $(Self::$variant => Scale::$scale),* }
            }

            /// Standard deviation from one set of drives to the next of the same healthy car, on
            /// its scale: what weather, driver and road leave after temperature and demand are
            /// taken off. Rounded up from healthy development drives of the study.
            #[must_use]
            pub fn repeat(self) -> f64 {
                match self { $(Self::$variant => $floor),* }
            }
        }
    };
}

features! {
    DeadTime "dead_time" Measure::DeadTime.label(), "ms" Ratio 0.010;
    FillingTime "filling_time" "dead time from the first frame of demand", "ms" Ratio 0.010;
    RiseTime "rise_time" Measure::RiseTime.label(), "ms" Ratio 0.012;
    DeadTimeScatter "dead_time_scatter" "scatter of dead time", "ms" Ratio 0.35;
    Hold "hold" Measure::Hold.label(), "%/s" Difference 0.08;
    PressureShort "pressure_short" "settled pressure less demanded", "bar" Difference 0.006;
    Ripple "ripple" Measure::Ripple.label(), "bar" Ratio 0.40;
    TorquePerBar "torque_per_bar" "torque per bar where slip ends", "N·m/bar" Ratio 0.07;
    FrictionFall "friction_fall" "friction at low slip over that at high slip", "1" Ratio 0.15;
    HeldSlip "held_slip" "slip while held", "m/s" Ratio 0.25;
    SlipSwing "slip_swing" "slip swing once per relative turn, over the orders beside", "1" Ratio 0.08;
    Shudder "shudder" "slip swing of 4 to 30 Hz in slow steady sliding, closed over open", "1" Ratio 0.06;
    ShortSwing "short_swing" "slip swing once per relative turn, in launches and other short stretches", "1" Ratio 0.12;
    ShortShudder "short_shudder" "slip swing of 4 to 30 Hz in launches and tip-ins, closed over open", "1" Ratio 0.15;
    TurnDrag "turn_drag" "share of the turn that the open coupling takes away", "%" Difference 1.5;
    FillCurrent "fill_current" "pump current while filling", "A" Ratio 0.03;
    HoldCurrent "hold_current" "pump current while holding", "A" Ratio 0.04;
    TyreRatio "tyre_ratio" "front over rear rolling radius", "%" Difference 0.08;
}
