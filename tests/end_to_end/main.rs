//! The built program, driven as a process: what it writes, prints and answers.
//!
//! Its JSON is read with structs written anew here, so that a change of the contract is seen.
//! Checks against things outside the project run through [`reference`], which keeps a Python
//! environment of pinned general-purpose libraries under the build folder.

#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    clippy::unwrap_used,
    reason = "a test fails by panicking, also in the functions that its cases share"
)]

mod bad_input;
mod book;
mod bounded;
mod captures;
mod check;
mod compare;
mod dataset;
mod decode;
mod diagnose;
mod edges;
mod faults;
mod find;
mod find_made;
mod folder;
mod fuzz_inputs;
mod help;
mod hostile;
mod json;
mod kept;
mod measure;
mod outside;
mod outside_motion;
mod pictures;
mod plan;
mod program;
mod recording;
mod reference;
mod sample;
mod stack;
mod transfer;
mod trend;
