//! What nothing else looks at twice: what a station owes after it has changed its mind, and what it
//! keeps when what it has heard turns out to be nothing.
//!
//! Each test was written for a fault that had been planted by hand and was not noticed by the others.
//! The numbers come from `docs/specification.md`; expected spans are worked out beside each assertion.

use hopwright_core::address::{Address, Target};
use hopwright_core::clock::NetClock;
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality, stream};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    CALL_SLOTS, CLOSING_SLOTS, Command, Dropped, Event, FixedChannels, Heard, Mode, Radio,
    VERIFY_SLOTS, WATERMARK_STEP,
};
use hopwright_core::units::{Channel, Lane, Micros, Slot};
use hopwright_tests::air::{Flight, World};
use hopwright_tests::plans::{Make, key, timing};

const POST: usize = 0;
const BOAT: usize = 1;
const CALLING: u16 = 130;
const SECOND: u64 = 1_000_000;
/// Slots of a gathering run: `4 r` (specification section 6).
const GATHERING: usize = 64;

/// A post, a boat 4B and another boat 51, in step and idle after an announce.
fn net_in_step() -> World {
    let fixed = FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE };
    let makes = [Make::timekeeper(0x10), Make::member(0x4B), Make::member(0x51)];
    let mut world = World::new(&makes.map(|make| Make { fixed, ..make }));
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(210);
    assert!(world.nodes.iter().all(|node| node.station.in_step()));
    world.forget();
    world
}

/// A timekeeper alone that has announced for 20 slots, after so many seconds of silence.
fn alone_after(make: Make, seconds: u64) -> World {
    let mut world = World::new(&[Make { announce_slots: 20, ..make }]);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(30);
    assert!(world.nodes[POST].station.in_step());
    world.forget();
    // Whoever is asked late loses the slots in between and nothing else.
    world.now += seconds * SECOND;
    world.run_slots(1);
    world
}

/// A header of a station that nobody has met, which knows the time very well.
fn header(slot: Slot, kind: Kind) -> Header {
    let (source, target) = (Address::new(0x22), Target::ALL);
    Header { slot, source, target, kind, quality: Quality::of(Micros::new(16)), countdown: 0 }
}

/// A station's knowledge of time.
fn clock(world: &World, node: usize) -> NetClock {
    *world.nodes[node].station.clock().expect("a clock")
}

/// When the word of a slot starts by a station's own time.
fn place(world: &World, node: usize, slot: Slot) -> u64 {
    let starts = clock(world, node).start_of(&timing(), slot).plus(timing().word_offset());
    starts.us() - world.nodes[node].epoch
}

/// What a station hears whose word starts now, on the channel where it listens, behind the word
/// that it waits for; the complement of that announces a header in a traffic slot.
fn hears(world: &mut World, node: usize, bits: &[u8], is_header: bool) -> Heard {
    let radio = world.nodes[node].action.map(|action| action.radio);
    let Some(Radio::Listen { channel, word, complement }) = radio else {
        panic!("it listens: {radio:?}")
    };
    assert!(is_header || complement, "payload comes in traffic slots");
    let word = if complement && is_header { !word } else { word };
    let (starts, bits) = (world.now, bits.to_vec());
    let from = usize::MAX;
    let flight =
        Flight { from, channel, word, bits, starts, recognised: 0, ends: 0, listeners: None };
    let heard = world.hear(node, &flight, starts);
    world.poll(node);
    heard
}

/// A station is given a header of a timeline that is sent now.
fn told(world: &mut World, node: usize, timeline: Timeline, header: Header) -> Heard {
    let bits = HeaderKeys::new(&key(1)).to_bits(header, stream(Lane::ZERO, timeline));
    hears(world, node, &bits, true)
}

/// The kinds of headers that a station has sent, in their order, at home.
fn kinds(world: &World, node: usize) -> Vec<Kind> {
    let sent = world.log.iter().filter(|flight| flight.from == node);
    sent.filter_map(|flight| world.header(flight)).map(|header| header.kind).collect()
}

