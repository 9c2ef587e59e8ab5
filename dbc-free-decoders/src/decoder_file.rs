//! Decoder files: the TOML description of a car's frames, as values.
//!
//! Text comes in through [`DecoderFile::parse`], checked and pointed at when wrong; values go out
//! to the [`crate::extractor`], and back to text through [`DecoderFile::to_toml`].
//!
//! A file looks like this; every key that the list does not call required may be left out:
//!
//! ```toml
//! [decoder]
//! name = "training estate car"       # required
//!
//! [[frame]]
//! bus = "can0"                       # any bus if left out
//! id = 0x1A0                         # required
//! extended = false                   # true for a 29-bit id
//! name = "wheel speeds"
//! length_bytes = 8                   # longest data that it sends; 64 if left out, and a field that
//!                                    # no received frame reaches is a mistake seen on decoding
//! period_ms = 10
//! timeout_ms = 50                    # 5 periods if left out
//!
//!   [[frame.signal]]
//!   role = "wheel_speed.front_left"  # required: this, or name = "..." for one without a role
//!   start = 0                        # required; numbered as in crate::field
//!   length = 16                      # required, bits
//!   order = "big"                    # required: "big" or "little"
//!   signed = false                   # true: two's complement
//!   float = false                    # true: IEEE 754, 32 or 64 bits
//!   scale = 0.01                     # value = raw * scale + offset; 1 if left out
//!   offset = -67.67                  # 0 if left out
//!   unit = "km/h"                    # "" if left out
//!   min = 0.0                        # a value outside is invalid
//!   max = 300.0
//!   invalid_raw = [0xFFFF]           # raw codes for "not available" or "error"
//!   when = { start = 56, length = 8, order = "big", equals = 1 }  # only in such frames
//!
//! [[request]]                        # a diagnostic read, and the signals in its answer
//! bus = "can0"                       # any bus if left out
//! pid = 0x0C                         # OBD-II (SAE J1979) parameter; or did = 0xF40C (ISO 14229-1)
//! service = 0x01                     # 0x01 or 0x09 with pid, 0x22 with did
//! request_id = 0x7DF                 # these two as ISO 15765-4 if left out
//! response_id = 0x7E8
//! extended = false                   # true for 29-bit ids
//! # length_bytes = 2                 # with did only: how many bytes its data have, which answers that
//!                                    # carry several dids do not tell
//! period_ms = 200
//!
//!   [[request.signal]]               # bit 0 of byte 0 is the first after the echoed pid or did
//!   role = "engine.speed"
//!   start = 0
//!   length = 16
//!   order = "big"
//!   scale = 0.25
//!   unit = "rpm"
//! ```

mod check;
mod read;
mod read_signal;
mod table;
mod write;

pub use read::Parsed;

use std::collections::BTreeSet;

use crate::field::Field;
use crate::frame::{CanId, MAX_DATA_BYTES};
use crate::obd2::addressing::{Addressing, ControlUnit};
use crate::role::Role;
use crate::signal::SignalKey;
use crate::unit::Unit;

/// How many periods a value stands for the next one where the file states no timeout.
pub const PERIODS_TO_TIMEOUT: f64 = 5.0;

const NS_PER_MS: f64 = 1e6;

/// A decoder file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DecoderFile {
    /// What it describes, in the owner's words.
    pub name: String,
    /// The frames that the car sends by itself.
    pub frames: Vec<FrameEntry>,
    /// The values that it gives when asked.
    pub requests: Vec<RequestEntry>,
}

impl DecoderFile {
    /// The roles that its frames carry, each once.
    #[must_use]
    pub fn roles(&self) -> BTreeSet<Role> {
        let signals = self.frames.iter().flat_map(|frame| &frame.signals);
        signals.filter_map(|signal| signal.key.role()).collect()
    }

    /// The requests whose answers carry a role.
    pub fn requests_with(&self, role: Role) -> impl Iterator<Item = &RequestEntry> {
        let carries = move |signal: &SignalEntry| signal.key.role() == Some(role);
        self.requests
            .iter()
            .filter(move |request| request.signals.iter().any(carries))
    }

    /// The frames that carry a role; several only if they are on different buses.
    pub fn frames_with(&self, role: Role) -> impl Iterator<Item = &FrameEntry> {
        let carries = move |signal: &SignalEntry| signal.key.role() == Some(role);
        self.frames
            .iter()
            .filter(move |frame| frame.signals.iter().any(carries))
    }
}

/// One frame that carries signals.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameEntry {
    /// The bus that carries it; `None` for any bus.
    pub bus: Option<String>,
    /// Its identifier.
    pub id: CanId,
    /// What it holds, in the owner's words.
    pub name: Option<String>,
    /// The most data bytes that it sends, 1 to 64.
    pub length_bytes: u8,
    /// Time from one to the next, ms.
    pub period_ms: Option<f64>,
    /// Longest time for which a value stands for the next one, ms.
    pub timeout_ms: Option<f64>,
    /// The signals in it.
    pub signals: Vec<SignalEntry>,
}

