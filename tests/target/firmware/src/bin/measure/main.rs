//! Counts the instructions of what a station does, and prints them as `name value` lines.

#![no_std]
#![no_main]

mod blocks;
mod headers;
mod hops;
mod interrupt;
mod jumps;
mod messages;
mod net;
mod stack;
mod station;
mod stats;

use core::arch::asm;
// Brings in the critical sections of a single core.
use cortex_m as _;
use hopwright_core::station::Station;
use hopwright_firmware::counter::Counter;
use hopwright_firmware::recordings;
use semihosting::{println, process};

#[cortex_m_rt::entry]
fn main() -> ! {
    let counter = Counter::start();
    println!("empty_measurement {}", counter.overhead());
    println!("ten_no_operations {}", counter.count(ten_no_operations).1);
    println!("station_bytes {}", size_of::<Station<{ recordings::CHANNELS }>>());
    blocks::measure(&counter);
    hops::measure(&counter);
    headers::measure(&counter);
    interrupt::measure(&counter);
    jumps::measure(&counter);
    messages::measure(&counter);
    stack::measure();
    let recordings = station::measure(&counter);
    println!("recordings {recordings}");
    process::exit(i32::from(recordings == 0))
}

/// A control: this must read 10.
fn ten_no_operations() {
    #[expect(unsafe_code, reason = "there is no safe way to ask for nothing")]
    // SAFETY: `nop` changes nothing.
    unsafe {
        asm!(".rept 10", "nop", ".endr", options(nomem, nostack, preserves_flags));
    }
}
