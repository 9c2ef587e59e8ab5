//! What each fault does to the true measures of a launch and a tip-in: drives in memory, one a
//! cause and severity. A start for studies that need drives with known truth.
//!
//!     cargo run --example faults_in_memory [SEED]

#![allow(clippy::print_stdout, reason = "it is a program")]

use slipwright_sample::fault::{Cause, Fault};
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::memory::Recording;
use slipwright_sample::scenario::{DrivePlan, Scenario};
use slipwright_sample::surface::Surface;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let seed = std::env::args().nth(1).map_or(Ok(1), |text| text.parse())?;
    println!(
        "{:24} {:>4} {:>8} {:>9} {:>9} {:>9} {:>9} {:>9} {:>8} {:>8}",
        "cause",
        "sev.",
        "kind",
        "dead, ms",
        "rise, ms",
        "delay,ms",
        "peak m/s",
        "work, J",
        "share",
        "bar"
    );
    record(seed, None)?;
    for &cause in Cause::ALL {
        for severity in [0.3, 0.7] {
            record(seed, Some(Fault::new(cause, severity)))?;
        }
    }
    Ok(())
}

fn record(seed: u64, fault: Option<Fault>) -> Result<(), Box<dyn std::error::Error>> {
    let press = |kind| Manoeuvre {
        throttle_percent: 80.0,
        ..Manoeuvre::usual(kind)
    };
    let programme = vec![press(Kind::Launch), press(Kind::TipIn)];
    let scenario = Scenario {
        seed,
        faults: fault.into_iter().collect(),
        ..Scenario::default()
    }
    .with_drive(DrivePlan::new("study", programme).on(Surface::Wet));
    let recording = Recording::of(&scenario, 0)?;
    let shown = |value: Option<f64>, digits: usize| {
        value.map_or("-".to_owned(), |value| format!("{value:.digits$}"))
    };
    if recording.truth.engagements.is_empty() {
        println!(
            "{:24} no engagement",
            fault.map_or("none", |f| f.cause.text())
        );
    }
    for e in &recording.truth.engagements {
        println!(
            "{:24} {:>4} {:>8} {:>9} {:>9} {:>9} {:>9} {:>9.0} {:>8} {:>8.1}",
            fault.map_or("none", |f| f.cause.text()),
            fault.map_or(0.0, |f| f.severity),
            format!("{:?}", e.kind),
            shown(e.dead_time_ms, 1),
            shown(e.rise_time_ms, 1),
            shown(e.engagement_delay_ms, 1),
            shown(e.peak_slip_mps, 2),
            e.friction_work_j,
            shown(e.transfer_fraction, 3),
            e.pressure_bar[1],
        );
    }
    Ok(())
}
