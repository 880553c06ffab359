//! Proves what specification section 9 promises: that single-channel modes disturb nobody.

use super::keyed_net::{BOAT, CALLING, OTHER, POST, has_key, net, one, order, station};
use hopwright_core::address::{Address, Target};
use hopwright_core::header::{HeaderKeys, stream};
use hopwright_core::keys::{Label, NetKey, Subkey};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Command, Heard, Mode, Refused};
use hopwright_core::units::{Channel, Lane, Tick};
use hopwright_tests::air::World;
use hopwright_tests::plans::{Make, key};
use std::collections::BTreeSet;

fn plain_key() -> NetKey {
    NetKey::of_the_clear()
}

/// On the calling channel, sealed: the two who are there talk; nothing goes anywhere else, the one
/// who hops is not disturbed, and both come back in step without a word.
#[test]
fn on_a_single_channel_two_talk_and_come_back() {
    for (mode, clear) in [(Mode::SingleSealed, false), (Mode::SinglePlain, true)] {
        let mut world = net();
        for node in [BOAT, OTHER] {
            world.command(node, Command::Mode(mode)).expect("there is a calling channel");
        }
        world.run_slots(5);
        world.forget();
        world.over(BOAT, one(0x51), &[b"over here"]);
        assert!(world.nodes[OTHER].payloads.iter().any(|p| p == b"over here"), "{mode:?}");
        // Eight call headers, payload and sync slots, two closing headers: all on that channel.
        assert!(world.log.len() > 10);
        let calling = Channel::new(CALLING).expect("a channel");
        assert!(world.log.iter().all(|flight| flight.channel == calling));
        assert!(world.nodes[POST].events.is_empty() && world.nodes[POST].heard.is_empty());
        // In the clear everybody can read it, sealed nobody without the key.
        let open = HeaderKeys::new(&plain_key());
        let single = stream(Lane::ZERO, Timeline::Single);
        let headers = world.log.iter().filter(|flight| {
            flight.bits.first_chunk().is_some_and(|b| open.from_bits(b, single).is_some())
        });
        assert_eq!(headers.count() > 0, clear, "{mode:?}");
        let readable = world.log.iter().any(|f| f.bits.windows(9).any(|w| w == b"over here"));
        assert_eq!(readable, clear, "{mode:?}");
        for node in [BOAT, OTHER] {
            world.command(node, Command::Mode(Mode::Hopping)).expect("nobody speaks");
            assert!(world.nodes[node].station.in_step(), "{mode:?}: time went on underneath");
        }
        world.run_slots(3);
        world.forget();
        world.over(POST, Target::ALL, &[b"all of you"]);
        for node in [BOAT, OTHER] {
            assert!(world.nodes[node].payloads.iter().any(|p| p == b"all of you"), "{mode:?}");
        }
    }
}

