//! `decode`: signals as CSV and Parquet.

use std::fs;

use crate::captures::{START_NS, SmallCar, write_car};
use crate::program::slipwright;

#[test]
fn csv_holds_every_received_value_with_its_unit() {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let capture = folder.path().join("a drive.pcapng");
    fs::write(&capture, SmallCar::default().drive(1).bytes()).unwrap();
    let out = folder.path().join("signals.csv");
    let run = slipwright([
        "decode".as_ref(),
        capture.as_os_str(),
        "--decoder".as_ref(),
        folder.path().join("decoder.toml").as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let text = fs::read_to_string(&out).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("t_ns,signal,value,unit"));
    assert_eq!(text.lines().count(), 1 + 3000 * 6);
    let first = format!("{START_NS},wheel_speed.front_left,0.0,km/h");
    assert!(text.lines().any(|line| line == first), "no line {first}");
    let demand = format!("{},coupling.demand,60.0,%", START_NS + 5_001_000_000);
    assert!(text.lines().any(|line| line == demand), "no line {demand}");
}

#[test]
fn the_ending_of_the_output_must_be_one_of_the_two() {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let capture = folder.path().join("drive.pcapng");
    fs::write(&capture, SmallCar::default().drive(1).bytes()).unwrap();
    let run = slipwright([
        "decode".as_ref(),
        capture.as_os_str(),
        "--decoder".as_ref(),
        folder.path().join("decoder.toml").as_os_str(),
        "--out".as_ref(),
        folder.path().join("signals.xml").as_os_str(),
    ]);
    let line = run.refused();
    assert!(line.contains(".parquet") && line.contains(".csv"), "{line}");
}
