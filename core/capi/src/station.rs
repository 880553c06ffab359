//! A station, and what its driver asks of it.

use crate::memory::Memory;
use crate::pointers::{Span, bytes, bytes_mut, check_apart, get, held, put, slot};
use crate::types::{self, Action, Counters, Event, Heard, Reception, Start, State};
use crate::{CHANNELS, CONFIGURATION, NONE, RANGE, TOO_SMALL, status};
use hopwright_core::provision::Configuration;
use hopwright_core::station::Station;
use hopwright_core::units::{Dbm, Tick};

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
    let apart = check_apart(&[Span::of(memory), Span::read(configuration, length)]);
    if let Err(failed) = apart {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(memory) };
    // SAFETY: as promised by the caller.
    let configuration = unsafe { bytes(configuration, length) };
    // SAFETY: as promised by the caller.
    let start = unsafe { get(start) };
    status((|| {
        let (place, configuration, start) = (place?.vacant()?, configuration?, start?);
        let watermark = start.watermark().ok_or(RANGE)?;
        let read = Configuration::<CHANNELS>::decode(configuration).map_err(|_| CONFIGURATION)?;
        let config = read.config(watermark, start.seed);
        place.fill(Station::new(config).map_err(|_| CONFIGURATION)?);
        Ok(())
    })())
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
    status((|| place?.empty())())
}

/// Says what the radio does from `now_us` on.
///
/// # Safety
/// `memory` points to an `hw_memory`, `action` to room for an `hw_action`. What is said of all
/// functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_poll(memory: *mut Memory, now_us: u64, action: *mut Action) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(memory), Span::of(action)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let action = unsafe { put(action) };
    status((|| {
        let (mut station, action) = (station?, action?);
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
    let spans = [Span::of(memory), Span::written(bits, room), Span::of(length)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
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
    let reception = unsafe { get(reception) };
    let reception = match reception {
        Ok(reception) => reception,
        Err(failed) => return failed,
    };
    let bits = Span::read(reception.bits, reception.length);
    if let Err(failed) = check_apart(&[Span::of(memory), bits, Span::of(heard)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let heard = unsafe { put(heard) };
    // SAFETY: as promised by the caller.
    let bits = unsafe { bytes(reception.bits, reception.length) };
    status((|| {
        let (mut station, bits, heard) = (station?, bits?, heard?);
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
        let mut station = station?;
        let channel = types::channel(channel).ok_or(RANGE)?;
        station.energy(Tick::new(now_us), channel, Dbm::new(level_dbm));
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
    if let Err(failed) = check_apart(&[Span::of(memory), Span::of(event)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let event = unsafe { put(event) };
    status((|| {
        let (mut station, event) = (station?, event?);
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
    if let Err(failed) = check_apart(&[Span::of(memory), Span::of(in_step)]) {
        return failed;
    }
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

/// Where the station is, and how it uses its radio.
///
/// # Safety
/// `memory` points to an `hw_memory`, `state` to room for an `hw_state`. What is said of all functions
/// holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_look(memory: *mut Memory, now_us: u64, state: *mut State) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(memory), Span::of(state)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let state = unsafe { put(state) };
    status((|| {
        let (station, state) = (station?, state?);
        state.write(State::of(&station, Tick::new(now_us)));
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
    if let Err(failed) = check_apart(&[Span::of(memory), Span::of(counters)]) {
        return failed;
    }
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
