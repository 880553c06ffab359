//! The station's clock, and the timer of the hop interrupt.
//!
//! The emulated machine (MPS2, application note 386) has a timer of 32 bits that counts its 25 MHz
//! down; that is the clock. SysTick, set for one period, is the timer: its exception is the hop
//! interrupt.

use core::cell::Cell;
use critical_section::Mutex;
use hopwright_core::units::Tick;

/// Counts of the 25 MHz clock in a microsecond.
const COUNTS: u32 = 25;
/// The second timer of the subsystem: control, value and reload.
const TIMER: *mut u32 = 0x4000_1000 as *mut u32;
/// SysTick: control, reload and current value (Armv7-M, section B3.3).
const SYSTICK: *mut u32 = 0xE000_E010 as *mut u32;
/// SysTick has 24 bits: 0.67 s.
const LONGEST: u64 = 0x00FF_FFFF;
/// Interrupt control and state: sets the SysTick exception pending.
const ICSR: *mut u32 = 0xE000_ED04 as *mut u32;
const PEND_SYSTICK: u32 = 1 << 26;

/// What the timer showed when it was last read, and all that it has counted by then.
static COUNTED: Mutex<Cell<(u32, u64)>> = Mutex::new(Cell::new((u32::MAX, 0)));

/// Starts the clock.
pub fn start() {
    #[expect(unsafe_code, reason = "the timer is hardware")]
    // SAFETY: nothing else in these images uses the timer.
    unsafe {
        TIMER.add(2).write_volatile(u32::MAX);
        TIMER.add(1).write_volatile(u32::MAX);
        TIMER.write_volatile(1);
    }
}

/// The time. It must be asked for once in 171 s, or a turn of the timer is lost.
#[must_use]
pub fn now() -> Tick {
    critical_section::with(|section| {
        let counted = COUNTED.borrow(section);
        let (last, all) = counted.get();
        #[expect(unsafe_code, reason = "the timer is hardware")]
        // SAFETY: reading its value changes nothing.
        let value = unsafe { TIMER.add(1).read_volatile() };
        let all = all + u64::from(last.wrapping_sub(value));
        counted.set((value, all));
        Tick::new(all / u64::from(COUNTS))
    })
}

/// The hop interrupt comes at this time, or not at all. If the time is further away than the timer
/// reaches, it comes earlier, which is harmless.
pub fn alarm(at: Option<Tick>) {
    let counts = at.map(|at| {
        let left = at.since(now()).unwrap_or_default().us();
        (left * u64::from(COUNTS)).clamp(1, LONGEST)
    });
    #[expect(unsafe_code, reason = "SysTick is hardware")]
    // SAFETY: SysTick is set here and nowhere else; while it is being set it is off.
    unsafe {
        SYSTICK.write_volatile(0);
        if let Some(counts) = counts {
            SYSTICK.add(1).write_volatile(counts as u32);
            SYSTICK.add(2).write_volatile(0);
            // The processor's clock, with the exception.
            SYSTICK.write_volatile(0b111);
        }
    }
}

/// The hop interrupt comes at once.
pub fn interrupt() {
    #[expect(unsafe_code, reason = "the register is hardware")]
    // SAFETY: sets one exception pending; zeros written to the other bits have no effect.
    unsafe {
        ICSR.write_volatile(PEND_SYSTICK);
    }
}

/// Waits without doing anything else.
pub fn busy_until(until: Tick) {
    while now() < until {
        core::hint::spin_loop();
    }
}
