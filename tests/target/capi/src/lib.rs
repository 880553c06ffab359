//! `libhopwright.a`: the C interface, and what a program without Rust has to have besides.

#![no_std]

pub use hopwright_capi::*;

use core::panic::PanicInfo;

#[cfg(feature = "panic-free")]
#[expect(unsafe_code, reason = "the linker must believe that somebody else has it")]
// SAFETY: nobody has it, so no program that calls it links.
unsafe extern "C" {
    fn a_panic_path_is_left_in_the_c_interface() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    #[cfg(feature = "panic-free")]
    #[expect(unsafe_code, reason = "declared above")]
    // SAFETY: a program with this call does not link, so it never happens.
    unsafe {
        a_panic_path_is_left_in_the_c_interface()
    }
    #[cfg(not(feature = "panic-free"))]
    loop {
        core::hint::spin_loop();
    }
}

/// An index that may be out of range.
#[cfg(feature = "control")]
#[expect(unsafe_code, reason = "called from C")]
// SAFETY: nothing else is called this.
#[unsafe(no_mangle)]
pub extern "C" fn hw_control(index: usize) -> u8 {
    core::hint::black_box([0_u8; 4])[index]
}
