//! Does the driving force divide between the axles as the simulator divides it? The small version of the
//! study `measures_study`, on launches with a satellite receiver.

use slipwright_analysis::measure::Measure;
use slipwright_analysis::measures::measure_drive;
use slipwright_sample::car::Car;
use slipwright_sample::memory::Recording;
use slipwright_sample::scenario::{Campaign, Scenario};
use slipwright_sample::surface::Surface;

use crate::measured;

/// Error and standard uncertainty of the transfer fraction of every launch of a drive.
fn launches(seed: u64, surface: Surface) -> Vec<(f64, f64)> {
    let mut scenario = Scenario {
        car_seed: seed,
        seed,
        car: Car::drawn(seed),
        ..Scenario::default()
    };
    scenario.bus.load = [0.0; 2];
    let scenario = scenario.with_campaign(&Campaign {
        drives: 1,
        launches: 4,
        tip_ins: 2,
        turn_ins: 0,
        coasts: 2,
        throttle_percent: [50.0, 80.0],
        fluid_c: [45.0, 50.0],
        surfaces: vec![surface],
        ..Campaign::default()
    });
    let recording = Recording::of(&scenario, 0).unwrap();
    let mut signals = recording.signals();
    signals.series.push(measured::satellite(&recording));
    let vehicle = measured::vehicle(&recording);
    let drive = measure_drive("drive", &signals, measured::span(&recording), &vehicle);
    let truth = &recording.truth.engagements;
    truth
        .iter()
        .filter_map(|t| {
            let kind = serde_json::to_value(t.kind).unwrap();
            let fraction = t.transfer_fraction.filter(|_| kind == "launch")?;
            let found = drive.engagements.iter().find(|e| {
                let start_s = (e.start_ns - drive.start_ns) as f64 * 1e-9;
                (start_s - t.start_s).abs() < 0.3
            });
            let estimate = found.unwrap().measured(Measure::TransferFraction).as_ref();
            let estimate = estimate.unwrap();
            Some((estimate.value - fraction, estimate.u))
        })
        .collect()
}

/// Bars of the study: 0.03 root mean square on dry and on slippery roads. So few launches of so few cars
/// tell it to about a quarter of itself.
#[test]
fn launches_on_dry_and_slippery_roads_divide_as_they_do() {
    let all: Vec<(f64, f64)> = [
        (6100, Surface::Dry),
        (6101, Surface::Wet),
        (6102, Surface::Gravel),
        (6103, Surface::Snow),
        (6104, Surface::Ice),
    ]
    .into_iter()
    .flat_map(|(seed, surface)| launches(seed, surface))
    .collect();
    let n = all.len() as f64;
    assert!(n >= 18.0, "{n} launches");
    let rms = (all.iter().map(|(e, _)| e * e).sum::<f64>() / n).sqrt();
    assert!(rms < 0.0375, "root mean square {rms}");
    let held = all.iter().filter(|(e, u)| e.abs() < 1.96 * u).count();
    assert!(held as f64 > 0.85 * n, "{held} of {n} held");
}
