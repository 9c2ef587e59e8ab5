//! `decode`: signals as CSV and Parquet.

use std::fs;

use crate::captures::{CaptureBytes, START_NS, SmallCar, write_car};
use crate::program::{Run, root, slipwright};

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

/// A drive cannot be recorded again.
#[test]
fn what_is_read_is_not_written_over() {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let capture = folder.path().join("drive.csv");
    let drive = SmallCar::default().drive(1);
    let bytes = drive.bytes();
    fs::write(&capture, bytes).unwrap();
    let decoder = folder.path().join("decoder.toml");
    let decode = ["--decoder".as_ref(), decoder.as_os_str()];
    for (command, more) in [("decode", &decode[..]), ("find", &[])] {
        let out = ["--out".as_ref(), capture.as_os_str()];
        let named = [command.as_ref(), capture.as_os_str()];
        let run = slipwright(named.iter().chain(more).chain(&out));
        let line = run.refused();
        assert!(line.contains("read by this very command"), "{line}");
        assert_eq!(fs::read(&capture).unwrap(), bytes);
    }
}

/// A folder with a capture and a decoder file; what decoding them to `signals.csv` gave.
fn decoded(capture: &CaptureBytes, decoder: &str, json: bool) -> (tempfile::TempDir, Run) {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).into_os_string();
    fs::write(path("drive.pcapng"), capture.bytes()).unwrap();
    fs::write(path("decoder.toml"), decoder).unwrap();
    let mut arguments = vec!["decode".into(), path("drive.pcapng"), "--decoder".into()];
    arguments.extend([path("decoder.toml"), "--out".into(), path("signals.csv")]);
    arguments.extend(json.then(|| "--json".into()));
    let run = slipwright(arguments);
    (folder, run)
}

/// The one line of a refusal, without the folder's own name.
fn refusal(capture: &CaptureBytes, decoder: &str) -> String {
    let (folder, run) = decoded(capture, decoder, false);
    run.refused()
        .replace(&format!("{}/", folder.path().display()), "")
}

/// A signal of eight bits in a frame or request.
fn byte_at(table: &str, name: &str, start: u16) -> String {
    format!("[[{table}.signal]]\nname = \"{name}\"\nstart = {start}\nlength = 8\norder = \"big\"\n")
}

const HEAD: &str = "decoder.name = \"bench\"\n";

#[test]
fn values_that_are_no_measurements_have_no_row_and_are_counted() {
    let decoder = format!(
        "{HEAD}[[frame]]\nid = 0x100\n{}max = 4\nmin = 1\ninvalid_raw = [3]\n",
        byte_at("frame", "n", 8)
    );
    let mut capture = CaptureBytes::new(227);
    for n in 0..7 {
        capture.frame(START_NS + i64::from(n), 0x100, &[0, n]);
    }
    capture.frame(START_NS + 7, 0x100, &[0]);
    let (folder, run) = decoded(&capture, &decoder, true);
    let told: serde_json::Value = run.json();
    let signal = &told["signals"][0];
    assert_eq!(
        (&signal["values"], &signal["invalid"]),
        (&3.into(), &5.into())
    );
    let text = fs::read_to_string(folder.path().join("signals.csv")).unwrap();
    let row = |n: i64| format!("{},n,{n}.0,\"\"", START_NS + n);
    let rows: Vec<&str> = text.lines().skip(1).collect();
    assert_eq!(rows, [row(1), row(2), row(4)]);
}

