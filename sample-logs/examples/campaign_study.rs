//! Is a quicker coupling found, and an unchanged one left alone, when the drives are simulated whole?
//!
//!     cargo run --example campaign_study -- [CAMPAIGNS [SEED]]
//!
//! Three drives of six launches a side, each drive with its own temperature, throttle and road. In half
//! of the campaigns the clearance before the work is so much wider that the true delay falls by 15 %;
//! in the other half nothing was done. Frames, decoding, measures and comparison are the program's.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a study prints, and may fail loudly"
)]

mod measured;

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use slipwright_analysis::comparison::{Verdict, compare};
use slipwright_analysis::measure::Measure;
use slipwright_analysis::measures::DriveMeasures;
use slipwright_sample::car::Car;
use slipwright_sample::drive;
use slipwright_sample::memory::Recording;
use slipwright_sample::random::{Purpose, Stream};
use slipwright_sample::scenario::{Campaign, Scenario};
use slipwright_sample::surface::Surface;

use measured::measured;

const DRIVES: u32 = 3;

/// What is counted.
#[derive(Default)]
struct Count {
    campaigns: u32,
    found: u32,
    wrong: u32,
    covered: u32,
    told: u32,
    provable: Vec<f64>,
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let campaigns: u64 = arguments.next().map_or(40, |a| a.parse().unwrap());
    let first: u64 = arguments.next().map_or(9000, |a| a.parse().unwrap());
    let next = AtomicU64::new(0);
    let counts: Mutex<[Count; 2]> = Mutex::default();
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    if k >= campaigns {
                        break;
                    }
                    campaign(first + k, k.is_multiple_of(2), &counts);
                }
            });
        }
    });
    println!(
        "{:<26}{:>10}{:>8}{:>8}{:>10}{:>20}",
        "delay", "campaigns", "found", "wrong", "covered", "smallest provable %"
    );
    let counts = counts.into_inner().unwrap();
    for (name, mut c) in ["15 % shorter after", "unchanged"].into_iter().zip(counts) {
        c.provable.sort_by(f64::total_cmp);
        let middle = c.provable.get(c.provable.len() / 2).copied();
        println!(
            "{name:<26}{:>10}{:>8}{:>8}{:>10}{:>20.1}",
            c.campaigns,
            c.found,
            c.wrong,
            format!("{}/{}", c.covered, c.told),
            100.0 * middle.unwrap_or(f64::NAN)
        );
    }
}

fn campaign(seed: u64, shorter: bool, counts: &Mutex<[Count; 2]>) {
    let car = if seed.is_multiple_of(3) {
        Car::default()
    } else {
        Car::drawn(seed)
    };
    let mut worn = car.clone();
    if shorter {
        worn.coupling.clearance_m *= widening(&car, seed);
    }
    let (before, true_before) = side(seed, &worn, 1);
    let (after, true_after) = side(seed, &car, 2);
    let found = compare(&before, &after);
    let delay = &found.measures[Measure::EngagementDelay as usize];
    let true_shift = true_after - true_before;
    let mut counts = counts.lock().unwrap();
    let count = &mut counts[usize::from(!shorter)];
    count.campaigns += 1;
    count.found += u32::from(shorter && delay.verdict == Verdict::Reduced);
    count.wrong += u32::from(match delay.verdict {
        Verdict::Reduced => !shorter,
        Verdict::Increased => true,
        _ => false,
    });
    if let (Some(low), Some(high)) = (delay.ci_low, delay.ci_high) {
        count.told += 1;
        // Unchanged parts differ by nothing, whatever the two sets' own conditions made of it.
        let truth = if shorter { true_shift } else { 0.0 };
        count.covered += u32::from(low <= truth && truth <= high);
    }
    if let (Some(smallest), Some(median)) = (delay.smallest_provable, delay.before_median) {
        count.provable.push(smallest / median);
    }
}

fn scenario(seed: u64, car: &Car, number: u64) -> Scenario {
    let mut random = Stream::new(seed, number as usize, Purpose::Programme);
    let mut scenario = Scenario {
        name: format!("{seed}-{number}"),
        seed: seed * 10 + number,
        car_seed: seed,
        car: car.clone(),
        ..Scenario::default()
    };
    scenario.bus.load = [0.0; 2];
    let low = random.between(55.0, 65.0);
    let cold = random.between(25.0, 40.0);
    scenario.with_campaign(&Campaign {
        drives: DRIVES,
        launches: 6,
        tip_ins: 0,
        turn_ins: 0,
        coasts: 1,
        throttle_percent: [low, low + 25.0],
        fluid_c: [cold, cold + 20.0],
        surfaces: vec![Surface::Wet, Surface::Gravel, Surface::Dry],
        ..Campaign::default()
    })
}

/// The drives of a side, measured, and the mean of their true delays, ms.
fn side(seed: u64, car: &Car, number: u64) -> (Vec<DriveMeasures>, f64) {
    let scenario = scenario(seed, car, number);
    let mut delays = Vec::new();
    let drives = (0..DRIVES as usize)
        .map(|index| {
            let recording = Recording::of(&scenario, index).expect("the layout fits");
            let true_delays = recording.truth.engagements.iter();
            delays.extend(true_delays.filter_map(|e| e.engagement_delay_ms));
            measured(&recording)
        })
        .collect();
    (drives, mean(&delays))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// By how much wider the clearance must be for a delay of which 15 % less is the car's own.
fn widening(car: &Car, seed: u64) -> f64 {
    let delay = |factor: f64| {
        let mut car = car.clone();
        car.coupling.clearance_m *= factor;
        let scenario = scenario(seed, &car, 3);
        let engagements = drive::states(&scenario, 0, |_| {});
        let delays: Vec<f64> = engagements
            .iter()
            .filter_map(|e| e.engagement_delay_ms)
            .collect();
        mean(&delays)
    };
    // The delay grows in a line with the clearance: its oil over the pump's flow.
    let (own, wider) = (delay(1.0), delay(1.3));
    let wanted = own / 0.85;
    1.0 + 0.3 * (wanted - own) / (wider - own)
}
