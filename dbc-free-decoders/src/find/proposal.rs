//! What finding says: proposed signals with score and evidence, and every identifier's make-up.

use super::candidate::Source;
use super::corner::LEAST_CONFIDENCE;
use super::protection::Guard;
use super::reference::ReferenceKind;
use super::wheel_speed::ACCEPTANCE_SCORE;
use crate::decoder_file::Selector;
use crate::field::Field;
use crate::frame::CanId;
use crate::role::Role;
use crate::unit::Unit;

/// What a proposed signal means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// A role.
    Role(Role),
    /// A wheel speed whose corner is not told apart yet.
    WheelSpeed,
    /// The car's own speed, made of its wheels'.
    VehicleSpeed,
}

impl Meaning {
    /// As written for programs.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Role(role) => role.text(),
            Self::WheelSpeed => "wheel_speed.corner_unknown",
            Self::VehicleSpeed => "vehicle.speed",
        }
    }

    /// As said to a person.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Role(role) => role.label(),
            Self::WheelSpeed => "wheel speed, corner not told apart yet",
            Self::VehicleSpeed => "vehicle speed",
        }
    }

    /// Whether it is one of four wheel speeds.
    #[must_use]
    pub fn is_wheel_speed(self) -> bool {
        match self {
            Self::Role(role) => Role::WHEELS.contains(&role),
            Self::WheelSpeed => true,
            Self::VehicleSpeed => false,
        }
    }
}

/// Physical value = raw * scale + offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scaling {
    /// Per count, in `unit`.
    pub scale: f64,
    /// In `unit`.
    pub offset: f64,
    /// Standard uncertainties of the two.
    pub u_scale: f64,
    /// See `u_scale`.
    pub u_offset: f64,
    /// Unit.
    pub unit: Unit,
}

/// One proposed signal.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Name of the bus.
    pub bus: String,
    /// Identifier.
    pub id: CanId,
    /// Where it lies, bits that never moved included.
    pub field: Field,
    /// How many of the field's highest bits never moved and are therefore not proven.
    pub unproven_bits: u8,
    /// In which frames of the identifier.
    pub selector: Option<Selector>,
    /// What it means.
    pub meaning: Meaning,
    /// Place among the candidates for this meaning, from 1; the four wheel speeds are all first.
    pub rank: usize,
    /// 0 to 1.
    pub score: f64,
    /// Codes that mean "not available" or "error".
    pub invalid_raw: Vec<u64>,
    /// Time from one frame to the next, ms; `None` if it does not come in equal times.
    pub period_ms: Option<f64>,
    /// Longest time for which a value stands for the next one, ms.
    pub timeout_ms: f64,
    /// Most data bytes of its frames.
    pub length_bytes: usize,
    /// Scale and offset; `None` if nothing measured them.
    pub scaling: Option<Scaling>,
    /// Why there is none, or what the one there rests on.
    pub scaling_note: Option<String>,
    /// Why this field.
    pub evidence: Vec<String>,
    /// Series on the common axis: physical if there is a scaling, else raw.
    pub series: Vec<f64>,
}

impl Proposal {
    /// A field's proposal of the first rank and a full score, without scale, evidence and series,
    /// which are the maker's to add.
    pub(crate) fn of(source: &Source, field: Field, meaning: Meaning) -> Self {
        Self {
            bus: source.bus.clone(),
            id: source.id,
            field,
            unproven_bits: 0,
            selector: source.selector,
            meaning,
            rank: 1,
            score: 1.0,
            invalid_raw: Vec::new(),
            period_ms: source.period_ms(),
            timeout_ms: source.timeout_ms(),
            length_bytes: source.length_bytes,
            scaling: None,
            scaling_note: None,
            evidence: Vec::new(),
            series: Vec::new(),
        }
    }

    /// Whether it goes into a decoder file without being asked for.
    #[must_use]
    pub fn is_accepted(&self) -> bool {
        self.score >= ACCEPTANCE_SCORE && self.rank == 1
    }
}

