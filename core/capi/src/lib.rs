//! The core for programs in C: `include/hopwright.h` is the other half of this crate, and a test
//! compares the two.
//!
//! | module | what a program does with it |
//! |---|---|
//! | `station` | make a station, run it, look at it |
//! | `command` | all that an operator asks of it, and what is said in its overs |
//! | `outbox`, `inbox` | send and receive whole messages |
//! | `keys` | follow a change of keys |
//! | `plan` | read what a board has to know of a configuration |
//! | `loader`, `storage` | take a configuration from a carrier, and keep it |
//! | `memory`, `pointers`, `types` | the border: caller's memory, pointers, numbers |
//!
//! The caller gives the memory, the time and a configuration; nothing is allocated, and nothing is
//! kept but in that memory. Every function answers with a status: 0, or what was wrong. Nothing that
//! a C program can hand over by mistake makes it panic: null pointers, lengths that cannot be, buffers
//! that are too small or overlap, memory that is not aligned, stations that have not been made.
//!
//! # What no function can check
//!
//! A pointer that is neither null nor misaligned is believed. Each function says what it must point
//! to; these hold for all of them:
//!
//! * Memory has been zeroed before it is first used, and not been written by anyone else since.
//! * A pointer to `length` bytes points to so many, for the length of the call.
//! * No two calls with the same memory run at the same time on two processors or threads. A call from
//!   an interrupt, or from a function that the loader calls, is told `IN_USE` and does nothing.

#![no_std]
#![cfg_attr(
    not(test),
    deny(
        clippy::arithmetic_side_effects,
        clippy::expect_used,
        clippy::indexing_slicing,
        clippy::panic,
        clippy::unwrap_used
    )
)]

mod command;
mod inbox;
mod keys;
mod loader;
mod memory;
mod outbox;
mod plan;
mod pointers;
mod station;
mod storage;
mod types;

pub use command::*;
pub use inbox::*;
pub use keys::*;
pub use loader::*;
pub use memory::{Inbox, Loader, Memory, Outbox};
pub use outbox::*;
pub use plan::*;
pub use station::*;
pub use storage::{Judge, Storage};
pub use types::*;

use hopwright_core::station::{Refused, Station};

/// Done.
pub const OK: i32 = 0;
/// A pointer is null.
pub const NULL: i32 = 1;
/// A pointer is not aligned.
pub const MISALIGNED: i32 = 2;
/// There is nothing in this memory: it has not been made, or it has been ended.
pub const NOT_READY: i32 = 3;
/// There is something in this memory already.
pub const READY: i32 = 4;
/// The memory or the buffer is too small.
pub const TOO_SMALL: i32 = 5;
/// A number is out of range, a length cannot be, or two things that a call is given overlap.
pub const RANGE: i32 = 6;
/// The bytes are no configuration, or one that makes no station with 128 channels.
pub const CONFIGURATION: i32 = 7;
/// The station refuses, for a reason of a later version. What is refused has changed nothing.
pub const REFUSED: i32 = 8;
/// There is none.
pub const NONE: i32 = 9;
/// Another call with this memory is under way; nothing has been done.
pub const IN_USE: i32 = 10;
/// The storage failed.
pub const STORAGE: i32 = 11;
/// Only a timekeeper or a deputy does that.
pub const REFUSED_NOT_TIMEKEEPER: i32 = 16;
/// A deputy has to wait: announces have not been missing for long enough.
pub const REFUSED_TOO_EARLY: i32 = 17;
/// The stored watermark is lost: load a new plan.
pub const REFUSED_WATERMARK_LOST: i32 = 18;
/// No slots are left: the net needs a new plan.
pub const REFUSED_TIMELINE_ENDED: i32 = 19;
/// The station speaks, or wants to, already.
pub const REFUSED_SPEAKING: i32 = 20;
/// Nobody pressed.
pub const REFUSED_NOT_SPEAKING: i32 = 21;
/// An over or a run is under way.
pub const REFUSED_BUSY: i32 = 22;
/// The payload is longer than a slot's, or the message than the outbox.
pub const REFUSED_TOO_LONG: i32 = 23;
/// The last payload or message has not been sent yet.
pub const REFUSED_FULL: i32 = 24;
/// The target is not in the station's directory.
pub const REFUSED_NO_KEY: i32 = 25;
/// No order of a change of keys has been taken.
pub const REFUSED_NO_ORDER: i32 = 26;
/// The order does not open here: for others, for another net key, or not newer than the last.
pub const REFUSED_NOT_FOR_US: i32 = 27;
/// The plan has no calling channel.
pub const REFUSED_NO_CHANNEL: i32 = 28;
/// A message of this slot or a later one has been sealed already.
pub const REFUSED_SLOT_USED: i32 = 29;

