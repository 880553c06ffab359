//! A panic ends the emulation with a status that the script sees.

use core::panic::PanicInfo;
use semihosting::{println, process};

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    println!("{info}");
    process::exit(101)
}
