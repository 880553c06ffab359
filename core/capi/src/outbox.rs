//! Messages on their way out: whole texts, cut into the payloads of traffic slots.

use crate::inbox::IN_ROOM;
use crate::memory::{Memory, Outbox};
use crate::plan::Plan;
use crate::pointers::{Span, bytes, bytes_mut, check_apart, get, held, put, slot};
use crate::types;
use crate::{
    Failed, NONE, RANGE, REFUSED, REFUSED_FULL, REFUSED_NO_KEY, REFUSED_NOT_SPEAKING,
    REFUSED_SLOT_USED, REFUSED_TOO_LONG, TOO_SMALL, refusal, status,
};
use hopwright_core::message::{self, LoadError};
use hopwright_core::station::Refused;
use hopwright_core::timing::MAX_SLOT_BYTES;
use hopwright_core::units::Slot;

/// Room for 102 rows of 24 bytes: the longest order of a change of keys, under the code of a plan that
/// names none, and any message of one block.
const OUT_ROOM: usize = 102 * 24;
/// What is in the memory of an outbox.
pub(crate) type Out = message::Outbox<OUT_ROOM>;

/// The longest text that the outbox holds, and an inbox of the other stations.
fn longest(outbox: &Out) -> u16 {
    let layout = outbox.layout();
    let words = IN_ROOM.checked_div(layout.code().n().into()).unwrap_or_default();
    outbox.longest().min(layout.longest_in(words))
}

/// Makes an outbox for a plan, as `hw_read_plan` gives it. `RANGE` if its code is impossible. One for a
/// station, made once and kept as long as that: only it knows which slots have served. A second one, or
/// one made anew while the station goes on, seals two texts under one nonce.
///
/// # Safety
/// `outbox` points to an `hw_outbox`, `plan` to an `hw_plan`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_init(outbox: *mut Outbox, plan: *const Plan) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(outbox) };
    // SAFETY: as promised by the caller.
    let plan = unsafe { get(plan) };
    status((|| {
        let (place, plan) = (place?.vacant()?, plan?);
        place.fill(Out::new(plan.layout().ok_or(RANGE)?));
        Ok(())
    })())
}

/// Ends an outbox and wipes its memory.
///
/// # Safety
/// `outbox` points to an `hw_outbox`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_end(outbox: *mut Outbox) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(outbox) };
    status((|| place?.empty())())
}

/// Takes a message, and seals it for the station's own over to a target, from `slot` on: the one that
/// `EVENT_GO_AHEAD` names. `RANGE` if there is no such target, `REFUSED_NO_KEY` if the station has no
/// key to it, `REFUSED_FULL` while columns of the last message are left, `REFUSED_TOO_LONG` beyond
/// `hw_outbox_longest`, `REFUSED_NOT_SPEAKING` without an over, `REFUSED_SLOT_USED` if a message of this
/// slot or a later one has been sealed.
///
/// # Safety
/// `outbox` points to an `hw_outbox`, `memory` to an `hw_memory`, `text` to `length` bytes. What is said
/// of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_load(
    outbox: *mut Outbox,
    memory: *mut Memory,
    slot: u32,
    address: u8,
    form: u8,
    text: *const u8,
    length: usize,
) -> i32 {
    let spans = [Span::of(outbox), Span::of(memory), Span::read(text, length)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let text = unsafe { bytes(text, length) };
    status((|| {
        let (mut outbox, mut station, text) = (outbox?, station?, text?);
        let target = types::target(address, form).ok_or(RANGE)?;
        let own = station.address();
        let key = station.message_key(own, target).ok_or(REFUSED_NO_KEY)?;
        if text.len() > longest(&outbox).into() {
            return Err(REFUSED_TOO_LONG);
        }
        // No bytes are no payload: this only asks. The slot is one of the over's timeline.
        if let Err(Refused::NotSpeaking) = station.queue_payload(&[]) {
            return Err(REFUSED_NOT_SPEAKING);
        }
        let first = station.own_origin(Slot::new(slot));
        outbox.load(&key, first, text).map_err(not_loaded)
    })())
}

fn not_loaded(error: LoadError) -> Failed {
    match error {
        LoadError::Busy { .. } => REFUSED_FULL,
        LoadError::TooLong { .. } => REFUSED_TOO_LONG,
        LoadError::SlotUsed { .. } => REFUSED_SLOT_USED,
        _ => REFUSED,
    }
}

/// Hands the next column of the message to a station that holds the floor, as its next payload. Call
/// it after every poll of an over: nothing is lost when it refuses. `REFUSED_FULL` while the last one
/// waits, `NONE` if no column is left and none waits: release then. `REFUSED_NOT_SPEAKING`, `TOO_SMALL`
/// if the station's slots are shorter than those of the outbox's plan.
///
/// # Safety
/// `outbox` points to an `hw_outbox`, `memory` to an `hw_memory`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_send(outbox: *mut Outbox, memory: *mut Memory) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(outbox), Span::of(memory)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    status((|| {
        let (mut outbox, mut station) = (outbox?, station?);
        // No bytes are no payload: this only asks.
        match station.queue_payload(&[]) {
            Err(refused @ Refused::Full) => return Err(refusal(refused)),
            _ if outbox.left() == 0 => return Err(NONE),
            asked => asked.map_err(refusal)?,
        }
        let mut payload = [0; MAX_SLOT_BYTES];
        let room = payload.get_mut(..station.payload_capacity()).ok_or(TOO_SMALL)?;
        let length = outbox.next(room).ok_or(TOO_SMALL)?;
        station.queue_payload(room.get(..length).ok_or(TOO_SMALL)?).map_err(refusal)
    })())
}

