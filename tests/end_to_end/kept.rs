//! What is kept beside captures: it changes no answer, whatever became of it, and follows no link.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use crate::captures::{DECODER, START_NS, SmallCar, VEHICLE, write_car};
use crate::program::slipwright;

const KEPT: [&str; 2] = [".signals.parquet", ".measured"];

struct Car {
    folder: tempfile::TempDir,
}

impl Car {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        write_car(folder.path());
        let car = Self { folder };
        for n in 0..2 {
            fs::write(car.capture(n), drive(n).drive(2).bytes()).unwrap();
        }
        car
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn capture(&self, n: i64) -> PathBuf {
        self.path(&format!("drive-{n}.pcapng"))
    }

    fn kept(&self, n: i64, ending: &str) -> PathBuf {
        self.path(&format!("drive-{n}.pcapng{ending}"))
    }

    /// Runs a command line whose words with an `@` are names in the folder.
    fn run(&self, line: &str) -> String {
        let words = line.split(' ').map(|word| match word.strip_prefix('@') {
            Some(name) => self.path(name).into_os_string(),
            None => OsString::from(word),
        });
        let run = slipwright(words);
        assert!(run.code < 2 && run.err.is_empty(), "{line}: {}", run.err);
        run.out
    }

    fn compare(&self) -> String {
        self.run(COMPARE)
    }
}

const COMPARE: &str =
    "compare --before @drive-0.pcapng --after @drive-1.pcapng --vehicle @vehicle.toml --json";

fn drive(n: i64) -> SmallCar {
    SmallCar {
        start_ns: START_NS + n * 86_400_000_000_000,
        time_constant_s: 0.05 + 0.02 * n as f64,
        ..SmallCar::default()
    }
}

fn written(path: &Path) -> std::time::SystemTime {
    fs::metadata(path).unwrap().modified().unwrap()
}

#[test]
fn every_command_says_the_same_from_what_is_kept() {
    for (keeps, line) in [
        (true, COMPARE),
        (true, "trend @. --vehicle @vehicle.toml --json"),
        (
            true,
            "diagnose @drive-0.pcapng --baseline @drive-1.pcapng --vehicle @vehicle.toml --json",
        ),
        (
            true,
            "plan --vehicle @vehicle.toml --earlier @drive-0.pcapng @drive-1.pcapng --json",
        ),
        (
            false,
            "measure @drive-0.pcapng @drive-1.pcapng --vehicle @vehicle.toml --json",
        ),
    ] {
        let car = Car::new();
        let fresh = car.run(&format!("{line} --fresh"));
        assert!(
            !KEPT.iter().any(|ending| car.kept(0, ending).exists()),
            "{line}"
        );
        assert_eq!(car.run(line), fresh, "{line}");
        assert_eq!(car.kept(1, KEPT[0]).exists(), keeps, "{line}");
        assert_eq!(car.run(line), fresh, "{line}");
        // From what other commands keep.
        car.compare();
        car.run("diagnose @drive-0.pcapng --vehicle @vehicle.toml --json");
        assert_eq!(car.run(line), fresh, "{line}");
    }
}

#[test]
fn a_report_has_the_same_traces_from_what_is_kept() {
    let car = Car::new();
    let pages: Vec<String> = [" --fresh", "", ""]
        .into_iter()
        .enumerate()
        .map(|(n, more)| {
            car.run(&format!("{COMPARE} --out @report-{n}{more}"));
            let table = fs::read(car.path(&format!("report-{n}/engagements.parquet"))).unwrap();
            let page = fs::read_to_string(car.path(&format!("report-{n}/report.html"))).unwrap();
            assert!(page.len() > 10_000 && !table.is_empty());
            // The minute at which it was made may change in between.
            let start = page.find("<svg").unwrap();
            page[start..].to_owned()
        })
        .collect();
    assert!(pages[0] == pages[1], "kept");
    assert!(pages[0] == pages[2], "from what was kept");
}

