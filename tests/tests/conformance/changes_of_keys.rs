//! Proves what specification section 10 promises: how a change of the net key is followed, and who is left
//! out of it.
//!
//! Sources of the constructions are named in `core/src/tree`; here they are held against the planner's own
//! derivation. Spans are worked out beside each assertion.

use super::keyed_net::{BOAT, OTHER, POST, fixed, has_key, net, order, share, station};
use hopwright_core::address::{Address, Target};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality, stream};
use hopwright_core::keys::NetKey;
use hopwright_core::message::{Inbox, Layout, Outbox, Progress};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Command, Event, Heard, Mode, Radio, Refused, Station, Watermark};
use hopwright_core::tree::Share;
use hopwright_core::units::{Dbm, Lane, Micros, Slot, Tick};
use hopwright_tests::air::{Flight, SLOT_US, World};
use hopwright_tests::plans::{Make, key, timing};

/// Sends an order from the post: its columns, twice, and the end.
fn send_order(world: &mut World, order: &[u8]) {
    world.command(POST, Command::Order).expect("it has the order");
    let target = Target::ALL;
    world.run_slots_until(399, |world| {
        world.nodes[POST].events.iter().any(|event| matches!(event, Event::GoAhead { .. }))
    });
    let layout = Layout::new(20, 12, 106).expect("a code");
    let mut outbox: Outbox<4096> = Outbox::new(layout);
    let slot = world.slot(POST);
    let post = &mut world.nodes[POST].station;
    let key = post.message_key(Address::new(0x10), target).expect("everybody");
    let first = post.own_origin(slot);
    outbox.load(&key, first, order).expect("it fits");
    let mut out = [0; 106];
    while let Some(length) = outbox.next(&mut out) {
        world.nodes[POST].outbox.push_back(out[..length].to_vec());
    }
    world.run_slots(40);
    assert!(world.nodes[POST].outbox.is_empty(), "all columns are sent");
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(5);
}

/// What a driver does with the parts of an order that its station has read: whether it opened.
fn take_parts(world: &mut World, node: usize) -> Option<Result<(), Refused>> {
    let layout = Layout::new(20, 12, 106).expect("a code");
    let mut inbox: Inbox<4096> = Inbox::new(layout);
    let parts = std::mem::take(&mut world.nodes[node].parts);
    let now = world.local(node, world.now);
    for (payload, text) in parts.into_iter().filter(|(payload, _)| payload.order) {
        let station = &mut world.nodes[node].station;
        let key = station.message_key(payload.source, payload.target)?;
        let _ = inbox.take(&key, station.origin(&payload), &text);
        loop {
            match inbox.work() {
                Progress::Working => {}
                Progress::Ready(message) => {
                    let order = message.text.to_vec();
                    let answer = station.take_order(now, &order);
                    world.poll(node);
                    return Some(answer);
                }
                Progress::Waiting => break,
            }
        }
    }
    None
}

