//! How much of what may happen: the cases that are explored.
//!
//! `HOPWRIGHT_MODEL=large` enlarges every budget.

use super::choice::Seen;
use super::seat::Plant;

/// A case.
#[derive(Debug, Clone)]
pub(crate) struct Bounds {
    pub(crate) name: &'static str,
    /// Whether the net is in step at the start; the third station is then a late one if `late`.
    pub(crate) in_step: bool,
    /// The third station starts without time.
    pub(crate) late: bool,
    /// Oscillator tolerance of the plan. (The clocks themselves are exact.)
    pub(crate) tolerance_ppb: u32,
    /// Slots of silence before the first choice.
    pub(crate) silence: u64,
    /// Slots from the first choice to the end.
    pub(crate) slots: u64,
    /// Operators and power may act every so many slots, until `until`.
    pub(crate) every: u64,
    /// Slots after the first choice in which operators and power may act.
    pub(crate) until: u64,
    /// Receptions that may go wrong, each in any way.
    pub(crate) faults: u8,
    /// Presses, each with a release.
    pub(crate) presses: u8,
    /// Stations that may press, a bit each.
    pub(crate) pressers: u8,
    /// Announces.
    pub(crate) announces: u8,
    /// Power cycles, each with the watermark kept or the storage new (members) or lost.
    pub(crate) cycles: u8,
    /// What must be reached.
    pub(crate) reaches: Seen,
    /// A fault planted in every station.
    pub(crate) plant: Plant,
}

/// Whether to explore more.
fn large() -> bool {
    std::env::var("HOPWRIGHT_MODEL").is_ok_and(|size| size == "large")
}

fn base(name: &'static str) -> Bounds {
    Bounds {
        name,
        in_step: true,
        late: false,
        tolerance_ppb: 1_000,
        silence: 0,
        slots: 40,
        every: 4,
        until: 40,
        faults: 1,
        presses: 0,
        pressers: 0b111,
        announces: 0,
        cycles: 0,
        reaches: Seen::default(),
        plant: Plant::None,
    }
}

/// Three stations in step; two overs; receptions go wrong.
pub(crate) fn overs() -> Bounds {
    let reaches = Seen::CALL | Seen::PAYLOAD | Seen::CLEAR | Seen::REFUSED;
    let more = u8::from(large());
    Bounds { slots: 44, every: 6, faults: 1 + more, presses: 2, reaches, ..base("overs") }
}

/// Three stations that have just been switched on; the timekeeper starts the net and somebody
/// speaks.
pub(crate) fn start() -> Bounds {
    let reaches = Seen::CALL | Seen::PAYLOAD;
    let more = u8::from(large());
    Bounds {
        in_step: false,
        slots: 36,
        every: 6,
        faults: 2 + more,
        presses: 1,
        announces: 1,
        reaches,
        ..base("start")
    }
}

/// Power cycles with and without storage, in an announce and in an over; the timekeeper may start
/// a second timeline.
pub(crate) fn power() -> Bounds {
    let reaches = Seen::SECOND | Seen::ANNOUNCE | Seen::REFUSED;
    let more = u8::from(large());
    Bounds {
        slots: 40,
        every: 8,
        faults: 1,
        presses: 1,
        announces: 1 + more,
        cycles: 1 + more,
        reaches,
        ..base("power")
    }
}

/// A station without time presses; the others follow and return, whatever becomes of it.
pub(crate) fn cut_ins() -> Bounds {
    let reaches = Seen::FOLLOWED | Seen::RETURNED | Seen::REFUSED;
    let more = u8::from(large());
    Bounds {
        late: true,
        slots: 100,
        every: 8,
        until: 48,
        faults: 1 + more,
        presses: 1,
        pressers: 0b100,
        announces: 1,
        cycles: 1,
        reaches,
        ..base("cut-ins")
    }
}

/// A tolerance so large that stations coast after half a minute of silence.
pub(crate) fn coasting() -> Bounds {
    let reaches = Seen::COASTED | Seen::CALL | Seen::CLEAR;
    let more = u8::from(large());
    Bounds {
        tolerance_ppb: 100_000,
        silence: 50,
        slots: 60,
        every: 6,
        until: 48,
        faults: 2 + more,
        presses: 1,
        reaches,
        ..base("coasting")
    }
}
