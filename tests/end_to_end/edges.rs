//! Input at the edge of what numbers, times and samples can hold: an answer or one plain line, and no
//! number that is none in what is written.
#![cfg(target_os = "linux")]

use std::fs;
use std::process::Output;

use serde_json::Value;

use crate::bounded::{bounded, ended, folder};
use crate::captures::{CaptureBytes, DECODER, SmallCar, VEHICLE};

/// Every number of the vehicle file in turn.
#[test]
fn numbers_that_are_none_are_refused_with_their_line() {
    let folder = folder();
    let lines: Vec<&str> = VEHICLE.lines().collect();
    let mut tried = 0;
    for (index, line) in lines.iter().enumerate() {
        let Some((key, value)) = line.split_once(" = ") else {
            continue;
        };
        if value.parse::<f64>().is_err() {
            continue;
        }
        for wrong in ["nan", "inf", "-inf", "1e999"] {
            let mut changed: Vec<String> = lines.iter().map(ToString::to_string).collect();
            changed[index] = format!("{key} = {wrong}");
            fs::write(folder.path().join("vehicle.toml"), changed.join("\n")).unwrap();
            let line = "measure drive.pcapng --vehicle vehicle.toml";
            let run = bounded(folder.path(), 4_000_000, line);
            let what = format!("{key} = {wrong}");
            assert_eq!(ended(&run, &what), 2, "{what}: {run:?}");
            let said = String::from_utf8_lossy(&run.stderr).into_owned();
            let place = format!("vehicle.toml:{}: ", index + 1);
            assert!(said.contains(&place), "{what}: {said}");
            tried += 1;
        }
    }
    assert!(tried >= 40, "{tried}");
    for line in [
        "plan --vehicle vehicle.toml --change nan",
        "plan --vehicle vehicle.toml --change inf",
        "check drive.pcapng --vehicle vehicle.toml --listen nan",
    ] {
        fs::write(folder.path().join("vehicle.toml"), VEHICLE).unwrap();
        let run = bounded(folder.path(), 4_000_000, line);
        let code = ended(&run, line);
        assert!(code == 2 || line.starts_with("check"), "{line}: {run:?}");
    }
}

/// The draft's if_tsoffset (14) puts a capture anywhere; 64 bits of ns reach from 1677 to 2262.
#[test]
fn times_before_1970_and_after_2262() {
    let folder = folder();
    let drive = SmallCar {
        start_ns: 1_000_000_000,
        ..SmallCar::default()
    }
    .drive(2);
    let measured = |name: &str, offset_s: i64| {
        let bytes = with_offset(drive.bytes(), offset_s);
        fs::write(folder.path().join(name), bytes).unwrap();
        let line = format!("measure {name} --vehicle vehicle.toml --json");
        bounded(folder.path(), 4_000_000, &line)
    };
    let usual = measured("usual.pcapng", 1_700_000_000);
    let told = |run: &Output| -> Value { serde_json::from_slice(&run.stdout).unwrap() };
    assert_eq!(ended(&usual, "usual"), 0);
    // Fifty years before the epoch: the same drive, with the same measures.
    let early = measured("early.pcapng", -1_577_000_000);
    assert_eq!(ended(&early, "early"), 0, "{early:?}");
    let [usual, early] = [told(&usual), told(&early)];
    let of = |told: &Value| {
        let engagements = told["drives"][0]["engagements"].as_array().cloned();
        let all = engagements.unwrap_or_default();
        let delays = all
            .iter()
            .map(|e| e["engagement_delay_ms"]["value"].as_f64());
        delays.collect::<Vec<_>>()
    };
    assert_eq!(of(&usual).len(), 2);
    for (a, b) in of(&usual).iter().zip(of(&early)) {
        assert!((a.unwrap() - b.unwrap()).abs() < 1e-3, "{a:?} {b:?}");
    }
    let line = "decode early.pcapng --decoder decoder.toml --out early.csv";
    assert_eq!(ended(&bounded(folder.path(), 4_000_000, line), line), 0);
    let text = fs::read_to_string(folder.path().join("early.csv")).unwrap();
    assert!(
        text.lines().nth(1).unwrap().starts_with("-1576999999"),
        "{text:.80}"
    );
    // Six seconds before the last time that 64 bits hold.
    let last = measured("last.pcapng", 9_223_372_030);
    ended(&last, "last");
    for line in [
        "compare --before early.pcapng --after usual.pcapng --vehicle vehicle.toml --out report",
        "trend . --vehicle vehicle.toml --fresh --out watch",
        "diagnose early.pcapng --vehicle vehicle.toml --out diagnosis",
        "check last.pcapng --vehicle vehicle.toml",
        "diagnose last.pcapng --vehicle vehicle.toml",
    ] {
        ended(&bounded(folder.path(), 4_000_000, line), line);
    }
    // Beyond what 64 bits hold there is no time: the frames are counted and left out.
    for (name, offset_s) in [
        ("late.pcapng", 9_300_000_000),
        ("never.pcapng", i64::MAX),
        ("first.pcapng", i64::MIN),
    ] {
        let run = measured(name, offset_s);
        assert_eq!(ended(&run, name), 2, "{run:?}");
    }
}

