//! `find`, and text logs, on captures made here: marks in a standing car, contents by turns, and the
//! same drive as a capture and as a text log.

use std::fmt::Write;
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;

use serde::Deserialize;
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_logger::capture::{CaptureWriter, Event, NewBus, Section, read_bytes};

use crate::captures::{SmallCar, write_car};
use crate::program::{Run, root, slipwright};

const START_NS: i64 = 1_700_000_000_000_000_000;

/// A capture of one bus; `frames` gives identifier and data at each hundredth of a second.
fn capture(
    seconds: i64,
    frames: impl Fn(f64) -> Vec<(u16, [u8; 8])>,
    marks: &[(f64, &str)],
) -> Vec<u8> {
    let mut writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
    let bus = writer.add_bus(&NewBus::named("can0")).unwrap();
    let mut marks = marks.iter();
    let mut next = marks.next();
    for n in 0..100 * seconds {
        let t_s = n as f64 * 0.01;
        if let Some((at, text)) = next.filter(|(at, _)| *at <= t_s) {
            let t_ns = START_NS + (at * 1e9) as i64;
            writer.write_mark(t_ns, Some(bus), text).unwrap();
            next = marks.next();
        }
        for (k, (id, data)) in (0..).zip(frames(t_s)) {
            let frame = Frame {
                t_ns: START_NS + n * 10_000_000 + k * 250_000,
                bus: BusIndex::new(0),
                id: CanId::Base(id),
                flags: FrameFlags::default(),
                data: &data,
            };
            writer.write_frame(&frame).unwrap();
        }
    }
    writer.finish().unwrap()
}

/// Pressed three times from `start_s` on, 0 to 1.
fn presses(t_s: f64, start_s: f64) -> f64 {
    let since = t_s - start_s;
    if (0.0..7.5).contains(&since) {
        (since * std::f64::consts::TAU / 2.5).sin().max(0.0)
    } else {
        0.0
    }
}

#[derive(Debug, Deserialize)]
struct Found {
    signals: Vec<Signal>,
    #[serde(default)]
    marks: Vec<Mark>,
}

#[derive(Debug, Deserialize)]
struct Signal {
    id: u32,
    start: u16,
    role: String,
    rank: usize,
    evidence: Vec<String>,
    when: Option<When>,
}

#[derive(Debug, Deserialize)]
struct When {
    equals: u64,
}

#[derive(Debug, Deserialize)]
struct Mark {
    text: String,
    t_s: f64,
    moved: Vec<Moved>,
}

#[derive(Debug, Deserialize)]
struct Moved {
    id: u32,
    start: u16,
    when: Option<When>,
    contrast: f64,
}

/// A standing car, engine off: two pedals pressed after their marks, an air pressure and a clock that
/// move all the while.
#[test]
fn marks_set_apart_what_moved_after_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("standing.pcapng");
    let frames = |t_s: f64| {
        let air = (500.0 + 400.0 * (t_s * 0.7).sin()) as u16;
        let [high, low] = air.to_be_bytes();
        let clock = (t_s * 4.0) as u16;
        let [clock_high, clock_low] = clock.to_be_bytes();
        let accelerator = (200.0 * presses(t_s, 20.0)) as u8;
        let brake = (120.0 * presses(t_s, 40.0)) as u8;
        vec![
            (0x120, [0, 0, accelerator, 0, 0, 0, 0, 0]),
            (0x240, [0, brake, 0, 0, 0, 0, 0, 0]),
            (0x350, [high, low, 0, 0, clock_high, clock_low, 0, 0]),
        ]
    };
    let marks = [(10.0, "rest"), (20.0, "accelerator"), (40.0, "brake")];
    fs::write(&path, capture(60, frames, &marks)).unwrap();
    let find = |extra: &[&str]| -> Run {
        let mut words = vec!["find".as_ref(), path.as_os_str(), "--marks".as_ref()];
        words.extend(extra.iter().map(AsRef::<std::ffi::OsStr>::as_ref));
        let run = slipwright(words);
        // There are no wheel speeds in it, and that is an answer.
        assert_eq!((run.code, run.err.as_str()), (1, ""));
        run
    };
    let found: Found = find(&["--json"]).json();
    let texts: Vec<(&str, f64)> = found
        .marks
        .iter()
        .map(|m| (m.text.as_str(), m.t_s))
        .collect();
    assert_eq!(texts, marks.map(|(at, text)| (text, at)));
    let moved = |mark: usize| -> Vec<(u32, u16)> {
        found.marks[mark]
            .moved
            .iter()
            .map(|m| (m.id, m.start / 8))
            .collect()
    };
    assert_eq!(moved(0), []);
    assert_eq!(moved(1), [(0x120, 2)]);
    assert_eq!(moved(2), [(0x240, 1)]);
    assert!(found.marks[1].moved[0].contrast > 10.0);
    for (role, id) in [("pedal.accelerator", 0x120), ("pedal.brake", 0x240)] {
        let first = found.signals.iter().find(|s| s.role == role && s.rank == 1);
        let first = first.unwrap_or_else(|| panic!("no {role}"));
        assert_eq!(first.id, id);
        assert!(
            first.evidence.iter().any(|e| e.contains("mark")),
            "{:?}",
            first.evidence
        );
    }
    let text = find(&[]).out;
    assert!(
        text.contains("after the mark \"accelerator\":\n  can0 0x120 at 16"),
        "{text}"
    );
    assert!(
        text.contains("after the mark \"rest\":\n  nothing moves"),
        "{text}"
    );
}

