//! Drives through the public interface: what is written, what decodes, what repeats, and what each
//! fault does.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failed check is a failed test"
)]

mod disturbances;
mod faults;
mod files;
mod manoeuvres;
#[path = "../../examples/measured/mod.rs"]
mod measured;
mod messages;
mod recorded;
mod signals;
mod transfer;
mod unknown;
