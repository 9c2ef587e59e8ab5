//! `trend` on years of drives.

use std::fs;
use std::path::Path;
use std::time::SystemTime;

use serde::Deserialize;
use serde_json::Value;

use crate::captures::{START_NS, SmallCar, write_car};

use crate::program::{Run, slipwright};

const WEEK_NS: i64 = 7 * 86_400_000_000_000;

#[derive(Debug, Deserialize)]
struct Trend {
    drives: Vec<Value>,
    work: Vec<Value>,
    healthy: Healthy,
    measures: Vec<Measure>,
    warnings: Vec<String>,
    judgeable: bool,
    report: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Healthy {
    drives: Vec<String>,
    why: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Measure {
    name: String,
    state: String,
    slope: Slope,
    change_points: Vec<Value>,
    band: Band,
    forecast: Forecast,
    points: Vec<Value>,
}

#[derive(Debug, Deserialize)]
struct Slope {
    per_month: Option<f64>,
    ci_low_per_month: Option<f64>,
    ci_high_per_month: Option<f64>,
    per_1000_km: Option<f64>,
    why: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Band {
    low: Option<f64>,
    high: Option<f64>,
    why: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Forecast {
    months: Option<f64>,
    km: Option<f64>,
    why: Option<String>,
}

impl Trend {
    fn measure(&self, name: &str) -> &Measure {
        self.measures.iter().find(|m| m.name == name).unwrap()
    }
}

fn run(command: &[&str], paths: &[&Path], more: &[&str]) -> Run {
    let mut arguments: Vec<std::ffi::OsString> = command.iter().map(Into::into).collect();
    arguments.extend(paths.iter().map(|p| p.as_os_str().to_owned()));
    arguments.extend(more.iter().map(Into::into));
    slipwright(arguments)
}

/// A drive a week whose pressure rises ever slower.
fn years(folder: &Path, weeks: i64, time_constant_s: impl Fn(i64) -> f64) {
    write_car(folder);
    for week in 0..weeks {
        let start_ns = START_NS + week * WEEK_NS;
        let drive = SmallCar {
            start_ns,
            time_constant_s: time_constant_s(week),
            ..SmallCar::default()
        };
        let of_week = folder.join(format!("drives/week-{week:03}"));
        fs::create_dir_all(&of_week).unwrap();
        fs::write(of_week.join("drive.pcapng"), drive.drive(2).bytes()).unwrap();
        let odometer = 100_000 + 250 * week;
        fs::write(
            of_week.join("drive.toml"),
            format!("odometer_km = {odometer}\n"),
        )
        .unwrap();
    }
}

#[test]
fn wear_is_seen_coming_and_the_second_run_is_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path();
    // No two drives are alike: where nothing scatters, any trifle is a change.
    let scatter_s = |week: i64| 0.0004 * ((week * 37 % 11) as f64 / 5.0 - 1.0);
    years(book, 30, |week| {
        0.05 + 0.0006 * (week - 8).max(0) as f64 + scatter_s(week)
    });
    let drives = book.join("drives");
    let vehicle = book.join("vehicle.toml");
    let out = book.join("watch");
    let more = ["--json", "--vehicle", vehicle.to_str().unwrap()];
    let first = run(&["trend"], &[&drives], &more);
    assert_eq!((first.code, first.err.as_str()), (0, ""));
    let trend: Trend = first.json();
    assert!(trend.judgeable && trend.report.is_none());
    assert_eq!((trend.drives.len(), trend.work.len()), (30, 0));
    assert_eq!((trend.healthy.drives.len(), trend.healthy.why), (8, None));
    let rise = trend
        .measures
        .iter()
        .find(|m| m.name == "rise_time_ms")
        .unwrap();
    assert_eq!(rise.points.len(), 30);
    // ln 9 times the time constant: 1.3 ms a week once it grows, and the odometer 250 km a week.
    assert!(
        rise.state == "outside" || rise.state == "leaving",
        "{rise:?}"
    );
    let slope = rise.slope.per_month.unwrap_or_else(|| panic!("{rise:?}"));
    assert!(slope > 0.0 && slope < 8.0, "{rise:?}");
    assert!(rise.slope.ci_low_per_month <= Some(slope));
    assert!(rise.slope.ci_high_per_month >= Some(slope));
    let km = rise.slope.per_1000_km.unwrap();
    let months_in_1000_km = 4.0 * 7.0 / 30.436_875;
    assert!(
        (km / (slope * months_in_1000_km) - 1.0).abs() < 0.02,
        "{rise:?}"
    );
    assert!(rise.band.low < rise.band.high && rise.band.why.is_none());
    assert!(
        trend.warnings.iter().any(|w| w.starts_with("Rise time")),
        "{:?}",
        trend.warnings
    );
    // What was measured is kept beside each capture, and read back as it was.
    let kept = drives.join("week-000/drive.pcapng.measured");
    assert!(kept.is_file());
    let second = run(&["trend"], &[&drives], &more);
    assert_eq!(second.out, first.out);
    let fresh = run(&["trend"], &[&drives], &[&more[..], &["--fresh"]].concat());
    assert_eq!(fresh.out, first.out);
    // A file that is not whole is made anew.
    fs::write(&kept, "{").unwrap();
    assert_eq!(run(&["trend"], &[&drives], &more).out, first.out);
    assert!(fs::read(&kept).unwrap().len() > 100);
    let page = [&more[..], &["--out", out.to_str().unwrap()]].concat();
    let trend: Trend = run(&["trend"], &[&drives], &page).json();
    let html = fs::read_to_string(trend.report.unwrap()).unwrap();
    assert!(html.contains("Rise time") && html.contains("<svg"));
    assert_eq!(
        fs::read_dir(&out).unwrap().count(),
        2,
        "nothing half-made is left"
    );
}

#[test]
fn two_years_of_a_car_that_stays_well_warn_of_nothing_and_are_quick_once_measured() {
    let folder = tempfile::tempdir().unwrap();
    years(folder.path(), 104, |_| 0.05);
    let vehicle = folder.path().join("vehicle.toml");
    let drives = folder.path().join("drives");
    let more = ["--json", "--vehicle", vehicle.to_str().unwrap()];
    let first: Trend = run(&["trend"], &[&drives], &more).json();
    assert_eq!(first.drives.len(), 104);
    assert_eq!(first.measure("dead_time_ms").state, "inside");
    assert_eq!(first.measure("rise_time_ms").change_points.len(), 0);
    // Measured once: nothing that was kept is written again, and no capture is read for its frames.
    let kept = || -> Vec<SystemTime> {
        let files = (0..104).map(|week| format!("week-{week:03}/drive.pcapng.measured"));
        let changed =
            files.map(|file| fs::metadata(drives.join(file)).unwrap().modified().unwrap());
        changed.collect()
    };
    let before = kept();
    let started = std::time::Instant::now();
    let again: Trend = run(&["trend"], &[&drives], &more).json();
    let took_s = started.elapsed().as_secs_f64();
    assert_eq!(again.drives.len(), 104);
    assert_eq!(kept(), before);
    // A tenth of a second on a quiet machine; measuring anew takes many times this.
    assert!(took_s < 5.0, "{took_s}");
}

#[test]
fn too_few_drives_are_an_answer() {
    let folder = tempfile::tempdir().unwrap();
    years(folder.path(), 3, |_| 0.05);
    let vehicle = folder.path().join("vehicle.toml");
    let more = ["--json", "--vehicle", vehicle.to_str().unwrap()];
    let run = run(&["trend"], &[&folder.path().join("drives")], &more);
    assert_eq!(run.code, 1, "{}", run.err);
    let trend: Trend = run.json();
    let dead = trend.measure("dead_time_ms");
    assert_eq!(dead.state, "unknown");
    assert!(dead.slope.why.is_some() && dead.band.why.is_some() && dead.forecast.why.is_some());
    assert_eq!((dead.forecast.months, dead.forecast.km), (None, None));
}

/// A synced folder holds some drives twice, and people write odometers as they like.
#[test]
fn a_copy_counts_once_and_an_odometer_that_is_no_number_is_told_in_one_line() {
    let folder = tempfile::tempdir().unwrap();
    years(folder.path(), 6, |_| 0.05);
    let vehicle = folder.path().join("vehicle.toml");
    let drives = folder.path().join("drives");
    let more = ["--json", "--vehicle", vehicle.to_str().unwrap()];
    let once: Value = run(&["trend"], &[&drives], &more).json();
    assert_eq!(once["notes"], serde_json::json!([]));
    assert_eq!(once["tyre_changes"], serde_json::json!([]));
    let copy = drives.join("week-002 copy");
    fs::create_dir_all(&copy).unwrap();
    fs::copy(drives.join("week-002/drive.pcapng"), copy.join("x.pcapng")).unwrap();
    for week in ["week-000", "week-001"] {
        fs::write(
            drives.join(week).join("drive.toml"),
            "odometer_km = twelve\n",
        )
        .unwrap();
    }
    let twice = run(&["trend"], &[&drives], &more);
    let told: Value = serde_json::from_str(&twice.out).unwrap();
    assert_eq!(told["drives"].as_array().map(Vec::len), Some(6));
    let note = told["notes"][0].as_str().unwrap();
    assert_eq!(
        note,
        "week-002/drive.pcapng holds the same drive as week-002 copy/x.pcapng; it counts once"
    );
    let values = |of: &Value| -> Vec<Value> {
        let points = of["measures"][0]["points"].as_array().unwrap();
        points.iter().map(|p| p["value"].clone()).collect()
    };
    assert_eq!(values(&told), values(&once));
    let line = twice
        .err
        .replace(&format!("{}", folder.path().display()), "DIR");
    insta::assert_snapshot!(line, @"slipwright: DIR/drives/week-000/drive.toml: odometer_km is not a number of kilometres from 0 to 10,000,000 (nor is that of 1 other drive) and is left out; write it as in odometer_km = 63600");
}

#[test]
fn a_folder_without_captures_or_car_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let vehicle = folder.path().join("vehicle.toml");
    let refused = |run: Run| {
        run.refused()
            .replace(&format!("{}", folder.path().display()), "DIR")
    };
    insta::assert_snapshot!(refused(run(&["trend"], &[folder.path()], &["--vehicle", vehicle.to_str().unwrap()])), @"DIR: no capture in this folder; a capture ends in .pcapng or .pcapng.zst");
    insta::assert_snapshot!(refused(run(&["trend"], &[folder.path()], &[])), @"DIR is no book with a vehicle.toml; name the vehicle file with --vehicle");
    insta::assert_snapshot!(refused(run(&["trend"], &[&folder.path().join("absent")], &["--vehicle", vehicle.to_str().unwrap()])), @"DIR/absent: no such file; check the name");
}
