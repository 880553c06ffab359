//! Messages on their way in: put together of any sufficient part of their columns.

use crate::memory::{Inbox, Memory};
use crate::plan::Plan;
use crate::pointers::{Span, bytes, check_apart, get, held, put, slot};
use crate::types::Payload;
use crate::{NONE, RANGE, status};
use hopwright_core::message::{self, Progress, Taken};

/// A column that was missing.
pub const TAKEN_STORED: u32 = 0;
/// A column that was there already, or that comes while it is being used.
pub const TAKEN_REPEATED: u32 = 1;
/// A column that differs from the one that was there: both count as lost.
pub const TAKEN_CONFLICTING: u32 = 2;
/// A column of a message that is complete, or older than the source's present one.
pub const TAKEN_OLD: u32 = 3;
/// No part of a message, or a damaged one.
pub const TAKEN_UNREADABLE: u32 = 4;
/// A part of a message that the inbox has no room for.
pub const TAKEN_TOO_LONG: u32 = 5;

/// Nothing to do before another payload comes.
pub const INBOX_WAITING: u32 = 0;
/// There is more to do; call again.
pub const INBOX_WORKING: u32 = 1;
/// A message has arrived whole.
pub const INBOX_READY: u32 = 2;

/// Room for 102 rows of 64 bytes: what an outbox holds, under the code of a plan that names none.
pub(crate) const IN_ROOM: usize = 102 * 64;

/// What is in the memory of an inbox.
pub(crate) type In = message::Inbox<IN_ROOM, 2>;

/// What an inbox has come to.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message {
    /// The text, if there is one: within the inbox, until the next call with it.
    pub text: *const u8,
    /// Its number of bytes.
    pub length: usize,
    /// One of `INBOX_`.
    pub what: u32,
    /// The slot in which it began.
    pub slot: u32,
    /// Who sent it.
    pub source: u8,
    /// Nothing.
    pub unused: [u8; 7],
}

impl Message {
    const fn of(progress: &Progress<'_>) -> Self {
        let nothing = Self {
            text: core::ptr::null(),
            length: 0,
            what: 0,
            slot: 0,
            source: 0,
            unused: [0; 7],
        };
        match progress {
            Progress::Waiting => Self { what: INBOX_WAITING, ..nothing },
            Progress::Working => Self { what: INBOX_WORKING, ..nothing },
            Progress::Ready(message) => Self {
                text: message.text.as_ptr(),
                length: message.text.len(),
                what: INBOX_READY,
                slot: message.origin.slot.number(),
                source: message.origin.source.number(),
                unused: [0; 7],
            },
        }
    }
}

/// Makes an inbox for a plan, as `hw_read_plan` gives it. `RANGE` if its code is impossible.
///
/// # Safety
/// `inbox` points to an `hw_inbox`, `plan` to an `hw_plan`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_inbox_init(inbox: *mut Inbox, plan: *const Plan) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(inbox) };
    // SAFETY: as promised by the caller.
    let plan = unsafe { get(plan) };
    status((|| {
        let (place, plan) = (place?.vacant()?, plan?);
        place.fill(In::new(plan.layout().ok_or(RANGE)?));
        Ok(())
    })())
}

/// Ends an inbox and wipes its memory, with all that was said.
///
/// # Safety
/// `inbox` points to an `hw_inbox`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_inbox_end(inbox: *mut Inbox) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(inbox) };
    status((|| place?.empty())())
}

/// Takes a payload that `hw_open_payload` has read; what became of it goes to `taken`, one of `TAKEN_`.
/// `NONE` if the station has no key to such a call.
///
/// # Safety
/// `inbox` points to an `hw_inbox`, `memory` to an `hw_memory`, `payload` to an `hw_payload`, `text` to
/// `length` bytes, `taken` to an `uint32_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_inbox_take(
    inbox: *mut Inbox,
    memory: *mut Memory,
    payload: *const Payload,
    text: *const u8,
    length: usize,
    taken: *mut u32,
) -> i32 {
    let spans = [Span::of(inbox), Span::of(memory), Span::read(text, length), Span::of(taken)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let inbox = unsafe { held(inbox) };
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let payload = unsafe { get(payload) };
    // SAFETY: as promised by the caller.
    let text = unsafe { bytes(text, length) };
    // SAFETY: as promised by the caller.
    let taken = unsafe { put(taken) };
    status((|| {
        let (mut inbox, mut station, text) = (inbox?, station?, text?);
        let (payload, taken) = (payload?.read().ok_or(RANGE)?, taken?);
        let key = station.message_key(payload.source, payload.target).ok_or(NONE)?;
        taken.write(match inbox.take(&key, station.origin(&payload), text) {
            Taken::Stored => TAKEN_STORED,
            Taken::Repeated => TAKEN_REPEATED,
            Taken::Conflicting => TAKEN_CONFLICTING,
            Taken::Old => TAKEN_OLD,
            Taken::TooLong => TAKEN_TOO_LONG,
            _ => TAKEN_UNREADABLE,
        });
        Ok(())
    })())
}

/// Does one piece of an inbox's work, whenever there is time, until it waits. A message is told once,
/// and wiped with the next call.
///
/// # Safety
/// `inbox` points to an `hw_inbox`, `message` to room for an `hw_message`. What is said of all functions
/// holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_inbox_work(inbox: *mut Inbox, message: *mut Message) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(inbox), Span::of(message)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let inbox = unsafe { held(inbox) };
    // SAFETY: as promised by the caller.
    let message = unsafe { put(message) };
    status((|| {
        let (mut inbox, message) = (inbox?, message?);
        message.write(Message::of(&inbox.work()));
        Ok(())
    })())
}