/// An over of which only the beginning matters, and its end: the kinds of its headers up to the talk.
fn opening(world: &mut World, node: usize) -> Vec<Kind> {
    world.forget();
    world.command(node, Command::Press(Target::ALL)).expect("the floor is free");
    for _ in 0..400 {
        world.run_slots(1);
        let events = &world.nodes[node].events;
        if events.iter().any(|event| matches!(event, Event::GoAhead { .. })) {
            // The last call header is on the air by then.
            let opening = kinds(world, node);
            world.command(node, Command::Release).expect("it speaks");
            world.run_slots(u64::from(CLOSING_SLOTS) + 3);
            return opening;
        }
    }
    panic!("no go-ahead")
}

/// So many lead-ins, then so many call headers.
fn run_and_call(run: usize, call: usize) -> Vec<Kind> {
    [vec![Kind::LeadIn; run], vec![Kind::Over; call]].concat()
}

/// Whoever has come over to a later timeline gathers those who have not, once (specification
/// section 8).
#[test]
fn the_first_over_on_a_later_timeline_opens_with_a_gathering_run() {
    let mut world = net_in_step();
    let later = world.slot(BOAT).plus(1_000_000);
    let heard = told(&mut world, BOAT, Timeline::Home, header(later, Kind::Announce));
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
    assert!(!world.nodes[BOAT].station.in_step(), "one header is no time yet");
    let second = later.plus(3);
    let at = place(&world, BOAT, second);
    world.run_until(at);
    let heard = told(&mut world, BOAT, Timeline::Home, header(second, Kind::Announce));
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
    assert!(world.slot(BOAT) >= second, "the larger slot wins");
    world.run_slots(40);
    let call = CALL_SLOTS as usize;
    assert_eq!(opening(&mut world, BOAT), run_and_call(GATHERING, call));
    assert_eq!(opening(&mut world, BOAT), run_and_call(0, call), "and owes no other");
}

/// A station that has lost step keeps its bound: a header from before it is a replay, even if it is
/// above the watermark (specification section 8).
#[test]
fn whoever_has_lost_step_does_not_go_back_behind_its_bound() {
    // At 500 ppm two clocks part by 100 ms in 100 s, more than 3 slots; the bound is within 50 ms.
    let mut world = alone_after(Make { tolerance_ppb: 500_000, ..Make::timekeeper(0x10) }, 100);
    assert!(!world.nodes[POST].station.in_step());
    world.forget();
    let before = clock(&world, POST);
    let present = before.slot_at(&timing(), world.local(POST, world.now)).expect("a slot");
    for early in [1_000, present.number() - 100, present.number() - 4] {
        assert!(early < WATERMARK_STEP, "none but the first watermark was stored");
        let old = header(Slot::new(early), Kind::Announce);
        let heard = told(&mut world, POST, Timeline::Home, old);
        assert_eq!(heard, Heard::Dropped(Dropped::Replayed), "slot {early} of {present}");
        assert_eq!(clock(&world, POST), before);
        assert_eq!(world.events(POST), []);
    }
    let heard = told(&mut world, POST, Timeline::Home, header(present, Kind::Announce));
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
}

/// Of a later timeline that nobody confirms a station in step takes nothing: it keeps the time that
/// it had (specification section 8).
#[test]
fn one_header_of_a_later_timeline_takes_nobody_out_of_step() {
    let mut world = net_in_step();
    let before = clock(&world, BOAT);
    let later = world.slot(BOAT).plus(1_000_000);
    let heard = told(&mut world, BOAT, Timeline::Home, header(later, Kind::Announce));
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
    world.run_slots(u64::from(VERIFY_SLOTS) + 8);
    assert!(world.nodes[BOAT].station.in_step());
    assert_eq!(clock(&world, BOAT), before);
    assert_eq!(world.slot(BOAT), world.slot(POST));
}

/// Nor does it take anything of it along to a single channel (specification section 11).
#[test]
fn leaving_with_one_header_of_a_later_timeline_keeps_the_time_that_there_was() {
    let mut world = net_in_step();
    let before = clock(&world, BOAT);
    let later = world.slot(BOAT).plus(1_000_000);
    let heard = told(&mut world, BOAT, Timeline::Home, header(later, Kind::Announce));
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
    assert_ne!(clock(&world, BOAT), before);
    for mode in [Mode::SingleSealed, Mode::Hopping] {
        world.command(BOAT, Command::Mode(mode)).expect("a calling channel");
        assert!(world.nodes[BOAT].station.in_step(), "{mode:?}");
        assert_eq!(clock(&world, BOAT), before, "{mode:?}");
        world.run_slots(5);
    }
    assert_eq!(world.slot(BOAT), world.slot(POST));
}
