//! `find` on real driving, with only an independent ground speed to go by.

use std::ops::ControlFlow;
use std::path::Path;

use serde::Deserialize;
use slipwright_logger::capture::{Capture, CaptureWriter, Event, NewBus, Section};

use crate::program::{Run, slipwright};
use crate::reference::segment_with_speed;

#[derive(Debug, Deserialize)]
struct Found {
    signals: Vec<Signal>,
    acceptance_score: f64,
}

#[derive(Debug, Deserialize)]
struct Signal {
    bus: String,
    id: u32,
    start: u16,
    length: u8,
    order: String,
    signed: bool,
    scale: Option<f64>,
    offset: Option<f64>,
    unit: String,
    role: Option<String>,
    score: f64,
    unproven_bits: u8,
    evidence: Vec<String>,
}

impl Signal {
    fn is_wheel(&self) -> bool {
        self.role
            .as_deref()
            .is_some_and(|role| role.starts_with("wheel_speed"))
    }

    /// Lowest bit, numbered as sent.
    fn lowest_bit(&self) -> u16 {
        assert_eq!(self.order, "big");
        self.start + u16::from(self.length) - 1
    }
}

/// The frames of a capture between two times from its first frame, s.
fn cut(from: &Path, to: &Path, start_s: f64, end_s: f64) {
    let mut writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
    let mut first = None;
    Capture::open(from)
        .unwrap()
        .read(|event| {
            match event {
                Event::Bus(_, interface) => {
                    let name = interface.name.clone().unwrap();
                    writer.add_bus(&NewBus::named(&name)).unwrap();
                }
                Event::Frame(frame) => {
                    let t_s = (frame.t_ns - *first.get_or_insert(frame.t_ns)) as f64 * 1e-9;
                    if (start_s..end_s).contains(&t_s) {
                        writer.write_frame(&frame).unwrap();
                    }
                }
                _ => {}
            }
            ControlFlow::Continue(())
        })
        .unwrap();
    std::fs::write(to, writer.finish().unwrap()).unwrap();
}

