//! The recorder: a daemon that turns a live bus into capture files and loses nothing on the way.
//!
//! In the order of the flow:
//!
//! - [`source`]: frames of one bus; [`receive`] is the kernel's, with its twin in memory beside it.
//! - [`interface`]: what a CAN interface is set to.
//! - [`clock`]: the clocks, handed in, and the time line that does not step with them.
//! - [`lifecycle`]: when a drive starts, goes on in a new file, and ends.
//! - [`core`]: all of it joined, on handed-in time; it gives jobs to
//! - [`store`]: the disk, on a thread of its own; [`sidecar`]: the drive's `drive.toml`.
//! - [`load`], [`signals`], [`live`]: how busy a bus is, what the car's signals say now, and all
//!   else that a running recorder tells.
//! - [`gnss`]: ground speed by satellite, as one more interface.
//! - [`ask`]: the poll of diagnostic requests, where the person asked for it.
//! - [`control`]: the socket for marks and the live state, and its client.
//! - [`log`]: the log lines; [`daemon`]: everything started, joined and stopped.

pub mod ask;
pub mod clock;
pub mod control;
pub mod core;
pub mod daemon;
pub mod gnss;
pub mod interface;
pub mod lifecycle;
pub mod live;
pub mod load;
pub mod log;
pub mod receive;
pub mod sidecar;
pub mod signals;
pub mod source;
pub mod store;
