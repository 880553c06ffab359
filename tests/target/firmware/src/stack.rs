//! How deep the stack goes: memory below it is painted, something is called, and what is no longer
//! painted has been used.

use core::ptr;

/// What unused words hold.
const PAINT: u32 = 0xC0DE_5AFE;
/// Words of this function's own frame, with room to spare, that are not painted.
const OWN: usize = 16;

#[expect(unsafe_code, reason = "the linker knows where the statics end")]
unsafe extern "C" {
    /// The end of what the linker has placed in RAM: below it the stack must not go.
    static mut __sheap: u32;
}

/// A frame of its own for what is called: inlined, its variables would be above the paint.
#[inline(never)]
fn apart<T>(work: impl FnOnce() -> T) -> T {
    work()
}

/// Calls `work` and gives the bytes of stack that it took: all frames below this one. The same for
/// the same image and inputs, whatever machine emulates it.
///
/// # Panics
/// If the stack has no room left to tell.
#[inline(never)]
pub fn depth<T>(work: impl FnOnce() -> T) -> (T, usize) {
    #[expect(unsafe_code, reason = "the stack is memory like any other, and nobody lends it")]
    // SAFETY: between the end of the statics and the stack pointer there is nothing but unused stack;
    // interrupts are off in this firmware, and the words next to the pointer, where this function's
    // frame and what it calls are, stay as they are.
    unsafe {
        let top = cortex_m::register::msp::read() as usize as *mut u32;
        let top = top.wrapping_sub(OWN);
        let bottom = &raw mut __sheap;
        let mut word = bottom;
        while word < top {
            ptr::write_volatile(word, PAINT);
            word = word.wrapping_add(1);
        }
        let result = apart(work);
        let mut word = bottom;
        while word < top && ptr::read_volatile(word) == PAINT {
            word = word.wrapping_add(1);
        }
        assert!(word != bottom, "the stack has met the statics");
        let used = top.wrapping_add(OWN) as usize - word as usize;
        (result, used)
    }
}
