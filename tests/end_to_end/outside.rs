//! The built program against things outside the project.

use std::collections::BTreeMap;
use std::fs;
use std::ops::ControlFlow;

use serde::Deserialize;
use slipwright_decoders::frame::{CanId, Frame, FrameFlags};
use slipwright_logger::capture::{Capture, CaptureWriter, Event, NewBus, Section};

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
    let (Some(capture), Some(truth)) = (
        data("comma2k19/segment.pcapng"),
        data("comma2k19/wheel_speed.parquet"),
    ) else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("signals.parquet");
    let run = slipwright([
        "decode".as_ref(),
        capture.as_os_str(),
        "--decoder".as_ref(),
        root()
            .join("tests/reference/segment-decoder.toml")
            .as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let Some(answer) = script("segment.py", [out.as_os_str(), truth.as_os_str()]) else {
        return;
    };
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
    let Some(capture) = data("comma2k19/segment.pcapng") else {
        return;
    };
    let run = slipwright([
        "measure".as_ref(),
        capture.as_os_str(),
        "--vehicle".as_ref(),
        root()
            .join("tests/reference/segment-vehicle.toml")
            .as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!(run.code, 0, "{}", run.err);
    let measured: Measured = run.json();
    let drive = &measured.drives[0];
    assert_eq!(drive.frames, 98_800);
    assert_eq!(drive.engagements.len(), 0);
    let noise_mps = drive.noise_slip_mps.unwrap();
    assert!(
        (0.05..=0.09).contains(&noise_mps),
        "slip noise {noise_mps} m/s"
    );
    // Front less rear is +0.034 m/s at a mean of about 17 m/s by the data set's notes: the front
    // tyres roll about 0.2 % smaller than the rear.
    for wheel in ["front_left", "front_right"] {
        let ratio = &drive.radius_ratio[wheel];
        let (value, u) = (ratio.value.unwrap(), ratio.u.unwrap());
        assert!((value - 0.998).abs() < 0.003, "{wheel}: {value}");
        assert!(u > 0.0 && u < 0.003, "{wheel}: u = {u}");
    }
}

/// Makes a table afresh, or gives `None` where the machine is meant to be without Python.
fn fresh_table(name: &str) -> Option<String> {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("table");
    script(name, ["--out".as_ref(), out.as_os_str()])?;
    Some(fs::read_to_string(&out).unwrap())
}

/// The tables that the crates' own tests are checked against are what their libraries give today:
/// bitstruct (fields), can-isotp (segmentation), udsoncan (names of negative responses).
#[test]
fn committed_tables_are_what_their_libraries_give() {
    for (name, committed) in [
        ("fields.py", "dbc-free-decoders/tests/fields.tsv"),
        ("iso_tp.py", "tests/reference/iso_tp.txt"),
        ("uds.py", "tests/reference/uds.txt"),
    ] {
        let Some(fresh) = fresh_table(name) else {
            return;
        };
        let committed = fs::read_to_string(root().join(committed)).unwrap();
        assert!(
            fresh == committed,
            "{name} no longer gives the committed table"
        );
    }
}

/// Likewise for numbers, from SciPy (rank statistics) and statsmodels (two-level model). Another
/// processor rounds the last digits otherwise, and an optimiser stops a little elsewhere.
#[test]
fn committed_statistics_are_what_their_libraries_give() {
    for (name, committed, tolerance) in [
        (
            "rank_statistics.py",
            "analysis/tests-data/rank_statistics.json",
            1e-9,
        ),
        (
            "mixed_model.py",
            "analysis/tests-data/mixed_model.json",
            1e-5,
        ),
    ] {
        let Some(fresh) = fresh_table(name) else {
            return;
        };
        let fresh: serde_json::Value = serde_json::from_str(&fresh).unwrap();
        let committed = fs::read_to_string(root().join(committed)).unwrap();
        let committed: serde_json::Value = serde_json::from_str(&committed).unwrap();
        assert_alike(name, &fresh, &committed, tolerance);
    }
}

fn assert_alike(
    place: &str,
    fresh: &serde_json::Value,
    committed: &serde_json::Value,
    tolerance: f64,
) {
    use serde_json::Value::{Array, Number, Object};
    match (fresh, committed) {
        (Number(a), Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            assert!(
                (a - b).abs() <= tolerance * (1.0 + b.abs()),
                "{place}: {a} was {b}"
            );
        }
        (Array(a), Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            for (index, (a, b)) in a.iter().zip(b).enumerate() {
                assert_alike(&format!("{place}[{index}]"), a, b, tolerance);
            }
        }
        (Object(a), Object(b)) => {
            assert!(a.keys().eq(b.keys()), "{place}");
            for (key, a) in a {
                assert_alike(&format!("{place}.{key}"), a, &b[key], tolerance);
            }
        }
        (a, b) => assert_eq!(a, b, "{place}"),
    }
}

/// One packet as the general packet tool tells it.
#[derive(Debug, Deserialize, PartialEq)]
struct Packet {
    t_ns: i64,
    interface: Option<String>,
    id: Option<u32>,
    flags: Vec<String>,
    data: String,
    comments: Vec<String>,
}

fn packets(lines: &str) -> Vec<Packet> {
    lines
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// What our own reader finds in a capture, told the same way.
fn read_here(path: &std::path::Path) -> Vec<Packet> {
    let mut buses = Vec::new();
    let mut found = Vec::new();
    let summary = Capture::open(path).unwrap().read(|event| {
        match event {
            Event::Bus(_, interface) => buses.push(interface.name.clone()),
            Event::Frame(frame) => {
                let f = frame.flags;
                let flags = [
                    ("extended", frame.id.is_extended() && !f.error),
                    ("remote", f.remote),
                    ("error", f.error),
                    ("fd", f.fd),
                    ("bit_rate_switch", f.bit_rate_switch),
                    ("error_state", f.error_state),
                ];
                found.push(Packet {
                    t_ns: frame.t_ns,
                    interface: buses[frame.bus.as_usize()].clone(),
                    id: Some(frame.id.number()),
                    flags: flags
                        .iter()
                        .filter(|(_, on)| *on)
                        .map(|(n, _)| (*n).to_owned())
                        .collect(),
                    data: frame
                        .data
                        .iter()
                        .map(|byte| format!("{byte:02x}"))
                        .collect(),
                    comments: Vec::new(),
                });
            }
            Event::Mark(mark) => {
                let (t_ns, bus) = (mark.t_ns.unwrap(), mark.bus.unwrap());
                let text = mark.text.into_owned();
                match found.last_mut().filter(|of| of.t_ns == t_ns) {
                    Some(of) => of.comments.push(text),
                    // One between frames is a packet without content.
                    None => found.push(Packet {
                        t_ns,
                        interface: buses[bus.as_usize()].clone(),
                        id: None,
                        flags: Vec::new(),
                        data: String::new(),
                        comments: vec![text],
                    }),
                }
            }
            _ => {}
        }
        ControlFlow::Continue(())
    });
    assert!(summary.unwrap().ending.is_whole());
    found
}

/// What a general packet tool writes is read here, frame by frame; the tool is scapy.
#[test]
fn a_capture_of_a_general_packet_tool_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("theirs.pcapng");
    let Some(told) = script("packets.py", ["write".as_ref(), path.as_os_str()]) else {
        return;
    };
    let theirs = packets(&told);
    assert_eq!(theirs.len(), 208);
    assert_eq!(theirs[2].comments, ["look here"]);
    assert_eq!(read_here(&path), theirs);
}

/// What is written here is read by the same tool: frames of every kind.
#[test]
fn captures_written_here_are_read_by_a_general_packet_tool() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ours.pcapng");
    let mut writer = CaptureWriter::new(Vec::new(), &Section::ours()).unwrap();
    let buses = ["can0", "can1"].map(|name| writer.add_bus(&NewBus::named(name)).unwrap());
    let data: Vec<u8> = (0..64).collect();
    let classic = FrameFlags::default();
    let fd = FrameFlags {
        fd: true,
        ..classic
    };
    let kinds = [
        (CanId::Base(0x123), classic, 8),
        (CanId::Base(0x7FF), classic, 0),
        (CanId::Extended(0x18FE_BF0B), classic, 3),
        (
            CanId::Base(0x55),
            FrameFlags {
                remote: true,
                ..classic
            },
            0,
        ),
        (
            CanId::Extended(0x4),
            FrameFlags {
                error: true,
                ..classic
            },
            8,
        ),
        (
            CanId::Base(0x321),
            FrameFlags {
                bit_rate_switch: true,
                ..fd
            },
            12,
        ),
        (
            CanId::Extended(0x1FFF_FFFF),
            FrameFlags {
                error_state: true,
                ..fd
            },
            64,
        ),
    ];
    for (index, (id, flags, length)) in kinds.into_iter().cycle().take(700).enumerate() {
        let t_ns = 1_700_000_000_123_456_789 + 1_000_003 * index as i64;
        let frame = Frame {
            t_ns,
            bus: buses[index % 2],
            id,
            flags,
            data: &data[..length],
        };
        writer.write_frame(&frame).unwrap();
        if index == 300 {
            let (t_ns, bus) = (t_ns + 500, Some(buses[0]));
            writer.write_mark(t_ns, bus, "second launch").unwrap();
        }
    }
    fs::write(&path, writer.finish().unwrap()).unwrap();
    let Some(told) = script("packets.py", ["read".as_ref(), path.as_os_str()]) else {
        return;
    };
    let ours = read_here(&path);
    assert_eq!(ours.len(), 701);
    assert_eq!(packets(&told), ours);
}
