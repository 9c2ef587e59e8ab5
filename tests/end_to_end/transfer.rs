//! Transfer fraction, coupling model and tested share on simulated drives, against the simulator's truth:
//! cars and seeds other than those the methods were developed with.

use std::fs;
use std::path::Path;

use serde::Deserialize;

use crate::json::{Drive, Measured};
use crate::program::slipwright;

#[derive(Deserialize)]
struct Truth {
    drives: Vec<TrueDrive>,
}

#[derive(Deserialize)]
struct TrueDrive {
    engagements: Vec<TrueEngagement>,
}

#[derive(Deserialize)]
struct TrueEngagement {
    kind: String,
    reference_s: f64,
    transfer_fraction: Option<f64>,
}

/// Simulates a scenario and measures its drives; the truth beside them.
fn measured(folder: &Path, scenario: &str) -> (Vec<Drive>, Truth) {
    fs::write(folder.join("scenario.toml"), scenario).unwrap();
    let out = folder.join("drives");
    let run = slipwright([
        "simulate".as_ref(),
        folder.join("scenario.toml").as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let mut captures: Vec<_> = fs::read_dir(&out)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.to_string_lossy().contains(".pcapng"))
        .collect();
    captures.sort();
    let mut words = vec!["measure".into()];
    words.extend(captures.iter().map(|c| c.as_os_str().to_owned()));
    words.extend([
        "--vehicle".into(),
        out.join("vehicle.toml").into(),
        "--json".into(),
    ]);
    let run = slipwright(words);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let measured: Measured = run.json();
    let truth = fs::read_to_string(out.join("truth.json")).unwrap();
    (measured.drives, serde_json::from_str(&truth).unwrap())
}

fn scenario(surface: &str, seed: u32, more: &str) -> String {
    format!(
        "name = \"{surface}\"\nseed = {seed}\ncar_seed = {seed}\n{more}\n[campaign]\ndrives = 1\nlaunches = 6\ntip_ins = 2\nturn_ins = 0\ncoasts = 2\nthrottle_percent = [45, 85]\nfluid_c = [35, 60]\nair_c = [10, 20]\nsurfaces = [\"{surface}\"]\n"
    )
}

/// Errors of the combined fraction in launches, and errors over their uncertainty.
fn launch_errors(drives: &[Drive], truth: &Truth) -> Vec<(f64, f64)> {
    let mut errors = Vec::new();
    for (drive, true_drive) in drives.iter().zip(&truth.drives) {
        for e in &drive.engagements {
            let twin = true_drive
                .engagements
                .iter()
                .find(|t| t.kind == "launch" && (t.reference_s - e.reference_s).abs() < 0.1);
            let Some(fraction) = twin.and_then(|t| t.transfer_fraction) else {
                continue;
            };
            if let (Some(value), Some(u)) = (e.transfer_fraction.value, e.transfer_fraction.u) {
                errors.push((value - fraction, (value - fraction) / u));
            }
        }
    }
    errors
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let all: Vec<f64> = values.collect();
    (all.iter().map(|v| v * v).sum::<f64>() / all.len() as f64).sqrt()
}

#[test]
fn launches_with_ground_speed_are_told_on_any_grip() {
    for (surface, seed) in [("dry", 71), ("wet", 72), ("snow", 73)] {
        let folder = tempfile::tempdir().unwrap();
        let (drives, truth) = measured(folder.path(), &scenario(surface, seed, ""));
        let errors = launch_errors(&drives, &truth);
        assert!(errors.len() >= 5, "{surface}: {} launches", errors.len());
        let rms = root_mean_square(errors.iter().map(|e| e.0));
        assert!(rms < 0.03, "{surface}: {rms:.4}, {errors:?}");
        assert!(
            errors.iter().all(|e| e.1.abs() < 3.0),
            "{surface}: {errors:?}"
        );
    }
}

#[test]
fn what_can_be_said_without_engine_torque_pressure_or_ground_speed_is_said() {
    let without = |roles: &str| {
        let folder = tempfile::tempdir().unwrap();
        let bus = format!("[bus]\nomit = [{roles}]");
        measured(folder.path(), &scenario("dry", 74, &bus))
    };
    for (roles, limit) in [
        ("\"engine.torque\"", 0.04),
        ("\"coupling.pressure\"", 0.06),
        ("\"ground.speed\"", 0.04),
    ] {
        let (drives, truth) = without(roles);
        let errors = launch_errors(&drives, &truth);
        assert!(errors.len() >= 5, "{roles}: {} launches", errors.len());
        let rms = root_mean_square(errors.iter().map(|e| e.0));
        assert!(rms < limit, "{roles}: {rms:.4}, {errors:?}");
        // Each method that needs it says so by name.
        let role = roles.trim_matches('"');
        let method = if role == "ground.speed" {
            "tyre"
        } else {
            "hydraulic"
        };
        let e = &drives[0].engagements[0];
        let told = e.transfer.iter().find(|t| t.method == method).unwrap();
        assert_eq!(told.value, None);
        assert!(told.why.as_ref().unwrap().contains(role), "{told:?}");
        assert!(e.transfer.iter().all(|t| t.assumption.len() > 40));
    }
}

#[test]
fn the_model_of_the_coupling_is_recovered_and_says_what_it_cannot_tell() {
    let folder = tempfile::tempdir().unwrap();
    // Hard launches, so that the pack slips.
    let hard = scenario("dry", 75, "").replace("[45, 85]", "[80, 95]");
    let (drives, _) = measured(folder.path(), &hard);
    let model = &drives[0].coupling_model;
    // From the simulator's own parameters: 12 surfaces, 0.125, 0.06688 m, 0.0025 m².
    let torque_per_bar = 12.0 * 0.125 * 0.066_88 * 0.0025 * 1e5;
    let value = model.torque_per_bar.value.value.unwrap();
    assert!((value / torque_per_bar - 1.0).abs() < 0.15, "{model:?}");
    let [low, high] = model.torque_per_bar.interval.unwrap();
    assert!(low < torque_per_bar && torque_per_bar < high, "{model:?}");
    assert!(
        model
            .fill_time
            .value
            .value
            .is_some_and(|ms| ms > 30.0 && ms < 150.0)
    );
    assert!(
        model
            .rise_rate
            .value
            .value
            .is_some_and(|r| r > 200.0 && r < 1000.0)
    );
    assert!(model.leak_rate.value.value.is_some_and(|r| r.abs() < 3.0));
    assert!(drives[0].tested.enough, "{}", drives[0].tested.sentence);

    let ground = &drives[0].ground_speed_scale;
    // The simulator's receiver is 0.18 s late; its wheel sensors lag by a tooth.
    assert!((ground.lag_s.unwrap() - 0.172).abs() < 0.03, "{ground:?}");
    assert!(
        (ground.scale.value.unwrap() - 1.0).abs() < 0.006,
        "{ground:?}"
    );
    assert!(ground.lag_u.unwrap() < 0.01);
}

#[test]
fn gentle_drives_are_told_to_have_tested_little() {
    let folder = tempfile::tempdir().unwrap();
    let gentle = scenario("dry", 76, "").replace("[45, 85]", "[33, 36]");
    let (drives, _) = measured(folder.path(), &gentle);
    let tested = &drives[0].tested;
    assert!(!tested.enough, "{}", tested.sentence);
    assert!(tested.percent.value.is_some_and(|p| p < 75.0), "{tested:?}");
    assert!(tested.manoeuvre.as_ref().unwrap().contains("launch"));
    assert!(
        drives[0]
            .warnings
            .iter()
            .any(|w| w.contains("too little to test"))
    );
    assert!(drives[0].coupling_model.torque_per_bar.value.why.is_some());
}
