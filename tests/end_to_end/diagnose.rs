//! `diagnose` on simulated drives with known faults, of seeds that nothing was fitted to.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use tempfile::TempDir;

use crate::program::{Run, sample, slipwright};

#[derive(Debug, Deserialize)]
struct Diagnosed {
    judgeable: bool,
    why: String,
    findings: Vec<Finding>,
    not_judged: BTreeMap<String, String>,
}

#[derive(Debug, Deserialize)]
struct Finding {
    cause: String,
    probability: f64,
    evidence: Vec<String>,
    next_check: String,
}

const CAUSES: [&str; 11] = [
    "weak_pump",
    "leaking_piston_seal",
    "worn_lining",
    "excess_clearance",
    "dragging_pack",
    "aerated_fluid",
    "warped_plate",
    "shudder",
    "inhibited_or_wiring",
    "tyre_mismatch",
    "healthy",
];

fn simulate(folder: &Path, name: &str, seed: u32, fault: &str) -> Vec<PathBuf> {
    let scenario = folder.join(format!("{name}.toml"));
    fs::write(
        &scenario,
        format!(
            "name = \"{name}\"\nseed = {seed}\ncar_seed = 77\n[bus]\nload_percent = 1\n[campaign]\n\
             drives = 2\nlaunches = 3\ntip_ins = 3\nturn_ins = 1\ncoasts = 1\n\
             surfaces = [\"gravel\"]\nfluid_c = [35, 50]\n{fault}"
        ),
    )
    .unwrap();
    let run = slipwright([
        "simulate".as_ref(),
        scenario.as_os_str(),
        "--out".as_ref(),
        folder.as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    (1..=2)
        .map(|k| folder.join(format!("{name}-{k}.pcapng")))
        .collect()
}

fn diagnose(vehicle: &Path, now: &[PathBuf], baseline: &[PathBuf], more: &[&str]) -> Run {
    let mut arguments = vec!["diagnose".into()];
    arguments.extend(now.iter().map(|p| p.clone().into_os_string()));
    if !baseline.is_empty() {
        arguments.push("--baseline".into());
        arguments.extend(baseline.iter().map(|p| p.clone().into_os_string()));
    }
    arguments.extend(["--vehicle".into(), vehicle.as_os_str().to_owned()]);
    arguments.push("--json".into());
    arguments.extend(more.iter().map(Into::into));
    slipwright(arguments)
}

fn check_contract(diagnosed: &Diagnosed) {
    assert!(!diagnosed.why.is_empty());
    for finding in &diagnosed.findings {
        assert!(CAUSES.contains(&finding.cause.as_str()), "{finding:?}");
        assert!((0.0..=1.0).contains(&finding.probability), "{finding:?}");
        assert!(!finding.next_check.is_empty() && !finding.evidence.is_empty());
    }
    let falling = |w: &[Finding]| w[0].probability >= w[1].probability;
    assert!(diagnosed.findings.windows(2).all(falling));
}

/// One car: its healthy drives once, then faults of other seeds against them.
#[test]
fn the_right_cause_comes_first() {
    let folder: TempDir = tempfile::tempdir().unwrap();
    let at = folder.path();
    let vehicle = at.join("vehicle.toml");
    let baseline = simulate(at, "healthy", 6001, "");
    let cases = [
        ("healthy", ""),
        ("weak_pump", "severity = 0.6"),
        ("worn_lining", "severity = 0.6"),
        ("excess_clearance", "severity = 0.5"),
        ("dragging_pack", "severity = 0.6"),
        ("tyre_mismatch", "severity = 0.5"),
        ("inhibited_or_wiring", "severity = 0.4"),
    ];
    for (k, (cause, severity)) in (0..).zip(cases) {
        let fault = match severity {
            "" => String::new(),
            severity => format!("[[fault]]\ncause = \"{cause}\"\n{severity}\n"),
        };
        let now = simulate(at, &format!("case{k}"), 6100 + k, &fault);
        let run = diagnose(&vehicle, &now, &baseline, &[]);
        assert!(
            run.code == 0 || cause == "inhibited_or_wiring",
            "{}",
            run.err
        );
        let diagnosed: Diagnosed = run.json();
        check_contract(&diagnosed);
        let first = diagnosed.findings.first().expect("something is found");
        assert_eq!(first.cause, cause, "{diagnosed:?}");
        assert!(first.probability > 0.5, "{cause}: {}", first.probability);
    }
}

/// The coupling is held open all the time: an answer, and the answer is no.
#[test]
fn a_coupling_that_never_worked_is_not_judged() {
    let folder = tempfile::tempdir().unwrap();
    let fault = "[[fault]]\ncause = \"inhibited_or_wiring\"\nseverity = 1.0\n";
    let now = simulate(folder.path(), "open", 6200, fault);
    let out = folder.path().join("out");
    let run = diagnose(
        &folder.path().join("vehicle.toml"),
        &now,
        &[],
        &["--out", &out.display().to_string()],
    );
    assert_eq!((run.code, run.err.as_str()), (1, ""));
    let diagnosed: Diagnosed = run.json();
    check_contract(&diagnosed);
    assert!(!diagnosed.judgeable);
    assert_eq!(diagnosed.findings[0].cause, "inhibited_or_wiring");
    let page = fs::read_to_string(out.join("diagnosis.html")).unwrap();
    assert!(page.contains("The clutch cannot be judged from these drives."));
    let kept = fs::read_to_string(out.join("diagnosis.json")).unwrap();
    assert_eq!(kept.trim(), run.out.trim());
    assert!(
        fs::read_to_string(out.join("diagnosis.txt"))
            .unwrap()
            .contains("NOT JUDGEABLE")
    );
}

/// Three sample drives of one side of the work.
fn drives(side: &str) -> Vec<PathBuf> {
    (1..=3)
        .map(|k| sample(&format!("{side}/{side}-{k}.pcapng.zst")))
        .collect()
}

/// The sample car came in with a worn lining, a weak pump and a little too much clearance, and left
/// rebuilt.
#[test]
fn the_sample_cars_complaint_is_explained() {
    let vehicle = sample("vehicle.toml");
    let before: Diagnosed = diagnose(&vehicle, &drives("before"), &drives("after"), &[]).json();
    check_contract(&before);
    let two: Vec<&str> = before
        .findings
        .iter()
        .take(2)
        .map(|f| f.cause.as_str())
        .collect();
    assert!(
        two.contains(&"weak_pump") && two.contains(&"worn_lining"),
        "{before:?}"
    );
    let one_more = vec![sample("after/after-4.pcapng.zst")];
    let after: Diagnosed = diagnose(&vehicle, &one_more, &drives("after"), &[]).json();
    assert_eq!(after.findings[0].cause, "healthy", "{after:?}");
}

#[test]
fn a_drive_is_not_its_own_baseline() {
    let drive = vec![sample("after/after-1.pcapng.zst")];
    let run = diagnose(&sample("vehicle.toml"), &drive, &drive, &[]);
    assert!(run.refused().contains("given twice"));
}

/// What is as good as certain in the figures is never said to be: nothing that rests on drives is.
#[test]
fn people_never_read_of_certainty() {
    let folder: TempDir = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let out_text = out.display().to_string();
    let options = ["--out", &out_text];
    let vehicle = sample("vehicle.toml");
    let diagnosed: Diagnosed =
        diagnose(&vehicle, &drives("before"), &drives("after"), &options).json();
    assert!(diagnosed.findings[0].probability > 0.99, "{diagnosed:?}");
    let text = fs::read_to_string(out.join("diagnosis.txt")).unwrap();
    assert!(
        text.contains("\nover 99 %  worn or glazed lining"),
        "{text}"
    );
    assert!(!text.contains("\n100 %"), "{text}");
}

/// What cannot be judged says what would bring it, in every half of the reason.
#[test]
fn what_is_missing_keeps_its_reason() {
    let folder: TempDir = tempfile::tempdir().unwrap();
    let drive = vec![sample("after/after-1.pcapng.zst")];
    let text = fs::read_to_string(sample("vehicle.toml")).unwrap();
    let without = |key: &str| {
        let keeps = |line: &&str| !line.trim_start().starts_with(key);
        let mut text = text.lines().filter(keeps).collect::<Vec<_>>().join("\n");
        text.push('\n');
        let decoder = sample("decoder.toml");
        let at = folder.path().join(format!("{key}.toml"));
        fs::copy(&decoder, folder.path().join("decoder.toml")).unwrap();
        fs::write(&at, text).unwrap();
        let diagnosed: Diagnosed = diagnose(&at, &drive, &[], &[]).json();
        diagnosed.not_judged
    };
    let ratio = without("rear_drive_ratio");
    let why = &ratio["warped_plate"];
    assert_eq!(
        why.matches("driveline.rear_drive_ratio").count(),
        2,
        "{why}"
    );
    assert!(
        !why.contains("rolling_radius_m") && !why.contains("no engagement tells it"),
        "{why}"
    );
    let wheelbase = without("wheelbase_m");
    let why = &wheelbase["worn_lining"];
    assert_eq!(why.matches("geometry.wheelbase_m").count(), 2, "{why}");
}
