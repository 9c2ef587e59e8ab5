//! How does engine power change what a campaign can prove? Simulated campaigns on a healthy and on a
//! worn pack, with engines of half to one and a half times the usual torque.
//!
//!     cargo run --example power_study -- [DRIVES A SIDE [SEED]]
//!
//! On a dry road a locked coupling slips little whatever its lining is worth, and a weak engine never
//! brings a pack near what it can carry. The table shows it: how much of the rated torque the drives
//! tested, the smallest change of each measure that the campaign could have shown, and whether it
//! shows that a worn lining (severity 0.7) was renewed.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a study prints, and may fail loudly"
)]

mod measured;

use slipwright_analysis::comparison::{Comparison, compare};
use slipwright_analysis::measure::Measure;
use slipwright_sample::fault::{Cause, Fault};
use slipwright_sample::memory::Recording;
use slipwright_sample::scenario::{Campaign, Scenario};
use slipwright_sample::surface::Surface;

use measured::measured;

const MEASURES: [Measure; 4] = [
    Measure::PeakSlip,
    Measure::SlipDistance,
    Measure::SlipTime,
    Measure::TransferFraction,
];

fn main() {
    let mut arguments = std::env::args().skip(1);
    let drives: u32 = arguments.next().map_or(3, |a| a.parse().unwrap());
    let seed: u64 = arguments.next().map_or(9000, |a| a.parse().unwrap());
    println!("{drives} drives a side; smallest provable change in per cent of the median before");
    print!("{:<8}{:>8}{:>10}", "road", "engine", "tested %");
    for measure in MEASURES {
        print!("{:>20}", measure.key());
    }
    println!("{:>22}", "worn lining renewed");
    for surface in [Surface::Dry, Surface::Wet, Surface::Gravel] {
        for strength in [0.5, 1.0, 1.5] {
            row(surface, strength, drives, seed);
        }
    }
}

fn row(surface: Surface, strength: f64, drives: u32, seed: u64) {
    let side = |number: u64, faults: Vec<Fault>| {
        let scenario = scenario(surface, strength, drives, seed + number, faults);
        (0..drives as usize)
            .map(|index| measured(&Recording::of(&scenario, index).expect("the layout fits")))
            .collect::<Vec<_>>()
    };
    let healthy = side(1, Vec::new());
    let again = side(2, Vec::new());
    let worn = side(3, vec![Fault::new(Cause::WornLining, 0.7)]);
    let tested = healthy
        .iter()
        .filter_map(|d| d.tested.most.percent.as_ref().ok().map(|p| p.value))
        .fold(0.0, f64::max);
    print!("{:<8}{strength:>8}{tested:>10.0}", surface.text());
    let unchanged = compare(&healthy, &again);
    for measure in MEASURES {
        print!("{:>20}", provable(&unchanged, measure));
    }
    let renewed = compare(&worn, &healthy);
    println!("{:>22}", renewed.verdict.text());
}

fn provable(comparison: &Comparison, measure: Measure) -> String {
    let found = &comparison.measures[measure as usize];
    match (found.smallest_provable, found.before_median) {
        (Some(smallest), Some(median)) => format!("{:.0}", 100.0 * smallest / median.abs()),
        _ => "-".to_owned(),
    }
}

fn scenario(
    surface: Surface,
    strength: f64,
    drives: u32,
    seed: u64,
    faults: Vec<Fault>,
) -> Scenario {
    let mut scenario = Scenario {
        seed,
        faults,
        ..Scenario::default()
    };
    scenario.bus.load = [0.0; 2];
    for torque in &mut scenario.car.engine.full_load_nm {
        *torque *= strength;
    }
    scenario.with_campaign(&Campaign {
        drives,
        launches: 6,
        tip_ins: 3,
        turn_ins: 0,
        coasts: 2,
        throttle_percent: [75.0, 90.0],
        surfaces: vec![surface],
        ..Campaign::default()
    })
}
