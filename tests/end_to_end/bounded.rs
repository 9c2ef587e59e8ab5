//! The program in little memory on a small car's drive, and whether it ended by itself: what the
//! tests of harmful input and of input at the edges share.
#![cfg(target_os = "linux")]

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::captures::{SmallCar, write_car};

/// A folder with the files of a small car and a drive of it.
pub(crate) fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    let drive = SmallCar::default().drive(2);
    fs::write(folder.path().join("drive.pcapng"), drive.bytes()).unwrap();
    folder
}

/// Runs the program in a folder with no more than so much memory, kB of address space.
pub(crate) fn bounded(folder: &Path, memory_kb: u32, line: &str) -> Output {
    Command::new("sh")
        .arg("-c")
        .arg(format!("ulimit -v {memory_kb}; exec \"$0\" {line}"))
        .arg(env!("CARGO_BIN_EXE_slipwright"))
        .current_dir(folder)
        .output()
        .unwrap()
}

/// It ended by itself: with an answer, or with one plain line.
pub(crate) fn ended(run: &Output, what: &str) -> i32 {
    let said = String::from_utf8_lossy(&run.stderr);
    let code = run
        .status
        .code()
        .unwrap_or_else(|| panic!("{what}: {run:?}"));
    assert!(code <= 2, "{what}: {code} {said}");
    if code == 2 {
        assert_eq!(said.lines().count(), 1, "{what}: {said}");
        assert!(said.starts_with("slipwright: "), "{what}: {said}");
    }
    code
}
