#![no_main]

use slipwright_fuzz::readers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| readers::find(bytes));
