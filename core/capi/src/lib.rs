//! The station for programs in C: `include/hopwright.h` is the other half of this file, and a test
//! compares the two.
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
//! * No two calls for one station run at the same time: neither an interrupt's nor a thread's.

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

mod pointers;
mod types;

pub use pointers::Memory;
pub use types::{
    Action, Counters, EVENT_ANNOUNCE_HEARD, EVENT_BUSY, EVENT_CALL, EVENT_CALL_WAITING,
    EVENT_CLEAR, EVENT_COASTING, EVENT_CUT, EVENT_GO_AHEAD, EVENT_HOLD_OFF, EVENT_IN_STEP,
    EVENT_KEYS_CHANGED, EVENT_ORDERED, EVENT_OTHER, EVENT_OUT_OF_STEP, EVENT_SAVE_WATERMARK,
    EVENT_TIMELINE_ENDED, EVENT_WATCH_TRAFFIC, Event, HEARD_BUSY, HEARD_DROPPED, HEARD_HEADER,
    HEARD_PAYLOAD, Heard, Payload, RADIO_LISTEN, RADIO_OFF, RADIO_TRANSMIT, Reception, Start,
    TARGET_ALL_BUT, WATERMARK_FRESH, WATERMARK_LOST, WATERMARK_STORED,
};

use core::mem::size_of;
use hopwright_core::provision::Configuration;
use hopwright_core::station::{Command, Station};
use hopwright_core::units::{Dbm, Tick};
use pointers::{bytes, bytes_mut, check_apart, get, held, put, slot};

/// Done.
pub const OK: i32 = 0;
/// A pointer is null.
pub const NULL: i32 = 1;
/// A pointer is not aligned.
pub const MISALIGNED: i32 = 2;
/// There is no station in this memory: `hw_init` has not been called, or `hw_end` has.
pub const NOT_READY: i32 = 3;
/// There is a station in this memory already.
pub const READY: i32 = 4;
/// The memory or the buffer is too small.
pub const TOO_SMALL: i32 = 5;
/// A number is out of range, a length cannot be, or two buffers overlap.
pub const RANGE: i32 = 6;
/// The bytes are no configuration, or one that makes no station with 128 channels.
pub const CONFIGURATION: i32 = 7;
/// The station refuses; nothing has changed.
pub const REFUSED: i32 = 8;
/// There is none.
pub const NONE: i32 = 9;

/// The channels that a station has room for.
pub const CHANNELS: usize = 128;
/// The bytes that a station needs: the size of `hw_memory`.
pub const MEMORY_BYTES: usize = 6_144;

const _: () = assert!(size_of::<Memory>() == MEMORY_BYTES, "as the header says");

type Member = Station<CHANNELS>;

/// What went wrong, as a status.
type Failed = i32;

/// A result as a status.
fn status(result: Result<(), Failed>) -> i32 {
    result.err().unwrap_or(OK)
}

/// Makes a station in `memory` from the bytes of a configuration.
///
/// `NULL`, `MISALIGNED`, `READY` if there is one already, `CONFIGURATION`, `RANGE` for a watermark of
/// no kind.
///
/// # Safety
/// `memory` points to an `hw_memory`, `configuration` to `length` bytes, `start` to an `hw_start`. What
/// is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_init(
    memory: *mut Memory,
    configuration: *const u8,
    length: usize,
    start: *const Start,
) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(memory) };
    // SAFETY: as promised by the caller.
    let configuration = unsafe { bytes(configuration, length) };
    // SAFETY: as promised by the caller.
    let start = unsafe { get(start) };
    let made = (|| {
        let (place, configuration, start) = (place?, configuration?, start?);
        if place.is_ready() {
            return Err(READY);
        }
        let watermark = start.watermark().ok_or(RANGE)?;
        let read = Configuration::<CHANNELS>::decode(configuration).map_err(|_| CONFIGURATION)?;
        let config = read.config(watermark, start.seed);
        place.fill(Station::new(config).map_err(|_| CONFIGURATION)?);
        Ok(())
    })();
    status(made)
}

/// Ends a station and wipes its memory, keys and all.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_end(memory: *mut Memory) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(memory) };
    status(place.and_then(|place| if place.empty() { Ok(()) } else { Err(NOT_READY) }))
}

/// Says what the radio does from `now_us` on.
///
/// # Safety
/// `memory` points to an `hw_memory`, `action` to room for an `hw_action`. What is said of all
/// functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_poll(memory: *mut Memory, now_us: u64, action: *mut Action) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let action = unsafe { put(action) };
    status((|| {
        let (station, action) = (station?, action?);
        action.write(Action::of(&station.poll(Tick::new(now_us))));
        Ok(())
    })())
}

/// Copies the bits of the present transmission to `bits`, and their number of bytes to `length`, which
/// is 0 if there is none. `TOO_SMALL` if there is no room; `length` then says how much is needed.
///
/// # Safety
/// `memory` points to an `hw_memory`, `bits` to `room` bytes, `length` to a `size_t`. What is said of
/// all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_burst(
    memory: *mut Memory,
    bits: *mut u8,
    room: usize,
    length: *mut usize,
) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let bits = unsafe { bytes_mut(bits, room) };
    // SAFETY: as promised by the caller.
    let length = unsafe { put(length) };
    status((|| {
        let (station, bits, length) = (station?, bits?, length?);
        let burst = station.burst();
        length.write(burst.len());
        bits.get_mut(..burst.len()).ok_or(TOO_SMALL)?.copy_from_slice(burst);
        Ok(())
    })())
}