/// Copies the next column of the message to `payload`, and its number of bytes to `length`: for a
/// carrier other than `hw_outbox_send`. `NONE` if no column is left, `TOO_SMALL` if there is no room.
///
/// # Safety
/// `outbox` points to an `hw_outbox`, `payload` to `room` bytes, `length` to a `size_t`. What is said of
/// all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_next(
    outbox: *mut Outbox,
    payload: *mut u8,
    room: usize,
    length: *mut usize,
) -> i32 {
    let spans = [Span::of(outbox), Span::written(payload, room), Span::of(length)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    // SAFETY: as promised by the caller.
    let payload = unsafe { bytes_mut(payload, room) };
    // SAFETY: as promised by the caller.
    let length = unsafe { put(length) };
    status((|| {
        let (mut outbox, payload, length) = (outbox?, payload?, length?);
        length.write(0);
        if outbox.left() == 0 {
            return Err(NONE);
        }
        length.write(outbox.next(payload).ok_or(TOO_SMALL)?);
        Ok(())
    })())
}

/// How many columns are still to be sent.
///
/// # Safety
/// `outbox` points to an `hw_outbox`, `left` to an `uint16_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_left(outbox: *mut Outbox, left: *mut u16) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(outbox), Span::of(left)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    // SAFETY: as promised by the caller.
    let left = unsafe { put(left) };
    status((|| {
        let (outbox, left) = (outbox?, left?);
        left.write(outbox.left());
        Ok(())
    })())
}

/// The bytes of the longest text that the plan allows, the outbox holds and an inbox of the others does.
///
/// # Safety
/// `outbox` points to an `hw_outbox`, `bytes` to an `uint16_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_longest(outbox: *mut Outbox, bytes: *mut u16) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(outbox), Span::of(bytes)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    // SAFETY: as promised by the caller.
    let place = unsafe { put(bytes) };
    status((|| {
        let (outbox, place) = (outbox?, place?);
        place.write(longest(&outbox));
        Ok(())
    })())
}

/// Sends the last message again from its first column. Nothing happens without one.
///
/// It stays sealed for the target, the timeline and the slot that it was loaded for: nobody opens it in
/// an over on another timeline (at home what began in a cut-in), for another target of a key tree, after
/// a change of keys, or more than 65 536 slots later. Load it anew in each of these cases.
///
/// # Safety
/// `outbox` points to an `hw_outbox`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_repeat(outbox: *mut Outbox) -> i32 {
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    status((|| {
        outbox?.repeat();
        Ok(())
    })())
}

/// Gives up what is left of the message.
///
/// # Safety
/// `outbox` points to an `hw_outbox`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_outbox_clear(outbox: *mut Outbox) -> i32 {
    // SAFETY: as promised by the caller.
    let outbox = unsafe { held(outbox) };
    status((|| {
        outbox?.clear();
        Ok(())
    })())
}
