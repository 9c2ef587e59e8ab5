//! The same work with general-purpose Python libraries, run from the registry in an environment
//! of its own under the build folder.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use crate::drives::{folder, two_minutes};
use crate::whole::{fastest, program};

/// Runs both ways and prints the ratio.
pub(crate) fn print() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peer");
    let Some(python) = python(&root) else {
        println!("\nthe Python way was not run: its libraries cannot be had here");
        return;
    };
    let drive = two_minutes();
    let ours = fastest(|| {
        let mut command = program();
        command
            .arg("measure")
            .arg(&drive.capture)
            .arg("--vehicle")
            .arg(&drive.vehicle);
        command.args(["--json", "--fresh"]);
        command
    });
    let start = Instant::now();
    let output = Command::new(python)
        .arg(root.join("measure.py"))
        .arg(&drive.capture)
        .arg(&drive.decoder)
        .output()
        .expect("Python starts");
    let theirs_s = start.elapsed().as_secs_f64();
    assert!(
        output.status.success(),
        "the Python way failed: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    println!("\ntwo minutes of the same traffic, measured\n");
    println!("{:<34}{:>7.2} s", "slipwright measure", ours.seconds);
    println!("{:<34}{theirs_s:>7.2} s", "benches/peer/measure.py");
    println!("{:<34}{:>7.0} times", "ratio", theirs_s / ours.seconds);
    print!("{}", String::from_utf8_lossy(&output.stdout));
}

fn python(root: &Path) -> Option<std::path::PathBuf> {
    let environment = folder().join("peer-python");
    let python = environment.join("bin/python");
    let requirements = root.join("requirements.txt");
    let wanted = fs::read_to_string(&requirements).expect("the requirements are in the checkout");
    let installed = environment.join("installed.txt");
    if fs::read_to_string(&installed).is_ok_and(|text| text == wanted) {
        return Some(python);
    }
    let done = |command: &mut Command| command.status().is_ok_and(|status| status.success());
    let made = done(
        Command::new("python3")
            .args(["-m", "venv", "--clear"])
            .arg(&environment),
    ) && done(
        Command::new(&python)
            .args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
                "-r",
            ])
            .arg(&requirements),
    );
    made.then(|| fs::write(&installed, wanted).expect("the environment is writable"))?;
    Some(python)
}
