//! General-purpose reference libraries from the Python registry, in an environment of their own
//! under the build folder, made on first use from `tests/reference/requirements.txt`.
//!
//! A machine that cannot make it fails these tests, unless `SLIPWRIGHT_OFFLINE=1` says that it is
//! meant to be without them; each skipped check then says so.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::program::root;

/// The environment's Python, or `None` on a machine that is meant to be without it.
fn python() -> Option<PathBuf> {
    if std::env::var_os("SLIPWRIGHT_OFFLINE").is_some_and(|value| value == "1") {
        return None;
    }
    let requirements = root().join("tests/reference/requirements.txt");
    let wanted = fs::read_to_string(&requirements).expect("the requirements are in the checkout");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let environment = folder.join("reference-python");
    let installed = environment.join("installed.txt");
    // Tests may run as threads or as processes; one of them makes it, the others wait.
    let lock =
        File::create(folder.join("reference-python.lock")).expect("the build folder is writable");
    lock.lock().expect("the lock can be taken");
    if fs::read_to_string(&installed).is_ok_and(|text| text == wanted) {
        return Some(environment.join("bin/python"));
    }
    run(Command::new("python3")
        .args(["-m", "venv", "--clear"])
        .arg(&environment));
    run(Command::new(environment.join("bin/python"))
        .args([
            "-m",
            "pip",
            "install",
            "--quiet",
            "--disable-pip-version-check",
            "-r",
        ])
        .arg(&requirements));
    fs::write(&installed, wanted).expect("the environment is writable");
    Some(environment.join("bin/python"))
}

/// Runs `tests/reference/<script>` and gives its standard output; `None`, said aloud, where the
/// machine is meant to be without Python.
pub(crate) fn script<I>(name: &str, arguments: I) -> Option<String>
where
    I: IntoIterator,
    I::Item: AsRef<std::ffi::OsStr>,
{
    let Some(python) = python() else {
        eprintln!("skipped: SLIPWRIGHT_OFFLINE=1, so {name} was not run");
        return None;
    };
    Some(run(Command::new(python)
        .arg(root().join("tests/reference").join(name))
        .args(arguments)))
}

fn run(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| {
        panic!("{command:?} did not start: {error}; install python3 with its venv module, or set SLIPWRIGHT_OFFLINE=1")
    });
    assert!(
        output.status.success(),
        "{command:?} failed:\n{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("it prints UTF-8")
}

/// The folder of outside data, or `None`, said aloud, where it is absent.
pub(crate) fn data(name: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("SLIPWRIGHT_REFERENCE_DATA")
        .map_or_else(|| root().join("../shared/data"), PathBuf::from);
    let path = folder.join(name);
    if path.exists() {
        return Some(path);
    }
    eprintln!(
        "skipped: no {} (set SLIPWRIGHT_REFERENCE_DATA to the folder that holds it)",
        path.display()
    );
    None
}

/// The real segment's capture and its ground speed, if they are there.
pub(crate) fn segment_with_speed() -> Option<(PathBuf, PathBuf)> {
    data("comma2k19/segment.pcapng").zip(data("comma2k19/gnss.parquet"))
}
