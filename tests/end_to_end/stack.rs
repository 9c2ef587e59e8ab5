//! `stack`: the worked example of the bench, and every parts file that is wrong.

use std::fs;
use std::path::Path;

use serde::Deserialize;
use std::collections::BTreeMap;

use crate::program::{Run, root, sample, slipwright};

#[derive(Debug, Deserialize)]
struct Stacks {
    target_mm: f64,
    choices: Vec<Choice>,
    why: Option<String>,
    nearest_below_mm: Option<f64>,
    nearest_above_mm: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct Choice {
    height_mm: f64,
    height_u_mm: f64,
    over_target_mm: f64,
    probability_within_tolerance: f64,
    parts: BTreeMap<String, usize>,
    order: Vec<String>,
    stack: Vec<Placed>,
    clearance_mm: Option<f64>,
    clearance_why: Option<String>,
    travel_saved_mm: Option<f64>,
    predicted_dead_time_change_ms: Option<f64>,
    predicted_torque_capacity_nm: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct Placed {
    kind: String,
    spacer: bool,
    thickness_mm: f64,
    coated: bool,
}

fn stack(parts: &Path, more: &[&str]) -> Run {
    let mut arguments = vec!["stack".into(), parts.as_os_str().to_owned()];
    arguments.extend(more.iter().map(Into::into));
    slipwright(arguments)
}

/// Common practice, no source: see the worked example in `analysis/src/stack/tests.rs`.
#[test]
fn the_worked_example_is_chosen() {
    let vehicle = sample("vehicle.toml");
    let run = stack(
        &sample("parts.toml"),
        &["--json", "--vehicle", vehicle.to_str().unwrap()],
    );
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let stacks: Stacks = run.json();
    assert_eq!(stacks.target_mm, 21.6);
    let best = &stacks.choices[0];
    assert_eq!((best.height_mm, best.over_target_mm), (21.9, 0.3));
    assert_eq!(best.parts["disc 1.5"], 8);
    assert_eq!(best.parts["coated plate 1.5"], 4);
    assert_eq!(best.parts["coated plate 1.0"], 3);
    assert_eq!(best.parts["plate 0.9, reused, as spacer"], 1);
    assert_eq!(best.order.len(), 16);
    assert_eq!(best.order.last().unwrap(), "plate 0.9, reused, as spacer");
    // One reading of 5 µm each for 8, 3, 4 parts and 1.
    let u_mm = 0.005 * f64::from(8 * 8 + 3 * 3 + 4 * 4 + 1).sqrt();
    assert!((best.height_u_mm - u_mm).abs() < 1e-9);
    // 0.1 mm to the limit.
    assert!((best.probability_within_tolerance - 0.9825).abs() < 5e-4);
    // The vehicle file's 0.6 mm of travel belong to the stock height.
    assert_eq!(
        (best.clearance_mm, best.travel_saved_mm),
        (Some(0.3), Some(0.3))
    );
    // 0.3 mm on 0.0025 m² at 2.754e-5 m³/s.
    assert!((best.predicted_dead_time_change_ms.unwrap() + 27.233).abs() < 1e-3);
    assert!(best.predicted_torque_capacity_nm.unwrap() > 0.0);
    for choice in &stacks.choices {
        let sum: f64 = choice.stack.iter().map(|p| p.thickness_mm).sum();
        assert!((sum - choice.height_mm).abs() < 1e-9);
        assert!((0.0..=0.4).contains(&choice.over_target_mm));
        let pack: Vec<_> = choice.stack.iter().filter(|p| !p.spacer).collect();
        assert!(
            pack.iter()
                .enumerate()
                .all(|(i, p)| (p.kind == "disc") == (i % 2 == 0))
        );
        let ends = [&choice.stack[0], choice.stack.last().unwrap()];
        assert!(ends.iter().all(|p| !p.coated));
        let mut counted = BTreeMap::new();
        for name in &choice.order {
            *counted.entry(name.clone()).or_insert(0) += 1;
        }
        assert_eq!(counted, choice.parts);
    }
}

#[test]
fn what_people_read() {
    let run = stack(&sample("parts.toml"), &["--choices", "3"]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    insta::assert_snapshot!(run.out);
}

#[test]
fn no_stack_is_an_answer_with_the_next_heights() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("parts.toml");
    let text = fs::read_to_string(sample("parts.toml")).unwrap();
    fs::write(&path, text.replace("height_mm = 21.6", "height_mm = 26.0")).unwrap();
    let run = stack(&path, &["--json"]);
    assert_eq!(run.code, 1);
    let stacks: Stacks = run.json();
    assert!(stacks.choices.is_empty());
    // Eight discs, four thick and three thin coated plates and one spacer are the most.
    assert_eq!(
        (stacks.nearest_below_mm, stacks.nearest_above_mm),
        (Some(21.9), None)
    );
    assert!(stacks.why.unwrap().contains("21.9"));
}

#[test]
fn without_a_room_the_clearance_says_why_it_is_missing() {
    let stacks: Stacks = stack(&sample("parts.toml"), &["--json"]).json();
    let best = &stacks.choices[0];
    assert_eq!(best.clearance_mm, None);
    assert!(
        best.clearance_why
            .as_deref()
            .unwrap()
            .contains("room.height_mm")
    );
}

#[test]
fn every_parts_file_of_the_gallery_is_refused_with_its_line() {
    let gallery = root().join("tests/bad-input");
    let mut names: Vec<String> = fs::read_dir(&gallery)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("parts-"))
        .collect();
    names.sort();
    assert!(names.len() >= 30, "the gallery holds {} files", names.len());
    let mut text = String::new();
    for name in names {
        let run = stack(&gallery.join(&name), &["--json"]);
        let line = run
            .refused()
            .replace(&format!("{}/", gallery.display()), "");
        assert!(line.starts_with(&name), "{line}");
        text.push_str(&line);
        text.push('\n');
    }
    insta::assert_snapshot!(text);
}
