//! What reading a configuration, typed groups, the station's end of the loader and opening a seal
//! take, each by itself: the feature says which.

#![no_std]
#![no_main]

#[path = "../provisioning.rs"]
mod provisioning;

use core::hint::black_box;
use core::panic::PanicInfo;

#[cortex_m_rt::entry]
fn main() -> ! {
    loop {
        provisioning::provisioning();
        black_box(());
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {}
}
