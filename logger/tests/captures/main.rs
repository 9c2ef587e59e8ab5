//! Captures from outside: what is written is read, what others write is read, and no file,
//! however damaged, does more harm than to end early.

// The functions that tests share are tests too, which clippy does not see.
#![allow(clippy::expect_used, clippy::panic, clippy::unwrap_used)]

mod damage;
mod files;
mod golden_bytes;
mod opening;
mod other_crate;
mod packing;
mod round_trip;
mod sections;