#[test]
fn a_frame_of_any_bus_is_decoded_where_its_fields_fit() {
    let decoder = format!(
        "{HEAD}[[frame]]\nid = 0x100\n{}{}",
        byte_at("frame", "near", 0),
        byte_at("frame", "far", 48)
    );
    let mut capture = CaptureBytes::new(227);
    capture.interface(227, b"can1");
    for n in 0..5_u8 {
        let t_ns = START_NS + i64::from(n) * 1_000_000;
        capture.frame_on(0, t_ns, 0x100, &[n, 1]);
        capture.frame_on(1, t_ns + 1, 0x100, &[n, 0, 0, 0, 0, 0, 70 + n, 0]);
    }
    let (folder, run) = decoded(&capture, &decoder, false);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let lines: Vec<&str> = run.out.lines().skip(1).collect();
    insta::assert_snapshot!(lines.join("\n"), @r#"
    signal        unit  values  invalid
    near on can0             5        0
    near on can1             5        0
    far                      5        0
    note: no frame 0x100 on can0 is long enough for far, which can1 has; name the bus in the decoder file: bus = "can1" in its [[frame]]
    "#);
    let text = fs::read_to_string(folder.path().join("signals.csv")).unwrap();
    let far = text.lines().filter(|line| line.contains(",far,"));
    let values: Vec<&str> = far.map(|line| line.split(',').nth(2).unwrap()).collect();
    assert_eq!(values, ["70.0", "71.0", "72.0", "73.0", "74.0"]);
    // What no bus has is a mistake, and so is what a bus that is named has not.
    let nowhere = decoder.replace("start = 48", "start = 64");
    insta::assert_snapshot!(refusal(&capture, &nowhere), @"decoder.toml:9: far reaches beyond every frame 0x100 that can0 carries; correct its start or length");
    let named = decoder.replace("id = 0x100", "bus = \"can0\"\nid = 0x100");
    insta::assert_snapshot!(refusal(&capture, &named), @"decoder.toml:10: far reaches beyond every frame 0x100 that can0 carries; correct its start or length");
}

/// ISO 14229-1: refusals are 7F, service, code; ISO 15765-2: parts are numbered from 1.
#[test]
fn what_became_of_requests_without_a_value_is_said() {
    let request = "[[request]]\ndid = 0xF123\nrequest_id = 0x7E0\n";
    let decoder = format!("{HEAD}{request}{}", byte_at("request", "a", 0));
    let asked = || {
        let mut capture = CaptureBytes::new(227);
        capture.frame(START_NS, 0x7E0, &[3, 0x22, 0xF1, 0x23, 0, 0, 0, 0]);
        capture
    };
    let with = |answers: &[[u8; 8]]| {
        let mut capture = asked();
        for (n, answer) in (1..).zip(answers) {
            capture.frame(START_NS + n * 1_000_000, 0x7E8, answer);
        }
        refusal(&capture, &decoder)
    };
    insta::assert_snapshot!(with(&[]), @"drive.pcapng: decoder.toml decodes nothing here: asked once, and no answer came to data identifier 0xF123; the capture has 0x7E0 on can0; check request_id and response_id, and that the control unit was awake");
    insta::assert_snapshot!(with(&[[3, 0x7F, 0x22, 0x31, 0, 0, 0, 0]]), @"drive.pcapng: decoder.toml decodes nothing here: a control unit refused service 0x22 once: requestOutOfRange (0x31); check what the decoder file asks for, and in which state of the car");
    let parts = [
        [0x10, 20, 0x62, 0xF1, 0x23, 1, 2, 3],
        [0x22, 4, 5, 6, 7, 8, 9, 10],
    ];
    insta::assert_snapshot!(with(&parts), @"drive.pcapng: decoder.toml decodes nothing here: an answer of a control unit broke off once: a part of it is missing, late or out of order; record it anew, with whole answers");
    let mut silent = CaptureBytes::new(227);
    silent.frame(START_NS, 0x100, &[1]);
    insta::assert_snapshot!(refusal(&silent, &decoder), @"drive.pcapng: neither a request of decoder.toml nor an answer occurs; the capture has 0x100 on can0; check that the decoder file belongs to this car and bus");
    let with_frame = format!(
        "{HEAD}[[frame]]\nid = 0x200\n{}{request}{}",
        byte_at("frame", "b", 0),
        byte_at("request", "a", 0)
    );
    insta::assert_snapshot!(refusal(&asked(), &with_frame), @"drive.pcapng: decoder.toml decodes nothing here: none of its frames occurs; asked once, and no answer came to data identifier 0xF123; the capture has 0x7E0 on can0; check request_id and response_id, and that the control unit was awake");
    // An answer that is too short for its signal: the line is that of the signal.
    let mut short = asked();
    short.frame(START_NS + 1, 0x7E8, &[3, 0x62, 0xF1, 0x23, 0, 0, 0, 0]);
    insta::assert_snapshot!(refusal(&short, &decoder), @"decoder.toml:5: a reaches beyond every answer 0x7E8 that can0 carries; correct its start or length");
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
    // The file asks for more than this car answers.
    assert!(run.out.contains("note: no answer in it to"), "{}", run.out);
    let text = fs::read_to_string(&out).unwrap();
    let told = text
        .lines()
        .filter(|line| line.ends_with(",engine.speed,1726.0,rpm"));
    assert_eq!(told.count(), 50, "{text}");
}
