//! What a program in C may do wrong: every mistake that can be told has a status of its own, and
//! nothing changes.
//!
//! Every function is tried with every pointer that it takes: null, misaligned, pointing to memory in
//! which there is nothing or something, overlapping any other, and with lengths that cannot be. Then
//! once as it should be.

#![expect(unsafe_code, reason = "the interface is called as from C")]
#![expect(
    clippy::multiple_unsafe_ops_per_block,
    reason = "one reason holds for all of a test's calls"
)]

#[path = "../net/mod.rs"]
mod net;
mod table;

use hopwright_capi::*;
use net::{CALLING, GAUGE, POST};
use std::collections::BTreeSet;
use std::ptr::null;
use table::{Call, Kind, ROOM, Things, calls, fails, plan, storage};

const NO_MESSAGE: Message =
    Message { text: null(), length: 0, what: 0, slot: 0, source: 0, unused: [0; 7] };

/// What can be seen of a station: no mistake has changed it.
fn seen(station: *mut Memory) -> (State, Counters) {
    let (mut state, mut counters) = (State::default(), Counters::default());
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!(hw_look(station, 0, &raw mut state), OK);
        assert_eq!(hw_count(station, &raw mut counters), OK);
    }
    (state, counters)
}

#[test]
fn every_mistake_with_a_pointer_is_told_and_changes_nothing() {
    let mut things = Things::default();
    let calls = calls(&mut things);
    // None of the interface is left out.
    let header = include_str!("../../include/hopwright.h");
    let declared = header.split("int32_t hw_").skip(1).map(|rest| rest.split('(').next().unwrap());
    let declared: BTreeSet<_> = declared.map(|name| format!("hw_{name}")).collect();
    let tried: BTreeSet<_> = calls.iter().map(|call| call.name.to_owned()).collect();
    assert_eq!(tried, declared);

    let station = calls[1].arguments[0].pointer.cast();
    let before = seen(station);
    let mistakes: usize = calls.iter().map(Call::mistakes).sum();
    assert!(mistakes > 300, "{mistakes}");
    assert_eq!(seen(station), before);
    // And once as it should be. What was made in the course of it is ended.
    for call in &calls {
        assert_eq!(call.with_length(0, call.arguments[0].length), call.good, "{}", call.name);
    }
    for call in calls.iter().filter(|call| call.arguments[0].kind == Kind::Vacant) {
        let made = call.arguments[0].pointer;
        // SAFETY: each memory is ended as what it is; the others say that it is not that.
        let ended = unsafe {
            match call.name {
                "hw_init" => hw_end(made.cast()),
                "hw_outbox_init" => hw_outbox_end(made.cast()),
                "hw_inbox_init" => hw_inbox_end(made.cast()),
                _ => hw_loader_end(made.cast()),
            }
        };
        assert_eq!(ended, OK);
        for place in 0..call.arguments[0].length {
            // SAFETY: so many bytes are ours.
            assert_eq!(unsafe { *made.add(place) }, 0, "{} is wiped", call.name);
        }
    }
}

#[test]
fn other_bytes_than_zeros_are_nothing_either() {
    let mut things = Things::default();
    let words = things.words(INBOX_BYTES / 8);
    // SAFETY: so many words are ours, and enough for each of these.
    unsafe {
        for word in 0..INBOX_BYTES / 8 {
            words.add(word).write(0xA5A5_A5A5_A5A5_A5A5);
        }
        assert_eq!(hw_end(words.cast()), NOT_READY);
        assert_eq!(hw_outbox_end(words.cast()), NOT_READY);
        assert_eq!(hw_inbox_end(words.cast()), NOT_READY);
        assert_eq!(hw_loader_end(words.cast()), NOT_READY);
    }
    // Nor is what is there taken for something else.
    let station = things.station();
    // SAFETY: all of it is ours; no more than the first words are looked at.
    unsafe {
        assert_eq!(hw_outbox_end(station.cast()), NOT_READY);
        assert_eq!(hw_loader_end(station.cast()), NOT_READY);
        assert_eq!((hw_end(station), hw_end(station)), (OK, NOT_READY));
    }
}

