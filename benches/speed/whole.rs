//! Whole commands as a user runs them: time, peak memory, and the ratio to reading the bytes.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use crate::drives::{folder, hour};

/// Runs of each command; the fastest counts.
const RUNS: usize = 3;

pub(crate) struct Run {
    pub(crate) seconds: f64,
    pub(crate) peak_mib: f64,
}

/// The built program in the profile of the benchmark.
pub(crate) fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_slipwright"))
}

/// The fastest of a few runs; the memory is the largest of any.
pub(crate) fn fastest(command: impl Fn() -> Command) -> Run {
    let runs = (0..RUNS).map(|_| once(command()));
    runs.reduce(|a, b| Run {
        seconds: a.seconds.min(b.seconds),
        peak_mib: a.peak_mib.max(b.peak_mib),
    })
    .expect("there are runs")
}

/// One run. A command may answer no.
pub(crate) fn once(mut command: Command) -> Run {
    let start = Instant::now();
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let watched = Path::new("/proc").join(child.id().to_string());
    // The peak of a process can be read only while it lives.
    let watcher = std::thread::spawn(move || peak_mib(&watched));
    let status = child.wait().expect("the program ends");
    let seconds = start.elapsed().as_secs_f64();
    assert!(
        status.code().is_some_and(|code| code < 2),
        "{command:?} failed"
    );
    Run {
        seconds,
        peak_mib: watcher.join().unwrap_or_default(),
    }
}

/// Largest resident set of a living process without the pages of files it maps, MiB.
///
/// Mapped pages of a capture belong to the page cache: the kernel takes them back at will.
fn peak_mib(process: &Path) -> f64 {
    let mut peak_kib = 0.0_f64;
    while let Ok(status) = std::fs::read_to_string(process.join("status")) {
        let field = |name: &str| -> Option<f64> {
            let line = status.lines().find(|line| line.starts_with(name))?;
            line.split_whitespace().nth(1)?.parse().ok()
        };
        let Some(own_kib) = field("RssAnon:") else {
            break;
        };
        peak_kib = peak_kib.max(own_kib);
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    peak_kib / 1024.0
}

fn file_read_s(path: &Path) -> f64 {
    let mut buffer = vec![0_u8; 1 << 20];
    let mut read = || {
        let start = Instant::now();
        let mut file = File::open(path).expect("the drive was made");
        while file.read(&mut buffer).expect("the drive reads") > 0 {}
        start.elapsed().as_secs_f64()
    };
    (0..RUNS).map(|_| read()).fold(f64::INFINITY, f64::min)
}

fn packed(capture: &Path) -> PathBuf {
    let packed = folder().join("hour-packed").join("drive-1.pcapng.zst");
    if !packed.exists() {
        let copy = packed.with_extension("");
        std::fs::create_dir_all(packed.with_file_name("")).expect("the build folder is writable");
        std::fs::copy(capture, &copy).expect("the build folder is writable");
        slipwright_logger::capture::compress_closed(&copy).expect("the drive can be packed");
    }
    packed
}

/// Runs and prints the table.
pub(crate) fn print() {
    let drive = hour();
    let bytes = drive.bytes() as f64;
    let read_s = file_read_s(&drive.capture);
    println!(
        "\nwhole commands, one hour of two busy buses ({:.2} GB)\n",
        bytes / 1e9
    );
    println!(
        "{:<34}{:>9}{:>11}{:>14}",
        "", "time", "memory", "to file read"
    );
    let row = |name: &str, run: &Run| {
        println!(
            "{name:<34}{:>7.2} s{:>7.0} MiB{:>14.1}",
            run.seconds,
            run.peak_mib,
            run.seconds / read_s
        );
    };
    println!(
        "{:<34}{read_s:>7.2} s{:>11}{:>14.1}",
        "reading the file's bytes", "", 1.0
    );
    let measure = |capture: PathBuf| {
        fastest(move || {
            let mut command = program();
            command
                .arg("measure")
                .arg(&capture)
                .arg("--vehicle")
                .arg(&drive.vehicle);
            command.args(["--json", "--fresh"]);
            command
        })
    };
    row("measure", &measure(drive.capture.clone()));
    row(
        "measure, packed with zstd",
        &measure(packed(&drive.capture)),
    );
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
    let side = |name: &str| -> Vec<PathBuf> {
        let entries = std::fs::read_dir(root.join(name)).expect("the sample drives are there");
        let paths = entries.flatten().map(|entry| entry.path());
        let mut paths: Vec<_> = paths
            .filter(|path| path.extension().is_some_and(|e| e == "zst"))
            .collect();
        paths.sort();
        paths
    };
    let compare = fastest(|| {
        let mut command = program();
        command.arg("compare").arg("--before").args(side("before"));
        command.arg("--after").args(side("after"));
        command
            .arg("--vehicle")
            .arg(root.join("vehicle.toml"))
            .args(["--json", "--fresh"]);
        command
    });
    println!(
        "{:<34}{:>7.2} s{:>7.0} MiB",
        "compare, the eight sample drives", compare.seconds, compare.peak_mib
    );
}
