//! A file system that fails, and a run that ends at any point: after each, what was there before is
//! still there and whole, or the new is there and whole, and nothing half-made has a final name.
//!
//! Every change that a command makes to its folder is counted; then each in turn fails in every way
//! (`faults/shim.c`). The recorder, whose files grow, has rules of its own in [`recorder`].
#![cfg(target_os = "linux")]

mod recorder;

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use crate::captures::{START_NS, SmallCar, write_car};
use crate::folder::files;
use crate::program::root;

/// What may go wrong with a change.
const HOWS: [&str; 4] = ["eio", "full", "short", "kill"];
/// What stood in each file before.
const OLD: &[u8] = b"what was there before\n";

/// The shim, compiled once.
fn shim() -> &'static Path {
    static SHIM: OnceLock<PathBuf> = OnceLock::new();
    SHIM.get_or_init(|| {
        let made = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fault-shim.so");
        let part = made.with_extension(format!("so.{}", std::process::id()));
        let compiled = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .arg(&part)
            .arg(root().join("tests/end_to_end/faults/shim.c"))
            .arg("-ldl")
            .status();
        assert!(compiled.expect("a C compiler").success());
        fs::rename(&part, &made).unwrap();
        made
    })
}

/// A command whose files are watched.
struct Case {
    /// Holds `car/` with what is read, and `out/` with what is written.
    folder: tempfile::TempDir,
    arguments: Vec<OsString>,
    /// Whether files of earlier runs may be there.
    overwrites: bool,
    /// Files whose loss only costs time: that they cannot be written is no error.
    spare: &'static [&'static str],
}

impl Case {
    fn new(arguments: impl FnOnce(&Path) -> Vec<OsString>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let car = folder.path().join("car");
        fs::create_dir(&car).unwrap();
        write_car(&car);
        for n in 1..=2 {
            let start_ns = START_NS + n * 86_400_000_000_000;
            let small = SmallCar {
                start_ns,
                ..SmallCar::default()
            };
            fs::write(car.join(format!("{n}.pcapng")), small.drive(2).bytes()).unwrap();
        }
        Self {
            arguments: arguments(folder.path()),
            folder,
            overwrites: true,
            spare: &[],
        }
    }

    fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    fn run(&self, at: usize, how: &str, log: &Path) -> Output {
        Command::new(env!("CARGO_BIN_EXE_slipwright"))
            .args(&self.arguments)
            .env("LD_PRELOAD", shim())
            .env("FAULT_UNDER", self.out())
            .env("FAULT_LOG", log)
            .env("FAULT_AT", at.to_string())
            .env("FAULT_HOW", how)
            .output()
            .unwrap()
    }

