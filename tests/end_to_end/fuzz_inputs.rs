//! Every input that the fuzz targets keep (`tests/fuzz/inputs`), read once more by the same code.

use std::fs;
use std::time::{Duration, Instant};

use crate::program::root;

#[path = "../fuzz/readers.rs"]
#[allow(unreachable_pub, reason = "the fuzz targets use it as a library")]
mod readers;

/// No input is that large, and none takes a reader so long, however busy the machine is.
const LONGEST: Duration = Duration::from_secs(20);
const LARGEST_BYTES: usize = 64 << 10;

type Reader = fn(&[u8]);

const READERS: [(&str, Reader); 15] = [
    ("answers", readers::answers),
    ("capture", readers::capture),
    ("decoder_file", readers::decoder_file),
    ("find", readers::find),
    ("frames", readers::frames),
    ("gpsd", readers::gpsd),
    ("iso_tp", readers::iso_tp),
    ("layout", readers::layout),
    ("nmea", readers::nmea),
    ("packed", readers::packed),
    ("parts", readers::parts),
    ("scenario", readers::scenario),
    ("text_log", readers::text_log),
    ("vehicle", readers::vehicle),
    ("work", readers::work),
];

#[test]
fn every_kept_input_is_read_without_a_panic_and_in_time() {
    let inputs = root().join("tests/fuzz/inputs");
    let mut folders: Vec<String> = fs::read_dir(&inputs)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    folders.sort();
    let names: Vec<&str> = READERS.iter().map(|(name, _)| *name).collect();
    assert_eq!(
        folders, names,
        "a target without inputs, or inputs without a target"
    );
    for (name, read) in READERS {
        let files: Vec<_> = fs::read_dir(inputs.join(name)).unwrap().collect();
        assert!(!files.is_empty(), "{name} has no input");
        for file in files {
            let path = file.unwrap().path();
            let bytes = fs::read(&path).unwrap();
            assert!(bytes.len() <= LARGEST_BYTES, "{}", path.display());
            let begun = Instant::now();
            read(&bytes);
            let took = begun.elapsed();
            assert!(took < LONGEST, "{}: {took:?}", path.display());
        }
    }
}