fn find(capture: &Path, speed: &Path) -> (Run, Found) {
    let run = slipwright([
        "find".as_ref(),
        capture.as_os_str(),
        "--speed".as_ref(),
        speed.as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let found = run.json();
    (run, found)
}

/// Frame 0xAA holds four big-endian words of which the lowest bit and the order are asked for.
fn check_wheels(found: &Found) {
    let wheels: Vec<&Signal> = found
        .signals
        .iter()
        .filter(|s| s.is_wheel() && s.score >= found.acceptance_score)
        .collect();
    assert_eq!(wheels.len(), 4);
    for (wheel, lowest) in wheels.iter().zip([15, 31, 47, 63]) {
        assert_eq!(
            (wheel.bus.as_str(), wheel.id, wheel.lowest_bit()),
            ("can0", 0xAA, lowest)
        );
        assert!(!wheel.signed && wheel.length <= 16);
        assert!(
            u16::from(wheel.length - wheel.unproven_bits) <= 13,
            "motorway speeds move 13 bits"
        );
        assert!(!wheel.evidence.is_empty());
    }
    // Ranked first.
    assert!(found.signals[..4].iter().all(Signal::is_wheel));
}

/// The segment of comma2k19 (Schafer et al., arXiv:1812.05752, 2018), 45,000 frames of an unrelated
/// second bus included, with its satellite speed as the only reference. Truth: the data set's own
/// decoding, raw * 0.01 - 67.67 km/h; vehicle speed and steering in the frames that it decodes them
/// from, 0xB4 and 0x25.
#[test]
fn the_wheel_speeds_of_a_real_car_are_found() {
    let Some((capture, speed)) = segment_with_speed() else {
        return;
    };
    let (_, found) = find(&capture, &speed);
    check_wheels(&found);
    for wheel in &found.signals[..4] {
        assert_eq!(wheel.unit, "km/h");
        let (scale, offset) = (wheel.scale.unwrap(), wheel.offset.unwrap());
        // Counted from the 16 bits of the data set's own decoding.
        assert_eq!(wheel.length, 16);
        assert!((scale / 0.01 - 1.0).abs() < 0.01, "scale {scale}");
        assert!((offset + 67.67).abs() < 0.3, "offset {offset}");
    }
    let has = |id: u32, role: &str| {
        found
            .signals
            .iter()
            .any(|s| s.id == id && s.role.as_deref() == Some(role))
    };
    assert!(has(0xB4, "vehicle.speed"));
    assert!(has(0x25, "steering.angle"));
}

/// The same, 20 s of it.
#[test]
fn twenty_seconds_of_a_real_drive_are_enough() {
    let Some((capture, speed)) = segment_with_speed() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    for start_s in [0.0, 20.0, 39.0] {
        let part = folder.path().join("part.pcapng");
        cut(&capture, &part, start_s, start_s + 20.0);
        let (_, found) = find(&part, &speed);
        check_wheels(&found);
    }
}

/// What is written loads as it is, decodes the capture, and takes a second run without touching what
/// a person wrote.
#[test]
fn the_decoder_file_loads_and_a_merge_leaves_hand_edits_alone() {
    let Some((capture, speed)) = segment_with_speed() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let decoder = folder.path().join("car.toml");
    let find = |extra: &[&std::ffi::OsStr]| {
        let mut words = vec![
            "find".as_ref(),
            capture.as_os_str(),
            "--speed".as_ref(),
            speed.as_os_str(),
        ];
        words.extend(extra);
        let run = slipwright(words);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        run
    };
    find(&["--out".as_ref(), decoder.as_os_str()]);
    let text = std::fs::read_to_string(&decoder).unwrap();
    assert!(
        text.contains("# wheel speed, corner not told apart yet: score 1.00"),
        "{text}"
    );
    let sheet = std::fs::read_to_string(folder.path().join("car.html")).unwrap();
    assert!(sheet.matches("<svg").count() >= 5 && !sheet.contains("<script"));
    let table = folder.path().join("signals.csv");
    let run = slipwright([
        "decode".as_ref(),
        capture.as_os_str(),
        "--decoder".as_ref(),
        decoder.as_os_str(),
        "--out".as_ref(),
        table.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));

    let mine = "# my notes\n[decoder]\nname = \"mine\"   # kept\n\n[[frame]]\nid = 0xAA\nname = \"wheels\"\n\n  [[frame.signal]]\n  role = \"wheel_speed.front_right\" # by hand\n  start = 0\n  length = 16\n  order = \"big\"\n  scale = 0.01\n  offset = -67.67\n  unit = \"km/h\"\n";
    std::fs::write(&decoder, mine).unwrap();
    find(&["--accept".as_ref(), decoder.as_os_str()]);
    let merged = std::fs::read_to_string(&decoder).unwrap();
    assert!(merged.starts_with(mine), "{merged}");
    assert_eq!(
        merged.matches("\n  name = \"wheel speed").count(),
        3,
        "{merged}"
    );
    // A second merge changes nothing.
    find(&["--accept".as_ref(), decoder.as_os_str()]);
    assert_eq!(std::fs::read_to_string(&decoder).unwrap(), merged);
}

/// The same drive as a text log gives the same four fields; bad lines are counted and shown.
#[test]
fn a_text_log_is_read_by_its_layout() {
    let Some((capture, speed)) = segment_with_speed() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut lines = vec!["time;bus;id;length;data".to_owned()];
    Capture::open(&capture)
        .unwrap()
        .read(|event| {
            if let Event::Frame(f) = event {
                let bytes: Vec<String> = f.data.iter().map(|b| format!("{b:02X}")).collect();
                lines.push(format!(
                    "{}.{:09};can{};{:03X};{};{}",
                    f.t_ns / 1_000_000_000,
                    f.t_ns % 1_000_000_000,
                    f.bus.as_usize(),
                    f.id.number(),
                    f.data.len(),
                    bytes.join(" ")
                ));
            }
            ControlFlow::Continue(())
        })
        .unwrap();
    lines.insert(5, "garbage".to_owned());
    let log = folder.path().join("drive.txt");
    std::fs::write(&log, lines.join("\n")).unwrap();
    let run = slipwright([
        "find".as_ref(),
        log.as_os_str(),
        "--layout".as_ref(),
        crate::program::root()
            .join("logger/text-layouts/semicolons.toml")
            .as_os_str(),
        "--speed".as_ref(),
        speed.as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    check_wheels(&run.json());
    assert!(run.out.contains("\"bad_lines\": 1") || run.out.contains("\"bad_lines\":1"));
    assert!(
        run.out
            .contains("drive.txt: line 6 does not match the pattern: garbage")
    );
}

/// Design rule: cautions where the work can hurt someone; a raised car has all four wheels free.
#[test]
fn the_guide_carries_its_cautions() {
    let run = slipwright(["find", "--guide"]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    for words in [
        "all four wheels free and properly supported",
        "one axle free",
        "passenger",
        "quiet road",
    ] {
        assert!(run.out.contains(words), "{words}");
    }
}
