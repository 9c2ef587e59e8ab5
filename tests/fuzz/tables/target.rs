#![no_main]

#[path = "../limit.rs"]
pub mod limit;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    slipwright::tables::read(bytes);
});
