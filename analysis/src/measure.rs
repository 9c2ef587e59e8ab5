//! The vocabulary of measures: one list that help, JSON fields, Parquet columns, chart titles and
//! the README's table all come from; and what a measured value is.

use std::fmt;

use serde::{Deserialize, Serialize};
use slipwright_decoders::role::Role;

use crate::kept;

/// A text of this program. The alias keeps the derived readers from borrowing it from a file.
type Text = &'static str;

/// A value with its standard uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best estimate, in the unit of its name.
    pub value: f64,
    /// Standard uncertainty (one standard deviation; JCGM 100:2008, 2.3.1), same unit.
    pub u: f64,
    /// How it was found, in a few plain words.
    #[serde(deserialize_with = "kept::text")]
    pub method: Text,
    /// How many samples it rests on.
    pub samples: usize,
}

/// Why a value is missing. A value is never invented; it says what would bring it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Missing {
    /// The vehicle file lacks this key, written as `table.key`.
    VehicleKey(#[serde(deserialize_with = "kept::text")] Text),
    /// The capture holds no valid sample of this role.
    Role(#[serde(with = "kept::role")] Role),
    /// The signal has a gap longer than its timeout where the value is needed.
    Gap(#[serde(with = "kept::role")] Role),
    /// The step never reached the level that the measure needs.
    NoCrossing {
        /// The signal that stepped.
        #[serde(with = "kept::role")]
        role: Role,
        /// The level it did not cross, per cent of the step.
        percent: u8,
    },
    /// The step is not clear of the noise.
    StepInNoise(#[serde(with = "kept::role")] Role),
    /// Slip never left its noise band.
    SlipInNoise,
    /// Too few samples where the value is needed.
    TooFewSamples {
        /// How many there were.
        have: usize,
        /// How many it takes.
        need: usize,
    },
    /// The engagement has no held part.
    NoHeldPart,
    /// The wheels turn slower than their sensors can tell.
    BelowSensorSpeed,
    /// No stretch of the drive suits the estimate; the text says what such a stretch is.
    NoSuitableStretch(#[serde(deserialize_with = "kept::text")] Text),
    /// Two methods measured the same and do not agree; that is a finding by itself.
    Disagreement {
        /// One method and its value.
        #[serde(deserialize_with = "kept::method_and_value")]
        one: (Text, f64),
        /// The other and its value.
        #[serde(deserialize_with = "kept::method_and_value")]
        other: (Text, f64),
    },
    /// The measure needs something that this drive cannot tell; the text says what and why.
    NotIdentifiable(#[serde(deserialize_with = "kept::text")] Text),
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::VehicleKey(key) => write!(f, "the vehicle file has no {key}"),
            Self::Role(role) => write!(f, "no valid {role} in the capture"),
            Self::Gap(role) => write!(f, "{role} has a gap here"),
            Self::NoCrossing { role, percent } => {
                write!(f, "{role} never crossed {percent} % of its step")
            }
            Self::StepInNoise(role) => write!(f, "the step of {role} is not clear of its noise"),
            Self::SlipInNoise => write!(f, "slip never left its noise band"),
            Self::TooFewSamples { have, need } => {
                write!(f, "{have} samples where {need} are needed")
            }
            Self::NoHeldPart => write!(f, "the coupling was not held long enough"),
            Self::BelowSensorSpeed => write!(f, "slower than the wheel sensors can tell"),
            Self::NoSuitableStretch(what) => write!(f, "no {what} in the drive"),
            Self::Disagreement { one, other } => write!(
                f,
                "{} says {:.2} and {} says {:.2}, further apart than their uncertainties allow",
                one.0, one.1, other.0, other.1
            ),
            Self::NotIdentifiable(why) => f.write_str(why),
        }
    }
}

/// A measured value, or the reason why there is none.
pub type Measured = Result<Estimate, Missing>;

/// In which direction a measure improves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Better {
    /// Smaller is better.
    Lower,
    /// Larger is better.
    Higher,
}

macro_rules! measures {
    ($($variant:ident $key:literal $unit:literal $label:literal $better:ident $definition:literal $meaning:literal;)*) => {
        /// What is measured of one engagement.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Measure {
            $(#[doc = concat!($label, ", ", $unit, " (definition ", $definition, ").")] $variant,)*
        }

        impl Measure {
            /// Every measure, in the order in which tables list them.
            pub const ALL: &[Self] = &[$(Self::$variant),*];
            /// How many there are.
            pub const COUNT: usize = Self::ALL.len();

            /// One of each, in the list's order, so that `measure as usize` finds it.
            #[must_use]
            pub fn each<T>(of: impl FnMut(Self) -> T) -> [T; Self::COUNT] {
                [$(Self::$variant),*].map(of)
            }

            /// Name in JSON and Parquet; it ends in the unit.
            #[must_use]
            pub fn key(self) -> &'static str {
                match self { $(Self::$variant => $key),* }
            }

            /// Unit as printed.
            #[must_use]
            pub fn unit(self) -> &'static str {
                match self { $(Self::$variant => $unit),* }
            }

            /// As said to a person.
            #[must_use]
            pub fn label(self) -> &'static str {
                match self { $(Self::$variant => $label),* }
            }

            /// What it says, as one would explain it at the car.
            #[must_use]
            pub fn meaning(self) -> &'static str {
                match self { $(Self::$variant => $meaning),* }
            }

            /// In which direction it improves.
            #[must_use]
            pub fn better(self) -> Better {
                match self { $(Self::$variant => Better::$better),* }
            }
        }
    };
}

