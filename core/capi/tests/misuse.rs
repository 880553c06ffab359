//! What a program in C may do wrong: every mistake that can be told has a status of its own, and
//! nothing changes. And once as it should be: two stations, one hears the other.

#![expect(unsafe_code, reason = "the interface is called as from C")]
#![expect(
    clippy::multiple_unsafe_ops_per_block,
    reason = "one reason holds for all of a test's calls"
)]

use hopwright_capi::*;
use hopwright_core::address::Address;
use hopwright_core::band::Hopset;
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
use hopwright_core::provision::{Configuration, MessageCode, PlanDigest};
use hopwright_core::sequence::Structure;
use hopwright_core::station::{FixedChannels, Role};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Dbm, Lane, Micros, Ppb};
use std::ptr::{null, null_mut};

fn configuration(address: u8, role: Role) -> Vec<u8> {
    let configuration = Configuration::<128> {
        address: Address::new(address),
        role,
        name: "larkfell",
        plan: PlanDigest::new([0; 16]),
        key: NetKey::new([7; 32]),
        hopset: Hopset::from_derived((0..128).filter_map(Channel::new), 0).unwrap(),
        structure: Structure::default(),
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: Timing::new(20_000, 1_000, 500, 50_000).unwrap(),
        clock: ClockPlan::new(Ppb::new(1_000).unwrap(), Micros::new(20), Micros::new(100)),
        announce_slots: 60,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels::NONE,
        code: MessageCode { n: 64, k: 24 },
        share: None,
    };
    let mut bytes = Vec::new();
    configuration.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

fn memory() -> Box<Memory> {
    Box::new(Memory { words: [0; MEMORY_BYTES / 8] })
}

fn made(address: u8, role: Role) -> Box<Memory> {
    let (mut memory, bytes, start) = (memory(), configuration(address, role), Start::default());
    // SAFETY: all of it is ours, and as long as it says.
    let status =
        unsafe { hw_init(&raw mut *memory, bytes.as_ptr(), bytes.len(), &raw const start) };
    assert_eq!(status, OK);
    memory
}

/// Every function with one station and with everything else as it should be.
fn all(station: *mut Memory) -> Vec<i32> {
    let (mut action, mut event, mut heard) =
        (Action::default(), Event::default(), Heard::default());
    let (mut counters, payload) = (Counters::default(), Payload::default());
    let (mut length, mut in_step) = (0_usize, 0_u8);
    let (bits, mut room) = ([0_u8; 108], [0_u8; 128]);
    let reception = Reception {
        at_us: 0,
        bits: bits.as_ptr(),
        length: bits.len(),
        word: 0,
        channel: 0,
        unused: [0; 2],
    };
    // SAFETY: all but the station is ours and as it says; the station is what is tried.
    unsafe {
        vec![
            hw_poll(station, 0, &raw mut action),
            hw_burst(station, room.as_mut_ptr(), room.len(), &raw mut length),
            hw_heard_word(station, 0, &raw const reception, &raw mut heard),
            hw_energy(station, 0, 0, 0),
            hw_announce(station, 0),
            hw_press(station, 0, 0, 0),
            hw_release(station, 0),
            hw_queue_payload(station, bits.as_ptr(), 1),
            hw_open_payload(
                station,
                &raw const payload,
                bits.as_ptr(),
                bits.len(),
                room.as_mut_ptr(),
                room.len(),
                &raw mut length,
            ),
            hw_next_event(station, &raw mut event),
            hw_in_step(station, &raw mut in_step),
            hw_count(station, &raw mut counters),
            hw_end(station),
        ]
    }
}

#[test]
fn without_a_station_nothing_is_done() {
    let mut zeroed = memory();
    assert_eq!(all(&raw mut *zeroed), [NOT_READY; 13]);
    assert_eq!(all(null_mut()), [NULL; 13]);
    let inside = (&raw mut *zeroed).cast::<u8>().wrapping_add(1).cast::<Memory>();
    assert_eq!(all(inside), [MISALIGNED; 13]);
    // Other bytes than zeros are no station either.
    zeroed.words.fill(0xA5A5_A5A5_A5A5_A5A5);
    assert_eq!(all(&raw mut *zeroed), [NOT_READY; 13]);
}

#[test]
fn a_station_is_made_once_and_ended_once() {
    let (mut station, bytes, start) =
        (made(0x10, Role::Timekeeper), configuration(0x10, Role::Timekeeper), Start::default());
    let station = &raw mut *station;
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        assert_eq!(hw_init(station, bytes.as_ptr(), bytes.len(), &raw const start), READY);
        assert_eq!(hw_end(station), OK);
        assert_eq!(hw_end(station), NOT_READY);
        assert!((*station).words.iter().all(|word| *word == 0), "wiped");
        assert_eq!(hw_init(station, bytes.as_ptr(), bytes.len(), &raw const start), OK);
        assert_eq!(hw_end(station), OK);
    }
}

