//! What holds a key, or text that was under one, is wiped when it is dropped (specification section 12,
//! invariant 8): each type's memory is looked at when the value is gone. Here, because the core itself has
//! no `unsafe` to look with.

#![expect(unsafe_code, reason = "memory is looked at behind the drop of what was in it")]

use hopwright_core::address::Address;
use hopwright_core::keys::{Label, NetKey, Subkey, Words};
use hopwright_core::loader::{CarrierEnd, Frame, FrameReader, Wire, write_frame};
use hopwright_core::message::{Inbox, Layout, Origin, Outbox, Progress};
use hopwright_core::provision::PlanDigest;
use hopwright_core::provision::manual::{Entry, GROUPS, Rank, Reader};
use hopwright_core::tree::Secret;
use hopwright_core::units::{Lane, Slot, Tick};
use std::mem::MaybeUninit;

const KEY: [u8; 32] = *b"a training key, of 32 bytes here";

/// The bytes of a value that `part` points to, before and after it is dropped.
///
/// They must be initialised: no padding, and nothing that is left out.
fn dropped<T>(value: T, part: impl FnOnce(&mut T) -> (*const u8, usize)) -> [Vec<u8>; 2] {
    let base = Box::into_raw(Box::new(value));
    // SAFETY: the value is there, and nobody else knows of it.
    let (at, length) = part(unsafe { &mut *base });
    let offset = at.addr().checked_sub(base.addr()).expect("a part of it");
    assert!(offset + length <= size_of::<T>(), "a part of it");
    let look = || {
        let byte = |i: usize| {
            // SAFETY: within the value's memory, which is ours until the end of this function.
            let byte = unsafe { base.cast::<u8>().add(i) };
            // SAFETY: it was initialised, and dropping the value takes no byte back.
            unsafe { byte.read() }
        };
        (offset..offset + length).map(byte).collect()
    };
    let before = look();
    // SAFETY: once, and it is not used as a value any more.
    unsafe { base.drop_in_place() };
    let after = look();
    // SAFETY: the memory came from a box of this layout, and nothing in it is dropped again.
    drop(unsafe { Box::from_raw(base.cast::<MaybeUninit<T>>()) });
    [before, after]
}

/// All of a value, which must have neither padding nor anything that is left out.
fn whole<T>(value: &mut T) -> (*const u8, usize) {
    ((&raw const *value).cast(), size_of::<T>())
}

#[track_caller]
fn is_wiped([before, after]: [Vec<u8>; 2], secret: &[u8]) {
    assert!(before.windows(secret.len()).any(|part| part == secret), "it was there");
    assert!(after.iter().all(|byte| *byte == 0), "and is no more: {after:?}");
}

#[test]
fn keys_and_secrets_are_wiped() {
    is_wiped(dropped(NetKey::new(KEY), whole), &KEY);
    is_wiped(dropped(Subkey::new(KEY), whole), &KEY);
    let secret = KEY.first_chunk().expect("sixteen");
    is_wiped(dropped(Secret::new(*secret), whole), secret);
}

#[test]
fn the_block_of_keyed_words_is_wiped() {
    let key = NetKey::new(KEY).subkey(Label::Hop);
    let mut words = Words::new(3);
    let block: Vec<u8> = (0..16).flat_map(|i| words.word(&key, i).to_le_bytes()).collect();
    // With a block in it nothing of a reader is left out, and three numbers and bytes leave no padding.
    let [before, after] = dropped(words, whole);
    let at = before.windows(64).position(|part| part == block).expect("it was there");
    assert_eq!(after[at..at + 64], [0; 64]);
}

#[test]
fn groups_that_were_typed_are_wiped() {
    let (rank, lane) = (Rank::Member, Lane::ZERO);
    let plan = PlanDigest::new([3; 16]).short();
    let entry = Entry { address: Address::new(0x4B), rank, lane, plan, key: NetKey::new(KEY) };
    let mut reader = Reader::new();
    for group in entry.groups() {
        reader.group(&group).expect("a group");
    }
    assert_eq!(reader.awaited(), GROUPS + 1);
    // All of it are single bytes. What is no secret, the first group and their count, may stay.
    let [before, after] = dropped(reader, whole);
    let at = before.windows(32).position(|part| part == KEY).expect("it was there");
    assert_eq!(after[at..at + 32], [0; 32]);
}

#[test]
fn what_both_ends_of_the_loader_carry_is_wiped() {
    let mut wire = Wire::new();
    write_frame(Frame { kind: 2, sequence: 0, payload: &KEY }, &mut wire);
    let mut reader = FrameReader::new();
    let (last, others) = wire.split_last().expect("a frame");
    for byte in others {
        assert!(reader.byte(*byte).is_none());
    }
    let payload = |reader: &mut FrameReader| match reader.byte(*last) {
        Some(Ok(frame)) => (frame.payload.as_ptr(), frame.payload.len()),
        other => panic!("{other:?}"),
    };
    is_wiped(dropped(reader, payload), &KEY);

    let mut carrier = CarrierEnd::new(Address::new(0x4B), &KEY);
    assert!(carrier.poll(Tick::ZERO).is_some(), "it offers");
    write_frame(Frame { kind: 0x81, sequence: 0, payload: &[] }, &mut wire);
    wire.iter().for_each(|byte| carrier.byte(*byte));
    let chunk = |carrier: &mut CarrierEnd<'_>| {
        let chunk = carrier.poll(Tick::ZERO).expect("it is asked for");
        (chunk.as_ptr(), chunk.len())
    };
    is_wiped(dropped(carrier, chunk), &KEY);
}

#[test]
fn a_message_that_was_not_asked_for_again_is_wiped() {
    let layout = Layout::new(9, 5, 106).expect("a code");
    let (source, stream) = (Address::new(0x4B), 0);
    let origin = |slot| Origin { source, stream, slot: Slot::new(slot) };
    let key = Subkey::new(KEY);
    let text = b"water at the ford";
    let mut outbox = Outbox::<256>::new(layout);
    outbox.load(&key, origin(100), text).expect("it fits");
    let mut inbox = Inbox::<256, 1>::new(layout);
    let mut out = [0; 106];
    for slot in 100..105 {
        let length = outbox.next(&mut out).expect("a column");
        let _ = inbox.take(&key, origin(slot), &out[..length]);
    }
    let told = |inbox: &mut Inbox<256, 1>| {
        loop {
            match inbox.work() {
                Progress::Ready(message) => return (message.text.as_ptr(), message.text.len()),
                Progress::Working => {}
                Progress::Waiting => panic!("five columns suffice"),
            }
        }
    };
    is_wiped(dropped(inbox, told), text);
}
