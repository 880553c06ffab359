//! Refers to the whole public interface of the core, with inputs that the optimiser does not know.
//!
//! The panic handler calls a function that exists nowhere. If any panic path is left after
//! optimisation, so is that call, and the linker refuses the image. The image is never run.
//!
//! With the feature `asynchronous` it does link, whatever is left, and its code is looked at instead.

#![no_std]
#![no_main]

#[cfg(feature = "asynchronous")]
mod asynchronous;
mod band;
mod fields;
mod keys;
mod kit;
mod link;
mod log;
mod messages;
mod provision;
mod sequence;
mod station;
mod text;
mod tree;
mod voice;

use core::hint::black_box;
use core::panic::PanicInfo;

#[cfg(not(feature = "asynchronous"))]
#[expect(unsafe_code, reason = "the linker must believe that somebody else has it")]
// SAFETY: nobody has it, so no image that calls it links.
unsafe extern "C" {
    fn a_panic_path_is_left_in_the_core() -> !;
}

#[cfg(feature = "asynchronous")]
#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    loop {
        black_box(info);
    }
}

#[cfg(not(feature = "asynchronous"))]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    #[expect(unsafe_code, reason = "declared above")]
    // SAFETY: an image with this call does not link, so it never happens.
    unsafe {
        a_panic_path_is_left_in_the_core()
    }
}

/// Where the linker starts to look for what is used.
#[expect(unsafe_code, reason = "the linker looks for the name")]
// SAFETY: nothing else in the image is called this.
#[unsafe(no_mangle)]
extern "C" fn _start() -> ! {
    let key = keys::all();
    fields::all();
    link::all(&key);
    let raster = band::all(&key);
    sequence::all(&key);
    tree::all(&key);
    station::all(&key);
    messages::all(&key);
    provision::all();
    text::all(raster.err());
    log::all();
    voice::all();
    kit::all(&key);
    #[cfg(feature = "asynchronous")]
    asynchronous::all(&key);
    #[cfg(feature = "control")]
    black_box(black_box(&[0_u8; 4])[black_box(4)]);
    loop {
        black_box(());
    }
}