#[test]
fn what_is_no_configuration_makes_no_station() {
    let mut things = Things::default();
    let (memory, start) = (things.zeros::<Memory>(), Start::default());
    let bytes = net::configuration(GAUGE);
    let mut garbled = bytes.clone();
    garbled[40] ^= 1;
    let mut plan = Plan { lane: 9, ..Plan::default() };
    // SAFETY: all of it is ours, and as long as it says or empty.
    unsafe {
        let init = |bytes: &[u8], start: Start| {
            hw_init(memory, bytes.as_ptr(), bytes.len(), &raw const start)
        };
        assert_eq!(hw_init(memory, null(), 0, &raw const start), CONFIGURATION);
        assert_eq!(init(&bytes[..bytes.len() - 1], start), CONFIGURATION);
        assert_eq!(init(&garbled, start), CONFIGURATION);
        assert_eq!(init(&bytes, Start { watermark: 3, ..start }), RANGE);
        assert_eq!(hw_poll(memory, 0, &mut Action::default()), NOT_READY);
        let read = hw_read_plan(garbled.as_ptr(), garbled.len(), &raw mut plan);
        assert_eq!((read, plan.lane), (CONFIGURATION, 9));
        assert_eq!(init(&bytes, Start { watermark: WATERMARK_LOST, ..start }), OK);
        assert_eq!(init(&bytes, start), READY);
        assert_eq!(hw_end(memory), OK);
    }
}

#[test]
fn a_plan_says_what_a_board_needs() {
    let plan = plan();
    assert_eq!((plan.slot_us, plan.settle_us, plan.guard_us), (20_000, 1_000, 500));
    assert_eq!((plan.link_bps, plan.bits, plan.payload_bytes), (50_000, 868, 106));
    assert_eq!((plan.channels, plan.calling, plan.watch), (128, CALLING, NO_CHANNEL));
    assert_eq!((plan.address, plan.role, plan.lane), (POST, ROLE_TIMEKEEPER, 0));
    assert_eq!((plan.code_n, plan.code_k, plan.longest_message), (64, 24, 97 * 8 * 24 - 16));
    assert_eq!((plan.announce_slots, plan.energy_threshold_dbm), (60, -95));
    assert_eq!((plan.has_share, plan.generation, plan.digest), (1, 0, [3; 16]));

    let mut things = Things::default();
    let station = things.station();
    let (mut channel, mut hz) = (0, 0);
    let raster =
        Raster { base_hz: 902_300_000, spacing_hz: 200_000, channels: 128, unused: [0; 6] };
    // SAFETY: all of it is ours.
    unsafe {
        let mut channels = Vec::new();
        for rank in 0..128 {
            assert_eq!(hw_hopset(station, rank, &raw mut channel), OK);
            channels.push(channel);
        }
        assert!(channels.iter().copied().eq(0..128), "all of the raster");
        assert_eq!(hw_hopset(station, 128, &raw mut channel), NONE);
        assert_eq!(hw_frequency(&raw const raster, 5, &raw mut hz), OK);
        assert_eq!(hz, 903_300_000);
        assert_eq!(hw_frequency(&raw const raster, 128, &raw mut hz), RANGE);
        assert_eq!(hw_frequency(&raw const raster, 4_096, &raw mut hz), RANGE);
        let impossible = Raster { spacing_hz: 0, ..raster };
        assert_eq!(hw_frequency(&raw const impossible, 5, &raw mut hz), RANGE);
        assert_eq!(hw_end(station), OK);
    }
}

#[test]
fn numbers_that_mean_nothing_are_told() {
    let mut things = Things::default();
    let station = things.station();
    let (mut length, mut heard) = (7_usize, Heard::default());
    let (bits, mut room) = ([0_u8; 108], [0_u8; 128]);
    let reception = |bits: *const u8, length, channel| Reception {
        at_us: 0,
        bits,
        length,
        word: 0,
        channel,
        unused: [0; 2],
    };
    // SAFETY: all of it is ours, and as long as it says, but where it is null or too long, which is
    // what is tried.
    unsafe {
        let missing = reception(null(), 3, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const missing, &raw mut heard), NULL);
        let long = reception(bits.as_ptr(), usize::MAX, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const long, &raw mut heard), RANGE);
        let beyond = reception(bits.as_ptr(), bits.len(), 4_096);
        assert_eq!(hw_heard_word(station, 0, &raw const beyond, &raw mut heard), RANGE);
        let within = reception(station.cast::<u8>().wrapping_add(500), 20, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const within, &raw mut heard), RANGE);
        let nothing = reception(null(), 0, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const nothing, &raw mut heard), OK);
        assert_eq!(heard.what, HEARD_DROPPED);
        assert_eq!(hw_energy(station, 0, 4_096, 0), RANGE);
        assert_eq!(hw_press(station, 0, 0x41, 4), RANGE, "bits beyond the prefix");
        assert_eq!(hw_press(station, 0, 0, 9), RANGE, "no form");
        assert_eq!(hw_press(station, 0, GAUGE + 1, 8), REFUSED_NO_KEY);
        assert_eq!(hw_set_mode(station, 0, 3), RANGE);
        let payload = Payload::default();
        let mut open = |payload: Payload| {
            let (text, payload) = (room.as_mut_ptr(), &raw const payload);
            hw_open_payload(station, payload, bits.as_ptr(), 108, text, 128, &raw mut length)
        };
        assert_eq!(open(Payload { timeline: 3, ..payload }), RANGE);
        assert_eq!(open(Payload { target_form: 12, ..payload }), RANGE);
        assert_eq!(open(Payload { source: 9, target_form: 8, ..payload }), NONE, "for others");
        assert_eq!(hw_end(station), OK);
    }
    assert_eq!(length, 0);
}

