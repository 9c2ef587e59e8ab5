//! `--pictures`: the page's charts as PNG files, the same on every machine.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

use serde::Deserialize;

use crate::program::{root, sample, slipwright};

#[derive(Debug, Deserialize)]
struct Told {
    report: Option<String>,
    pictures: Option<String>,
}

/// Runs `diagnose` on one sample drive, in an environment that may be bare.
fn diagnosed(out: &Path, bare: bool) -> Told {
    let mut command = Command::new(env!("CARGO_BIN_EXE_slipwright"));
    if bare {
        // Nothing that could lead to a font of the system.
        command
            .env_clear()
            .env("FONTCONFIG_FILE", "/nonexistent/fonts.conf")
            .env("HOME", "/nonexistent");
    }
    let run = command
        .current_dir(root())
        .arg("diagnose")
        .arg(sample("before/before-1.pcapng.zst"))
        .arg("--vehicle")
        .arg(sample("vehicle.toml"))
        .args(["--pictures", "--json", "--out"])
        .arg(out)
        .output()
        .unwrap();
    assert!(run.status.code().is_some_and(|code| code < 2), "{run:?}");
    serde_json::from_slice(&run.stdout).unwrap()
}

fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|e| {
            (
                e.file_name().into_string().unwrap(),
                fs::read(e.path()).unwrap(),
            )
        })
        .collect()
}

#[test]
fn every_chart_of_a_page_is_a_picture_and_needs_no_font_of_the_system() {
    let folder = tempfile::tempdir().unwrap();
    let mut sets = Vec::new();
    for (name, bare) in [("plain", false), ("bare", true)] {
        let out = folder.path().join(name);
        let told = diagnosed(&out, bare);
        let page = fs::read_to_string(told.report.unwrap()).unwrap();
        let pictures = files(Path::new(&told.pictures.unwrap()));
        assert_eq!(pictures.len(), page.matches("<svg").count());
        assert!(pictures.len() >= 2);
        for (name, png) in &pictures {
            assert!(name.ends_with(".png") && png.starts_with(b"\x89PNG\r\n\x1a\n"));
            // A picture without ink is far smaller.
            assert!(png.len() > 1_500, "{name}: {} bytes", png.len());
        }
        sets.push(pictures);
    }
    assert!(sets[0] == sets[1], "the environment shows in the pictures");
}

#[test]
fn pictures_are_made_only_with_a_page_and_on_request() {
    let vehicle = sample("vehicle.toml");
    let drive = sample("before/before-1.pcapng.zst");
    let run = slipwright([
        "diagnose".as_ref(),
        drive.as_os_str(),
        "--vehicle".as_ref(),
        vehicle.as_os_str(),
        "--pictures".as_ref(),
    ]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("--out"), "{}", run.err);
    let out = tempfile::tempdir().unwrap();
    let run = slipwright([
        "diagnose".as_ref(),
        drive.as_os_str(),
        "--vehicle".as_ref(),
        vehicle.as_os_str(),
        "--out".as_ref(),
        out.path().as_os_str(),
    ]);
    assert!(run.code < 2 && run.out.contains("report: "), "{}", run.err);
    let kept = files(out.path());
    let names: Vec<&str> = kept.keys().map(String::as_str).collect();
    assert_eq!(names, ["diagnosis.html", "diagnosis.json", "diagnosis.txt"]);
}
