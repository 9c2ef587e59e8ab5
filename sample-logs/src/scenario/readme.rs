//! The README of the sample drives: what it says of scenario files is what the program takes.

use super::*;
use crate::car::{
    BodyParameters, Car, ControlParameters, CouplingParameters, DrivelineParameters,
    EngineParameters, HydraulicParameters, TyreParameters,
};
use crate::drive;
use crate::fault::Cause;
use crate::picture::scenario_svg;

const README: &str = include_str!("../../README.md");
const BEGIN: &str = "<!-- car keys, written by the test that checks them -->\n";
const END: &str = "<!-- end of car keys -->";

/// The example between its fences.
fn example() -> &'static str {
    let (_, rest) = README.split_once("```toml\n").unwrap();
    rest.split_once("```").unwrap().0
}

#[test]
fn the_worked_example_drives_as_it_says() {
    let scenario = Scenario::parse(example(), None).unwrap();
    let names: Vec<&str> = scenario.drives.iter().map(|d| d.name.as_str()).collect();
    assert_eq!(names, ["wet-morning-1", "wet-morning-hill"]);
    assert_eq!(scenario.car.coupling.friction_surfaces, 10);
    assert!(scenario.rings[2].missing_tooth);
    for index in 0..2 {
        let engagements = drive::states(&scenario, index, |_| {});
        assert!(engagements.len() >= 3, "{index}: {}", engagements.len());
    }
}

/// Keys that a table takes, as the reader lists them when it meets one that it does not know.
fn keys_of(text: &str) -> Vec<String> {
    let message = Scenario::parse(text, None).unwrap_err().message;
    let mut parts = message.split('"').skip(1).step_by(2);
    assert_eq!(parts.next(), Some("zzz"), "{message}");
    parts.map(str::to_owned).collect()
}

#[test]
fn every_key_of_every_table_is_described() {
    let sections = [
        ("### Top level", "zzz = 1\n"),
        ("### `[[fault]]`", "[[fault]]\nzzz = 1\n"),
        ("### `[campaign]`", "[campaign]\nzzz = 1\n"),
        ("### `[[drive]]`", "[[drive]]\nzzz = 1\n"),
        (
            "### `[[drive.manoeuvre]]`",
            "[[drive]]\n[[drive.manoeuvre]]\nzzz = 1\n",
        ),
        ("### `[bus]`", "[bus]\nzzz = 1\n"),
        ("### `[sensors]`", "[sensors]\nzzz = 1\n"),
    ];
    for (title, text) in sections {
        let (_, rest) = README.split_once(title).unwrap();
        let section = rest.split("\n### ").next().unwrap();
        let keys = keys_of(text);
        assert!(keys.len() > 1, "{title}: {keys:?}");
        for key in keys {
            assert!(section.contains(&format!("`{key}`")), "{title}: {key}");
        }
    }
    let words = Cause::ALL.iter().map(|cause| cause.text());
    let words = words.chain(crate::surface::Surface::ALL.iter().map(|s| s.text()));
    for word in words {
        assert!(README.contains(&format!("`{word}`")), "{word}");
    }
}

/// The sections of `[car]` as Markdown tables, from the declarations themselves.
fn car_keys() -> String {
    let sections: [(&str, &[[&str; 3]]); 7] = [
        ("body", BodyParameters::KEYS),
        ("tyres", TyreParameters::KEYS),
        ("engine", EngineParameters::KEYS),
        ("driveline", DrivelineParameters::KEYS),
        ("coupling", CouplingParameters::KEYS),
        ("hydraulics", HydraulicParameters::KEYS),
        ("control", ControlParameters::KEYS),
    ];
    // Every section of the car, beside its name.
    assert_eq!(sections.len() + 1, Car::KEYS.len());
    let mut text = String::new();
    for (section, keys) in sections {
        text += &format!("\n| `{section}.` | if left out | what it is |\n| --- | --- | --- |\n");
        for [key, meaning, value] in keys {
            let value = value.replace("vec!", "").replace('_', "");
            let meaning = meaning.trim().trim_end_matches('.');
            text += &format!("| `{key}` | {value} | {meaning} |\n");
        }
    }
    text + "\n"
}

#[test]
fn the_cars_own_numbers_are_all_listed() {
    let (before, rest) = README.split_once(BEGIN).unwrap();
    let (kept, after) = rest.split_once(END).unwrap();
    let made = car_keys();
    if kept != made && std::env::var_os("SLIPWRIGHT_WRITE_README").is_some() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/README.md");
        std::fs::write(path, [before, BEGIN, &made, END, after].concat()).unwrap();
        return;
    }
    assert_eq!(kept, made, "run this test with SLIPWRIGHT_WRITE_README=1");
}

/// Every scenario that is committed can be read, is shown, and its picture is the one committed.
/// The hour takes its time and is only read.
#[test]
fn committed_pictures_are_those_of_the_scenarios() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut seen = 0;
    for entry in std::fs::read_dir(folder.join("scenarios")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_str().unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        let scenario = Scenario::parse(&text, None).unwrap();
        assert!(README.contains(&format!("(pictures/{name}.svg)")), "{name}");
        let picture = folder.join("pictures").join(format!("{name}.svg"));
        let kept = std::fs::read_to_string(picture).unwrap();
        if name != "hour" {
            assert!(
                kept == scenario_svg(&scenario),
                "{name}: make the pictures anew"
            );
        }
        seen += 1;
    }
    assert!(seen >= 8, "{seen}");
}
