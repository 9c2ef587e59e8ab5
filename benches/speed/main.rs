//! How fast everything is, beside what the machine itself can do.
//!
//!     cargo bench --profile dev --bench speed
//!
//! First the stages, one by one, on two minutes of two busy buses: reading, decoding, finding
//! engagements, writing; beside copying the same bytes in memory and reading the same file. Then
//! whole commands as a user runs them, on an hour of the same traffic and on a year of weekly
//! drives, and the same work done the usual way with general-purpose Python libraries
//! (`benches/peer/`).
//!
//! The drives are simulated into the build folder on first use. Every figure is taken in this
//! run, with the files in the page cache.

#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a benchmark prints, and stops when it cannot measure"
)]
#![allow(
    missing_docs,
    reason = "the benchmark's attribute makes items of its own"
)]

mod drives;
mod peer;
mod stages;
mod whole;
mod year;

fn main() {
    // What asks only for the list of benchmarks, or for one of them, wants no table.
    let words: Vec<String> = std::env::args().skip(1).collect();
    let everything = words.iter().all(|word| word == "--bench");
    divan::main();
    if everything {
        whole::print();
        year::print();
        peer::print();
    }
}