#[test]
fn messages_that_cannot_be_are_told() {
    let mut things = Things::default();
    let (station, outbox, inbox) = (things.station(), things.outbox(), things.inbox());
    let empty = things.zeros::<Outbox>();
    let (text, mut out) = ([7_u8; 2_500], [0_u8; 128]);
    let (mut longest, mut left, mut length, mut taken) = (0, 0, 0, 9);
    let load = |slot, address, form, count| {
        // SAFETY: all of it is ours, and as long as it says.
        unsafe { hw_outbox_load(outbox, station, slot, address, form, text.as_ptr(), count) }
    };
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        for impossible in [Plan { code_n: 24, ..plan() }, Plan { code_k: 0, ..plan() }] {
            assert_eq!(hw_outbox_init(empty, &raw const impossible), RANGE);
            assert_eq!(hw_outbox_left(empty, &raw mut left), NOT_READY);
        }
        assert_eq!(hw_outbox_longest(outbox, &raw mut longest), OK);
        // 102 rows of 24, the tag taken off.
        assert_eq!(longest, 102 * 24 - 16);
        assert_eq!(load(5, 0x41, 4, 3), RANGE, "bits beyond the prefix");
        assert_eq!(load(5, 0x41, 8, 3), REFUSED_NO_KEY);
        assert_eq!(load(5, 0, 0, usize::from(longest) + 1), REFUSED_TOO_LONG);
        assert_eq!(load(5, 0, 0, 30), REFUSED_NOT_SPEAKING);
        // Nobody answers: behind two seconds of patience it cuts in.
        let mut action = Action::default();
        assert_eq!(hw_press(station, 0, 0, 0), OK);
        assert_eq!(hw_poll(station, 3_000_000, &raw mut action), OK);
        assert_eq!(action.radio, RADIO_TRANSMIT);
        assert_eq!(load(5, 0, 0, 30), OK);
        assert_eq!(load(6, 0, 0, 30), REFUSED_FULL);
        assert_eq!(hw_release(station, 3_000_000), OK);
        for slot in 0..8 {
            assert_eq!(hw_poll(station, 3_000_000 + slot * 20_000, &raw mut action), OK);
        }
        assert_eq!(hw_outbox_send(outbox, station), REFUSED_NOT_SPEAKING);
        assert_eq!(hw_press(station, 4_000_000, 0, 0), OK);
        assert_eq!(hw_poll(station, 7_000_000, &raw mut action), OK);
        assert_eq!(action.radio, RADIO_TRANSMIT);
        let mut next = |room| hw_outbox_next(outbox, out.as_mut_ptr(), room, &raw mut length);
        assert_eq!(next(10), TOO_SMALL);
        assert_eq!(next(11), OK, "two rows behind nine bytes");
        assert_eq!(hw_outbox_left(outbox, &raw mut left), OK);
        assert_eq!((length, left), (11, 63));
        assert_eq!(hw_outbox_repeat(outbox), OK);
        assert_eq!(hw_outbox_left(outbox, &raw mut left), OK);
        assert_eq!(left, 64);
        assert_eq!(hw_outbox_clear(outbox), OK);
        assert_eq!(load(5, 0, 0, 30), REFUSED_SLOT_USED);
        assert_eq!(load(6, 0, 0, 30), OK);

        let mut take = |payload: Payload, count| {
            let (bytes, payload) = (out.as_ptr(), &raw const payload);
            hw_inbox_take(inbox, station, payload, bytes, count, &raw mut taken)
        };
        let payload = Payload { slot: 7, source: GAUGE, ..Payload::default() };
        assert_eq!(take(Payload { timeline: 3, ..payload }, 11), RANGE);
        assert_eq!(take(Payload { target_form: 9, ..payload }, 11), RANGE);
        assert_eq!(take(Payload { target_form: 8, ..payload }, 11), NONE, "for others");
        assert_eq!(take(payload, 10), OK);
        assert_eq!(taken, TAKEN_UNREADABLE);
        let mut take = |payload: Payload, count| {
            let (bytes, payload) = (out.as_ptr(), &raw const payload);
            hw_inbox_take(inbox, station, payload, bytes, count, &raw mut taken)
        };
        assert_eq!(take(payload, 11), OK);
        assert_eq!(taken, TAKEN_STORED);
        let mut message = NO_MESSAGE;
        assert_eq!(hw_inbox_work(inbox, &raw mut message), OK);
        assert_eq!((message.what, message.text.is_null()), (INBOX_WAITING, true));
        assert_eq!((hw_outbox_end(outbox), hw_inbox_end(inbox)), (OK, OK));
        assert_eq!(hw_end(station), OK);
    }
}

