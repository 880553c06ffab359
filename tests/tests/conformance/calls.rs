//! Proves what specification sections 10 and 11 promise of stations that are addressed by keys: who can read what.
//!
//! Sources of the constructions are named in `core/src/tree`; here they are held against the planner's own
//! derivation. Spans are worked out beside each assertion.

use super::keyed_net::{BOAT, OTHER, POST, net, one, payloads};
use hopwright_core::address::{Address, Target};
use hopwright_core::message::{Inbox, Layout, Outbox, Progress};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Command, Event, Payload, Refused, Station};
use hopwright_core::units::Slot;

#[test]
fn whoever_is_called_reads_and_nobody_else() {
    for (target, readers) in [
        (one(0x4B), vec![BOAT]),
        (one(0x51), vec![OTHER]),
        (Target::prefix(Address::new(0x40), 4).expect("a prefix"), vec![BOAT]),
        (Target::all_but(Address::new(0x51)), vec![BOAT]),
        (Target::ALL, vec![BOAT, OTHER]),
    ] {
        let mut world = net();
        world.over(POST, target, &[b"one", b"two"]);
        for node in [BOAT, OTHER] {
            let called = readers.contains(&node);
            let read = world.nodes[node].payloads.iter().filter(|p| !p.is_empty()).count();
            assert_eq!(read, if called { 2 } else { 0 }, "{target}, station {node}");
            let events = world.events(node);
            let busy = events.iter().filter(|e| matches!(e, Event::Busy { .. })).count();
            let call = events.iter().filter(|e| matches!(e, Event::Call { .. })).count();
            // Whoever is left out sees the same as at any call that is not for it.
            assert_eq!((call, busy), if called { (1, 0) } else { (0, 1) }, "{target}, {node}");
        }
    }
}

/// That the filter of addresses is no courtesy: a driver that pretends that it was called, or that
/// the call was another, gets nothing, or nothing that reads.
#[test]
fn a_driver_that_pretends_reads_nothing() {
    let mut world = net();
    world.over(POST, one(0x4B), &[b"for the boat alone"]);
    let said = payloads(&world);
    assert!(!said.is_empty());
    let mut text = vec![0; 106];
    let targets = [one(0x4B), one(0x51), Target::ALL, Target::all_but(Address::new(0x51))];
    for flight in &said {
        // Every slot of the session, so that the right one is among them.
        for slot in (200..300).map(Slot::new) {
            for target in targets {
                let (timeline, source) = (Timeline::Home, Address::new(0x10));
                let payload = Payload { timeline, slot, source, target, order: false };
                let open = |station: &mut Station<128>, text: &mut [u8]| {
                    station.open_payload(&payload, &flight.bits, text)
                };
                let length = open(&mut world.nodes[OTHER].station, &mut text);
                let reads = length.is_some_and(|n| text[..n].starts_with(b"for the boat"));
                assert!(!reads, "{target} in {slot}");
            }
        }
    }
    // The control: the boat reads it so.
    let reads = said.iter().any(|flight| {
        (200..300).map(Slot::new).any(|slot| {
            let (timeline, source, target) = (Timeline::Home, Address::new(0x10), one(0x4B));
            let payload = Payload { timeline, slot, source, target, order: false };
            let boat = &mut world.nodes[BOAT].station;
            let length = boat.open_payload(&payload, &flight.bits, &mut text);
            length.is_some_and(|n| text[..n].starts_with(b"for the boat"))
        })
    });
    assert!(reads);
}

#[test]
fn a_target_outside_the_directory_is_refused_at_the_press() {
    let mut world = net();
    let target = one(0x77);
    assert_eq!(world.command(POST, Command::Press(target)), Err(Refused::NoKey(target)));
    assert!(!world.nodes[POST].station.holds_floor());
    // What it belongs to needs no entry.
    let own = Target::prefix(Address::new(0x00), 3).expect("a prefix");
    assert_eq!(world.command(POST, Command::Press(own)), Ok(()));
}

/// A message of an over between real stations: sealed for its call, from the sender's own key to
/// the receiver's own.
#[test]
fn a_message_reaches_whom_it_is_for() {
    let mut world = net();
    let layout = Layout::new(20, 12, 106).expect("a code");
    let mut outbox: Outbox<4096> = Outbox::new(layout);
    let target = one(0x4B);
    world.command(POST, Command::Press(target)).expect("the floor is free");
    world.run_slots(5);
    let post = &mut world.nodes[POST].station;
    let key = post.message_key(Address::new(0x10), target).expect("its own over");
    let slot = world.slot(POST);
    let first = world.nodes[POST].station.own_origin(slot);
    outbox.load(&key, first, b"ford closed").expect("it fits");
    let mut out = [0; 106];
    while let Some(length) = outbox.next(&mut out) {
        world.nodes[POST].outbox.push_back(out[..length].to_vec());
    }
    world.run_slots(60);
    for (node, arrives) in [(BOAT, true), (OTHER, false)] {
        let mut inbox: Inbox<4096> = Inbox::new(layout);
        let parts = std::mem::take(&mut world.nodes[node].parts);
        assert_eq!(parts.is_empty(), !arrives);
        let mut got = Vec::new();
        for (payload, text) in parts {
            let station = &mut world.nodes[node].station;
            let key = station.message_key(payload.source, payload.target).expect("a part in it");
            let _ = inbox.take(&key, station.origin(&payload), &text);
            loop {
                match inbox.work() {
                    Progress::Working => {}
                    Progress::Ready(message) => got.push(message.text.to_vec()),
                    Progress::Waiting => break,
                }
            }
        }
        let wanted: &[&[u8]] = if arrives { &[b"ford closed"] } else { &[] };
        assert_eq!(got, wanted);
    }
    let other = &mut world.nodes[OTHER].station;
    assert!(other.message_key(Address::new(0x10), target).is_none());
}
