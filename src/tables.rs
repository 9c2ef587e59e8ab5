//! Every reader of tables, given any bytes: for the fuzz target `tables` (`tests/fuzz/tables`).

use std::path::Path;

use crate::cache::{read_measures, read_signals, read_traces};
use crate::commands::find::speed_file;

/// Reads bytes as the first of them says; whether they could be read.
pub fn read(bytes: &[u8]) -> bool {
    let Some((&kind, bytes)) = bytes.split_first() else {
        return false;
    };
    let speed = |name| speed_file::parse(Path::new(name), bytes.to_vec()).is_ok();
    match kind {
        b's' => read_signals(bytes),
        b'm' => read_measures(bytes),
        b't' => read_traces(bytes),
        b'c' => speed("speed.csv"),
        _ => speed("speed.parquet"),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    /// Each of them is damage that a reader once met; one of each kind is whole. Where what is kept has
    /// changed, `cargo test --bin slipwright whole_files -- --ignored` makes those anew.
    #[test]
    fn every_kept_input_is_read_without_a_panic() {
        let inputs = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/tables/inputs");
        let mut whole = Vec::new();
        for entry in fs::read_dir(inputs).unwrap() {
            let bytes = fs::read(entry.unwrap().path()).unwrap();
            assert!(bytes.len() <= 64 << 10);
            if super::read(&bytes) {
                whole.push(bytes[0]);
            }
        }
        for kind in b"smtcp" {
            assert!(whole.contains(kind), "{}", char::from(*kind));
        }
    }

    /// A reference speed comes from other programs, and over other disks.
    #[test]
    fn any_bit_of_a_speed_file_may_be_wrong() {
        let inputs = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/tables/inputs");
        let whole = fs::read(inputs.join("whole-p")).unwrap();
        for at in 1..whole.len() {
            for bit in 0..8 {
                let mut wrong = whole.clone();
                wrong[at] ^= 1 << bit;
                read(&wrong);
            }
        }
    }
}
