//! `simulate`: the committed samples are made again, byte for byte.

use std::fs;

use crate::program::{sample, slipwright};

#[test]
fn the_committed_samples_are_made_again_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    for side in ["before", "after"] {
        let out = folder.path().join(side);
        let run = slipwright([
            "simulate".as_ref(),
            sample(&format!("scenarios/{side}.toml")).as_os_str(),
            "--out".as_ref(),
            out.as_os_str(),
        ]);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        let mut names: Vec<String> = (1..=4)
            .map(|drive| format!("{side}-{drive}.pcapng.zst"))
            .collect();
        names.push("truth.json".to_owned());
        for name in names {
            let (made, kept) = (out.join(&name), sample(&format!("{side}/{name}")));
            assert!(
                fs::read(made).unwrap() == fs::read(kept).unwrap(),
                "{side}/{name} differs"
            );
        }
        for name in ["decoder.toml", "vehicle.toml"] {
            let (made, kept) = (out.join(name), sample(name));
            assert_eq!(
                fs::read_to_string(made).unwrap(),
                fs::read_to_string(kept).unwrap()
            );
        }
        let truth = fs::read(out.join("truth.parquet")).unwrap();
        assert!(truth.starts_with(b"PAR1") && truth.ends_with(b"PAR1"));
        assert_eq!(
            fs::read_dir(&out).unwrap().count(),
            8,
            "nothing half-made is left"
        );
    }
}

#[test]
fn another_seed_gives_another_drive_and_the_same_seed_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = folder.path().join("short.toml");
    let text = fs::read_to_string(sample("scenarios/after.toml")).unwrap();
    let text = text
        .lines()
        .map(|line| match line.split(" =").next().unwrap() {
            "drives" => "drives = 1",
            "launches" | "tip_ins" | "turn_ins" | "coasts" => line.split(" =").next().unwrap(),
            _ => line,
        })
        .map(|line| {
            if line.contains('=')
                || !line.contains("_ins") && line != "launches" && line != "coasts"
            {
                line.to_owned()
            } else {
                format!("{line} = 1")
            }
        })
        .collect::<Vec<_>>()
        .join("\n");
    fs::write(&scenario, text).unwrap();
    let made = |name: &str, seed: &str| {
        let out = folder.path().join(name);
        let run = slipwright([
            "simulate".as_ref(),
            scenario.as_os_str(),
            "--out".as_ref(),
            out.as_os_str(),
            "--seed".as_ref(),
            seed.as_ref(),
        ]);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        fs::read(out.join("after-1.pcapng.zst")).unwrap()
    };
    let first = made("a", "11");
    assert!(first == made("b", "11"));
    assert!(first != made("c", "12"));
}

#[test]
fn a_picture_alone_makes_no_drive() {
    let folder = tempfile::tempdir().unwrap();
    let picture = folder.path().join("winter.svg");
    let run = slipwright([
        "simulate".as_ref(),
        sample("scenarios/winter.toml").as_os_str(),
        "--picture".as_ref(),
        picture.as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let answer: serde_json::Value = run.json();
    assert!(answer["out"].is_null() && answer["captures"] == serde_json::json!([]));
    assert_eq!(answer["picture"], picture.to_str().unwrap());
    assert!(
        fs::read(&picture).unwrap() == fs::read(sample("pictures/winter.svg")).unwrap(),
        "the committed picture is not what the program draws"
    );
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    let neither = slipwright([
        "simulate".as_ref(),
        sample("scenarios/winter.toml").as_os_str(),
    ]);
    assert_eq!(neither.code, 2);
    assert!(neither.err.contains("--out"), "{}", neither.err);
}

/// A car drawn from a seed goes the whole way: its capture decodes by its decoder file, and the
/// engagements that are found are those that took place.
#[test]
fn a_drawn_car_is_simulated_and_measured() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path();
    let run = slipwright([
        "simulate".as_ref(),
        sample("scenarios/unknown-car.toml").as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let speeds = fs::read_to_string(out.join("unknown-1-speed.csv")).unwrap();
    assert!(
        speeds.starts_with("t_ns,speed_mps\n17"),
        "{}",
        &speeds[..60]
    );
    assert!(speeds.lines().count() > 2900, "10 Hz over five minutes");

    let run = slipwright([
        "measure".as_ref(),
        out.join("unknown-1.pcapng").as_os_str(),
        "--vehicle".as_ref(),
        out.join("vehicle.toml").as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let measured: serde_json::Value = run.json();
    let truth: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(out.join("truth.json")).unwrap()).unwrap();
    let starts = |value: &serde_json::Value, key: &str| -> Vec<f64> {
        let engagements = value["drives"][0]["engagements"].as_array().unwrap();
        engagements
            .iter()
            .map(|e| e[key].as_f64().unwrap())
            .collect()
    };
    let (found, true_starts) = (starts(&measured, "start_s"), starts(&truth, "start_s"));
    assert!(true_starts.len() >= 5, "{true_starts:?}");
    let near = |t_s: &f64| found.iter().any(|other| (other - t_s).abs() < 1.0);
    let met = true_starts.iter().filter(|t_s| near(t_s)).count();
    assert!(
        10 * met >= 9 * true_starts.len() && found.len() <= true_starts.len() + 1,
        "found {found:?}, true {true_starts:?}"
    );
}
