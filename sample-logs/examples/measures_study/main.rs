//! How well are the measures of one drive told? Simulated drives with known truth, measured.
//!
//!     cargo run --example measures_study -- [--cars N] [--seed S] [--omit ROLE]... [--losses TIMES]
//!
//! Each car drives launches, tip-ins and coasts on each surface, with frames every 10 and every
//! 20 ms that jitter as the buses make them, on healthy and worn parts. Against the simulator's
//! truth are held: the transitions (dead time, rise time, delay), the transfer fraction by each
//! method, and the parameters of the coupling's model; each with bias, root mean square error and
//! the share of 95 % intervals that hold the truth. Development used seeds below 5000.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a study prints, and may fail loudly"
)]

mod drives;
#[path = "../measured/mod.rs"]
mod measured;
mod tally;
mod truth;

use std::collections::BTreeMap;
use std::sync::Mutex;

use clap::Parser;
use slipwright_decoders::role::Role;

use drives::{Plan, SURFACES};
use tally::Tally;

#[derive(Parser)]
struct Cli {
    /// How many cars
    #[arg(long, default_value_t = 10)]
    cars: u64,
    /// Seed of the first car
    #[arg(long, default_value_t = 9000)]
    seed: u64,
    /// Signals that the cars do not send
    #[arg(long)]
    omit: Vec<String>,
    /// Without a satellite receiver in the car
    #[arg(long)]
    no_satellite: bool,
    /// The vehicle file states the load on the rear axle and the height of the centre of gravity
    #[arg(long)]
    weighed: bool,
    /// Threads
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// Print every error beyond this many standard uncertainties; 0 prints all
    #[arg(long, value_name = "TIMES")]
    losses: Option<f64>,
}

fn main() {
    let cli = Cli::parse();
    let omit: Vec<Role> = cli
        .omit
        .iter()
        .map(|text| text.parse().expect("a role"))
        .collect();
    let plans: Vec<Plan> = (cli.seed..cli.seed + cli.cars)
        .flat_map(|seed| SURFACES.map(|surface| (seed, surface)))
        .flat_map(|(seed, surface)| [10.0, 20.0].map(|period| (seed, surface, period)))
        .map(|(seed, surface, period_ms)| Plan {
            seed,
            surface,
            period_ms,
            omit: omit.clone(),
            satellite: !cli.no_satellite,
            weighed: cli.weighed,
        })
        .collect();
    let next = std::sync::atomic::AtomicUsize::new(0);
    let all: Mutex<BTreeMap<(String, String), Tally>> = Mutex::default();
    std::thread::scope(|scope| {
        for _ in 0..cli.threads.max(1) {
            scope.spawn(|| {
                loop {
                    let k = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    let Some(plan) = plans.get(k) else { break };
                    let rows = drives::measured(plan, cli.losses);
                    let mut all = all.lock().unwrap();
                    for (quantity, condition, value) in rows {
                        all.entry((quantity, condition)).or_default().add(value);
                    }
                }
            });
        }
    });
    println!("{}", Tally::HEAD);
    let mut last = String::new();
    for ((quantity, condition), tally) in all.into_inner().unwrap() {
        if quantity != last {
            println!("{quantity}");
            last.clone_from(&quantity);
        }
        println!("  {condition:<26}{tally}");
    }
}