/// Takes note of a unique word that the radio recognised and of what followed it.
///
/// # Safety
/// `memory` points to an `hw_memory`, `reception` to an `hw_reception` whose `bits` point to `length`
/// bytes, `heard` to room for an `hw_heard`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_heard_word(
    memory: *mut Memory,
    now_us: u64,
    reception: *const Reception,
    heard: *mut Heard,
) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let reception = unsafe { get(reception) };
    // SAFETY: as promised by the caller.
    let heard = unsafe { put(heard) };
    let reception = match reception {
        Ok(reception) => reception,
        Err(failed) => return failed,
    };
    // SAFETY: as promised by the caller.
    let bits = unsafe { bytes(reception.bits, reception.length) };
    status((|| {
        let (station, bits, heard) = (station?, bits?, heard?);
        let reception = reception.with(bits).ok_or(RANGE)?;
        heard.write(Heard::of(station.heard(Tick::new(now_us), reception)));
        Ok(())
    })())
}

/// Takes note of a slot's time with power on a channel and no unique word.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_energy(
    memory: *mut Memory,
    now_us: u64,
    channel: u16,
    level_dbm: i16,
) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status((|| {
        let station = station?;
        let channel = types::channel(channel).ok_or(RANGE)?;
        station.energy(Tick::new(now_us), channel, Dbm::new(level_dbm));
        Ok(())
    })())
}

/// The timekeeper or a deputy announces. `REFUSED` if it may not.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_announce(memory: *mut Memory, now_us: u64) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status(station.and_then(|station| command(station, now_us, Command::Announce)))
}

/// The operator presses to speak, to the stations that begin with the leading `form` bits (0 to 8) of
/// `address`, or to everyone but one (`TARGET_ALL_BUT`). `RANGE` if there is no such target, `REFUSED`
/// if it may not be called.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_press(memory: *mut Memory, now_us: u64, address: u8, form: u8) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status((|| {
        let station = station?;
        let target = types::target(address, form).ok_or(RANGE)?;
        command(station, now_us, Command::Press(target))
    })())
}

/// The operator lets go. `REFUSED` if nobody has pressed.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_release(memory: *mut Memory, now_us: u64) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status(station.and_then(|station| command(station, now_us, Command::Release)))
}

fn command(station: &mut Member, now_us: u64, command: Command) -> Result<(), Failed> {
    station.command(Tick::new(now_us), command).map_err(|_| REFUSED)
}

/// Hands over the payload of the next traffic slot of an over. `REFUSED` if there is no over, the last
/// payload waits, or it is longer than a slot carries.
///
/// # Safety
/// `memory` points to an `hw_memory`, `payload` to `length` bytes. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_queue_payload(
    memory: *mut Memory,
    payload: *const u8,
    length: usize,
) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let payload = unsafe { bytes(payload, length) };
    status((|| {
        let (station, payload) = (station?, payload?);
        station.queue_payload(payload).map_err(|_| REFUSED)
    })())
}

/// Reads the bits of a traffic slot that `hw_heard_word` has called a payload: the text goes to
/// `text`, its number of bytes to `text_length`. `NONE` if the station has no key to it, the bits are
/// garbled, or there is no room. The text is encrypted on the way, not authenticated.
///
/// # Safety
/// `memory` points to an `hw_memory`, `payload` to an `hw_payload`, `bits` to `length` bytes, `text` to
/// `room` bytes, `text_length` to a `size_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_open_payload(
    memory: *mut Memory,
    payload: *const Payload,
    bits: *const u8,
    length: usize,
    text: *mut u8,
    room: usize,
    text_length: *mut usize,
) -> i32 {
    if check_apart(bits, length, text, room).is_err() {
        return RANGE;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let payload = unsafe { get(payload) };
    // SAFETY: as promised by the caller.
    let bits = unsafe { bytes(bits, length) };
    // SAFETY: as promised by the caller, and apart from the bits.
    let text = unsafe { bytes_mut(text, room) };
    // SAFETY: as promised by the caller.
    let text_length = unsafe { put(text_length) };
    status((|| {
        let (station, payload, bits, text) = (station?, payload?, bits?, text?);
        let text_length = text_length?;
        text_length.write(0);
        let payload = payload.read().ok_or(RANGE)?;
        text_length.write(station.open_payload(&payload, bits, text).ok_or(NONE)?);
        Ok(())
    })())
}

/// Gives the next event, oldest first. `NONE` if there is none.
///
/// # Safety
/// `memory` points to an `hw_memory`, `event` to room for an `hw_event`. What is said of all functions
/// holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_next_event(memory: *mut Memory, event: *mut Event) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let event = unsafe { put(event) };
    status((|| {
        let (station, event) = (station?, event?);
        event.write(Event::of(station.next_event().ok_or(NONE)?));
        Ok(())
    })())
}

/// Whether the station has confirmed net time: 1 or 0 to `in_step`.
///
/// # Safety
/// `memory` points to an `hw_memory`, `in_step` to an `uint8_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_in_step(memory: *mut Memory, in_step: *mut u8) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let in_step = unsafe { put(in_step) };
    status((|| {
        let (station, in_step) = (station?, in_step?);
        in_step.write(u8::from(station.in_step()));
        Ok(())
    })())
}

/// What has been counted since the start.
///
/// # Safety
/// `memory` points to an `hw_memory`, `counters` to room for an `hw_counters`. What is said of all
/// functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_count(memory: *mut Memory, counters: *mut Counters) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let counters = unsafe { put(counters) };
    status((|| {
        let (station, counters) = (station?, counters?);
        counters.write(Counters::of(station.counters()));
        Ok(())
    })())
}
