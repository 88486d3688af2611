#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| farrier_fuzz::replies(bytes));