/// An order on the air: those it is for go over at its slot, in one and the same slot, and go on
/// talking; the withdrawn one cannot open it, is told nothing, and hears nothing any more.
#[test]
fn a_change_is_followed_by_all_but_the_withdrawn() {
    let mut world = net();
    let due = world.slot(POST).plus(200);
    let order = order(&[0x51], &key(1), 1, due);
    let now = world.local(POST, world.now);
    world.nodes[POST].station.take_order(now, &order).expect("the post is in the cover");
    send_order(&mut world, &order);
    assert_eq!(take_parts(&mut world, BOAT), Some(Ok(())));
    assert_eq!(take_parts(&mut world, OTHER), Some(Err(Refused::NotForUs)));
    // The operator of the withdrawn set saw a busy net, as the boat's did.
    let told = |world: &mut World, node| -> Vec<Event> {
        let events = world.events(node);
        events.into_iter().filter(|e| !matches!(e, Event::Ordered { .. })).collect()
    };
    let (boat, other) = (told(&mut world, BOAT), told(&mut world, OTHER));
    assert_eq!(boat, other);
    assert!(boat.iter().any(|e| matches!(e, Event::Busy { .. })), "{boat:?}");
    assert!(has_key(&world, POST, &key(1)) && has_key(&world, BOAT, &key(1)), "not before");
    world.run_slots(200);
    for node in [POST, BOAT] {
        assert!(!has_key(&world, node, &key(1)), "station {node} has changed");
        let changed = Event::KeysChanged { slot: due };
        assert!(world.events(node).contains(&changed), "station {node}");
        assert!(world.nodes[node].station.in_step());
    }
    assert!(has_key(&world, OTHER, &key(1)));
    assert_eq!(world.slot(POST), world.slot(BOAT));
    world.forget();
    world.over(BOAT, Target::ALL, &[b"after the change"]);
    assert!(world.nodes[POST].payloads.iter().any(|p| p == b"after the change"));
    assert!(world.nodes[OTHER].events.is_empty(), "{:?}", world.nodes[OTHER].events);
    assert!(world.nodes[OTHER].heard.is_empty());
    // Nor does anything on the air open under the key of before.
    let old = HeaderKeys::new(&key(1));
    for flight in &world.log {
        for timeline in [Timeline::Home, Timeline::CutIn, Timeline::Single] {
            let bits = flight.bits.first_chunk().expect("a header's length");
            assert!(old.from_bits(bits, stream(Lane::ZERO, timeline)).is_none());
        }
    }
}

/// A change comes while somebody speaks: the over goes on in the next slot under the new key.
#[test]
fn an_over_under_way_goes_on_across_the_change() {
    let mut world = net();
    let due = world.slot(POST).plus(60);
    let order = order(&[0x51], &key(1), 1, due);
    for node in [POST, BOAT] {
        let now = world.local(node, world.now);
        world.nodes[node].station.take_order(now, &order).expect("in the cover");
        world.poll(node);
    }
    let texts: Vec<Vec<u8>> = (0..80_u8).map(|i| vec![b'a', i]).collect();
    let texts: Vec<&[u8]> = texts.iter().map(Vec::as_slice).collect();
    world.over(BOAT, Target::ALL, &texts);
    // Every payload, before and after, in order.
    let read: Vec<&Vec<u8>> = world.nodes[POST].payloads.iter().filter(|p| !p.is_empty()).collect();
    assert_eq!(
        read,
        texts.iter().map(|t| t.to_vec()).collect::<Vec<_>>().iter().collect::<Vec<_>>()
    );
    assert!(!has_key(&world, POST, &key(1)) && !has_key(&world, BOAT, &key(1)));
    // The withdrawn one read along until then, and not a slot longer.
    let last = world.nodes[OTHER].parts.iter().map(|(payload, _)| payload.slot).max();
    assert!(last.is_some_and(|last| last < due), "{last:?}");
}

/// A station that has missed the order is on the key of before, with time or without. The post
/// sends it again there: a run, a call, the columns. Meanwhile the withdrawn one, which hears the
/// same, gets nothing.
#[test]
fn whoever_has_missed_it_is_picked_up() {
    for switched_off in [false, true] {
        let mut world = net();
        let due = world.slot(POST).plus(40);
        let order = order(&[0x51], &key(1), 1, due);
        let now = world.local(POST, world.now);
        world.nodes[POST].station.take_order(now, &order).expect("in the cover");
        world.run_slots(60);
        assert!(!has_key(&world, POST, &key(1)) && has_key(&world, BOAT, &key(1)));
        if switched_off {
            world.nodes[BOAT].station = station(BOAT);
            world.nodes[BOAT].action = None;
            world.poll(BOAT);
        }
        world.forget();
        send_order(&mut world, &order);
        assert_eq!(take_parts(&mut world, OTHER), Some(Err(Refused::NotForUs)));
        assert_eq!(take_parts(&mut world, BOAT), Some(Ok(())), "switched off: {switched_off}");
        world.run_slots(1);
        assert!(!has_key(&world, BOAT, &key(1)), "it goes over at once");
        assert!(world.nodes[BOAT].station.in_step());
        assert_eq!(world.slot(BOAT), world.slot(POST));
        // The post is back on the new key, has listened for two frames, and both understand each other there.
        world.run_slots(16);
        world.forget();
        world.over(POST, Target::ALL, &[b"welcome back"]);
        assert!(world.nodes[BOAT].payloads.iter().any(|p| p == b"welcome back"));
        assert!(world.nodes[OTHER].heard.is_empty());
    }
}

