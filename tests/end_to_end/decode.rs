//! `decode`: signals as CSV and Parquet.

use std::fs;

use crate::captures::{CaptureBytes, START_NS, SmallCar, write_car};
use crate::program::{root, slipwright};

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

/// Answers to service 01 by SAE J1979: 0x41, the identifier, the value; engine speed in quarters.
#[test]
fn a_decoder_file_of_requests_alone_decodes_their_answers() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("asked.pcapng");
    let mut bytes = CaptureBytes::new(227);
    for n in 0..50 {
        let t_ns = START_NS + n * 200_000_000;
        bytes.frame(t_ns, 0x7DF, &[2, 0x01, 0x0C, 0, 0, 0, 0, 0]);
        bytes.frame(
            t_ns + 20_000_000,
            0x7E8,
            &[4, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0],
        );
    }
    fs::write(&capture, bytes.bytes()).unwrap();
    let out = folder.path().join("signals.csv");
    let run = slipwright([
        "decode".as_ref(),
        capture.as_os_str(),
        "--decoder".as_ref(),
        root()
            .join("dbc-free-decoders/standard/obd2.toml")
            .as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let text = fs::read_to_string(&out).unwrap();
    let told = text
        .lines()
        .filter(|line| line.ends_with(",engine.speed,1726.0,rpm"));
    assert_eq!(told.count(), 50, "{text}");
}
