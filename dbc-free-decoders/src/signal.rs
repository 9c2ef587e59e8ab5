//! Decoded signals: what the extractors fill and the analysis reads.
//!
//! Each series keeps its own time stamps; nothing is aligned or interpolated here.

use crate::frame::CanId;
use crate::role::Role;
use crate::unit::Unit;

/// Which signal a series holds.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum SignalKey {
    /// A signal with a meaning to the analysis.
    Role(Role),
    /// A signal that only has a name.
    Name(String),
}

impl SignalKey {
    /// The role, if it has one.
    #[must_use]
    pub fn role(&self) -> Option<Role> {
        match self {
            Self::Role(role) => Some(*role),
            Self::Name(_) => None,
        }
    }

    /// Role or name as written in files and tables.
    #[must_use]
    pub fn text(&self) -> &str {
        match self {
            Self::Role(role) => role.text(),
            Self::Name(name) => name,
        }
    }
}

/// Why a received value is not a measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum InvalidReason {
    /// The raw code is listed as "not available" or "error".
    RawCode,
    /// Below the decoder file's `min`.
    BelowMin,
    /// Above the decoder file's `max`.
    AboveMax,
    /// A floating-point field held NaN or an infinity, or scaling overflowed.
    NotFinite,
    /// The frame was too short to hold the field.
    FrameTooShort,
}

/// One received value that is not a measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Invalid {
    /// Receive time, ns since the epoch.
    pub t_ns: i64,
    /// Why.
    pub reason: InvalidReason,
}

/// One signal over a capture.
///
/// `t_ns` and `value` have equal lengths and hold valid samples only, in the order received; a
/// value is finite. What was received but is not a measurement is in `invalid`.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Role or name.
    pub key: SignalKey,
    /// Unit of `value`, as the decoder file states it.
    pub unit: Unit,
    /// Name of the bus it came from.
    pub bus: String,
    /// Identifier of its frame.
    pub id: CanId,
    /// Receive times, ns since the epoch.
    pub t_ns: Vec<i64>,
    /// Values in `unit`.
    pub value: Vec<f64>,
    /// Received, but not a measurement.
    pub invalid: Vec<Invalid>,
    /// Longest time for which a value stands for the next one, ns: the decoder file's
    /// `timeout_ms`, else five of its periods, else five median intervals of the data. A signal
    /// that only some of its frames hold (`when`) takes the larger of the latter two.
    pub timeout_ns: i64,
}

/// All signals decoded from one capture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Signals {
    /// One series a signal and bus, in the decoder file's order.
    pub series: Vec<Series>,
}

impl Signals {
    /// The series of a role. Where several buses carry it, the one with most valid samples.
    #[must_use]
    pub fn role(&self, role: Role) -> Option<&Series> {
        self.series
            .iter()
            .filter(|s| s.key == SignalKey::Role(role))
            .reduce(|best, s| {
                if s.t_ns.len() > best.t_ns.len() {
                    s
                } else {
                    best
                }
            })
    }
}