measures! {
    DeadTime "dead_time_ms" "ms" "dead time" Lower "7"
        "from demand to a tenth of the pressure: oil closes the clearance";
    RiseTime "rise_time_ms" "ms" "rise time" Lower "7"
        "from a tenth to nine tenths of the pressure";
    EngagementDelay "engagement_delay_ms" "ms" "engagement delay" Lower "7"
        "from demand to half of the pressure";
    PeakSlip "peak_slip_mps" "m/s" "peak slip" Lower "8"
        "the most that the front axle ran ahead of the rear";
    SlipTime "slip_time_ms" "ms" "slip time" Lower "8"
        "how long the front axle ran ahead of the rear";
    SlipDistance "slip_distance_m" "m" "slip distance" Lower "8"
        "how much farther the front tyres ran than the rear ones";
    SteadySlip "steady_slip_mps" "m/s" "steady slip" Lower "8"
        "median slip while pressure is held";
    FrictionWork "friction_work_j" "J" "friction work" Lower "9"
        "heat that slip under pressure put into the plates";
    FrictionWorkPerArea "friction_work_j_per_m2" "J/m²" "friction work per lining area" Lower "9"
        "the same for each square metre of lining";
    TransferFraction "transfer_fraction" "1" "transfer fraction" Higher "11"
        "share of the drive torque that went to the rear axle";
    Hold "hold_percent_per_s" "%/s" "pressure decay under hold" Lower "12"
        "how fast pressure falls while demand stays";
    Ripple "ripple_bar" "bar" "pressure ripple" Lower "12"
        "how much pressure wavers while demand stays";
}

impl Measure {
    /// Whether a measure rests on slip or on the tyres' grip, and so on how well the tyres match.
    #[must_use]
    pub fn rests_on_tyres(self) -> bool {
        match self {
            Self::PeakSlip
            | Self::SlipTime
            | Self::SlipDistance
            | Self::SteadySlip
            | Self::FrictionWork
            | Self::FrictionWorkPerArea
            | Self::TransferFraction => true,
            Self::DeadTime | Self::RiseTime | Self::EngagementDelay | Self::Hold | Self::Ripple => {
                false
            }
        }
    }
}

impl fmt::Display for Measure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

/// How a transfer fraction is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum TransferMethod {
    /// Pressure and lining for the rear, engine torque for all.
    Hydraulic,
    /// The axles' slips against ground speed.
    Tyre,
    /// Engine force less what the front tyres' creep accounts for.
    Balance,
}

impl TransferMethod {
    /// Every method, in the order in which tables list them.
    pub const ALL: [Self; 3] = [Self::Hydraulic, Self::Tyre, Self::Balance];

    /// Word in JSON, column names and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Hydraulic => "hydraulic",
            Self::Tyre => "tyre",
            Self::Balance => "balance",
        }
    }
}

/// One transfer-fraction estimate with what it takes for granted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TransferEstimate {
    /// How it was found.
    pub method: TransferMethod,
    /// The fraction, or why there is none.
    pub fraction: Measured,
    /// What the method assumes, in one sentence.
    #[serde(deserialize_with = "kept::text")]
    pub assumption: Text,
    /// Whether the value is only an upper bound (coupling locked).
    pub upper_bound: bool,
}
