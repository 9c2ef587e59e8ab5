//! The readers under test, in a process whose memory is bounded.

pub mod limit;
pub mod readers;
