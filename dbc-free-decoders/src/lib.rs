//! Frames to signals.
//!
//! The first half of the data flow: a CAN frame comes in, values with a meaning and a unit come
//! out. Nothing here knows a file, a clock, a socket or a vehicle; the caller hands in bytes and
//! text and gets values.
//!
//! In the order of the flow:
//!
//! - [`frame`]: one received CAN frame, as the capture reader or the bus gives it.
//! - [`field`]: where a raw field lies in the data bytes, and how it is taken out.
//! - [`unit`], [`role`]: what a value is measured in, and what it means whichever car it came from.
//! - [`decoder_file`]: the TOML description of a car's frames, checked and pointed at when wrong.
//! - [`extractor`]: that description compiled, then run over frames without allocating per frame.
//! - [`signal`]: the decoded series, each with its own time stamps.
//! - [`traffic`]: which frames there were, decoded or not.
//! - [`iso_tp`]: messages of more than one frame, reassembled and segmented.
//! - [`obd2`], [`uds`], [`trouble_code`]: diagnostic answers to values and to trouble codes.
//! - [`diagnostic_read`]: a decoder file's requests, and their answers as series.
//! - [`find`]: the signals of a car that no decoder file describes.
//! - [`gnss_frames`]: a satellite receiver's fixes as frames of a capture.
//! - [`toml_error`]: what is wrong in one of our TOML files, and on which line.
//!
//! Beside the code, `standard/` holds decoder files ready for use: OBD-II values, the wheel
//! speeds of a J1939 bus, the ground speed of a satellite receiver.

pub mod decoder_file;
pub mod diagnostic_read;
pub mod extractor;
pub mod field;
pub mod find;
pub mod frame;
pub mod gnss_frames;
pub mod iso_tp;
pub mod obd2;
pub mod role;
pub mod signal;
pub mod toml_error;
pub mod traffic;
pub mod trouble_code;
pub mod uds;
pub mod unit;
