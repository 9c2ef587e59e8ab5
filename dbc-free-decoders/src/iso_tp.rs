//! ISO-TP: messages of more than one frame over CAN frames (ISO 15765-2:2016).
//!
//! It sits between frames and diagnostic answers: frames of one identifier go in, whole messages
//! come out for [`crate::obd2`] and [`crate::uds`], and a request goes the other way. Everything
//! is a state machine that the caller feeds with frames and with the time; nothing here waits.
//!
//! - [`pdu`]: one frame read as a protocol data unit.
//! - [`framing`]: how a message is laid out in frames.
//! - [`receiver`]: frames of one sender to its messages, with the flow control that is owed.
//! - [`sender`]: one message to frames, at the pace that the receiver asks for.

pub mod framing;
pub mod pdu;
pub mod receiver;
pub mod sender;

/// Longest message whose length fits the first frame's 12 bits (ISO 15765-2:2016, 9.6.3), bytes.
pub const MAX_SHORT_MESSAGE_BYTES: usize = 4095;

/// Time limit for the next consecutive frame (N_Cr) and for flow control (N_Bs), ns
/// (ISO 15765-2:2016, 9.7: both 1000 ms).
pub const DEFAULT_TIMEOUT_NS: i64 = 1_000_000_000;