#[test]
fn orders_are_refused_where_they_have_no_place() {
    let mut world = net();
    assert_eq!(world.command(POST, Command::Order), Err(Refused::NoOrder));
    assert_eq!(world.command(BOAT, Command::Order), Err(Refused::NotTimekeeper));
    let due = world.slot(POST).plus(5_000);
    let good = order(&[0x51], &key(1), 1, due);
    let now = world.local(POST, world.now);
    let post = &mut world.nodes[POST].station;
    for cut in [0, 1, 7, good.len() - 1] {
        assert_eq!(post.take_order(now, &good[..cut]), Err(Refused::NotForUs));
    }
    let foreign = order(&[0x51], &key(2), 1, due);
    assert_eq!(post.take_order(now, &foreign), Err(Refused::NotForUs), "another net key");
    assert!(post.next_event().is_none(), "and nothing has happened");
    post.take_order(now, &good).expect("in the cover");
    assert_eq!(post.take_order(now, &good), Err(Refused::NotForUs), "once");
    post.command(now, Command::Press(Target::ALL)).expect("the floor is free");
    assert_eq!(post.command(now, Command::Order), Err(Refused::Speaking), "it waits for the floor");
    post.command(now, Command::Release).expect("it waits");
    post.command(now, Command::Order).expect("the floor is free");
    assert_eq!(post.command(now, Command::Order), Err(Refused::Speaking));
    // A station without a share takes none.
    let mut plain = Make::member(0x4B).station(&key(1));
    assert_eq!(plain.take_order(now, &good), Err(Refused::NotForUs));
}

/// An order is for those who have time: whoever has none waits with it for as long as that takes, where words would
/// cut in (specification section 10).
#[test]
fn an_order_does_not_cut_in() {
    for (command, sends) in [(Command::Press(Target::ALL), true), (Command::Order, false)] {
        let mut world = World::of((0..3).map(station).collect());
        world.run_slots(3);
        let order = order(&[0x51], &key(1), 1, Slot::new(2_000_000));
        let now = world.local(POST, world.now);
        world.nodes[POST].station.take_order(now, &order).expect("in the cover");
        world.command(POST, command).expect("nobody speaks");
        world.run_slots(600);
        let sent = world.log.iter().any(|flight| flight.from == POST);
        assert_eq!(sent, sends, "{command:?}");
    }
}

/// After a restart the order waits in the storage: a station that has it, and whose watermark is
/// beyond its slot, begins with the new key.
#[test]
fn a_stored_order_survives_a_restart() {
    let order = order(&[0x51], &key(1), 1, Slot::new(1_000));
    let restarted = |watermark| {
        let make = Make { watermark, ..Make::member(0x4B) };
        let mut boat = make.station_with(&key(1), share(0x4B));
        let now = Micros::new(5_000_000);
        let now = Tick::ZERO.plus(now);
        boat.take_order(now, &order).expect("in the cover");
        let _ = boat.poll(now);
        !boat.keys().0.same(&key(1))
    };
    assert!(restarted(Watermark::Stored(Slot::new(1_000))));
    assert!(!restarted(Watermark::Stored(Slot::new(999))), "it may be early yet");
    assert!(!restarted(Watermark::Fresh));
}

