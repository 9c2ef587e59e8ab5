//! Input that somebody made to do harm: an answer or one plain line, in little memory, and nothing
//! touched that was not named.
#![cfg(target_os = "linux")]

use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::symlink;

use serde_json::Value;

use crate::bounded::{bounded, ended, folder};
use crate::captures::{SmallCar, VEHICLE};
use crate::program::slipwright;

/// Repeated-byte blocks (RFC 8878, 3.1.1.2.2): 128 kB each out of four bytes.
fn bomb(head: &[u8], blocks: u32) -> Vec<u8> {
    // Magic number, no size of content, a window of 128 kB.
    let mut bytes = vec![0x28, 0xB5, 0x2F, 0xFD, 0x00, 0x38];
    let header = |kind: u32, length: u32| (length << 3 | kind << 1).to_le_bytes();
    bytes.extend(&header(0, head.len() as u32)[..3]);
    bytes.extend(head);
    for _ in 0..blocks {
        bytes.extend(&header(1, 128 << 10)[..3]);
        bytes.push(0);
    }
    bytes.extend(&(1_u32).to_le_bytes()[..3]);
    bytes
}

/// Out of 33 kB come 1 GB; the program may have 600 MB of addresses, of which it needs most for its
/// own code and stacks.
#[test]
fn an_archive_bomb_is_read_in_little_memory() {
    let folder = folder();
    let whole = SmallCar::default().drive(2);
    // One raw block holds at most 128 kB.
    let head = &whole.bytes()[..100_000];
    let packed = bomb(head, 8_192);
    assert!(packed.len() < 140_000);
    fs::write(folder.path().join("bomb.pcapng.zst"), packed).unwrap();
    let run = bounded(
        folder.path(),
        600_000,
        "decode bomb.pcapng.zst --decoder decoder.toml --out out.csv --json",
    );
    assert_eq!(ended(&run, "a bomb"), 0, "{run:?}");
    let told: Value = serde_json::from_slice(&run.stdout).unwrap();
    // What was before the zeros is read.
    assert!(told["frames"].as_u64() > Some(1_000), "{told}");
    assert!(told["warnings"].to_string().contains("cut off"), "{told}");
}

#[test]
fn a_link_in_the_way_is_replaced_and_what_it_led_to_stays() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    fs::write(at("precious"), b"precious").unwrap();
    symlink(at("precious"), at("out.csv")).unwrap();
    symlink(at("nowhere"), at("dangling.csv")).unwrap();
    for name in ["out.csv", "dangling.csv"] {
        let line = format!("decode drive.pcapng --decoder decoder.toml --out {name}");
        let run = bounded(folder.path(), 4_000_000, &line);
        assert_eq!(ended(&run, name), 0, "{run:?}");
        assert!(fs::symlink_metadata(at(name)).unwrap().is_file(), "{name}");
    }
    assert_eq!(fs::read(at("precious")).unwrap(), b"precious");
    assert!(!at("nowhere").exists());
}

#[test]
fn rings_of_links_catch_nobody() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    fs::create_dir(at("drives")).unwrap();
    symlink(at("drives"), at("drives/again")).unwrap();
    symlink("self.pcapng", at("drives/self.pcapng")).unwrap();
    symlink(at("drive.pcapng"), at("drives/a.pcapng")).unwrap();
    let line = "trend drives --vehicle vehicle.toml --fresh --json";
    let run = bounded(folder.path(), 4_000_000, line);
    // The ring is no capture, which is said; the linked drive is read.
    assert_eq!(run.status.code(), Some(2), "{run:?}");
    let told: Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(told["drives"].as_array().map(Vec::len), Some(1), "{told}");
    assert!(
        told["failures"].to_string().contains("self.pcapng"),
        "{told}"
    );
}