/// Whoever stays with the net hears the single channel as energy: a call waiting.
#[test]
fn those_who_hop_do_not_take_what_is_on_the_calling_channel() {
    let mut world = net();
    world.command(BOAT, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    let payloads: Vec<&[u8]> = vec![b"x"; 300];
    world.over(BOAT, one(0x51), &payloads);
    // Radios wait for another word there, so that nothing is heard at all.
    assert!(world.nodes[OTHER].heard.is_empty() && world.nodes[POST].heard.is_empty());
}

#[test]
fn modes_are_refused_where_they_have_no_place() {
    let mut world = net();
    let mut bare = Make::member(0x4B).station(&key(1));
    let now = world.local(BOAT, world.now);
    for mode in [Mode::SingleSealed, Mode::SinglePlain] {
        assert_eq!(bare.command(now, Command::Mode(mode)), Err(Refused::NoChannel));
    }
    assert_eq!(bare.command(now, Command::Mode(Mode::Hopping)), Ok(()), "that it is already");
    world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
    let refused = world.command(POST, Command::Mode(Mode::SinglePlain));
    assert_eq!(refused, Err(Refused::Speaking));
    assert_eq!(world.nodes[POST].station.mode(), Mode::Hopping);
    // In a single-channel mode nobody announces, and no order is sent.
    world.command(POST, Command::Release).expect("it waited for the floor");
    world.run_slots(20);
    world.command(POST, Command::Mode(Mode::SinglePlain)).expect("nobody speaks");
    assert_eq!(world.command(POST, Command::Announce), Err(Refused::Busy));
    assert_eq!(world.command(POST, Command::Order), Err(Refused::Busy));
}

/// In the clear there are no keys of calls: whoever is in no directory can be called, and what a message is sealed
/// with is the key of 32 zeros for whoever says it and whoever hears it (specification section 11).
#[test]
fn in_the_clear_calls_are_made_with_the_key_that_everybody_has() {
    let mut world = net();
    let stranger = one(0x77);
    for (mode, answer) in
        [(Mode::SingleSealed, Err(Refused::NoKey(stranger))), (Mode::SinglePlain, Ok(()))]
    {
        for node in [BOAT, OTHER] {
            world.command(node, Command::Mode(mode)).expect("a calling channel");
        }
        assert_eq!(world.command(BOAT, Command::Press(stranger)), answer, "{mode:?}");
        let _ = world.command(BOAT, Command::Release);
        world.run_slots(5);
    }
    let word = |key: &Subkey| key.word(0, 0);
    let everybodys = word(&plain_key().subkey(Label::Data).subkey(Label::Text));
    for target in [Target::ALL, one(0x51), stranger] {
        for node in [BOAT, OTHER] {
            let station = &mut world.nodes[node].station;
            let key = station.message_key(Address::new(0x4B), target).expect("everybody");
            assert_eq!(word(&key), everybodys, "{target}, station {node}");
        }
    }
}

/// Two operators wait for a third's over on the single channel: they do not start together, and
/// whoever comes second waits again.
#[test]
fn who_waits_on_a_single_channel_does_not_start_with_the_other() {
    let mut world = net();
    for node in [POST, BOAT, OTHER] {
        world.command(node, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    }
    world.run_slots(3);
    world.command(OTHER, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(20);
    for node in [POST, BOAT] {
        world.command(node, Command::Press(Target::ALL)).expect("a wish");
        world.run_slots(1);
        assert!(!world.nodes[node].station.holds_floor(), "it waits");
    }
    world.forget();
    world.command(OTHER, Command::Release).expect("it speaks");
    world.run_slots(30);
    let starts: BTreeSet<usize> = world.log.iter().map(|flight| flight.from).collect();
    let holds = |node: usize| world.nodes[node].station.holds_floor();
    assert_eq!([POST, BOAT].iter().filter(|node| holds(**node)).count(), 1, "{starts:?}");
}

/// Net time goes on underneath: the change of keys comes while a station is away, and finds it with
/// the new key when it is back; sealed overs on the channel are under it at once.
#[test]
fn a_change_finds_those_who_are_away() {
    let mut world = net();
    let due = world.slot(POST).plus(50);
    let order = order(&[0x51], &key(1), 1, due);
    for node in [POST, BOAT] {
        let now = world.local(node, world.now);
        world.nodes[node].station.take_order(now, &order).expect("in the cover");
        world.poll(node);
        world.command(node, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    }
    world.command(OTHER, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    world.run_slots(60);
    assert!(!has_key(&world, BOAT, &key(1)));
    world.forget();
    world.over(BOAT, Target::ALL, &[b"among ourselves"]);
    assert!(world.nodes[POST].payloads.iter().any(|p| p == b"among ourselves"));
    assert!(world.nodes[OTHER].heard.iter().all(|heard| matches!(heard, Heard::Dropped(_))));
    for node in [POST, BOAT] {
        world.command(node, Command::Mode(Mode::Hopping)).expect("nobody speaks");
    }
    // Two frames of listening come first.
    world.run_slots(16);
    world.forget();
    world.over(POST, Target::ALL, &[b"back"]);
    assert!(world.nodes[BOAT].payloads.iter().any(|p| p == b"back"));
}

/// Whoever has only one header of the net when it leaves for a single channel has no time when it
/// comes back; and whoever waits for the floor cannot leave.
#[test]
fn leaving_takes_nothing_along_that_was_not_confirmed() {
    let mut world = World::of((0..3).map(station).collect());
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    while world.nodes[BOAT].heard.is_empty() {
        world.run_slots(1);
    }
    assert!(!world.nodes[BOAT].station.in_step(), "one header is no time yet");
    world.command(BOAT, Command::Mode(Mode::SinglePlain)).expect("a calling channel");
    world.command(BOAT, Command::Mode(Mode::Hopping)).expect("nobody speaks");
    assert!(!world.nodes[BOAT].station.in_step());
    world.run_slots(40);
    assert!(world.nodes[BOAT].station.in_step(), "it searches, and finds");
    let mut alone = station(OTHER);
    let now = Tick::new(1_000_000);
    alone.command(now, Command::Press(Target::ALL)).expect("a wish");
    let refused = alone.command(now, Command::Mode(Mode::SinglePlain));
    assert_eq!(refused, Err(Refused::Speaking));
}