/// How sure two things are told apart, in words; `what` names the two.
#[must_use]
pub fn told_apart(what: &str, confidence: f64) -> String {
    if confidence >= LEAST_CONFIDENCE {
        format!("{what} told apart ({:.0} % sure)", 100.0 * confidence)
    } else if confidence > 0.5 {
        format!("{what} not sure yet ({:.0} %)", 100.0 * confidence)
    } else {
        format!("{what} not told apart yet")
    }
}

/// One identifier on one bus.
#[derive(Clone, Debug, PartialEq)]
pub struct IdReport {
    /// Name of the bus.
    pub bus: String,
    /// Identifier.
    pub id: CanId,
    /// Frames seen.
    pub frames: u64,
    /// Most data bytes.
    pub length_bytes: usize,
    /// Time from one to the next, ms; `None` if it does not come in equal times.
    pub period_ms: Option<f64>,
    /// Longest time for which a value stands for the next one, ms.
    pub timeout_ms: f64,
    /// Counters and checksums.
    pub guards: Vec<Guard>,
    /// For a multiplexed identifier: the frames meant.
    pub selector: Option<Selector>,
    /// Fields.
    pub fields: Vec<FoundField>,
    /// Bits that never moved.
    pub constant_bits: usize,
}

/// A field of an identifier, whatever it means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FoundField {
    /// Where, and whether signed; only bits that moved.
    pub field: Field,
    /// Different codes seen.
    pub distinct: usize,
}

/// The speed that was compared with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceUsed {
    /// Where it came from.
    pub kind: ReferenceKind,
    /// By how much it follows the frames, s.
    pub lag_s: f64,
    /// Share of the drive that it covers.
    pub coverage: f64,
}

/// Whether there are wheel speeds.
#[derive(Clone, Debug, PartialEq)]
pub enum WheelAnswer {
    /// Four, among the proposals.
    Found {
        /// How sure front is told from rear, 0 to 1.
        axle_confidence: f64,
        /// How sure left is told from right, 0 to 1.
        side_confidence: f64,
        /// What to drive where they are not told apart.
        to_tell: Vec<&'static str>,
    },
    /// None on these buses.
    None {
        /// Why.
        why: String,
    },
}

/// A field that moved after a mark.
#[derive(Clone, Debug, PartialEq)]
pub struct Moved {
    /// Name of the bus.
    pub bus: String,
    /// Identifier.
    pub id: CanId,
    /// In which frames of the identifier.
    pub selector: Option<Selector>,
    /// The bits that moved.
    pub field: Field,
    /// Movement after the mark over movement elsewhere.
    pub contrast: f64,
}

impl Moved {
    /// Whether it is this field, whatever that means.
    pub(crate) fn is(
        &self,
        bus: &str,
        id: CanId,
        selector: Option<Selector>,
        field: Field,
    ) -> bool {
        (self.bus.as_str(), self.id, self.selector, self.field) == (bus, id, selector, field)
    }
}

/// What moved after a mark and hardly elsewhere.
#[derive(Clone, Debug, PartialEq)]
pub struct MarkContrast {
    /// Time of the mark, ns since the epoch.
    pub t_ns: i64,
    /// Its text.
    pub text: String,
    /// Fields, the strongest contrast first.
    pub moved: Vec<Moved>,
}

/// Everything found.
#[derive(Clone, Debug)]
pub struct Findings {
    /// Proposed signals: wheel speeds, vehicle speeds, then the rest by role and rank.
    pub proposals: Vec<Proposal>,
    /// Whether there are wheel speeds.
    pub wheels: WheelAnswer,
    /// Every identifier, by bus and number.
    pub ids: Vec<IdReport>,
    /// What each mark sets apart; empty unless asked for.
    pub marks: Vec<MarkContrast>,
    /// The reference, if there was one.
    pub reference: Option<ReferenceUsed>,
    /// The reference on the common axis, m/s; empty without one.
    pub reference_mps: Vec<f64>,
    /// The common axis.
    pub axis: super::timeline::Timeline,
    /// What a reader must know.
    pub notes: Vec<String>,
}
