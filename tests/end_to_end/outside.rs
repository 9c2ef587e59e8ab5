//! The built program against things outside the project.

use std::collections::BTreeMap;
use std::fs;

use serde::Deserialize;

use crate::json::Measured;
use crate::program::{root, slipwright};
use crate::reference::{data, script};

#[derive(Deserialize)]
struct Segment {
    schema: BTreeMap<String, String>,
    roles: BTreeMap<String, SegmentRole>,
}

#[derive(Deserialize)]
struct SegmentRole {
    ours: usize,
    theirs: usize,
    same_stamps: bool,
    largest_difference_mps: Option<f64>,
}

/// One minute of real driving. Source: the example segment of comma2k19 (Schafer, Santana, Haden,
/// Biasini, arXiv:1812.05752, 2018), its raw frames against its own decoded wheel speeds.
#[test]
fn decoded_wheel_speeds_equal_the_data_sets_own() {
    let (Some(capture), Some(truth)) =
        (data("comma2k19/segment.pcapng"), data("comma2k19/wheel_speed.parquet"))
    else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("signals.parquet");
    let run = slipwright([
        "decode".as_ref(),
        capture.as_os_str(),
        "--decoder".as_ref(),
        root().join("tests/reference/segment-decoder.toml").as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let Some(answer) = script("segment.py", [out.as_os_str(), truth.as_os_str()]) else { return };
    let segment: Segment = serde_json::from_str(&answer).unwrap();
    let schema = [("t_ns", "int64"), ("value", "double")];
    for (column, kind) in schema {
        assert_eq!(segment.schema.get(column).map(String::as_str), Some(kind));
    }
    assert_eq!(segment.roles.len(), 4);
    for (role, compared) in segment.roles {
        assert_eq!((compared.ours, compared.theirs), (4974, 4974), "{role}");
        assert!(compared.same_stamps, "{role}");
        let difference = compared.largest_difference_mps.unwrap();
        assert!(difference <= 1e-9, "{role} differs by {difference} m/s");
    }
}

/// A front-wheel-drive car on the motorway has no coupling: nothing to find, and a noise floor.
/// Source as above; its notes give a standard deviation of 0.074 m/s for front less rear.
#[test]
fn real_motorway_driving_shows_noise_and_no_engagement() {
    let Some(capture) = data("comma2k19/segment.pcapng") else { return };
    let run = slipwright([
        "measure".as_ref(),
        capture.as_os_str(),
        "--vehicle".as_ref(),
        root().join("tests/reference/segment-vehicle.toml").as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!(run.code, 0, "{}", run.err);
    let measured: Measured = run.json();
    let drive = &measured.drives[0];
    assert_eq!(drive.frames, 98_800);
    assert_eq!(drive.engagements.len(), 0);
    let noise_mps = drive.noise_slip_mps.unwrap();
    assert!((0.05..=0.09).contains(&noise_mps), "slip noise {noise_mps} m/s");
    // Front less rear is +0.034 m/s at a mean of about 17 m/s by the data set's notes: the front
    // tyres roll about 0.2 % smaller than the rear.
    for wheel in ["front_left", "front_right"] {
        let ratio = &drive.radius_ratio[wheel];
        let (value, u) = (ratio.value.unwrap(), ratio.u.unwrap());
        assert!((value - 0.998).abs() < 0.003, "{wheel}: {value}");
        assert!(u > 0.0 && u < 0.003, "{wheel}: u = {u}");
    }
}

/// Tables committed for the crates' own tests are what their scripts give today.
fn check_table(name: &str, arguments: &[&str], committed: &str) {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("table");
    let mut all: Vec<std::ffi::OsString> = arguments.iter().map(Into::into).collect();
    all.extend(["--out".into(), out.clone().into_os_string()]);
    if script(name, all).is_none() {
        return;
    }
    let fresh = fs::read_to_string(&out).unwrap();
    let committed = fs::read_to_string(root().join(committed)).unwrap();
    assert!(fresh == committed, "{name} no longer gives the committed table");
}