#[test]
fn what_is_no_configuration_makes_no_station() {
    let (mut memory, bytes) = (memory(), configuration(0x10, Role::Timekeeper));
    let (memory, start) = (&raw mut *memory, Start::default());
    let lost = Start { watermark: 3, ..start };
    let mut garbled = bytes.clone();
    garbled[40] ^= 1;
    // SAFETY: all of it is ours, and as long as it says or empty.
    unsafe {
        let init =
            |bytes: &[u8], start: *const Start| hw_init(memory, bytes.as_ptr(), bytes.len(), start);
        assert_eq!(init(&bytes, null()), NULL);
        assert_eq!(hw_init(memory, null(), 5, &raw const start), NULL);
        assert_eq!(hw_init(memory, null(), 0, &raw const start), CONFIGURATION);
        assert_eq!(init(&bytes[..bytes.len() - 1], &raw const start), CONFIGURATION);
        assert_eq!(init(&garbled, &raw const start), CONFIGURATION);
        assert_eq!(init(&bytes, &raw const lost), RANGE);
        assert_eq!(hw_init(memory, bytes.as_ptr(), usize::MAX, &raw const start), RANGE);
        let odd = (&raw const start).cast::<u8>().wrapping_add(1).cast::<Start>();
        assert_eq!(init(&bytes, odd), MISALIGNED);
        assert_eq!(hw_poll(memory, 0, &mut Action::default()), NOT_READY);
    }
}

#[test]
fn null_pointers_lengths_and_numbers_are_told_apart() {
    let mut station = made(0x10, Role::Timekeeper);
    let station = &raw mut *station;
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
        assert_eq!(hw_poll(station, 0, null_mut()), NULL);
        assert_eq!(hw_next_event(station, null_mut()), NULL);
        assert_eq!(hw_in_step(station, null_mut()), NULL);
        assert_eq!(hw_count(station, null_mut()), NULL);
        assert_eq!(hw_burst(station, room.as_mut_ptr(), 128, null_mut()), NULL);
        assert_eq!(hw_burst(station, null_mut(), 128, &raw mut length), NULL);
        assert_eq!(hw_heard_word(station, 0, null(), &raw mut heard), NULL);
        let good = reception(bits.as_ptr(), bits.len(), 5);
        assert_eq!(hw_heard_word(station, 0, &raw const good, null_mut()), NULL);
        let missing = reception(null(), 3, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const missing, &raw mut heard), NULL);
        let long = reception(bits.as_ptr(), usize::MAX, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const long, &raw mut heard), RANGE);
        let beyond = reception(bits.as_ptr(), bits.len(), 4_096);
        assert_eq!(hw_heard_word(station, 0, &raw const beyond, &raw mut heard), RANGE);
        let nothing = reception(null(), 0, 5);
        assert_eq!(hw_heard_word(station, 0, &raw const nothing, &raw mut heard), OK);
        assert_eq!(heard.what, HEARD_DROPPED);
        assert_eq!(hw_energy(station, 0, 4_096, 0), RANGE);
        assert_eq!(hw_press(station, 0, 0x41, 4), RANGE, "bits beyond the prefix");
        assert_eq!(hw_press(station, 0, 0, 9), RANGE, "no form");
        assert_eq!(hw_release(station, 0), REFUSED);
        assert_eq!(hw_queue_payload(station, bits.as_ptr(), 108), REFUSED);
        assert_eq!(hw_queue_payload(station, null(), 1), NULL);
        assert_eq!(hw_next_event(station, &mut Event::default()), NONE);
        let payload = Payload::default();
        let open = |payload: *const Payload, text: *mut u8, room, length: *mut usize| {
            hw_open_payload(station, payload, bits.as_ptr(), 108, text, room, length)
        };
        let text = room.as_mut_ptr();
        assert_eq!(open(null(), text, 128, &raw mut length), NULL);
        assert_eq!(open(&raw const payload, null_mut(), 128, &raw mut length), NULL);
        assert_eq!(open(&raw const payload, text, 128, null_mut()), NULL);
        let odd = Payload { timeline: 3, ..payload };
        assert_eq!(open(&raw const odd, text, 128, &raw mut length), RANGE);
        let nobody = Payload { target_form: 12, ..payload };
        assert_eq!(open(&raw const nobody, text, 128, &raw mut length), RANGE);
        // The text over the bits that it is read from.
        let over = room.as_mut_ptr();
        let bits = over.wrapping_add(10).cast_const();
        let overlap =
            hw_open_payload(station, &raw const payload, bits, 108, over, 11, &raw mut length);
        assert_eq!(overlap, RANGE);
        let _ = hw_end(station);
    }
}

