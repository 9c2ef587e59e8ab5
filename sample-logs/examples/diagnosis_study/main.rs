//! How often is the diagnosis right? Simulated cars with known faults, diagnosed.
//!
//!     cargo run --workspace --example diagnosis_study -- observe --seed 1000 --cars 20 > drives.jsonl
//!     cargo run --workspace --example diagnosis_study -- judge drives.jsonl
//!
//! The first simulates cars and prints what the diagnosis observes of their drives, one set a
//! line; the second judges each set against its car's healthy drives (and without them) and
//! prints hit rates, the confusion matrix and the calibration table. Which seeds were
//! worked with and which are published stands in DEVELOPERS.md.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a study prints, and may fail loudly"
)]

mod cases;
mod judge;
#[path = "../measured/mod.rs"]
mod measured;

use std::io::Write;

use clap::{Parser, Subcommand};

#[derive(Parser)]
struct Cli {
    #[command(subcommand)]
    step: Step,
}

#[derive(Subcommand)]
enum Step {
    /// Simulate cars and print what is observed
    Observe {
        /// Seed of the first car
        #[arg(long, default_value_t = 9000)]
        seed: u64,
        /// How many cars
        #[arg(long, default_value_t = 10)]
        cars: u64,
        /// Drives a set
        #[arg(long, default_value_t = 3)]
        drives: u32,
        /// Drives as most people would drive them: without slow circles, the coupling closed
        #[arg(long)]
        no_circles: bool,
        /// Threads
        #[arg(long, default_value_t = 2)]
        threads: usize,
    },
    /// Judge what was observed
    Judge {
        /// Files of `observe`
        files: Vec<std::path::PathBuf>,
        /// Print every wrong case
        #[arg(long)]
        wrong: bool,
        /// Print the median shift of each feature by cause
        #[arg(long)]
        shifts: bool,
        /// Print the changes of every case as JSON lines, and nothing else
        #[arg(long)]
        changes: bool,
    },
}

fn main() {
    match Cli::parse().step {
        Step::Observe {
            seed,
            cars,
            drives,
            no_circles,
            threads,
        } => observe(
            seed,
            cars,
            cases::Set {
                drives,
                circles: !no_circles,
            },
            threads,
        ),
        Step::Judge {
            files,
            wrong,
            shifts,
            changes,
        } => judge::judge(&files, wrong, shifts, changes),
    }
}

fn observe(seed: u64, cars: u64, set: cases::Set, threads: usize) {
    let next = std::sync::atomic::AtomicU64::new(0);
    std::thread::scope(|scope| {
        for _ in 0..threads.max(1) {
            scope.spawn(|| {
                loop {
                    let car = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    if car >= cars {
                        return;
                    }
                    cases::car(seed + car, set, &mut |case| {
                        let line = serde_json::to_string(&case).expect("plain data");
                        let mut out = std::io::stdout().lock();
                        writeln!(out, "{line}").expect("standard output takes it");
                        out.flush().expect("standard output takes it");
                    });
                }
            });
        }
    });
}
