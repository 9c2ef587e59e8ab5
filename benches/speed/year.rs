//! A year of weekly drives: what the first run of `trend` and `compare` costs, how it grows with the
//! number of drives, and what the second run costs, which reads what the first has kept.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use slipwright_sample::scenario::Scenario;
use slipwright_sample::write::{NoObserver, write_scenario};

use crate::drives::folder;
use crate::whole::{fastest, once, program};

/// Drives of three minutes with six launches, six tip-ins and two turn-ins each.
const DRIVES: usize = 52;

/// Runs and prints the table.
pub(crate) fn print() {
    let year = year();
    println!("\na year of weekly drives, {DRIVES} of three minutes\n");
    println!("{:<34}{:>9}{:>9}{:>9}", "", "first", "second", "ratio");
    for (name, drives) in [("half a year", DRIVES / 2), ("the year", DRIVES)] {
        let captures = captures(&year, drives);
        for (command, of) in [
            ("trend", trend as fn(&Path, &[PathBuf]) -> Command),
            ("compare", compare),
        ] {
            forget(&year);
            let first = once(of(&year, &captures)).seconds;
            let second = fastest(|| of(&year, &captures)).seconds;
            println!(
                "{:<34}{first:>7.2} s{second:>7.2} s{:>9.0}",
                format!("{command}, {name}"),
                first / second
            );
        }
    }
    forget(&year);
}

fn trend(year: &Path, captures: &[PathBuf]) -> Command {
    // The series is what lies in one folder.
    let series = year.join(format!("series-{}", captures.len()));
    fs::create_dir_all(&series).expect("the build folder is writable");
    for capture in captures {
        let place = series.join(capture.file_name().expect("a capture has a name"));
        if !place.exists() {
            fs::hard_link(capture, place).expect("the build folder takes links");
        }
    }
    let mut command = program();
    command.arg("trend").arg(series).arg("--vehicle");
    command.arg(year.join("vehicle.toml")).arg("--json");
    command
}

fn compare(year: &Path, captures: &[PathBuf]) -> Command {
    let (before, after) = captures.split_at(captures.len() / 2);
    let mut command = program();
    command.arg("compare").arg("--before").args(before);
    command.arg("--after").args(after).arg("--vehicle");
    command.arg(year.join("vehicle.toml")).arg("--json");
    command
}

fn captures(year: &Path, drives: usize) -> Vec<PathBuf> {
    (1..=drives)
        .map(|n| year.join(format!("year-{n}.pcapng.zst")))
        .collect()
}

/// Deletes what is kept beside captures.
fn forget(folder: &Path) {
    for entry in fs::read_dir(folder)
        .expect("the drives were made")
        .flatten()
    {
        let path = entry.path();
        let name = entry.file_name().to_string_lossy().into_owned();
        if path.is_dir() {
            forget(&path);
        } else if name.ends_with(".measured") || name.ends_with(".signals.parquet") {
            fs::remove_file(path).expect("the build folder is writable");
        }
    }
}

fn year() -> PathBuf {
    let year = folder().join("year");
    if year.exists() {
        return year;
    }
    let unfinished = year.with_extension("part");
    let _ = fs::remove_dir_all(&unfinished);
    fs::create_dir_all(&unfinished).expect("the build folder is writable");
    let text = format!(
        "name = \"year\"\nseed = 2024\ncompress = true\n\
         [bus]\nload_percent = 7\nsecond_bus_load_percent = 0.5\n\
         [campaign]\ndrives = {DRIVES}\nlaunches = 6\ntip_ins = 6\nturn_ins = 2\ncoasts = 2\n"
    );
    let scenario = Scenario::parse(&text, None).expect("the scenario is right");
    write_scenario(&scenario, &unfinished, &mut NoObserver).expect("the drives can be written");
    fs::rename(&unfinished, &year).expect("the build folder is writable");
    year
}
