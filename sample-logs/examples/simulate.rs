//! Simulates a scenario file into a folder and prints how long it took: the benchmark of the
//! simulator, and a way to look at a new scenario without the whole program.
//!
//!     cargo run --release --example simulate -- SCENARIO.toml DIR

#![allow(clippy::print_stdout, reason = "it is a program")]

use std::path::Path;
use std::time::Instant;

use slipwright_sample::scenario::Scenario;
use slipwright_sample::write::{NoObserver, write_scenario};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let (Some(scenario), Some(folder)) = (words.next(), words.next()) else {
        return Err("usage: simulate SCENARIO.toml DIR".into());
    };
    let text = std::fs::read_to_string(&scenario)?;
    let scenario = Scenario::parse(&text, None)?;
    let started = Instant::now();
    let written = write_scenario(&scenario, Path::new(&folder), &mut NoObserver)?;
    let took_s = started.elapsed().as_secs_f64();
    let driven_s: f64 = written.drives.iter().map(|drive| drive.duration_s).sum();
    let frames: u64 = written.drives.iter().map(|drive| drive.frames).sum();
    for drive in &written.drives {
        println!(
            "{:7.1} s, {} engagements, bus load {:?}, energy residual {:.1e}",
            drive.duration_s,
            drive.engagements.len(),
            drive.bus_load,
            drive.energy_residual
        );
    }
    println!("{driven_s:.0} s of driving, {frames} frames, in {took_s:.2} s");
    Ok(())
}