    /// The folder as it was before.
    fn reset(&self, old: &BTreeMap<String, Vec<u8>>) {
        let out = self.out();
        let _ = fs::remove_dir_all(&out);
        fs::create_dir(&out).unwrap();
        for (name, bytes) in old {
            let path = out.join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
    }

    /// Lets every change fail in every way.
    fn try_everything(&self) {
        self.try_with(&BTreeMap::new());
    }

    /// The same, with files that are there and stay.
    fn try_with(&self, there: &BTreeMap<String, Vec<u8>>) {
        let log = self.folder.path().join("log");
        self.reset(there);
        let clean = self.run(0, "none", &log);
        let said = String::from_utf8_lossy(&clean.stderr);
        assert!(clean.status.code().is_some_and(|c| c < 2), "{said}");
        let new = files(&self.out());
        let changes = fs::read_to_string(&log).unwrap().lines().count();
        assert!(new.len() > there.len() && changes >= 4, "{changes} changes");
        let mut old = there.clone();
        if self.overwrites {
            let made = new.keys().filter(|name| !there.contains_key(*name));
            old.extend(made.map(|name| (name.clone(), OLD.to_vec())));
        }
        for at in picked(changes) {
            for how in HOWS {
                self.reset(&old);
                let run = self.run(at, how, &log);
                let place = format!("{how} at change {at} of {changes}");
                self.check(&run, how, &old, &new, &place);
            }
        }
    }

    fn check(
        &self,
        run: &Output,
        how: &str,
        old: &BTreeMap<String, Vec<u8>>,
        new: &BTreeMap<String, Vec<u8>>,
        place: &str,
    ) {
        let found = files(&self.out());
        let said = String::from_utf8_lossy(&run.stderr);
        let all_new = new.iter().all(|(name, bytes)| {
            self.spare.iter().any(|ending| name.ends_with(ending))
                || found.get(name).is_some_and(|b| same(b, bytes))
        });
        match how {
            "kill" => assert_eq!(run.status.signal(), Some(9), "{place}: {said}"),
            _ if run.status.code() == Some(2) => {
                assert_eq!(said.lines().count(), 1, "{place}: {said}");
                assert!(said.starts_with("slipwright: "), "{place}: {said}");
            }
            // Whoever says that it is done has done it.
            _ => assert!(all_new, "{place}: done, but not written; {said}"),
        }
        if how == "short" {
            assert!(all_new, "{place}: a short write is no failure; {said}");
        }
        for (name, bytes) in &found {
            let temporary = name.contains(".part-");
            assert!(how == "kill" || !temporary, "{place}: {name} is left");
            let is_old = old.get(name).is_some_and(|was| was == bytes);
            let is_new = new.get(name).is_some_and(|made| same(bytes, made));
            assert!(
                temporary || is_old || is_new,
                "{place}: {name} is half-made"
            );
        }
        for name in old.keys() {
            assert!(found.contains_key(name), "{place}: {name} is lost");
        }
    }
}

/// Every change, or where there are very many, the first and the last ones and some in between.
fn picked(changes: usize) -> Vec<usize> {
    const ENDS: usize = 8;
    let step = changes.saturating_sub(2 * ENDS).div_ceil(ENDS).max(1);
    (1..=changes)
        .filter(|at| *at <= ENDS || *at + ENDS > changes || *at % step == 0)
        .collect()
}

/// The same bytes, but for the minute at which a page was made.
fn same(a: &[u8], b: &[u8]) -> bool {
    let without_minute = |bytes: &[u8]| {
        let text = String::from_utf8_lossy(bytes);
        let mut parts = text.split(" UTC").map(str::to_owned).collect::<Vec<_>>();
        for part in &mut parts {
            let keep = part.len().saturating_sub("2026-01-01 00:00".len());
            if part.is_char_boundary(keep) {
                part.truncate(keep);
            }
        }
        parts
    };
    a == b
        || a.len() == b.len()
            && a.starts_with(b"<!DOCTYPE")
            && without_minute(a) == without_minute(b)
}

/// Arguments of which some are paths in the case's folder, written `@name`.
fn command(line: &str) -> impl FnOnce(&Path) -> Vec<OsString> {
    let parts: Vec<String> = line.split(' ').map(str::to_owned).collect();
    move |folder| {
        let path = |part: &String| match part.strip_prefix('@') {
            Some(name) => folder.join(name).into_os_string(),
            None => part.into(),
        };
        parts.iter().map(path).collect()
    }
}

#[test]
fn the_report_of_a_comparison() {
    let line = "compare --before @car/1.pcapng --after @car/2.pcapng --vehicle @car/vehicle.toml --out @out";
    Case::new(command(line)).try_everything();
}

#[test]
fn the_page_of_causes_and_its_pictures() {
    let line = "diagnose @car/1.pcapng --vehicle @car/vehicle.toml --out @out --pictures";
    Case::new(command(line)).try_everything();
}

#[test]
fn decoded_signals() {
    for ending in ["csv", "parquet"] {
        let line =
            format!("decode @car/1.pcapng --decoder @car/decoder.toml --out @out/signals.{ending}");
        Case::new(command(&line)).try_everything();
    }
}

#[test]
fn a_dataset_of_engagements() {
    let line = "measure @car/1.pcapng --vehicle @car/vehicle.toml --out @out/fleet --json";
    let mut new = Case::new(command(line));
    new.overwrites = false;
    new.try_everything();
    // Into a dataset that holds other drives and an older file of this one.
    let other = "fleet/vehicle=small car/month=2023-11/other.parquet";
    let there = BTreeMap::from([(other.to_owned(), OLD.to_vec())]);
    Case::new(command(line)).try_with(&there);
}

#[test]
fn the_test_card() {
    let line = "plan --vehicle @car/vehicle.toml --earlier @car/1.pcapng --out @out";
    Case::new(command(line)).try_everything();
}

#[test]
fn a_proposed_decoder_file_and_its_sheet() {
    Case::new(command("find @car/1.pcapng --out @out/decoder.toml")).try_everything();
}

/// The captures stand in the watched folder, as what is kept of them is written beside them.
#[test]
fn the_page_of_a_series_and_what_is_kept_of_its_drives() {
    let mut case = Case::new(command("trend @out --vehicle @car/vehicle.toml --out @out"));
    case.spare = &[".measured", ".signals.parquet"];
    let capture = fs::read(case.folder.path().join("car/1.pcapng")).unwrap();
    case.try_with(&BTreeMap::from([("1.pcapng".to_owned(), capture)]));
}

#[test]
fn a_new_book_and_its_work() {
    let mut case = Case::new(command("book new @out/car --vehicle @car/vehicle.toml"));
    case.overwrites = false;
    case.try_everything();
    let line = "book work @out/car --title Rebuilt --date 2026-05-03";
    let mut case = Case::new(command(line));
    case.overwrites = false;
    case.reset(&BTreeMap::new());
    let begun = Command::new(env!("CARGO_BIN_EXE_slipwright"))
        .args(["book", "new"])
        .arg(case.out().join("car"))
        .arg("--vehicle")
        .arg(case.folder.path().join("car/vehicle.toml"))
        .output();
    assert!(begun.unwrap().status.success());
    let book = files(&case.out());
    case.try_with(&book);
}

#[test]
fn simulated_drives() {
    let case = Case::new(|folder| {
        let scenario = folder.join("short.toml");
        fs::write(
            &scenario,
            "name = \"short\"\nseed = 5\n[campaign]\ndrives = 1\nlaunches = 1\ntip_ins = 0\nturn_ins = 0\ncoasts = 0\n",
        )
        .unwrap();
        command("simulate @short.toml --out @out --picture @out/short.svg")(folder)
    });
    case.try_everything();
}