/// The announce of a post, a call, and a payload, over an air made of one line.
#[test]
fn two_stations_hear_each_other() {
    let (mut post, mut gauge) = (made(0x10, Role::Timekeeper), made(0x21, Role::Member));
    let (post, gauge) = (&raw mut *post, &raw mut *gauge);
    let mut texts = Vec::new();
    let (mut in_step, mut called) = (0, false);
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        let mut action = Action::default();
        assert_eq!(hw_poll(post, 0, &raw mut action), OK);
        assert_eq!(hw_announce(post, 0), OK);
        assert_eq!(hw_announce(post, 0), REFUSED, "it announces already");
        for slot in 0..200_u64 {
            let start = slot * 20_000;
            if slot == 80 {
                assert_eq!(hw_press(post, start, 0, 0), OK);
            }
            let (mut sends, mut listens) = (Action::default(), Action::default());
            assert_eq!(hw_poll(post, start, &raw mut sends), OK);
            assert_eq!(hw_poll(gauge, start, &raw mut listens), OK);
            let mut event = Event::default();
            while hw_next_event(post, &raw mut event) == OK {
                if event.what == EVENT_GO_AHEAD {
                    assert_eq!(hw_queue_payload(post, b"41 cm".as_ptr(), 5), OK);
                }
            }
            while hw_next_event(gauge, &raw mut event) == OK {
                called |= event.what == EVENT_CALL && event.source == 0x10;
            }
            let same = sends.word == listens.word
                || listens.complement == 1 && sends.word == !listens.word;
            if sends.radio != RADIO_TRANSMIT
                || listens.radio != RADIO_LISTEN
                || sends.channel != listens.channel
                || !same
            {
                continue;
            }
            assert_eq!(sends.at_us, start + 1_500);
            let (mut bits, mut length) = ([0_u8; 512], 0);
            assert_eq!(hw_burst(post, bits.as_mut_ptr(), 32, &raw mut length), TOO_SMALL);
            assert!(length >= 33, "it says how much is needed");
            assert_eq!(hw_burst(post, bits.as_mut_ptr(), 512, &raw mut length), OK);
            let reception = Reception {
                at_us: sends.at_us,
                bits: bits.as_ptr(),
                length,
                word: sends.word,
                channel: sends.channel,
                unused: [0; 2],
            };
            let mut heard = Heard::default();
            let now = start + 19_500;
            assert_eq!(hw_heard_word(gauge, now, &raw const reception, &raw mut heard), OK);
            if heard.what == HEARD_PAYLOAD {
                let (mut text, mut read) = ([0_u8; 128], 0);
                let (bits, text_at) = (bits.as_ptr(), text.as_mut_ptr());
                let payload = &raw const heard.payload;
                let status =
                    hw_open_payload(gauge, payload, bits, length, text_at, 128, &raw mut read);
                assert_eq!(status, OK);
                texts.push(text[..read].to_vec());
            }
        }
        assert_eq!(hw_in_step(gauge, &raw mut in_step), OK);
        let mut counters = Counters::default();
        assert_eq!(hw_count(gauge, &raw mut counters), OK);
        assert!(counters.headers > 10, "{counters:?}");
        assert_eq!((hw_end(post), hw_end(gauge)), (OK, OK));
    }
    assert!(in_step == 1 && called);
    assert!(texts.iter().any(|text| text == b"41 cm"), "{texts:?}");
}
