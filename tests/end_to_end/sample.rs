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
