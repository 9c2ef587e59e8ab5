//! `measure --out DATASET`: what is printed and what is written are the same, in folders that no
//! name can lead astray.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use polars::prelude::{AnyValue, DataFrame, ParquetReader, SerReader};
use serde_json::Value;

use crate::captures::{START_NS, SmallCar, VEHICLE, write_car};
use crate::folder::files;
use crate::program::{Run, slipwright};

const DAY_NS: i64 = 86_400_000_000_000;

/// A car of that name with a drive in November 2023, one in December, and one in which the
/// coupling never closes.
fn car(folder: &Path, name: &str) -> Vec<PathBuf> {
    write_car(folder);
    let named = VEHICLE.replace("\"small car\"", &Value::from(name).to_string());
    fs::write(folder.join("vehicle.toml"), named).unwrap();
    [(0, 2), (20, 3), (21, 0)]
        .into_iter()
        .enumerate()
        .map(|(n, (days, launches))| {
            let small = SmallCar {
                start_ns: START_NS + days * DAY_NS,
                closes: launches > 0,
                ..SmallCar::default()
            };
            let path = folder.join(format!("drive-{n}.pcapng"));
            fs::write(&path, small.drive(launches.max(1)).bytes()).unwrap();
            path
        })
        .collect()
}

fn measure(captures: &[PathBuf], vehicle: &Path, out: &Path, more: &[&str]) -> Run {
    let mut arguments: Vec<std::ffi::OsString> = vec!["measure".into()];
    arguments.extend(captures.iter().map(Into::into));
    arguments.extend([
        "--vehicle".into(),
        vehicle.into(),
        "--out".into(),
        out.into(),
    ]);
    arguments.extend(more.iter().map(Into::into));
    slipwright(arguments)
}

fn table(path: &Path) -> DataFrame {
    ParquetReader::new(File::open(path).unwrap())
        .finish()
        .unwrap()
}

fn number(table: &DataFrame, column: &str, row: usize) -> Option<f64> {
    match table.column(column).unwrap().get(row).unwrap() {
        AnyValue::Float64(value) => Some(value),
        AnyValue::Null => None,
        other => panic!("{column}: {other:?}"),
    }
}

fn text(table: &DataFrame, column: &str, row: usize) -> Option<String> {
    match table.column(column).unwrap().get(row).unwrap() {
        AnyValue::Null => None,
        value => Some(value.get_str().unwrap().to_owned()),
    }
}

/// The same number, but for the last bit that reading JSON may cost.
fn same(written: Option<f64>, printed: Option<f64>, what: &str) {
    match (written, printed) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= 1e-15 * a.abs(), "{what}: {a} and {b}"),
        _ => assert_eq!(written, printed, "{what}"),
    }
}

