//! From a CAN bus to a capture file, and back.
//!
//! The edge of the data flow: this crate is where frames come from. Everything past it works on
//! [`slipwright_decoders::frame::Frame`] and knows neither files nor sockets.
//!
//! - [`capture`]: the capture file. Reading it gives frames; writing it keeps them.
//! - [`text_log`]: frames from other programs' text logs, by a layout that the user gives.
//! - [`whole_file`]: a file written whole or not at all.
//! - [`system_error`]: what the system says of a failure, in plain words.
//! - `recorder`: the daemon that fills it from a live bus; on Linux only, whose kernel has CAN.

pub mod capture;
#[cfg(target_os = "linux")]
pub mod recorder;
pub mod system_error;
pub mod text_log;
pub mod whole_file;