/// `find` lays everything on one axis of time, whatever the captures and the speed file say.
#[test]
fn find_takes_any_times() {
    let folder = folder();
    let write = |name: &str, bytes: &[u8]| fs::write(folder.path().join(name), bytes).unwrap();
    let drive = SmallCar {
        start_ns: 1_000_000_000,
        ..SmallCar::default()
    }
    .drive(2);
    write("early.pcapng", &with_offset(drive.bytes(), -1_577_000_000));
    // From 1677 to 2262: as far apart as times can be.
    let mut ends = CaptureBytes::new(227);
    for n in 0..20 {
        ends.frame(n * 10_000_000, 0x100, &[n as u8; 8]);
        ends.frame(n * 10_000_000 + 5_000_000, 0x101, &[!n as u8; 8]);
    }
    for n in 0..20 {
        ends.frame(
            i64::MAX - 1_000_000_000 + n * 10_000_000,
            0x100,
            &[n as u8; 8],
        );
    }
    write("ends.pcapng", &with_offset(ends.bytes(), 0));
    let mut apart = CaptureBytes::new(227);
    apart.frame(0, 0x100, &[1; 8]);
    apart.frame(-2, 0x100, &[2; 8]);
    write("apart.pcapng", &with_offset(apart.bytes(), -9_223_372_036));
    let table = |times: &[i64]| -> String {
        let rows = times.iter().map(|t| format!("{t},1.5\n"));
        "t_ns,speed_mps\n".to_owned() + &rows.collect::<String>()
    };
    let times = [-9_000_000_000_000_000_000, i64::MIN, 0, i64::MAX];
    write("speed.csv", table(&times).as_bytes());
    for captures in [
        "early.pcapng",
        "ends.pcapng",
        "apart.pcapng",
        "ends.pcapng early.pcapng",
    ] {
        for options in [
            "",
            "--speed speed.csv",
            "--marks --vehicle vehicle.toml --out found.toml",
        ] {
            let line = format!("find {captures} {options} --json");
            let run = bounded(folder.path(), 4_000_000, &line);
            assert!(ended(&run, &line) < 2, "{line}: {run:?}");
        }
    }
}

/// The capture with an offset of time in its interface block, which then has 12 bytes more.
fn with_offset(bytes: &[u8], offset_s: i64) -> Vec<u8> {
    // A section of 28 bytes; then kind, length, link type, snap length, name and resolution.
    let (section, rest) = bytes.split_at(28);
    let length = u32::from_le_bytes(*rest[4..].first_chunk().unwrap()) as usize;
    let (interface, packets) = rest.split_at(length);
    let end_of_options = length - 8;
    let mut made = section.to_vec();
    let longer = (length as u32 + 12).to_le_bytes();
    made.extend(&interface[..4]);
    made.extend(longer);
    made.extend(&interface[8..end_of_options]);
    made.extend([14, 0, 8, 0]);
    made.extend(offset_s.to_le_bytes());
    made.extend([0; 4]);
    made.extend(longer);
    made.extend(packets);
    made
}

