//! Exact instruction counts under `qemu -icount shift=7`.
//!
//! There an instruction takes 128 ns of virtual time, whatever it does, and the machine's SysTick
//! counts that time in steps of 40 ns. The span between two readings is a fixed sequence of
//! instructions around one call, which no optimiser rearranges.

use core::arch::{asm, naked_asm};
use core::ffi::c_void;

/// SysTick: control, reload and current value, a word each (Armv7-M, section B3.3).
const CONTROL: *mut u32 = 0xE000_E010 as *mut u32;
const CURRENT: *mut u32 = CONTROL.wrapping_add(2);
/// SysTick has 24 bits: 5.2 million instructions.
const MASK: u32 = 0x00FF_FFFF;
/// The machine's 25 MHz clock.
const TICK_NS: u32 = 40;
/// What `-icount shift=7` makes of an instruction.
const INSTRUCTION_NS: u32 = 128;

/// A running SysTick, and what an empty measurement costs.
pub struct Counter {
    overhead: u32,
}

impl Counter {
    /// Starts SysTick.
    #[must_use]
    pub fn start() -> Self {
        #[expect(unsafe_code, reason = "SysTick is hardware")]
        // SAFETY: these three registers exist on every Cortex-M4, nothing else in this firmware
        // uses them, and the interrupt stays off.
        unsafe {
            CONTROL.wrapping_add(1).write_volatile(MASK);
            CURRENT.write_volatile(0);
            CONTROL.write_volatile(0b101);
        }
        let mut this = Self { overhead: 0 };
        this.overhead = this.count(nothing).1;
        this
    }

    /// What an empty measurement costs; it has been taken off all others.
    #[must_use]
    pub const fn overhead(&self) -> u32 {
        self.overhead
    }

    /// Calls `work` and counts its instructions, its own prologue and epilogue included.
    pub fn count<T, F: FnOnce() -> T>(&self, work: F) -> (T, u32) {
        let mut slot = Slot { work: Some(work), result: None };
        let both = span(run::<T, F>, (&raw mut slot).cast(), CURRENT);
        // High and low half: the readings before and after. The counter counts down.
        let ticks = ((both >> 32) as u32).wrapping_sub(both as u32) & MASK;
        let instructions = (ticks * TICK_NS + INSTRUCTION_NS / 2) / INSTRUCTION_NS;
        let result = slot.result.expect("the work has been done");
        (result, instructions - self.overhead)
    }
}

/// No instruction, but not nothing to the optimiser, which would else leave out the bookkeeping.
fn nothing() {
    #[expect(unsafe_code, reason = "there is no safe way to ask for this")]
    // SAFETY: no instruction changes nothing.
    unsafe {
        asm!("", options(nomem, nostack, preserves_flags));
    }
}

/// A call's closure and its result.
struct Slot<F, T> {
    work: Option<F>,
    result: Option<T>,
}

extern "C" fn run<T, F: FnOnce() -> T>(slot: *mut c_void) {
    #[expect(unsafe_code, reason = "the fixed sequence carries one untyped word")]
    // SAFETY: `count` passes its own slot of these very types, and holds it until we return.
    let slot = unsafe { &mut *slot.cast::<Slot<F, T>>() };
    if let Some(work) = slot.work.take() {
        slot.result = Some(work());
    }
}

/// Reads the counter, calls `f(slot)`, and reads again: what was read before in the upper half,
/// after in the lower.
#[unsafe(naked)]
#[allow(unsafe_code, reason = "a span whose instructions are known is written by hand")]
extern "C" fn span(f: extern "C" fn(*mut c_void), slot: *mut c_void, counter: *const u32) -> u64 {
    // The procedure call standard gives f, slot and counter in r0 to r2, takes the result from
    // r0 (low) and r1 (high), and keeps r4 to r6 over the call.
    naked_asm!(
        "push {{r4, r5, r6, lr}}",
        "mov r4, r2",
        "mov r3, r0",
        "mov r0, r1",
        "ldr r5, [r4]",
        "blx r3",
        "ldr r0, [r4]",
        "mov r1, r5",
        "pop {{r4, r5, r6, pc}}",
    )
}
