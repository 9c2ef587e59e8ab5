//! Files: the same seed gives the same bytes, another seed others, and all of them can be read.

use std::ops::ControlFlow;
use std::path::Path;

use slipwright_logger::capture::{Capture, Event};
use slipwright_sample::scenario::Scenario;
use slipwright_sample::write::{NoObserver, write_scenario};

const SHORT: &str = "
name = \"short\"
seed = 11
[bus]
load_percent = 25
[[fault]]
cause = \"aerated_fluid\"
severity = 0.5
[[drive]]
surface = \"snow\"
[[drive.manoeuvre]]
kind = \"launch\"
[[drive.manoeuvre]]
kind = \"turn_in\"
";

fn written(text: &str, seed: Option<u64>) -> Vec<(String, Vec<u8>)> {
    let folder = tempfile::tempdir().unwrap();
    let scenario = Scenario::parse(text, seed).unwrap();
    write_scenario(&scenario, folder.path(), &mut NoObserver).unwrap();
    let mut files: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            (name, std::fs::read(&path).unwrap())
        })
        .collect();
    files.sort();
    files
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let first = written(SHORT, None);
    assert_eq!(first, written(SHORT, Some(11)));
    let other = written(SHORT, Some(12));
    let names = |files: &[(String, Vec<u8>)]| {
        files
            .iter()
            .map(|(name, _)| name.clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(
        names(&first),
        [
            "decoder.toml",
            "short-1.pcapng",
            "truth.json",
            "vehicle.toml"
        ]
    );
    for ((name, a), (_, b)) in first.iter().zip(&other) {
        // The car and its messages are the same; what was driven is not.
        assert_eq!(
            a == b,
            name == "decoder.toml" || name == "vehicle.toml",
            "{name}"
        );
    }
}

/// FNV-1a (G. Fowler, L. C. Noll, K.-P. Vo; draft-eastlake-fnv), enough to see one bit change.
fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xCBF2_9CE4_8422_2325, |hash, &byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3)
    })
}

/// These bytes must come out on every machine. When the simulator itself is changed, this number
/// changes with it, and the committed sample drives have to be made again.
#[test]
fn bytes_do_not_depend_on_the_machine() {
    let files = written(SHORT, None);
    let capture = &files
        .iter()
        .find(|(name, _)| name == "short-1.pcapng")
        .unwrap()
        .1;
    insta::assert_snapshot!(format!("{} bytes, {:016x}", capture.len(), fnv1a(capture)), @"");
}

#[test]
fn a_capture_reads_whole_with_named_buses_and_rising_stamps() {
    let folder = tempfile::tempdir().unwrap();
    for compress in [false, true] {
        let text = SHORT.replace("seed = 11", &format!("seed = 11\ncompress = {compress}"));
        let scenario = Scenario::parse(&text, None).unwrap();
        let written = write_scenario(&scenario, folder.path(), &mut NoObserver).unwrap();
        let path: &Path = &written.captures[0];
        let (mut frames, mut last_ns) = (0, i64::MIN);
        let summary = Capture::open(path)
            .unwrap()
            .read(|event| {
                if let Event::Frame(frame) = event {
                    assert!(frame.t_ns >= last_ns);
                    last_ns = frame.t_ns;
                    frames += 1;
                }
                ControlFlow::Continue(())
            })
            .unwrap();
        assert!(summary.ending.is_whole());
        assert_eq!(frames, written.drives[0].frames);
        // The last frame of a scenario without a start: in the hours after 2024-01-01T08:00Z.
        assert!((1_704_096_000_000_000_000..1_704_099_600_000_000_000).contains(&last_ns));
    }
}

#[test]
fn the_vehicle_file_says_nothing_of_the_faults() {
    let healthy = written("[[drive]]\n[[drive.manoeuvre]]\nkind = \"stand\"\n", None);
    let worn = written(
        "[[fault]]\ncause = \"worn_lining\"\nseverity = 1\n[[drive]]\n[[drive.manoeuvre]]\n\
         kind = \"stand\"\n",
        None,
    );
    let of = |files: &[(String, Vec<u8>)]| {
        files
            .iter()
            .find(|(name, _)| name == "vehicle.toml")
            .unwrap()
            .1
            .clone()
    };
    assert_eq!(of(&healthy), of(&worn));
}

#[test]
fn truth_json_has_every_engagement_with_its_measures() {
    let files = written(SHORT, None);
    let text = &files
        .iter()
        .find(|(name, _)| name == "truth.json")
        .unwrap()
        .1;
    let truth: serde_json::Value = serde_json::from_slice(text).unwrap();
    assert_eq!(truth["faults"][0]["cause"], "aerated_fluid");
    let drive = &truth["drives"][0];
    assert_eq!(drive["capture"], "short-1.pcapng");
    let engagements = drive["engagements"].as_array().unwrap();
    let kinds: Vec<_> = engagements
        .iter()
        .map(|e| e["kind"].as_str().unwrap())
        .collect();
    assert_eq!(kinds, ["launch", "turn-in"]);
    for engagement in engagements {
        for key in [
            "dead_time_ms",
            "rise_time_ms",
            "engagement_delay_ms",
            "friction_work_j",
        ] {
            assert!(engagement[key].as_f64().unwrap() > 0.0, "{key}");
        }
        let start = engagement["start_s"].as_f64().unwrap();
        let end = engagement["end_s"].as_f64().unwrap();
        assert!(start > 0.0 && end > start);
        assert!(end < drive["duration_s"].as_f64().unwrap());
    }
    assert!((drive["radius_ratio"]["rear_left"].as_f64().unwrap() - 1.0).abs() < 0.01);
}