#[test]
fn every_engagement_is_a_row_and_says_what_is_printed() {
    let folder = tempfile::tempdir().unwrap();
    let captures = car(folder.path(), "small car");
    let (vehicle, out) = (
        folder.path().join("vehicle.toml"),
        folder.path().join("fleet"),
    );
    let run = measure(&captures, &vehicle, &out, &["--json"]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let printed: Value = run.json();
    assert_eq!(printed["dataset"]["folder"], out.to_str().unwrap());
    let named = printed["dataset"]["files"].as_array().unwrap();
    assert_eq!(named.len(), 3);
    let months: Vec<&str> = named
        .iter()
        .map(|f| f.as_str().unwrap().rsplit_once('/').unwrap().0)
        .collect();
    let (november, december) = (
        "vehicle=small car/month=2023-11",
        "vehicle=small car/month=2023-12",
    );
    assert_eq!(months, [november, december, december]);
    let drives = printed["drives"].as_array().unwrap();
    let counts = drives
        .iter()
        .map(|d| d["engagements"].as_array().unwrap().len());
    assert_eq!(counts.collect::<Vec<_>>(), [2, 3, 0]);
    let first = table(&out.join(named[0].as_str().unwrap()));
    let columns = first.get_column_names();
    for (drive, file) in drives.iter().zip(named) {
        let table = table(&out.join(file.as_str().unwrap()));
        let engagements = drive["engagements"].as_array().unwrap();
        assert_eq!(table.height(), engagements.len());
        assert_eq!(table.get_column_names(), columns);
        for (row, engagement) in engagements.iter().enumerate() {
            let string = |column: &str| text(&table, column, row);
            assert_eq!(string("capture").as_deref(), drive["capture"].as_str());
            assert_eq!(string("kind").as_deref(), engagement["kind"].as_str());
            assert_eq!(string("demand_unit").as_deref(), Some("%"));
            let id = string("capture_id").unwrap();
            assert!(file.as_str().unwrap().ends_with(&format!("/{id}.parquet")));
            let start = table.column("start_ns").unwrap().i64().unwrap().get(row);
            let drive_start = table.column("drive_start_ns").unwrap();
            let drive_start = drive_start.i64().unwrap().get(row).unwrap();
            let start_s = (start.unwrap() - drive_start) as f64 / 1e9;
            assert_eq!(start_s, engagement["start_s"].as_f64().unwrap());
            let mut given = 0;
            for (measure, value) in engagement.as_object().unwrap() {
                let Some(said) = value.get("value").filter(|_| value.is_object()) else {
                    continue;
                };
                same(number(&table, measure, row), said.as_f64(), measure);
                let u = number(&table, &format!("{measure}_u"), row);
                same(u, value["u"].as_f64(), measure);
                let why = string(&format!("{measure}_why"));
                assert_eq!(why.as_deref(), value["why"].as_str(), "{measure}");
                given += 1;
            }
            assert_eq!(given, 12);
            for (column, value) in engagement["conditions"].as_object().unwrap() {
                same(number(&table, column, row), value.as_f64(), column);
            }
        }
    }
    let first = files(&out);
    assert_eq!(first.len(), 3);
    // The same once more, the files the other way round and under other names: nothing new.
    let moved = folder.path().join("moved.pcapng");
    fs::rename(&captures[0], &moved).unwrap();
    let again = [captures[2].clone(), captures[1].clone()];
    assert_eq!(measure(&again, &vehicle, &out, &[]).code, 0);
    assert_eq!(files(&out), first);
    assert_eq!(measure(&[moved], &vehicle, &out, &[]).code, 0);
    let second = files(&out);
    assert!(second.keys().eq(first.keys()));
}

#[test]
fn a_cars_name_leads_nowhere_else() {
    for (name, escaped) in [
        ("../../up", "vehicle=..%2F..%2Fup"),
        ("..", "vehicle=.."),
        ("a=b c%", "vehicle=a%3Db c%25"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let captures = car(folder.path(), name);
        let before = files(folder.path());
        let out = folder.path().join("deep/fleet");
        let vehicle = folder.path().join("vehicle.toml");
        let run = measure(&captures[..1], &vehicle, &out, &[]);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        let mut after = files(folder.path());
        let made = after.split_off("deep/");
        let rest: BTreeMap<_, _> = made
            .iter()
            .filter(|(k, _)| !k.starts_with("deep/"))
            .collect();
        after.extend(rest.into_iter().map(|(k, v)| (k.clone(), v.clone())));
        assert_eq!(after, before);
        let made: Vec<&String> = made.keys().filter(|k| k.starts_with("deep/")).collect();
        assert_eq!(made.len(), 1, "{made:?}");
        let start = format!("deep/fleet/{escaped}/month=2023-11/");
        assert!(made[0].starts_with(&start), "{made:?}");
        assert!(run.out.contains(escaped), "{}", run.out);
    }
}

#[test]
fn what_cannot_be_measured_leaves_the_others_written() {
    let folder = tempfile::tempdir().unwrap();
    let mut captures = car(folder.path(), "small car");
    captures[1] = folder.path().join("absent.pcapng");
    let (vehicle, out) = (
        folder.path().join("vehicle.toml"),
        folder.path().join("fleet"),
    );
    let run = measure(&captures, &vehicle, &out, &[]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("absent.pcapng"), "{}", run.err);
    assert_eq!(files(&out).len(), 2);
}

/// The README's table of columns is the file's own.
#[test]
fn the_readme_names_every_column() {
    let folder = tempfile::tempdir().unwrap();
    let captures = car(folder.path(), "small car");
    let (vehicle, out) = (
        folder.path().join("vehicle.toml"),
        folder.path().join("fleet"),
    );
    assert_eq!(measure(&captures[..1], &vehicle, &out, &[]).code, 0);
    let made = files(&out);
    let table = table(&out.join(made.keys().next().unwrap()));
    let readme = fs::read_to_string(crate::program::root().join("README.md")).unwrap();
    for column in table.get_column_names() {
        let endings = ["_upper_bound", "_why", "_u"];
        let strip = |name: &str| {
            endings
                .iter()
                .find_map(|e| name.strip_suffix(e).map(str::to_owned))
        };
        let name = strip(column).unwrap_or_else(|| column.to_string());
        assert!(readme.contains(&format!("`{name}`")), "{name}");
    }
}