/// Two pedals by turns at the same place of one identifier: two signals, told apart by their selector.
#[test]
fn the_same_bits_under_two_selectors_are_two_signals() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("standing.pcapng");
    let frames = |t_s: f64| {
        let pedal = |start_s| (200.0 * presses(t_s, start_s)) as u8;
        let level = 100.0 + 90.0 * (t_s * 0.7).sin();
        match (t_s * 100.0).round() as u64 % 2 {
            0 => vec![(0x120, [0, 0, pedal(20.0), 0, level as u8, 0, 0, 0])],
            _ => vec![(0x120, [1, 0, pedal(40.0), 0, 0, 0, 255 - level as u8, 0])],
        }
    };
    let marks = [(10.0, "rest"), (20.0, "accelerator"), (40.0, "brake")];
    fs::write(&path, capture(60, frames, &marks)).unwrap();
    let decoder = folder.path().join("decoder.toml");
    let run = slipwright([
        "find".as_ref(),
        path.as_os_str(),
        "--marks".as_ref(),
        "--out".as_ref(),
        decoder.as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (1, ""));
    let found: Found = run.json();
    for (role, mark, code) in [("pedal.accelerator", 1, 0), ("pedal.brake", 2, 1)] {
        let codes: Vec<u64> = found.marks[mark]
            .moved
            .iter()
            .map(|moved| moved.when.as_ref().unwrap().equals)
            .collect();
        assert_eq!(codes, [code], "{role}");
        let of_role: Vec<u64> = found
            .signals
            .iter()
            .filter(|s| s.role == role)
            .map(|s| s.when.as_ref().unwrap().equals)
            .collect();
        assert_eq!(of_role, [code], "{role}");
    }
    let text = fs::read_to_string(&decoder).unwrap();
    let taken: Vec<&str> = text
        .lines()
        .filter(|line| line.trim_start().starts_with("when"))
        .collect();
    assert_eq!(taken.len(), 2, "{text}");
    assert!(taken[0].contains("equals = 0x00") && taken[1].contains("equals = 0x01"));
}

/// The car's speed, km/h: up, steady, down, with a wobble.
fn speed_kmh(t_s: f64) -> f64 {
    let slow = 0.5 - 0.5 * (t_s * std::f64::consts::TAU / 80.0).cos();
    90.0 * slow + 3.0 * (t_s * 0.9).sin() * slow
}

/// A frame that sends its speed in one of three turns: found, written with `when`, and decoded from
/// those frames only.
#[test]
fn a_multiplexed_speed_is_found_and_decoded_by_its_selector() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("turns.pcapng");
    let frames = |t_s: f64| {
        let turn = (t_s * 100.0).round() as u64 % 3;
        let [high, low] = ((speed_kmh(t_s) * 100.0) as u16).to_be_bytes();
        let other = (1000.0 + 900.0 * (t_s * 0.31 + turn as f64).cos()) as u16;
        let [other_high, other_low] = other.to_be_bytes();
        let mut data = [turn as u8, 0, 0, 0, 0, 0, 0, 0];
        match turn {
            1 => data[2..4].copy_from_slice(&[high, low]),
            _ => data[3..5].copy_from_slice(&[other_high, other_low]),
        }
        vec![(0x2A0, data)]
    };
    fs::write(&path, capture(240, frames, &[])).unwrap();
    let speed = folder.path().join("speed.csv");
    let mut table = "t_ns,speed_mps\n".to_owned();
    for n in 0..2400_i64 {
        let t_s = n as f64 * 0.1;
        writeln!(
            table,
            "{},{:.3}",
            START_NS + n * 100_000_000,
            speed_kmh(t_s) / 3.6
        )
        .unwrap();
    }
    fs::write(&speed, table).unwrap();
    let decoder = folder.path().join("decoder.toml");
    let run = slipwright([
        "find".as_ref(),
        path.as_os_str(),
        "--speed".as_ref(),
        speed.as_os_str(),
        "--out".as_ref(),
        decoder.as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (1, ""));
    let found: Found = run.json();
    let vehicle = found
        .signals
        .iter()
        .find(|s| s.role == "vehicle.speed")
        .unwrap();
    assert_eq!((vehicle.id, vehicle.start), (0x2A0, 16));
    assert_eq!(vehicle.when.as_ref().unwrap().equals, 1);
    let text = fs::read_to_string(&decoder).unwrap();
    assert!(text.contains("equals = 0x01"), "{text}");
    let table = folder.path().join("signals.csv");
    let run = slipwright([
        "decode".as_ref(),
        path.as_os_str(),
        "--decoder".as_ref(),
        decoder.as_os_str(),
        "--out".as_ref(),
        table.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let table = fs::read_to_string(&table).unwrap();
    let values: Vec<(i64, f64)> = table
        .lines()
        .skip(1)
        .filter(|line| line.contains("vehicle speed"))
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            (cells[0].parse().unwrap(), cells[2].parse().unwrap())
        })
        .collect();
    assert_eq!(values.len(), 8000, "one frame in three");
    for (t_ns, value) in values {
        let truth = speed_kmh((t_ns - START_NS) as f64 * 1e-9);
        assert!((value - truth).abs() < 1.0, "{value} instead of {truth}");
    }
}

