//! The live view: what a running recorder tells, on one screen for the passenger.
//!
//! The view is a client of the recorder's socket and no more: whatever becomes of it, the recording
//! goes on. It asks ten times a second, on a thread of its own, and draws what came.
//!
//! - [`model`]: what is known, and what it means in words; no terminal, no clock.
//! - [`screen`]: the model drawn, with [`numerals`] for the one number that must be read at a glance
//!   and [`strip`] for its last half minute; [`card`]: the test card over it.
//! - [`count`]: what the drive holds already, measured from its captures in the background.
//! - [`terminal`]: threads, keys and the terminal.

mod card;
mod count;
mod model;
mod numerals;
mod screen;
mod strip;
mod terminal;
#[cfg(test)]
mod tests;

pub(crate) use count::Counter;
pub(crate) use model::Count;
pub(crate) use terminal::{Ended, Settings, show};