/// The channels that a station has room for.
pub const CHANNELS: usize = 128;
/// The bytes of a header behind a unique word.
pub const HEADER_BYTES: usize = 33;
/// The bytes that a station needs: the size of `hw_memory`.
pub const MEMORY_BYTES: usize = 6_144;
/// The size of `hw_outbox`.
pub const OUTBOX_BYTES: usize = 2_560;
/// The size of `hw_inbox`.
pub const INBOX_BYTES: usize = 15_872;
/// The size of `hw_loader`.
pub const LOADER_BYTES: usize = 1_024;

const _: () = assert!(HEADER_BYTES == hopwright_core::coding::interleave::HEADER_BYTES);

type Member = Station<CHANNELS>;

/// What went wrong, as a status.
type Failed = i32;

/// A result as a status.
fn status(result: Result<(), Failed>) -> i32 {
    result.err().unwrap_or(OK)
}

/// A refusal as a status.
const fn refusal(refused: Refused) -> Failed {
    match refused {
        Refused::NotTimekeeper => REFUSED_NOT_TIMEKEEPER,
        Refused::TooEarly(_) => REFUSED_TOO_EARLY,
        Refused::WatermarkLost => REFUSED_WATERMARK_LOST,
        Refused::TimelineEnded => REFUSED_TIMELINE_ENDED,
        Refused::Speaking => REFUSED_SPEAKING,
        Refused::NotSpeaking => REFUSED_NOT_SPEAKING,
        Refused::Busy => REFUSED_BUSY,
        Refused::TooLong(_) => REFUSED_TOO_LONG,
        Refused::Full => REFUSED_FULL,
        Refused::NoKey(_) => REFUSED_NO_KEY,
        Refused::NoOrder => REFUSED_NO_ORDER,
        Refused::NotForUs => REFUSED_NOT_FOR_US,
        Refused::NoChannel => REFUSED_NO_CHANNEL,
        _ => REFUSED,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use hopwright_core::address::Target;
    use hopwright_core::units::Tick;

    #[test]
    fn every_refusal_has_its_status() {
        for (refused, expected) in [
            (Refused::NotTimekeeper, REFUSED_NOT_TIMEKEEPER),
            (Refused::TooEarly(Tick::ZERO), REFUSED_TOO_EARLY),
            (Refused::WatermarkLost, REFUSED_WATERMARK_LOST),
            (Refused::TimelineEnded, REFUSED_TIMELINE_ENDED),
            (Refused::Speaking, REFUSED_SPEAKING),
            (Refused::NotSpeaking, REFUSED_NOT_SPEAKING),
            (Refused::Busy, REFUSED_BUSY),
            (Refused::TooLong(9), REFUSED_TOO_LONG),
            (Refused::Full, REFUSED_FULL),
            (Refused::NoKey(Target::ALL), REFUSED_NO_KEY),
            (Refused::NoOrder, REFUSED_NO_ORDER),
            (Refused::NotForUs, REFUSED_NOT_FOR_US),
            (Refused::NoChannel, REFUSED_NO_CHANNEL),
        ] {
            assert_eq!(refusal(refused), expected, "{refused:?}");
        }
    }
}
