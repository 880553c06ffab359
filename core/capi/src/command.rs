//! What an operator asks of a station, and what is said in its overs.

use crate::memory::{InUse, Memory};
use crate::pointers::{Span, bytes, bytes_mut, check_apart, get, held, put};
use crate::types::{self, Payload};
use crate::{Failed, NONE, RANGE, refusal, status};
use hopwright_core::station::Command;
use hopwright_core::units::Tick;

/// Carries a command out.
fn command(
    station: Result<InUse<'_, Memory>, Failed>,
    now_us: u64,
    command: Command,
) -> Result<(), Failed> {
    station?.command(Tick::new(now_us), command).map_err(refusal)
}

/// The timekeeper or a deputy announces. `REFUSED_NOT_TIMEKEEPER` and others if it may not.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_announce(memory: *mut Memory, now_us: u64) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status(command(station, now_us, Command::Announce))
}

/// The operator presses to speak, to the stations that begin with the leading `form` bits (0 to 8) of
/// `address`, or to everyone but one (`TARGET_ALL_BUT`). `RANGE` if there is no such target,
/// `REFUSED_NO_KEY` if the station has no key to it, `REFUSED_SPEAKING`.
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
        command(Ok(station), now_us, Command::Press(target))
    })())
}

/// The operator lets go. `REFUSED_NOT_SPEAKING` if nobody has pressed. A payload that waits is dropped:
/// release when an empty `hw_queue_payload` is no longer `REFUSED_FULL`.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_release(memory: *mut Memory, now_us: u64) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status(command(station, now_us, Command::Release))
}

/// Asks for the floor to send the order of a change of keys, once `hw_take_order` has taken it here:
/// to everyone, by an outbox. `REFUSED_NO_ORDER` if none has been taken, `REFUSED_NOT_TIMEKEEPER` for
/// a member, `REFUSED_SPEAKING`, `REFUSED_BUSY` on a single channel.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_order(memory: *mut Memory, now_us: u64) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status(command(station, now_us, Command::Order))
}

/// Uses the radio in another way from now on: one of `MODE_`. Net time goes on underneath. `RANGE` if
/// there is no such mode, `REFUSED_NO_CHANNEL` if the plan has no calling channel,
/// `REFUSED_SPEAKING`.
///
/// # Safety
/// `memory` points to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_set_mode(memory: *mut Memory, now_us: u64, mode: u32) -> i32 {
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status((|| {
        let station = station?;
        let mode = types::mode(mode).ok_or(RANGE)?;
        command(Ok(station), now_us, Command::Mode(mode))
    })())
}

/// Hands over the payload of the next traffic slot of an over. `REFUSED_NOT_SPEAKING` if there is no
/// over, or it has been released, `REFUSED_FULL` while the last payload waits, `REFUSED_TOO_LONG` if a slot does not carry it.
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
    if let Err(failed) = check_apart(&[Span::of(memory), Span::read(payload, length)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let payload = unsafe { bytes(payload, length) };
    status((|| {
        let (mut station, payload) = (station?, payload?);
        station.queue_payload(payload).map_err(refusal)
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
    let (read, written) = (Span::read(bits, length), Span::written(text, room));
    let spans = [Span::of(memory), read, written, Span::of(text_length)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let payload = unsafe { get(payload) };
    // SAFETY: as promised by the caller.
    let bits = unsafe { bytes(bits, length) };
    // SAFETY: as promised by the caller.
    let text = unsafe { bytes_mut(text, room) };
    // SAFETY: as promised by the caller.
    let text_length = unsafe { put(text_length) };
    status((|| {
        let (mut station, payload, bits, text) = (station?, payload?, bits?, text?);
        let text_length = text_length?;
        text_length.write(0);
        let payload = payload.read().ok_or(RANGE)?;
        text_length.write(station.open_payload(&payload, bits, text).ok_or(NONE)?);
        Ok(())
    })())
}