/// The keys that a station hands to its storage make the very station again.
#[test]
fn what_is_stored_after_a_change_is_what_is_in_use() {
    let mut world = net();
    let due = world.slot(POST).plus(20);
    let order = order(&[0x51], &key(1), 1, due);
    for node in [POST, BOAT] {
        let now = world.local(node, world.now);
        world.nodes[node].station.take_order(now, &order).expect("in the cover");
        world.poll(node);
    }
    world.run_slots(40);
    let (net_key, share) = world.nodes[BOAT].station.keys();
    let mut bytes = [0; 32];
    net_key.expose(|key| bytes = *key);
    let mut written = Vec::new();
    let share = share.expect("a share");
    assert_eq!(share.generation(), 1);
    share.write(&mut |part: &[u8]| written.extend_from_slice(part));
    let stored = Share::read(&written);
    // (The hopset is that of the plan: a station holds it as channels.)
    let make = Make { fixed: fixed(), ..Make::member(0x4B) };
    let hopset = world.nodes[BOAT].station.sequence().hopset().clone();
    let again = make.station_with(&NetKey::new(bytes), stored);
    assert_eq!(again.sequence().hopset().channels(), hopset.channels());
    world.nodes[BOAT].station = again;
    world.nodes[BOAT].action = None;
    world.poll(BOAT);
    world.forget();
    world.over(POST, Target::ALL, &[b"first"]);
    // Long enough to be met on a rendezvous channel: r + w frames and a frame.
    let payloads: Vec<&[u8]> = vec![b"x"; 180];
    world.over(POST, Target::ALL, &payloads);
    assert!(world.nodes[BOAT].station.in_step());
    // An order of its own generation is not taken again.
    let now = world.local(BOAT, world.now);
    assert_eq!(world.nodes[BOAT].station.take_order(now, &order), Err(Refused::NotForUs));
}

/// Kinds of headers on the air: an order is announced as such, and its run as a lead-in.
#[test]
fn an_order_is_called_as_one() {
    let mut world = net();
    let due = world.slot(POST).plus(400);
    let order = order(&[0x51], &key(1), 1, due);
    let now = world.local(POST, world.now);
    world.nodes[POST].station.take_order(now, &order).expect("in the cover");
    send_order(&mut world, &order);
    let headers: Vec<Kind> =
        world.log.iter().filter_map(|flight| Some(world.header(flight)?.kind)).collect();
    assert!(headers.iter().all(|kind| matches!(kind, Kind::Rekey | Kind::Closing)), "{headers:?}");
    assert!(headers.contains(&Kind::Rekey));
    let span = world.log.last().expect("a flight").starts - world.log[0].starts;
    // 8 call headers, 40 slots, 2 closing headers.
    assert!(span < 60 * SLOT_US, "{span}");
    let hopset = world.nodes[POST].station.sequence().hopset().clone();
    assert!(world.log.iter().all(|flight| hopset.contains(flight.channel)));
}

/// The change comes in the middle of somebody's cut-in: those who follow it leave it and go over;
/// nobody who keeps a cut-in up keeps them on the key of before.
#[test]
fn a_cut_in_does_not_put_a_change_off() {
    let mut world = net();
    // The third station has lost its time, and must speak.
    world.nodes[OTHER].station = station(OTHER);
    world.nodes[OTHER].action = None;
    world.poll(OTHER);
    let due = world.slot(POST).plus(200);
    let order = order(&[0x4B], &key(1), 1, due);
    let now = world.local(POST, world.now);
    world.nodes[POST].station.take_order(now, &order).expect("in the cover");
    world.poll(POST);
    world.command(OTHER, Command::Press(Target::ALL)).expect("a wish");
    // Two seconds of patience, and some of the run of six.
    world.run_slots(185);
    assert!(world.nodes[OTHER].station.cuts_in());
    let told = |world: &World, node: usize| {
        world.nodes[node].events.iter().any(|e| matches!(e, Event::Call { .. }))
    };
    assert!(told(&world, POST) && told(&world, BOAT), "both follow it");
    world.run_slots(25);
    assert!(!has_key(&world, POST, &key(1)), "the post has gone over");
    assert!(world.nodes[POST].station.in_step());
    let clear = |e: &Event| matches!(e, Event::Clear { .. });
    assert!(world.nodes[POST].events.iter().any(clear), "for its operator it is over");
    assert!(world.nodes[OTHER].station.cuts_in(), "while the cut-in goes on");
    assert!(has_key(&world, BOAT, &key(1)));
    // It has left the cut-in, and can use the net when it has listened for two frames, and waited like anybody who waits:
    // up to fifteen steps of 22 slots, for a lead-in is owed.
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks there");
    world.run_slots(20 + 15 * 22);
    assert!(world.nodes[POST].station.holds_floor());
}