impl FrameEntry {
    /// A frame of any length and any bus, without signals.
    #[must_use]
    pub fn new(id: CanId) -> Self {
        Self {
            bus: None,
            id,
            name: None,
            length_bytes: MAX_DATA_BYTES as u8,
            period_ms: None,
            timeout_ms: None,
            signals: Vec::new(),
        }
    }

    /// Longest time for which a value stands for the next one, ns: `timeout_ms`, else five periods;
    /// `None` if the file states neither.
    #[must_use]
    pub fn stated_timeout_ns(&self) -> Option<i64> {
        let of_periods = self.period_ms.map(|ms| ms * PERIODS_TO_TIMEOUT);
        self.timeout_ms
            .or(of_periods)
            .map(|ms| (ms * NS_PER_MS).round() as i64)
    }
}

/// One signal: where it lies, and what its raw code means.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalEntry {
    /// Role or name.
    pub key: SignalKey,
    /// Where the raw code lies.
    pub field: Field,
    /// Value in `unit` of one step of the raw code; finite, not 0.
    pub scale: f64,
    /// Value in `unit` of raw code 0; finite.
    pub offset: f64,
    /// Unit of the value.
    pub unit: Unit,
    /// Smallest value that is a measurement.
    pub min: Option<f64>,
    /// Largest value that is a measurement.
    pub max: Option<f64>,
    /// Raw codes that are not measurements.
    pub invalid_raw: Vec<u64>,
    /// In which frames of the identifier it is; `None` for all.
    pub when: Option<Selector>,
}

impl SignalEntry {
    /// A signal in every frame of its identifier, any raw code valid.
    #[must_use]
    pub fn new(key: SignalKey, field: Field, scale: f64, offset: f64, unit: Unit) -> Self {
        Self {
            key,
            field,
            scale,
            offset,
            unit,
            min: None,
            max: None,
            invalid_raw: Vec::new(),
            when: None,
        }
    }

    /// Whether both may be in one frame of their identifier. Selectors of different fields count as
    /// telling them apart: nothing in the file says whether they do.
    #[must_use]
    pub fn may_meet(&self, other: &Self) -> bool {
        match (&self.when, &other.when) {
            (Some(own), Some(theirs)) => own == theirs,
            _ => true,
        }
    }

    /// The value of a raw code, in `unit`: `raw * scale + offset`, each step rounded to `f64`.
    #[inline]
    #[must_use]
    pub fn value(&self, raw: u64) -> f64 {
        self.field.number(raw) * self.scale + self.offset
    }

    /// The raw code whose value is nearest to `value` (in `unit`); the lowest or highest code for
    /// a value beyond them.
    #[must_use]
    pub fn nearest_raw(&self, value: f64) -> u64 {
        self.field.nearest_raw((value - self.offset) / self.scale)
    }
}

/// Multiplexing: the signal is there only in frames in which this field holds this code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Selector {
    /// Where the selecting code lies; unsigned.
    pub field: Field,
    /// The code.
    pub equals: u64,
}

/// What a diagnostic request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DiagnosticRead {
    /// An OBD-II parameter (SAE J1979, ISO 15031-5).
    Parameter {
        /// Service: 0x01 current data, 0x09 vehicle information.
        service: u8,
        /// Parameter number.
        pid: u8,
    },
    /// A UDS data identifier, by service 0x22 (ISO 14229-1, ReadDataByIdentifier).
    DataIdentifier(u16),
}

/// One diagnostic read and the signals in its answer.
///
/// Fields count from the first data byte after the echoed parameter number or data identifier.
#[derive(Clone, Debug, PartialEq)]
pub struct RequestEntry {
    /// The bus to ask on; `None` for any bus.
    pub bus: Option<String>,
    /// What it reads, in the owner's words.
    pub name: Option<String>,
    /// What is asked for.
    pub read: DiagnosticRead,
    /// Identifier of the request.
    pub request_id: CanId,
    /// Identifier of the answer; of the same width.
    pub response_id: CanId,
    /// How many bytes the data of a data identifier have, if the file states it.
    pub length_bytes: Option<u16>,
    /// Time from one request to the next, ms.
    pub period_ms: Option<f64>,
    /// Longest time for which a value stands for the next one, ms.
    pub timeout_ms: Option<f64>,
    /// The signals in the answer.
    pub signals: Vec<SignalEntry>,
}

impl RequestEntry {
    /// Whether it goes to every control unit (ISO 15765-4).
    #[must_use]
    pub fn asks_all(&self) -> bool {
        self.request_id == Addressing::of(self.request_id).functional_request()
    }

    /// Who answers a request (ISO 15765-4): the first or engine control unit one to every control
    /// unit, the unit itself one that names it; `None` for another id.
    #[must_use]
    pub fn response_to(request_id: CanId) -> Option<CanId> {
        let addressing = Addressing::of(request_id);
        if request_id == addressing.functional_request() {
            return Some(addressing.engine_answer());
        }
        ControlUnit::from_request(request_id).map(ControlUnit::answer_id)
    }
}

#[cfg(test)]
mod tests;
