//! Fuzz target: see `hopwright_fuzz::differential_sequence`.
#![cfg_attr(fuzzing, no_main)]

#[cfg(fuzzing)]
libfuzzer_sys::fuzz_target!(|data: &[u8]| hopwright_fuzz::differential_sequence(data));

#[cfg(not(fuzzing))]
fn main() {
    // Built without `cargo fuzz`: the seeds are replayed by `cargo test`.
}