/// Whoever cuts in without time finishes its over with the key that it began it with.
#[test]
fn an_own_cut_in_is_finished_first() {
    let order = order(&[0x10], &key(1), 1, Slot::new(1_000));
    let make = Make { watermark: Watermark::Stored(Slot::new(1_000)), ..Make::member(0x4B) };
    let mut boat = make.station_with(&key(1), share(0x4B));
    let mut now = Tick::new(1_000_000);
    let mut run = |boat: &mut Station<128>, slots: u64| {
        for _ in 0..slots {
            now = now.plus(Micros::new(SLOT_US));
            let _ = boat.poll(now);
        }
        now
    };
    let at = run(&mut boat, 1);
    boat.command(at, Command::Press(Target::ALL)).expect("a wish");
    let at = run(&mut boat, 120);
    assert!(boat.cuts_in());
    boat.take_order(at, &order).expect("in the cover");
    // By its storage the slot has come.
    let at = run(&mut boat, 50);
    assert!(boat.keys().0.same(&key(1)) && boat.cuts_in(), "it goes on");
    boat.command(at, Command::Release).expect("it speaks");
    let _ = run(&mut boat, 10);
    assert!(!boat.cuts_in());
    // With its next stay at the latest: r + w frames.
    let _ = run(&mut boat, 160);
    assert!(!boat.keys().0.same(&key(1)));
}

/// An event that found no room is told later: the storage must hear of new keys.
#[test]
fn a_change_is_told_even_if_the_queue_was_full() {
    let mut world = net();
    let due = world.slot(BOAT).plus(20);
    let first = order(&[0x51], &key(1), 1, due);
    let now = world.local(BOAT, world.now);
    let boat = &mut world.nodes[BOAT].station;
    boat.take_order(now, &first).expect("in the cover");
    while boat.next_event().is_some() {}
    // Sixteen presses, each told and none drained.
    for _ in 0..20 {
        boat.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        boat.command(now, Command::Release).expect("a wish");
    }
    let mut now = now;
    for _ in 0..30 {
        now = now.plus(Micros::new(SLOT_US));
        let _ = boat.poll(now);
    }
    assert!(!boat.keys().0.same(&key(1)));
    // Nor is another order taken before: the driver would store it under keys that it has not.
    let next = order(&[0x51], boat.keys().0, 2, due.plus(1_000));
    assert_eq!(boat.take_order(now, &next), Err(Refused::Full));
    let mut told = || std::iter::from_fn(|| boat.next_event()).collect::<Vec<_>>();
    let changed = Event::KeysChanged { slot: due };
    assert!(!told().contains(&changed), "there was no room");
    now = now.plus(Micros::new(10 * SLOT_US));
    let _ = boat.poll(now);
    let events: Vec<Event> = std::iter::from_fn(|| boat.next_event()).collect();
    assert!(events.contains(&changed), "{events:?}");
    now = now.plus(Micros::new(10 * SLOT_US));
    let _ = boat.poll(now);
    let again: Vec<Event> = std::iter::from_fn(|| boat.next_event()).collect();
    assert!(!again.contains(&changed), "once");
    boat.take_order(now, &next).expect("told, and in the cover");
}