#[test]
fn loaders_that_cannot_be_are_told() {
    let mut things = Things::default();
    let empty = things.zeros::<Loader>();
    let work: *mut u8 = things.words(ROOM / 8).cast();
    let (judge, storage) = (Judge::default(), storage());
    let init = |storage: Storage, judge: Judge| {
        // SAFETY: all of it is ours, and as long as it says.
        unsafe { hw_loader_init(empty, &raw const storage, &raw const judge, work, ROOM) }
    };
    assert_eq!(init(Storage { read: None, ..storage }, judge), NULL);
    assert_eq!(init(Storage { write: None, ..storage }, judge), NULL);
    assert_eq!(init(Storage { erase: None, ..storage }, judge), NULL);
    assert_eq!(init(Storage { read: Some(fails), ..storage }, judge), STORAGE);
    assert_eq!(init(storage, Judge { sealed: 2, ..judge }), RANGE);
    assert_eq!(init(storage, Judge { addressed: 2, ..judge }), RANGE);
    assert!(!format!("{:?}", Judge { transfer_key: [77; 32], ..judge }).contains("77"));
    let loader = things.loader();
    let line = net::carried(GAUGE, &net::sealed(GAUGE, &net::configuration(GAUGE)));
    let (mut used, mut answer, mut length) = (9, [0_u8; ANSWER_BYTES], 9);
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        let mut take = |answer, room| {
            let (bytes, count) = (line.as_ptr(), line.len());
            let (used, length) = (&raw mut used, &raw mut length);
            hw_loader_take(loader, bytes, count, used, answer, room, length)
        };
        assert_eq!(take(answer.as_mut_ptr(), ANSWER_BYTES - 1), TOO_SMALL);
        assert_eq!(hw_loader_end(loader), OK);
        // An answer over the place where configurations are judged.
        let loader = things.zeros();
        let made = hw_loader_init(loader, &raw const storage, &raw const judge, work, ROOM);
        assert_eq!(made, OK);
        let (bytes, over) = (line.as_ptr(), work.wrapping_add(ROOM - 8));
        let (to_used, to_length) = (&raw mut used, &raw mut length);
        let taken = hw_loader_take(loader, bytes, 9, to_used, over, ANSWER_BYTES, to_length);
        assert_eq!(taken, RANGE);
        let answer = answer.as_mut_ptr();
        let taken = hw_loader_take(loader, work, 9, to_used, answer, ANSWER_BYTES, to_length);
        assert_eq!(taken, RANGE);
        assert_eq!(hw_loader_end(loader), OK);
    }
    assert_eq!((used, length), (0, 0));
    let (mut bytes, mut length) = ([0_u8; 64], 9);
    let failing = Storage { read: Some(fails), ..storage };
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        let mut load = |storage: Storage, judge: Judge| {
            let (storage, judge) = (&raw const storage, &raw const judge);
            hw_load_configuration(storage, judge, bytes.as_mut_ptr(), 64, &raw mut length)
        };
        assert_eq!(load(failing, judge), STORAGE);
        assert_eq!(load(Storage { erase: None, ..storage }, judge), NULL);
        assert_eq!(load(storage, Judge { sealed: 2, ..judge }), RANGE);
    }
}

#[test]
fn memory_begins_at_any_word() {
    let mut things = Things::default();
    let (words, plan) = (things.words(INBOX_BYTES / 8 + 8), plan());
    for word in 0..8 {
        let inbox = words.wrapping_add(word).cast::<Inbox>();
        let mut message = NO_MESSAGE;
        // SAFETY: all of it is ours, and as long as an inbox.
        unsafe {
            assert_eq!(hw_inbox_init(inbox, &raw const plan), OK);
            assert_eq!(hw_inbox_work(inbox, &raw mut message), OK);
            assert_eq!(hw_inbox_end(inbox), OK);
        }
    }
    for word in 0..INBOX_BYTES / 8 + 8 {
        // SAFETY: so many words are ours.
        assert_eq!(unsafe { *words.add(word) }, 0, "wiped");
    }
}