#[test]
fn names_in_files_and_titles_lead_nowhere_else() {
    let folder = folder();
    let inside = folder.path().join("inside");
    fs::create_dir(&inside).unwrap();
    for name in ["../evil", "a/../../evil", "/tmp/evil", "..", "evil\\u0000"] {
        fs::write(
            inside.join("scenario.toml"),
            format!("name = \"{name}\"\nseed = 1\n[campaign]\ndrives = 1\nlaunches = 1\n"),
        )
        .unwrap();
        let run = bounded(&inside, 4_000_000, "simulate scenario.toml --out out");
        assert_eq!(ended(&run, name), 2, "{run:?}");
    }
    assert!(!inside.join("out").exists());
    let begun = bounded(
        &inside,
        4_000_000,
        "book new book --vehicle ../vehicle.toml",
    );
    assert_eq!(ended(&begun, "book"), 0, "{begun:?}");
    let title = "../../../evil/\\n\\0 x";
    let run = slipwright([
        OsStr::new("book"),
        OsStr::new("work"),
        inside.join("book").as_os_str(),
        OsStr::new("--date"),
        OsStr::new("2026-05-03"),
        OsStr::new("--title"),
        OsStr::new(title),
    ]);
    assert_eq!(run.code, 0, "{}", run.err);
    let written: Vec<_> = fs::read_dir(inside.join("book/work")).unwrap().collect();
    assert_eq!(written.len(), 1);
    let names: Vec<_> = fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert!(names.iter().all(|name| name != "evil"), "{names:?}");
}

#[test]
fn huge_counts_are_refused_before_they_cost_anything() {
    let folder = folder();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    let cases = [
        ("drives", "[campaign]\ndrives = 4000000000\nlaunches = 1\n"),
        (
            "launches",
            "[campaign]\ndrives = 1\nlaunches = 4000000000\n",
        ),
    ];
    for (what, text) in cases {
        write(
            "scenario.toml",
            &format!("name = \"huge\"\nseed = 1\n{text}"),
        );
        let run = bounded(folder.path(), 4_000_000, "simulate scenario.toml --out out");
        assert_eq!(ended(&run, what), 2, "{run:?}");
    }
    let surfaces = VEHICLE.replace("friction_surfaces = 12", "friction_surfaces = 4000000000");
    write("vehicle.toml", &surfaces);
    let run = bounded(
        folder.path(),
        4_000_000,
        "measure drive.pcapng --vehicle vehicle.toml",
    );
    ended(&run, "friction surfaces");
    let deep = format!("a = {}1{}", "[".repeat(100_000), "]".repeat(100_000));
    for name in ["vehicle.toml", "decoder.toml", "parts.toml"] {
        write(name, &deep);
    }
    for line in [
        "measure drive.pcapng --vehicle vehicle.toml",
        "decode drive.pcapng --decoder decoder.toml --out out.csv",
        "stack parts.toml",
    ] {
        assert_eq!(ended(&bounded(folder.path(), 4_000_000, line), line), 2);
    }
}

/// What lies beside a capture may be anybody's: it costs what it would have told, and nothing else.
#[test]
fn sidecars_and_kept_measures_that_lie() {
    let folder = folder();
    let drives = folder.path().join("drives");
    let line = "trend drives --vehicle vehicle.toml --json";
    let run = || {
        let run = bounded(folder.path(), 4_000_000, line);
        assert!(ended(&run, line) < 2, "{run:?}");
        let told: Value = serde_json::from_slice(&run.stdout).unwrap();
        told
    };
    fs::create_dir(&drives).unwrap();
    fs::copy(folder.path().join("drive.pcapng"), drives.join("a.pcapng")).unwrap();
    let plain = run();
    let kept = drives.join("a.pcapng.measured");
    let good = fs::read(&kept).unwrap();
    let deep = "[".repeat(100_000);
    // The first length is that of the greatest file there could be.
    let mut endless = good.clone();
    endless[8..16].fill(0xFF);
    for lie in [b"", b"{".as_slice(), deep.as_bytes(), &endless] {
        fs::write(&kept, lie).unwrap();
        assert_eq!(run(), plain, "{lie:.40?}");
        assert_eq!(fs::read(&kept).unwrap(), good, "{lie:.40?}");
    }
    for odometer in [
        "nan",
        "inf",
        "-inf",
        "-1",
        "1e300",
        "\"far\"",
        "9223372036854775807",
    ] {
        let files = "[recording]\nfiles = [\"../../../drive.pcapng\", \"/etc/passwd\"]\n";
        let text = format!("odometer_km = {odometer}\n{files}");
        fs::write(drives.join("drive.toml"), text).unwrap();
        assert_eq!(run(), plain, "{odometer}");
    }
    fs::write(drives.join("drive.toml"), "odometer_km = 181000.5\n").unwrap();
    assert_eq!(run()["drives"][0]["odometer_km"], 181_000.5);
}
