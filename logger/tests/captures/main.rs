//! Captures from outside: what is written is read, what others write is read, and no file,
//! however damaged, does more harm than to end early.

mod damage;
mod files;
mod golden_bytes;
mod opening;
mod other_crate;
mod packing;
mod round_trip;
mod sections;
