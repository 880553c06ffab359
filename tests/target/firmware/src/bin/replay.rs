//! Replays every recording on the target and prints what came of it, for comparison with the
//! host.

#![no_std]
#![no_main]

use hopwright_core::record;
use hopwright_firmware::digest::Digest;
use hopwright_firmware::recordings;
use semihosting::{println, process};

#[cortex_m_rt::entry]
fn main() -> ! {
    let mut replayed = 0;
    for (address, bytes) in recordings::all() {
        replay(address, bytes);
        replayed += 1;
    }
    println!("replayed {replayed}");
    process::exit(i32::from(replayed == 0))
}

fn replay(address: &str, bytes: &[u8]) {
    let mut rest = bytes;
    let mut station = recordings::station(&mut rest, &recordings::key(bytes));
    let mut digest = Digest::default();
    let (mut inputs, mut events) = (0_u32, 0_u64);
    while let Some(input) = recordings::next(&mut rest) {
        events += record::apply(&mut station, input, &mut digest);
        inputs += 1;
    }
    println!("station {address}: {inputs} inputs, {events} events, digest {:032x}", digest.value());
}
