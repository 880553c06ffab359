//! `[slots]`: the shape of the timeline and the anatomy of a slot.

use crate::diagnostic::Diagnostic;
use crate::input::Section;
use hopwright_core::sequence::{Draw, MAX_FRAME, MAX_RENDEZVOUS, Structure};
use hopwright_core::timing::{Timing, TimingError};
use std::ops::RangeInclusive;

/// The keys of the table.
pub(super) const KEYS: &[&str] = &[
    "slot_us",
    "settle_us",
    "guard_us",
    "link_bps",
    "frame",
    "rendezvous",
    "window",
    "draw",
    "equal_use",
];

/// The lengths that a slot may have, in microseconds.
const SLOT_US: RangeInclusive<u32> = 1_000..=1_000_000;
/// No link of this kind is faster, and no receiver slower.
const LINK_BPS: RangeInclusive<u32> = 100..=100_000_000;

/// The shape of the timeline. Whether it fits the hopset is seen later.
pub(super) fn structure(table: &Section<'_>) -> Result<Structure, Diagnostic> {
    let default = Structure::default();
    let structure = Structure {
        frame: table.integer_or("frame", 2..=MAX_FRAME, default.frame)?,
        rendezvous: table.integer_or("rendezvous", 1..=MAX_RENDEZVOUS, default.rendezvous)?,
        window: table.integer_or("window", 1..=MAX_RENDEZVOUS, default.window)?,
        draw: table.choice(
            "draw",
            ("balanced", Draw::Balanced),
            &[("independent", Draw::Independent)],
        )?,
        equal_use: table.flag_or("equal_use", default.equal_use)?,
    };
    let (r, w) = (structure.rendezvous, structure.window);
    if r % w == 0 {
        return Ok(structure);
    }
    let divisors: Vec<String> = (1..=r).filter(|d| r % d == 0).map(|d| d.to_string()).collect();
    let key = if table.has("window") { "window" } else { "rendezvous" };
    Err(table.error(
        key,
        format!("`window` = {w} does not divide `rendezvous` = {r}"),
        format!("with {r} rendezvous channels the window is one of {}", divisors.join(", ")),
    ))
}

/// The anatomy of a slot.
pub(super) fn timing(table: &Section<'_>) -> Result<Timing, Diagnostic> {
    let slot = table.integer_or("slot_us", SLOT_US, 20_000)?;
    let settle = table.integer_or("settle_us", 0..=1_000_000, 1_000)?;
    let guard = table.integer_or("guard_us", 1..=1_000_000, 500)?;
    let bps = table.integer_or("link_bps", LINK_BPS, 50_000)?;
    Timing::new(slot, settle, guard, bps).map_err(|error| {
        // The value that the plan itself gives is the likelier slip.
        let key =
            if table.has("link_bps") && !table.has("slot_us") { "link_bps" } else { "slot_us" };
        match error {
            TimingError::HeaderTooLong { room, needed } => {
                let what = format!(
                    "a header does not fit the slot: it has room for {room} bits, and a unique \
                     word with a header needs {needed}"
                );
                table.error(key, what, ways_out(slot, settle, guard, bps))
            }
            TimingError::Nothing { lost_us, slot_us } => {
                let what = format!(
                    "`settle_us` and twice `guard_us` take {lost_us} us of a slot of {slot_us} us"
                );
                table.error(key, what, ways_out(slot, settle, guard, bps))
            }
            TimingError::TooManyBits(bits) => table.error(
                key,
                format!("a slot would carry {bits} bits; 4096 are the most"),
                "shorten `slot_us`, or lower `link_bps`",
            ),
            other @ (TimingError::Slot(_) | TimingError::Guard | _) => {
                table.error(key, other.to_string(), "change the [slots] table")
            }
        }
    })
}

/// The smallest change of either value that makes a header fit, by the core's own rule.
fn ways_out(slot: u32, settle: u32, guard: u32, bps: u32) -> String {
    let longer = smallest(slot, *SLOT_US.end(), |us| Timing::new(us, settle, guard, bps));
    let faster = smallest(bps, *LINK_BPS.end(), |bps| Timing::new(slot, settle, guard, bps));
    match (longer, faster) {
        (Some(us), Some(bps)) => {
            format!("use `slot_us` = {us} or more, or `link_bps` = {bps} or more")
        }
        (Some(us), None) => format!("use `slot_us` = {us} or more, or less settling and guard"),
        (None, Some(bps)) => format!("use `link_bps` = {bps} or more"),
        (None, None) => "shorten `settle_us` and `guard_us`".to_owned(),
    }
}

/// The smallest value in `from..=to` that the core accepts, if larger ones only ever carry more.
fn smallest(
    from: u32,
    to: u32,
    timing: impl Fn(u32) -> Result<Timing, TimingError>,
) -> Option<u32> {
    let enough = |value: u32| matches!(timing(value), Ok(_) | Err(TimingError::TooManyBits(_)));
    let (mut low, mut high) = (from, to);
    while low < high {
        let middle = low + (high - low) / 2;
        if enough(middle) { high = middle } else { low = middle + 1 }
    }
    timing(low).is_ok().then_some(low)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_out_is_the_smallest_one() {
        // 296 bits at 50 kbit/s last 5920 us; 2000 us are lost.
        assert_eq!(
            ways_out(7_000, 1_000, 500, 50_000),
            "use `slot_us` = 7920 or more, or `link_bps` = 59200 or more"
        );
        // Nothing is left of the slot, so no speed helps.
        assert_eq!(
            ways_out(2_000, 1_000, 500, 50_000),
            "use `slot_us` = 7920 or more, or less settling and guard"
        );
    }
}