/// With room for both, the keys of one change are told before the order of the next.
#[test]
fn the_keys_of_one_change_are_told_before_the_next_order() {
    let mut world = net();
    let due = world.slot(BOAT).plus(20);
    let first = order(&[0x51], &key(1), 1, due);
    let mut now = world.local(BOAT, world.now);
    let boat = &mut world.nodes[BOAT].station;
    boat.take_order(now, &first).expect("in the cover");
    for _ in 0..20 {
        boat.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        boat.command(now, Command::Release).expect("a wish");
    }
    for _ in 0..30 {
        now = now.plus(Micros::new(SLOT_US));
        let _ = boat.poll(now);
    }
    while boat.next_event().is_some() {}
    let next = order(&[0x51], boat.keys().0, 2, due.plus(1_000));
    boat.take_order(now, &next).expect("there is room");
    let told: Vec<Event> = std::iter::from_fn(|| boat.next_event()).collect();
    let (changed, ordered) =
        (Event::KeysChanged { slot: due }, Event::Ordered { slot: due.plus(1_000) });
    assert_eq!(told, [changed, ordered]);
}

/// What a station stores at a change is what it needs to take the next order again after a restart, also if it has
/// that order already: the share goes with the key that is in use, and not with one that is to come.
#[test]
fn power_may_go_while_the_next_order_waits() {
    let mut world = net();
    let due = world.slot(BOAT).plus(20);
    let first = order(&[0x51], &key(1), 1, due);
    let mut now = world.local(BOAT, world.now);
    let boat = &mut world.nodes[BOAT].station;
    boat.take_order(now, &first).expect("in the cover");
    for _ in 0..30 {
        now = now.plus(Micros::new(SLOT_US));
        let _ = boat.poll(now);
    }
    let next = order(&[0x51], boat.keys().0, 2, due.plus(1_000));
    boat.take_order(now, &next).expect("it opens");
    // Now the driver comes to store what the first change has brought, and then the second order.
    let (net_key, kept) = boat.keys();
    let mut stored = Vec::new();
    kept.expect("it has one").write(&mut |part: &[u8]| stored.extend_from_slice(part));
    let make = Make { fixed: fixed(), ..Make::member(0x4B) };
    let restart = || make.station_with(net_key, Share::read(&stored));
    assert_eq!(restart().take_order(Tick::ZERO, &next), Ok(()));
    // The one that has brought this key does not open any more, and neither of two that wait opens twice.
    assert_eq!(restart().take_order(Tick::ZERO, &first), Err(Refused::NotForUs));
    let third = order(&[0x51], net_key, 3, due.plus(2_000));
    let mut after = restart();
    assert_eq!(after.take_order(Tick::ZERO, &third), Ok(()));
    for again in [&third, &next] {
        assert_eq!(after.take_order(Tick::ZERO, again), Err(Refused::NotForUs));
    }
    assert_eq!(after.keys().1.map(Share::generation), Some(1));
}

/// A slot that is on the air when an order is taken is sent whole.
#[test]
fn an_order_cuts_no_slot_short() {
    let mut world = net();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(4);
    let order = order(&[0x51], &key(1), 1, world.slot(POST).plus(500));
    let action = world.nodes[POST].action.expect("polled");
    assert!(matches!(action.radio, Radio::Transmit { .. }), "{action:?}");
    let middle = action.from.plus(Micros::new(SLOT_US / 2));
    let post = &mut world.nodes[POST].station;
    post.take_order(middle, &order).expect("in the cover");
    assert_eq!(post.poll(middle), action);
}