#[test]
fn what_is_damaged_or_foreign_is_made_anew() {
    let car = Car::new();
    let said = car.compare();
    for ending in KEPT {
        let path = car.kept(0, ending);
        let good = fs::read(&path).unwrap();
        let foreign = fs::read(car.kept(1, ending)).unwrap();
        let mut lies = vec![
            Vec::new(),
            b"PAR1".to_vec(),
            foreign,
            good[..good.len() - 1].to_vec(),
        ];
        for at in (0..good.len()).step_by(good.len() / 12) {
            let mut changed = good.clone();
            changed[at] ^= 0x04;
            lies.push(changed);
            lies.push(good[..at].to_vec());
        }
        for lie in lies {
            fs::write(&path, &lie).unwrap();
            // So that the signals are looked at too.
            if ending == KEPT[0] {
                fs::remove_file(car.kept(0, KEPT[1])).unwrap();
            }
            assert_eq!(car.compare(), said, "{ending}");
            let now = fs::read(&path).unwrap();
            // Damaged traces are not looked at where nobody asks for them.
            assert!(now == good || ending == KEPT[1] && now == lie, "{ending}");
        }
        fs::write(&path, &good).unwrap();
    }
}

#[test]
fn what_is_stale_is_made_anew() {
    let car = Car::new();
    let said = car.compare();
    let signals = written(&car.kept(0, KEPT[0]));
    // Another capture of the same length and the same time of change.
    let capture = car.capture(0);
    let time = written(&capture);
    let other = SmallCar {
        time_constant_s: 0.09,
        ..drive(0)
    };
    let changed = other.drive(2).bytes().to_vec();
    assert_eq!(changed.len() as u64, fs::metadata(&capture).unwrap().len());
    fs::write(&capture, &changed).unwrap();
    fs::File::options()
        .write(true)
        .open(&capture)
        .unwrap()
        .set_modified(time)
        .unwrap();
    let of_other = car.compare();
    assert_ne!(of_other, said);
    assert_eq!(of_other, car.run(&format!("{COMPARE} --fresh")));
    fs::write(&capture, drive(0).drive(2).bytes()).unwrap();
    assert_eq!(car.compare(), said);
    // Another decoder: half the pressure.
    let halved = DECODER.replace("scale = 0.01", "scale = 0.005");
    assert_ne!(halved, DECODER);
    fs::write(car.path("decoder.toml"), halved).unwrap();
    assert_eq!(car.compare(), car.run(&format!("{COMPARE} --fresh")));
    fs::write(car.path("decoder.toml"), DECODER).unwrap();
    assert_eq!(car.compare(), said);
    // Another vehicle file: the signals stay.
    let before = written(&car.kept(0, KEPT[0]));
    assert_ne!(before, signals);
    fs::write(car.path("vehicle.toml"), format!("{VEHICLE}\n# heavier\n")).unwrap();
    let measured = written(&car.kept(0, KEPT[1]));
    assert_eq!(car.compare(), said);
    assert_eq!(written(&car.kept(0, KEPT[0])), before);
    assert_ne!(written(&car.kept(0, KEPT[1])), measured);
}

#[cfg(unix)]
#[test]
fn links_pipes_and_folders_in_the_way_cost_only_time() {
    let car = Car::new();
    let said = car.compare();
    let outside = car.path("outside");
    for ending in KEPT {
        let path = car.kept(0, ending);
        let good = fs::read(&path).unwrap();
        // A link is neither read nor written through, even one to what belongs here.
        for content in [b"mine".to_vec(), good] {
            fs::write(&outside, &content).unwrap();
            fs::remove_file(&path).unwrap();
            std::os::unix::fs::symlink(&outside, &path).unwrap();
            // So that the signals are looked for too.
            if ending == KEPT[0] {
                fs::remove_file(car.kept(0, KEPT[1])).unwrap();
            }
            assert_eq!(car.compare(), said);
            assert_eq!(fs::read(&outside).unwrap(), content);
            assert!(fs::symlink_metadata(&path).unwrap().is_file());
        }
        // A pipe is not waited for.
        fs::remove_file(&path).unwrap();
        let made = std::process::Command::new("mkfifo").arg(&path).status();
        assert!(made.unwrap().success());
        assert_eq!(car.compare(), said);
        // A folder stays, and nothing half-made is left beside it.
        fs::remove_file(&path).unwrap();
        fs::create_dir_all(path.join("inside")).unwrap();
        assert_eq!(car.compare(), said);
        assert!(path.join("inside").is_dir());
        let left = fs::read_dir(car.folder.path()).unwrap();
        let names: Vec<_> = left.map(|e| e.unwrap().file_name()).collect();
        assert!(
            !names.iter().any(|n| n.to_string_lossy().contains(".part-")),
            "{names:?}"
        );
        fs::remove_dir_all(&path).unwrap();
        car.compare();
    }
}
