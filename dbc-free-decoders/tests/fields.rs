//! 10,000 random fields against what a general-purpose bit-field library reads in them.
//!
//! `fields.tsv` is the library's answer (bitstruct, PyPI); `tests/reference/fields.py` of the
//! workspace wrote it and says how its bit numbers map to ours. Not covered there: frames shorter
//! than eight bytes, and 16-bit floats, which we do not have.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a table that cannot be read fails the test"
)]

use slipwright_decoders::field::{BitOrder, Coding, Field};

const TABLE: &str = include_str!("fields.tsv");

fn bytes(hex: &str) -> Vec<u8> {
    let digit = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    (0..hex.len()).step_by(2).map(digit).collect()
}

fn check_field(line: &str, payload: &[u8]) {
    let columns: Vec<&str> = line.split('\t').collect();
    let [order, coding, start, length, answer] = columns[..] else {
        panic!("{line}")
    };
    let order = if order == "b" {
        BitOrder::Big
    } else {
        BitOrder::Little
    };
    let coding = match coding {
        "u" => Coding::Unsigned,
        "s" => Coding::Signed,
        _ => Coding::Float,
    };
    let field = Field::new(
        start.parse().unwrap(),
        length.parse().unwrap(),
        order,
        coding,
    )
    .unwrap();
    let raw = field.extract(payload).unwrap();
    match coding {
        Coding::Unsigned => assert_eq!(raw, answer.parse::<u64>().unwrap(), "{line}"),
        Coding::Signed => {
            assert_eq!(
                field.sign_extended(raw),
                answer.parse::<i64>().unwrap(),
                "{line}"
            );
        }
        Coding::Float => {
            let (number, answer) = (field.number(raw), answer.parse::<f64>().unwrap());
            let same = number.to_bits() == answer.to_bits() || number.is_nan() && answer.is_nan();
            assert!(same, "{line}: {number}");
        }
    }
    let mut again = payload.to_vec();
    field.insert(&mut again, raw).unwrap();
    assert_eq!(again, payload, "{line}: put back");
}

#[test]
fn every_field_is_what_the_reference_library_reads() {
    let mut payload = Vec::new();
    let mut fields = 0;
    for line in TABLE.lines().filter(|line| !line.starts_with('#')) {
        if line.contains('\t') {
            check_field(line, &payload);
            fields += 1;
        } else {
            payload = bytes(line);
        }
    }
    assert_eq!(fields, 10_000);
}
