//! Fuzz target: see `hopwright_fuzz::net`.
#![cfg_attr(fuzzing, no_main)]

#[cfg(fuzzing)]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let _ = hopwright_fuzz::net(data);
});

#[cfg(not(fuzzing))]
fn main() {
    // Built without `cargo fuzz`: the seeds are replayed by `cargo test`.
}