/// What a station was doing when it took an order does not last beyond the order's slot.
#[test]
fn an_order_is_due_whatever_the_station_was_doing() {
    let mut world = net();
    world.command(BOAT, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    let due = world.slot(BOAT).plus(50);
    let order = order(&[0x51], &key(1), 1, due);
    let now = world.local(BOAT, world.now);
    let boat = &mut world.nodes[BOAT].station;
    let before = boat.poll(now);
    let start = boat.clock().expect("kept").start_of(&timing(), due);
    assert!(before.until > start, "it waits for a minute");
    boat.take_order(now, &order).expect("in the cover");
    let after = boat.poll(now);
    assert!(after.until <= start && after.poll_by <= start, "{after:?}, due at {start:?}");
}

/// One header of a later time, which nobody has confirmed, changes no keys: not those of a station
/// in step (it keeps the time that it had; section 8), nor those of one without time.
#[test]
fn an_unconfirmed_header_changes_no_keys() {
    for in_step in [true, false] {
        let mut world = net();
        let due = world.slot(BOAT).plus(5_000);
        let order = order(&[0x51], &key(1), 1, due);
        if !in_step {
            world.nodes[BOAT].station = station(BOAT);
            world.nodes[BOAT].action = None;
            world.poll(BOAT);
        }
        let now = world.local(BOAT, world.now);
        world.nodes[BOAT].station.take_order(now, &order).expect("in the cover");
        world.poll(BOAT);
        let header = Header {
            slot: due.plus(10_000),
            source: Address::new(0x10),
            target: Target::ALL,
            kind: Kind::Announce,
            quality: Quality::of(Micros::new(100)),
            countdown: 3,
        };
        let bits = HeaderKeys::new(&key(1)).to_bits(header, 0).to_vec();
        let taken = (0..60).any(|_| {
            world.run_slots(1);
            let Some(action) = world.nodes[BOAT].action else { return false };
            let Radio::Listen { channel, word, complement } = action.radio else { return false };
            let word = if complement { !word } else { word };
            let starts = world.now;
            let bits = bits.clone();
            let (recognised, ends, listeners) = (0, 0, None);
            let from = POST;
            let flight = Flight { from, channel, word, bits, starts, recognised, ends, listeners };
            let heard = world.hear(BOAT, &flight, starts);
            world.poll(BOAT);
            matches!(heard, Heard::Header { .. })
        });
        assert!(taken, "in step: {in_step}");
        world.run_slots(60);
        assert!(has_key(&world, BOAT, &key(1)), "in step: {in_step}");
        let changed = |e: &Event| matches!(e, Event::KeysChanged { .. });
        assert!(!world.nodes[BOAT].events.iter().any(changed));
        assert_eq!(world.nodes[BOAT].station.in_step(), in_step);
    }
}

/// A second change whose slot comes while the post is on the former key, for those who missed the first:
/// from that slot on it sends with the newest.
#[test]
fn a_change_that_comes_during_a_visit_ends_it() {
    let mut world = net();
    let first = order(&[0x51], &key(1), 1, world.slot(POST).plus(40));
    let now = world.local(POST, world.now);
    world.nodes[POST].station.take_order(now, &first).expect("in the cover");
    world.run_slots(60);
    assert!(!has_key(&world, POST, &key(1)));
    let present = HeaderKeys::new(world.nodes[POST].station.keys().0);
    world.command(POST, Command::Order).expect("it has the order");
    world.run_slots(10);
    assert!(!world.nodes[POST].station.uses_net_key(), "it visits");
    let due = world.slot(POST).plus(30);
    let second = order(&[0x51], world.nodes[POST].station.keys().0, 2, due);
    let now = world.local(POST, world.now);
    world.nodes[POST].station.take_order(now, &second).expect("in the cover");
    world.forget();
    world.run_slots(60);
    assert!(world.nodes[POST].station.holds_floor(), "its run is not over");
    let newest = HeaderKeys::new(world.nodes[POST].station.keys().0);
    let slots_under = |keys: &HeaderKeys| -> Vec<Slot> {
        let bits = world.log.iter().filter_map(|flight| flight.bits.first_chunk());
        bits.filter_map(|bits| keys.from_bits(bits, 0)).map(|header| header.slot).collect()
    };
    let (visit, after) = (slots_under(&HeaderKeys::new(&key(1))), slots_under(&newest));
    assert!(visit.len() > 20 && visit.iter().all(|slot| *slot < due), "{visit:?}");
    assert!(after.len() > 20 && after.iter().all(|slot| *slot >= due), "{after:?}");
    assert!(slots_under(&present).is_empty());
}

/// An order is taken while the station goes over to the former key, piece by piece, for a visit: what it
/// goes over to is the key of the order before, wholly. Words and seals are of that key until the slot of the
/// new order.
#[test]
fn an_order_between_the_pieces_of_a_key_mixes_no_keys() {
    for polls in 1..8 {
        let mut world = net();
        let former = world.nodes[POST].station.sequence().sync_word();
        let first = order(&[0x51], &key(1), 1, world.slot(POST).plus(40));
        let now = world.local(POST, world.now);
        world.nodes[POST].station.take_order(now, &first).expect("in the cover");
        world.run_slots(60);
        let second =
            order(&[0x51], world.nodes[POST].station.keys().0, 2, world.slot(POST).plus(60));
        world.forget();
        let now = world.local(POST, world.now);
        world.nodes[POST].station.command(now, Command::Order).expect("it has the order");
        for _ in 0..polls {
            world.poll(POST);
        }
        world.nodes[POST].station.take_order(now, &second).expect("in the cover");
        world.run_slots(30);
        assert!(!world.nodes[POST].station.uses_net_key(), "after {polls} polls: it visits");
        let under_former = HeaderKeys::new(&key(1));
        let sealed = |flight: &&Flight| {
            let bits = flight.bits.first_chunk();
            bits.is_some_and(|bits| under_former.from_bits(bits, 0).is_some())
        };
        assert!(world.log.len() > 15, "after {polls} polls: {}", world.log.len());
        for flight in &world.log {
            assert!(sealed(&flight), "after {polls} polls: sealed with another key");
            assert_eq!(flight.word, former, "after {polls} polls: where others listen");
        }
    }
}

/// Ranks of rendezvous channels are those of a key. A station whose channels were all but one disturbed
/// under one chooses under the next as one that has never met any disturbance.
#[test]
fn what_is_known_of_interferers_goes_with_the_key() {
    let (mut quiet, mut disturbed) = (station(BOAT), station(BOAT));
    // Two minutes of search: whoever is disturbed reports energy wherever it listens.
    let choices = |station: &mut Station<128>, slots: std::ops::Range<u64>, level: Option<Dbm>| {
        let mut channels = Vec::new();
        for now in slots.map(|slot| Tick::new(slot * 20_000)) {
            let mut action = station.poll(now);
            while action.until <= now {
                action = station.poll(now);
            }
            let Radio::Listen { channel, .. } = action.radio else { continue };
            channels.push(channel);
            if let Some(level) = level.filter(|_| channel.number() % 5 != 0) {
                station.energy(now.plus(Micros::new(19_000)), channel, level);
            }
        }
        channels
    };
    let before = choices(&mut quiet, 0..6_000, None);
    assert_ne!(before, choices(&mut disturbed, 0..6_000, Some(Dbm::new(-40))), "it evades");
    for station in [&mut quiet, &mut disturbed] {
        for (mode, slots) in [(Mode::SinglePlain, 6_000..6_010), (Mode::Hopping, 6_010..6_011)] {
            let now = Tick::new(slots.start * 20_000);
            station.command(now, Command::Mode(mode)).expect("nobody speaks");
            let _ = choices(station, slots, None);
        }
    }
    let after = choices(&mut quiet, 6_011..7_000, None);
    assert_eq!(after, choices(&mut disturbed, 6_011..7_000, None));
}
