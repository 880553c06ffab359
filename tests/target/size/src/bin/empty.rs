//! What an image costs that does nothing: vectors, start-up code, a panic handler.

#![no_std]
#![no_main]

use core::hint::black_box;
use core::panic::PanicInfo;

#[cortex_m_rt::entry]
fn main() -> ! {
    loop {
        black_box(());
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {}
}