/// Captures in which a signal has no value, one, or the whole drive is one frame.
#[test]
fn empty_and_single_samples_give_an_answer() {
    let folder = folder();
    let mut single = CaptureBytes::new(227);
    single.frame(1_700_000_000_000_000_000, 0x100, &[0; 8]);
    let mut short = CaptureBytes::new(227);
    short.frame(1_700_000_000_000_000_000, 0x100, &[]);
    let mut once = SmallCar {
        with_coupling: false,
        ..SmallCar::default()
    }
    .drive(2);
    once.frame(1_700_000_060_000_000_000, 0x110, &[120, 0, 4]);
    for (name, capture) in [("single", single), ("short", short), ("once", once)] {
        fs::write(
            folder.path().join(format!("{name}.pcapng")),
            capture.bytes(),
        )
        .unwrap();
        for line in [
            "measure NAME.pcapng --vehicle vehicle.toml --json",
            "check NAME.pcapng --vehicle vehicle.toml --json",
            "diagnose NAME.pcapng --vehicle vehicle.toml --out out-NAME --pictures",
            "diagnose drive.pcapng --baseline NAME.pcapng --vehicle vehicle.toml --out out-NAME",
            "compare --before NAME.pcapng --after drive.pcapng --vehicle vehicle.toml --out out-NAME",
            "plan --vehicle vehicle.toml --earlier NAME.pcapng --out out-NAME",
            "decode NAME.pcapng --decoder decoder.toml --out NAME.csv",
            "decode NAME.pcapng --decoder decoder.toml --out NAME.parquet",
            "find NAME.pcapng --out NAME.toml",
        ] {
            let line = line.replace("NAME", name);
            let run = bounded(folder.path(), 4_000_000, &line);
            let code = ended(&run, &line);
            if code < 2 && line.ends_with("--json") {
                let told: Value = serde_json::from_slice(&run.stdout).unwrap();
                let text = told.to_string();
                assert!(
                    !text.contains("NaN") && !text.contains("inf,"),
                    "{line}: {text}"
                );
            }
        }
    }
}

/// Floats on the bus may hold anything; what is no number is invalid, and counted.
#[test]
fn values_that_are_no_numbers_are_invalid() {
    let folder = folder();
    let float = "\n[[frame]]\nid = 0x200\n  [[frame.signal]]\n  name = \"float\"\n  start = 0\n  length = 32\n  \
        order = \"little\"\n  float = true\n";
    fs::write(
        folder.path().join("decoder.toml"),
        format!("{DECODER}{float}"),
    )
    .unwrap();
    let mut capture = CaptureBytes::new(227);
    let values = [
        1.5,
        f32::NAN,
        f32::INFINITY,
        f32::NEG_INFINITY,
        -0.0,
        f32::MIN_POSITIVE,
    ];
    for (n, value) in (0..).zip(values) {
        capture.frame(
            1_700_000_000_000_000_000 + n * 1_000_000,
            0x200,
            &value.to_le_bytes(),
        );
    }
    fs::write(folder.path().join("floats.pcapng"), capture.bytes()).unwrap();
    let line = "decode floats.pcapng --decoder decoder.toml --out floats.csv --json";
    let run = bounded(folder.path(), 4_000_000, line);
    assert_eq!(ended(&run, line), 0, "{run:?}");
    let told: Value = serde_json::from_slice(&run.stdout).unwrap();
    let signals = told["signals"].as_array().unwrap();
    let float = signals.iter().find(|s| s["signal"] == "float").unwrap();
    assert_eq!(
        (&float["values"], &float["invalid"]),
        (&3.into(), &3.into()),
        "{float}"
    );
    let text = fs::read_to_string(folder.path().join("floats.csv")).unwrap();
    assert!(
        !text.to_lowercase().contains("nan") && !text.contains("inf"),
        "{text}"
    );
}
