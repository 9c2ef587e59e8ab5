//! The drives that are measured: simulated once into the build folder, the same bytes everywhere.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use slipwright_sample::scenario::Scenario;
use slipwright_sample::write::{NoObserver, write_scenario};

/// A capture with the files that belong to it.
pub(crate) struct Drive {
    pub(crate) capture: PathBuf,
    pub(crate) vehicle: PathBuf,
    pub(crate) decoder: PathBuf,
}

impl Drive {
    /// Length of the capture file, bytes.
    pub(crate) fn bytes(&self) -> u64 {
        fs::metadata(&self.capture)
            .expect("the drive was made")
            .len()
    }
}

/// An hour of two buses of 1 Mbit/s at nearly half load: about 28 million frames, 1.4 GB.
pub(crate) fn hour() -> &'static Drive {
    static DRIVE: OnceLock<Drive> = OnceLock::new();
    DRIVE.get_or_init(|| make("hour", 3600))
}

/// Two minutes of the same traffic.
pub(crate) fn two_minutes() -> &'static Drive {
    static DRIVE: OnceLock<Drive> = OnceLock::new();
    DRIVE.get_or_init(|| make("two-minutes", 120))
}

/// The folder in which benchmarks keep what they made.
pub(crate) fn folder() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed")
}

fn make(name: &str, seconds: u32) -> Drive {
    let folder = folder().join(name);
    let drive = Drive {
        capture: folder.join("drive-1.pcapng"),
        vehicle: folder.join("vehicle.toml"),
        decoder: folder.join("decoder.toml"),
    };
    if drive.capture.exists() {
        return drive;
    }
    let unfinished = folder.with_extension("part");
    let _ = fs::remove_dir_all(&unfinished);
    fs::create_dir_all(&unfinished).expect("the build folder is writable");
    let text = format!(
        "name = \"drive\"\nseed = 11\n\
         [bus]\nbit_rate_kbit = 1000\nload_percent = 46\nsecond_bus_load_percent = 46\n\
         [[drive]]\n[[drive.manoeuvre]]\nkind = \"everyday\"\nseconds = {seconds}\n"
    );
    let scenario = Scenario::parse(&text, None).expect("the scenario is right");
    write_scenario(&scenario, &unfinished, &mut NoObserver).expect("the drive can be written");
    fs::rename(&unfinished, &folder).expect("the build folder is writable");
    drive
}