/// The frames of a capture as lines of the committed layout `semicolons`.
fn as_text(capture: &[u8]) -> String {
    let mut buses = Vec::new();
    let mut text = "time;bus;id;length;data\n".to_owned();
    read_bytes(capture, |event| {
        match event {
            Event::Bus(_, interface) => buses.push(interface.name.clone().unwrap()),
            Event::Frame(f) => {
                let bytes: Vec<String> = f.data.iter().map(|b| format!("{b:02X}")).collect();
                writeln!(
                    text,
                    "{}.{:09};{};{:03X};{};{}",
                    f.t_ns / 1_000_000_000,
                    f.t_ns % 1_000_000_000,
                    buses[f.bus.as_usize()],
                    f.id.number(),
                    f.data.len(),
                    bytes.join(" ")
                )
                .unwrap();
            }
            _ => {}
        }
        ControlFlow::Continue(())
    })
    .unwrap();
    text
}

fn layout() -> std::path::PathBuf {
    root().join("logger/text-layouts/semicolons.toml")
}

/// The same drive, recorded here and logged as text elsewhere, gives the same signals and measures.
#[test]
fn a_text_log_is_decoded_and_measured_like_its_capture() {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let drive = SmallCar::default().drive(1);
    let bytes = drive.bytes();
    let (capture, log) = (folder.path().join("d.pcapng"), folder.path().join("d.txt"));
    fs::write(&log, as_text(bytes) + "cut off in the\n").unwrap();
    fs::write(&capture, bytes).unwrap();
    let decode = |from: &Path, to: &str| {
        let out = folder.path().join(to);
        let run = slipwright([
            "decode".as_ref(),
            from.as_os_str(),
            "--layout".as_ref(),
            layout().as_os_str(),
            "--decoder".as_ref(),
            folder.path().join("decoder.toml").as_os_str(),
            "--out".as_ref(),
            out.as_os_str(),
        ]);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        (run.out, fs::read_to_string(out).unwrap())
    };
    // A capture is read as one, whether or not a layout is named.
    let (_, of_capture) = decode(&capture, "capture.csv");
    let (said, of_text) = decode(&log, "text.csv");
    assert!(of_capture.lines().count() > 1000);
    assert_eq!(of_text, of_capture);
    assert!(said.contains("lines give no frame"), "{said}");
    assert!(
        said.contains("does not match the pattern: cut off in the"),
        "{said}"
    );

    let measure = |from: &Path| -> serde_json::Value {
        let run = slipwright([
            "measure".as_ref(),
            from.as_os_str(),
            "--layout".as_ref(),
            layout().as_os_str(),
            "--vehicle".as_ref(),
            folder.path().join("vehicle.toml").as_os_str(),
            "--json".as_ref(),
        ]);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        run.json()
    };
    let (of_capture, of_text) = (measure(&capture), measure(&log));
    let engagements = |v: &serde_json::Value| v["drives"][0]["engagements"].clone();
    assert!(
        engagements(&of_capture)
            .as_array()
            .is_some_and(|list| !list.is_empty())
    );
    assert_eq!(engagements(&of_text), engagements(&of_capture));
}

/// Without a layout a text log is refused, and with one whose pattern fits no line too.
#[test]
fn a_text_log_without_frames_is_refused_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let log = folder.path().join("d.txt");
    fs::write(&log, "12:31 nothing to see\n12:32 still nothing\n").unwrap();
    let decode = |extra: &[&std::ffi::OsStr]| {
        let decoder = folder.path().join("decoder.toml");
        let out = folder.path().join("out.csv");
        let mut words = vec!["decode".as_ref(), log.as_os_str(), "--decoder".as_ref()];
        words.extend([decoder.as_os_str(), "--out".as_ref(), out.as_os_str()]);
        words.extend(extra);
        slipwright(words).refused().to_owned()
    };
    let plain = decode(&[]);
    assert!(
        plain.contains("a layout that says how its lines are read"),
        "{plain}"
    );
    let fits_none = decode(&["--layout".as_ref(), layout().as_os_str()]);
    assert!(
        fits_none.contains("no line of it is a frame"),
        "{fits_none}"
    );
}
