//! Proves what stations promise each other, with two or three of them on a clean channel.
//!
//! The numbers come from `docs/specification.md`: sections 8 (watermarks, replay), 9 (overs,
//! announce), 10 (targets), and from the driver's part in the documentation of
//! `hopwright_core::station::Station`. Expected spans are worked out beside each assertion.
//!
//! Time is virtual; stations have clocks of their own that started at different times. A
//! transmission reaches every station that listens to its channel and word when it begins.

use hopwright_core::address::{Address, Target};
use hopwright_core::clock::Grip;
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    CALL_SLOTS, CLOSING_SLOTS, Command, Dropped, Event, Heard, OVER_TIMEOUT, Payload, Radio,
    Refused, Role, Station, WATERMARK_STEP, Watermark,
};
use hopwright_core::units::{Micros, Slot, Tick};
use hopwright_tests::air::{Flight, SLOT_US, World};
use hopwright_tests::plans::{Make, key, timing};

const POST: usize = 0;
const BOAT: usize = 1;
const OTHER: usize = 2;

fn addressed(target: u8) -> Target {
    Target::one(Address::new(target))
}

/// A post, a boat 4B and another boat 51, in step and idle after an announce.
fn net_in_step() -> World {
    let mut world = World::new(&[Make::timekeeper(0x10), Make::member(0x4B), Make::member(0x51)]);
    world.bring_into_step();
    world
}

fn calls(events: &[Event]) -> Vec<(u8, Target)> {
    let call = |event: &Event| {
        let Event::Call { source, target, .. } = *event else { return None };
        Some((source.number(), target))
    };
    events.iter().filter_map(call).collect()
}

fn has(events: &[Event], wanted: impl Fn(&Event) -> bool) -> bool {
    events.iter().any(wanted)
}

#[test]
fn announce_brings_a_member_into_step() {
    let mut world = World::new(&[Make::timekeeper(0x10), Make::member(0x4B)]);
    world.run_slots(3);
    assert!(!world.nodes[BOAT].station.in_step());
    world.command(POST, Command::Announce).expect("a timekeeper");
    // On a clean channel the run visits every rendezvous channel within r + w - 1 = 19 slots, and
    // the next slot of the run gives the second opinion.
    world.run_slots(21);
    assert!(world.nodes[BOAT].station.in_step());
    let events = world.events(BOAT);
    assert!(has(&events, |e| matches!(e, Event::InStep { .. })), "{events:?}");
    world.run_slots(200);
    assert_eq!(world.slot(BOAT), world.slot(POST));
    let now = world.local(BOAT, world.now);
    let clock = world.nodes[BOAT].station.clock().expect("a clock");
    assert_eq!(clock.grip(&timing(), now), Grip::Locked);
    // The boat's bound holds the post's time, by definition the true one.
    let truth =
        world.nodes[POST].station.clock().expect("a clock").net_us(world.local(POST, world.now));
    let (lo, hi) = clock.bound(now);
    assert!(lo <= truth && truth <= hi, "{truth} not in {lo}..={hi}");
    assert_eq!(world.log.len(), 200, "an announce lasts 200 slots");
}

#[test]
fn an_over_arrives_and_opens() {
    let mut world = net_in_step();
    let said: [&[u8]; 3] = [b"aground off the north shoal", b"", b"two aboard"];
    world.over(BOAT, addressed(0x10), &said);
    assert_eq!(calls(&world.events(POST)), [(0x4B, addressed(0x10))]);
    let arrived = &world.nodes[POST].payloads;
    assert_eq!(arrived[0], said[0]);
    assert!(arrived.iter().any(|p| p == said[2]), "{arrived:?}");
    // An over may answer at once.
    world.forget();
    world.over(POST, addressed(0x4B), &[b"coming"]);
    assert_eq!(world.nodes[BOAT].payloads[0], b"coming");
}

#[test]
fn nobody_outside_the_target_gets_any_content() {
    let mut world = net_in_step();
    world.over(POST, addressed(0x4B), &[b"for one only"]);
    assert_eq!(world.nodes[BOAT].payloads[0], b"for one only");
    let events = world.events(OTHER);
    assert_eq!(calls(&events), []);
    assert!(has(&events, |e| matches!(e, Event::Busy { .. })), "{events:?}");
    let node = &world.nodes[OTHER];
    assert_eq!(node.payloads, [[0_u8; 0]; 0]);
    assert!(node.heard.contains(&Heard::Busy), "it followed the over all the same");
}

#[test]
fn targets_reach_whom_they_name() {
    let forties = Target::prefix(Address::new(0x40), 4).expect("a prefix");
    let cases = [
        (Target::ALL, true, true),
        (forties, true, false),
        (Target::all_but(Address::new(0x4B)), false, true),
        (addressed(0x51), false, true),
        (addressed(0x99), false, false),
    ];
    for (target, boat, other) in cases {
        let mut world = net_in_step();
        world.over(POST, target, &[b"x"]);
        for (node, called) in [(BOAT, boat), (OTHER, other)] {
            let events = world.events(node);
            let expected = if called { vec![(0x10, target)] } else { vec![] };
            assert_eq!(calls(&events), expected, "{target}, station {node}");
            assert_eq!(!world.nodes[node].payloads.is_empty(), called, "{target}, station {node}");
            assert!(has(&events, |e| matches!(e, Event::Clear { .. })), "{target}: {events:?}");
        }
    }
}

/// What was handed over and not said before the release is not said in the next over, to others.
#[test]
fn what_was_left_unsaid_stays_unsaid() {
    let mut world = net_in_step();
    world.command(POST, Command::Press(addressed(0x4B))).expect("the floor is free");
    world.run_slots(u64::from(CALL_SLOTS) + 4);
    let post = &mut world.nodes[POST].station;
    post.queue_payload(b"for the boat").expect("it speaks");
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(u64::from(CLOSING_SLOTS) + 3);
    world.over(POST, addressed(0x51), &[b"for the other"]);
    let said = |node: usize| {
        let payloads = world.nodes[node].payloads.iter();
        payloads.filter(|payload| !payload.is_empty()).cloned().collect::<Vec<_>>()
    };
    assert_eq!((said(BOAT), said(OTHER)), (vec![], vec![b"for the other".to_vec()]));
}

#[test]
fn hold_off_lasts_until_go_ahead() {
    let mut world = net_in_step();
    world.nodes[BOAT].outbox.push_back(b"hold".to_vec());
    let pressed = world.slot(BOAT);
    world.command(BOAT, Command::Press(Target::ALL)).expect("the floor is free");
    assert_eq!(world.command(BOAT, Command::Press(Target::ALL)), Err(Refused::Speaking));
    assert_eq!(world.events(BOAT), [Event::HoldOff]);
    world.run_slots(u64::from(CALL_SLOTS) - 1);
    assert_eq!(world.events(BOAT), [], "still held off");
    world.run_slots(3);
    // The slot after the press opens the call, and eight call headers come first.
    let talk = pressed.plus(1 + CALL_SLOTS);
    assert_eq!(world.events(BOAT), [Event::GoAhead { slot: talk }]);
    for flight in world.log.iter().take(usize::try_from(CALL_SLOTS).expect("small")) {
        let header = world.header(flight).expect("only headers before the go-ahead");
        assert_eq!((header.kind, header.source.number()), (Kind::Over, 0x4B));
        assert!(header.slot < talk);
    }
}

#[test]
fn one_who_waits_for_the_floor_gets_it_afterwards() {
    let mut world = net_in_step();
    world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_slots(20);
    world.command(BOAT, Command::Press(Target::ALL)).expect("a wish is no transmission");
    world.run_slots(40);
    assert!(!world.nodes[BOAT].station.holds_floor(), "the post still speaks");
    world.forget();
    world.command(POST, Command::Release).expect("it speaks");
    // Two closing headers, up to fifteen times two slots of waiting and the closing headers' room,
    // and the call.
    world.run_slots(2 + 30 + 2 + u64::from(CALL_SLOTS) + 3);
    assert!(has(&world.events(BOAT), |e| matches!(e, Event::GoAhead { .. })));
    let closings = world.log.iter().filter(|f| f.from == POST).count();
    assert_eq!(closings, usize::try_from(CLOSING_SLOTS).expect("small"));
}

#[test]
fn release_closes_the_over() {
    let mut world = net_in_step();
    world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_slots(30);
    world.forget();
    let last = world.slot(POST);
    world.command(POST, Command::Release).expect("it speaks");
    assert_eq!(world.command(POST, Command::Release), Err(Refused::NotSpeaking));
    world.run_slots(5);
    assert!(!world.nodes[POST].station.holds_floor());
    let clear = Event::Clear { slot: last.plus(1) };
    assert_eq!(world.events(BOAT), [clear], "at the first of the two closing headers");
    let kinds: Vec<_> = world.log.iter().filter_map(|f| world.header(f)).map(|h| h.kind).collect();
    assert_eq!(kinds, [Kind::Closing; CLOSING_SLOTS as usize]);
    assert_eq!(world.command(BOAT, Command::Release), Err(Refused::NotSpeaking));
}

/// Whoever lets go under its very first header closes all the same: else everyone would wait for an
/// over that is none.
#[test]
fn an_over_let_go_under_its_first_header_is_closed() {
    let mut world = net_in_step();
    // The boat listens in the slot that comes, and is on no watch channel.
    world.run_slots(1);
    world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_slots_until(100, |world| !world.log.is_empty());
    let first = world.log[0].clone();
    world.run_until(world.now.max(first.recognised));
    assert!(world.now < first.ends && world.log.len() == 1, "its first header is on the air");
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(5);
    let kinds: Vec<_> = world.log.iter().filter_map(|f| world.header(f)).map(|h| h.kind).collect();
    assert_eq!(kinds, [Kind::Over, Kind::Closing, Kind::Closing]);
    let events = world.events(BOAT);
    assert_eq!(calls(&events), [(0x10, Target::ALL)]);
    assert!(has(&events, |event| matches!(event, Event::Clear { .. })), "{events:?}");
}

#[test]
fn an_over_whose_end_is_not_heard_ends_by_silence() {
    let mut world = net_in_step();
    world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_slots(30);
    world.forget();
    world.nodes[BOAT].deaf_until = u64::MAX;
    world.run_slots(u64::from(OVER_TIMEOUT) - 1);
    assert_eq!(world.events(BOAT), []);
    world.run_slots(4);
    assert!(matches!(world.events(BOAT)[..], [Event::Clear { .. }]));
}

#[test]
fn late_entry_after_missed_announce() {
    let mut world = World::new(&[Make::timekeeper(0x10), Make::member(0x4B), Make::member(0x51)]);
    world.nodes[OTHER].deaf_until = 8_000_000;
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(210);
    assert!(world.nodes[BOAT].station.in_step() && !world.nodes[OTHER].station.in_step());
    world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_until(8_000_000);
    assert!(!world.nodes[OTHER].station.in_step());
    // The first header within (r + w - 1) m + m slots, the second opinion within a frame of
    // traffic words.
    world.run_slots((16 + 4 - 1) * 8 + 8 + 8);
    assert!(world.nodes[OTHER].station.in_step());
    assert_eq!(world.slot(OTHER), world.slot(POST));
    // The next sync slot, a frame or two away, tells who speaks.
    world.run_slots(16);
    assert_eq!(calls(&world.events(OTHER)), [(0x10, Target::ALL)]);
    world.nodes[POST].outbox.push_back(b"late, but heard".to_vec());
    world.run_slots(4);
    assert!(world.nodes[OTHER].payloads.iter().any(|p| p == b"late, but heard"));
}

/// A recorded announce, sent again to a station in step on the very channel and word that it
/// listens to: nothing but a counter changes (invariant 3; a replay can never move a locked
/// station).
#[test]
fn a_replayed_announce_moves_nothing() {
    let mut world = World::new(&[Make::timekeeper(0x10), Make::member(0x4B)]);
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(210);
    let recorded = world.log.clone();
    assert_eq!(recorded.len(), 200);
    world.forget();
    let mut replayed = 0;
    for old in &recorded {
        world.run_slots(1);
        let Some(Radio::Listen { channel, word, complement }) =
            world.nodes[BOAT].action.map(|a| a.radio)
        else {
            panic!("an idle station listens")
        };
        // In a home slot a header is announced by the complement of the slot's word.
        let word = if complement { !word } else { word };
        let flight = Flight { channel, word, ..old.clone() };
        let (action, before) =
            (world.nodes[BOAT].action, world.nodes[BOAT].station.clock().copied());
        let heard = world.hear(BOAT, &flight, world.now);
        assert_eq!(heard, Heard::Dropped(Dropped::Replayed));
        replayed += 1;
        let node = &world.nodes[BOAT];
        assert_eq!(node.station.clock().copied(), before, "time");
        assert_eq!(node.events, [], "nothing is told");
        assert!(node.station.in_step() && !node.station.holds_floor());
        world.poll(BOAT);
        assert_eq!(world.nodes[BOAT].action, action, "it goes on as it was");
    }
    assert_eq!(world.nodes[BOAT].station.counters().replayed, replayed);
    // And the net still works.
    world.forget();
    world.over(POST, addressed(0x4B), &[b"still here"]);
    assert_eq!(world.nodes[BOAT].payloads[0], b"still here");
}

/// RFC 5297's rule for short inputs, at the station: a reception one byte short is no header.
#[test]
fn a_reception_that_ends_early_is_dropped() {
    let mut world = World::new(&[Make::timekeeper(0x10), Make::member(0x4B)]);
    world.nodes[BOAT].deaf_until = u64::MAX;
    world.run_slots(1);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(2);
    let Some(Radio::Listen { channel, word, .. }) = world.nodes[BOAT].action.map(|a| a.radio)
    else {
        panic!("a searching station listens")
    };
    let mut flight = Flight { channel, word, ..world.log[0].clone() };
    let last = flight.bits.pop().expect("bits");
    let now = world.now;
    assert_eq!(world.hear(BOAT, &flight, now), Heard::Dropped(Dropped::NotGenuine));
    flight.bits.push(last);
    assert!(matches!(world.hear(BOAT, &flight, now), Heard::Header { .. }));
}

#[test]
fn a_timekeeper_without_its_watermark_refuses() {
    let lost = Make { watermark: Watermark::Lost, ..Make::timekeeper(0x10) };
    let mut world = World::new(&[lost, Make::member(0x4B)]);
    world.run_slots(3);
    assert_eq!(world.command(POST, Command::Announce), Err(Refused::WatermarkLost));
    assert_eq!(world.command(BOAT, Command::Announce), Err(Refused::NotTimekeeper));
    world.run_slots(300);
    assert!(world.log.is_empty(), "nothing was sent");
}

/// Every watermark of a lone timekeeper with an ideal clock, polled no oftener than it asks for.
fn watermarks(station: &mut Station<128>, from: Tick, span: Micros) -> Vec<u32> {
    let (mut now, end, mut saved) = (from, from.plus(span), Vec::new());
    for _ in 0..1_000_000 {
        let action = station.poll(now);
        while let Some(event) = station.next_event() {
            if let Event::SaveWatermark { slot } = event {
                saved.push(slot.number());
            }
        }
        if now >= end {
            return saved;
        }
        now = action.poll_by.max(now.plus(Micros::new(1))).min(end);
    }
    panic!("a million polls did not reach {end:?}");
}

#[test]
fn watermarks_come_every_two_to_the_fourteen_slots() {
    let make = Make { tolerance_ppb: 0, ..Make::timekeeper(0x10) };
    let mut station = make.station(&key(1));
    station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
    let steps = 5;
    let span = Micros::new(SLOT_US * u64::from(WATERMARK_STEP) * steps);
    let saved = watermarks(&mut station, Tick::ZERO, span);
    let expected: Vec<u32> = (0..=5).map(|i| i * WATERMARK_STEP).collect();
    assert_eq!(saved, expected);
    assert_eq!(WATERMARK_STEP, 1 << 14, "specification section 8");
}

/// Close to the end of a timeline, where an over would not fit, nobody begins one on what is left of the time.
#[test]
fn no_over_begins_adrift_at_the_end_of_the_timeline() {
    // With 500 ppm a station is adrift after some minutes; the timeline has 8000 slots, 160 s, left.
    let stored = Slot::new(u32::MAX - 8_000 - WATERMARK_STEP);
    let watermark = Watermark::Stored(stored);
    let make = Make { watermark, tolerance_ppb: 500_000, ..Make::timekeeper(0x10) };
    let speaks_at_home = |seconds: u64| {
        let mut station = Make { announce_slots: 20, ..make }.station(&key(1));
        station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
        let _ = watermarks(&mut station, Tick::ZERO, Micros::new(SLOT_US * 30));
        let now = Tick::new(seconds * 1_000_000);
        let _ = station.poll(now);
        let grip = station.clock().map(|clock| clock.grip(&timing(), now));
        assert_eq!(grip, Some(Grip::Adrift), "after {seconds} s");
        station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        for step in 0..300 {
            let _ = station.poll(now.plus(Micros::new(step * SLOT_US / 2)));
        }
        // A cut-in with such an oscillator soon ends itself.
        station.holds_floor() && !station.cuts_in()
    };
    assert!(speaks_at_home(70), "3500 slots of 8000 have passed");
    assert!(!speaks_at_home(90), "fewer than 4096 are left");
}

/// What is said in a slot under one key is enciphered otherwise by everyone who may say it: two who speak at
/// once, which happens, do not lay their texts open.
#[test]
fn two_sources_never_share_a_keystream() {
    // Every payload that a timekeeper of this address sends in an over, with its slot.
    let bursts = |address: u8| {
        let mut station = Make::timekeeper(address).station(&key(1));
        station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
        let mut sent = Vec::new();
        for slot in 0..260 {
            let now = Tick::new(slot * SLOT_US);
            if slot == 210 {
                station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
            }
            let _ = station.queue_payload(b"the same words");
            let action = station.poll(now);
            if matches!(action.radio, Radio::Transmit { .. }) && station.burst().len() > 33 {
                sent.push((action.from, station.burst().to_vec()));
            }
        }
        sent
    };
    let (one, again, other) = (bursts(0x10), bursts(0x10), bursts(0x11));
    assert!(one.len() > 30 && one == again);
    assert_eq!(one.len(), other.len());
    for ((slot, one), (same, other)) in one.iter().zip(&other) {
        assert_eq!(slot, same);
        let equal = one.iter().zip(other).filter(|(a, b)| a == b).count();
        assert!(equal < 10, "{equal} of {} bytes at {slot:?}", one.len());
    }
}

/// Who has lost step speaks on home time as long as others can still be found by it, and cuts in after that.
#[test]
fn a_station_that_is_lost_does_not_speak_on_what_is_left_of_home_time() {
    let mut seen = Vec::new();
    for hours in (0..6).chain((200..2_200).step_by(400)).chain((8_000..18_000).step_by(2_000)) {
        let mut station = Make::timekeeper(0x10).station(&key(1));
        station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
        let _ = watermarks(&mut station, Tick::ZERO, Micros::new(SLOT_US * 210));
        let now = Tick::ZERO.plus(Micros::new(hours * 3_600 * 1_000_000)).max(Tick::new(5_000_000));
        let _ = station.poll(now);
        let grip = station.clock().map(|clock| clock.grip(&timing(), now));
        station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        for step in 0..300 {
            let _ = station.poll(now.plus(Micros::new(step * SLOT_US / 2)));
        }
        assert!(station.holds_floor(), "after {hours} hours");
        assert_eq!(station.cuts_in(), grip == Some(Grip::Lost), "after {hours} hours: {grip:?}");
        let adrift = grip == Some(Grip::Adrift);
        seen.push((adrift, station.cuts_in()));
    }
    for wanted in [(true, false), (false, true), (false, false)] {
        assert!(seen.iter().filter(|seen| **seen == wanted).count() > 3, "{wanted:?}");
    }
}

/// Who coasts hears runs, too: every fourth stay is parked for them (specification section 7).
#[test]
fn a_coasting_station_parks_for_runs_every_fourth_stay() {
    let mut station = Make::timekeeper(0x10).station(&key(1));
    station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
    let _ = watermarks(&mut station, Tick::ZERO, Micros::new(SLOT_US * 210));
    // An hour at 1 ppm is 3.6 ms a side; at four it is less than a slot, and the station coasts.
    let mut now = Tick::ZERO.plus(Micros::new(4 * 3_600 * 1_000_000));
    let rendezvous: Vec<_> = station.sequence().rendezvous().collect();
    let (mut stays, mut parked) = (0_u32, 0_u32);
    for _ in 0..4_000 {
        let action = station.poll(now);
        let grip = station.clock().map(|clock| clock.grip(&timing(), now));
        assert!(matches!(grip, Some(Grip::Coasting(_))), "{grip:?} at {now:?}");
        let Radio::Listen { channel, complement, .. } = action.radio else { panic!("{action:?}") };
        stays += 1;
        parked += u32::from(!complement && rendezvous.contains(&channel));
        now = action.until;
    }
    // And an eighth of the others waits for a sync slot: 0.25 + 0.75 / 8 = 0.344, five standard deviations 0.038.
    let share = f64::from(parked) / f64::from(stays);
    assert!((0.306..0.382).contains(&share), "{share} of {stays} stays");
}

/// A deputy waits for a silence of announces, its own included.
#[test]
fn a_deputy_does_not_announce_on_top_of_itself() {
    let after = Micros::from_millis(60_000);
    let role = Role::Deputy { after };
    let mut station = Make { role, ..Make::timekeeper(0x10) }.station(&key(1));
    let at = |us: u64| Tick::new(us);
    let _ = station.poll(at(0));
    let soon = Err(Refused::TooEarly(at(after.us())));
    assert_eq!(station.command(at(59_999_999), Command::Announce), soon);
    assert_eq!(station.command(at(60_000_000), Command::Announce), Ok(()));
    // 200 slots later it is over.
    for slot in 0..210 {
        let _ = station.poll(at(60_000_000 + slot * SLOT_US));
    }
    let soon = Err(Refused::TooEarly(at(120_000_000)));
    assert_eq!(station.command(at(100_000_000), Command::Announce), soon);
    assert_eq!(station.command(at(120_000_000), Command::Announce), Ok(()));
}

/// A timekeeper that has lost the time begins beyond whatever the others may have reached meanwhile.
#[test]
fn a_new_timeline_begins_beyond_the_one_that_was_lost() {
    let make = Make { tolerance_ppb: 50_000, announce_slots: 20, ..Make::timekeeper(0x10) };
    let mut station = make.station(&key(1));
    station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
    let _ = watermarks(&mut station, Tick::ZERO, Micros::new(SLOT_US * 30));
    assert!(station.in_step());
    // After sixty days at 50 ppm it is off by four minutes at most; nobody can be found by that.
    let days = Tick::ZERO.plus(Micros::new(60 * 86_400 * 1_000_000));
    for _ in 0..20 {
        let _ = station.poll(days);
    }
    assert!(!station.in_step());
    station.command(days, Command::Announce).expect("a timekeeper");
    let header = (0..20).find_map(|_| {
        let action = station.poll(days);
        matches!(action.radio, Radio::Transmit { .. }).then(|| {
            let bits = station.burst().first_chunk().copied().expect("a header");
            HeaderKeys::new(&key(1)).from_bits(&bits, 0).expect("an announce")
        })
    });
    let first = header.expect("it announces").slot;
    let true_slot = days.us() / SLOT_US;
    let spread = true_slot / 1_000_000 * 50;
    let at_least = Slot::new(u32::try_from(true_slot + spread).expect("within the range"));
    assert!(first >= at_least, "{first} is not beyond {at_least}");
    assert!(first.after(at_least) < 10_000, "{first}: nor further than need be");
}

/// Whatever was on the air after the stored watermark, at most the step itself further on, is
/// never sent again.
#[test]
fn a_restart_begins_beyond_the_stored_watermark() {
    let make = Make { tolerance_ppb: 0, ..Make::timekeeper(0x10) };
    let mut station = make.station(&key(1));
    station.command(Tick::ZERO, Command::Announce).expect("a timekeeper");
    let span = Micros::new(SLOT_US * (2 * u64::from(WATERMARK_STEP) - 1));
    let saved = watermarks(&mut station, Tick::ZERO, span);
    let reached = station.slot(Tick::ZERO.plus(span)).expect("in step");
    let stored = Slot::new(*saved.last().expect("a watermark"));
    assert!(reached.after(stored) < i64::from(WATERMARK_STEP));

    // The power fails; the clock starts again from nothing.
    let again = Make { watermark: Watermark::Stored(stored), ..make };
    let mut world = World::new(&[again, Make::member(0x4B)]);
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(30);
    assert!(world.slot(POST) > reached, "{} after {reached}", world.slot(POST));
    for flight in &world.log {
        let header = world.header(flight).expect("an announce");
        assert!(header.slot > reached, "{} after {reached}", header.slot);
    }
    assert!(world.nodes[BOAT].station.in_step());
}

/// A member that restarts drops everything at or below its watermark while it has no time.
#[test]
fn a_member_refuses_headers_below_its_watermark() {
    let stored = Make { watermark: Watermark::Stored(Slot::new(100)), ..Make::member(0x4B) };
    let mut world = World::new(&[Make::timekeeper(0x10), stored]);
    assert_eq!(world.nodes[POST].station.address().number(), 0x10);
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(95);
    assert!(!world.nodes[BOAT].station.in_step(), "slots 0 to 100 are the past to it");
    assert!(world.nodes[BOAT].heard.contains(&Heard::Dropped(Dropped::Replayed)));
    world.run_slots(30);
    assert!(world.nodes[BOAT].station.in_step());
}

/// The roles are what the plan says.
#[test]
fn only_a_timekeeper_announces() {
    let mut world = net_in_step();
    assert_eq!(Make::member(1).role, Role::Member);
    assert_eq!(world.command(BOAT, Command::Announce), Err(Refused::NotTimekeeper));
    assert_eq!(world.command(POST, Command::Announce), Ok(()), "re-forming a net on its timeline");
    let before = world.slot(POST);
    world.run_slots(210);
    assert_eq!(world.slot(POST).after(before), 210);
    assert!(has(&world.events(BOAT), |e| matches!(e, Event::AnnounceHeard { .. })));
}

/// Every accepted header may move the clock, so the deadlines of an idle station follow it, even
/// if the header is of a kind that changes nothing else. Here a second closing header from a
/// sender 400 us off, who promises nothing: the bound holds the phase back, the spread grows,
/// the clock will slip earlier, and the station must ask to be polled by then (documentation of
/// `Action::poll_by`).
#[test]
fn deadlines_follow_a_clock_that_a_header_has_moved() {
    let mut world = net_in_step();
    let slot = world.slot(BOAT).plus(1);
    let header = Header {
        slot,
        source: Address::new(0x10),
        target: Target::ALL,
        kind: Kind::Closing,
        quality: Quality::of(Micros::from_millis(3_600_000)),
        countdown: 0,
    };
    let starts = world.nodes[BOAT].station.clock().expect("in step").start_of(&timing(), slot);
    let starts = starts.plus(timing().word_offset()).us() - world.nodes[BOAT].epoch;
    world.run_until(starts + 6_000);
    let Some(Radio::Listen { channel, word, complement }) =
        world.nodes[BOAT].action.map(|a| a.radio)
    else {
        panic!("an idle station listens")
    };
    let word = if complement { !word } else { word };
    let bits = HeaderKeys::new(&key(1)).to_bits(header, 0).to_vec();
    let flight =
        Flight { from: POST, channel, word, bits, starts, recognised: 0, ends: 0, listeners: None };
    let heard = world.hear(BOAT, &flight, starts - 400);
    assert_eq!(heard, Heard::Header { timeline: Timeline::Home, slot, kind: Kind::Closing });
    world.poll(BOAT);
    let node = &world.nodes[BOAT];
    let slips = node.station.clock().and_then(|clock| clock.loosens_at(&timing(), Grip::Locked));
    let slips = slips.expect("no clock of 1 ppm lasts for ever");
    let poll_by = node.action.expect("polled").poll_by;
    assert!(poll_by <= slips, "to be polled by {poll_by:?}, slips at {slips:?}");
}

/// "A `now` that lies before an earlier one is harmless but may repeat an answer" (documentation
/// of `Station`): it must not send a second payload in a slot that has carried one, under the
/// same keystream (RFC 8439 section 4 on nonces).
#[test]
fn a_clock_that_runs_backwards_repeats_no_keystream() {
    let make = Make { announce_slots: 1, ..Make::timekeeper(0x10) };
    let mut station = make.station(&key(1));
    let mut now = Tick::new(1_000_000);
    station.command(now, Command::Announce).expect("a timekeeper");
    let mut step = |station: &mut Station<128>, us| {
        now = now.plus(Micros::new(us));
        (now, station.poll(now))
    };
    let _ = step(&mut station, 0);
    for _ in 0..3 {
        let _ = step(&mut station, SLOT_US);
    }
    let (at, _) = step(&mut station, 0);
    station.command(at, Command::Press(Target::ALL)).expect("the floor is free");
    for _ in 0..12 {
        let _ = step(&mut station, SLOT_US);
    }
    // The next slot, or the one after it if that is a sync slot, carries this.
    station.queue_payload(b"said once").expect("it speaks");
    let said = (0..3).find_map(|_| {
        let (at, action) = step(&mut station, SLOT_US);
        let slot = station.slot(at).expect("in step");
        let bits = station.burst().to_vec();
        let mut text = [0; 106];
        let (timeline, source, target) = (Timeline::Home, Address::new(0x10), Target::ALL);
        let payload = Payload { timeline, slot, source, target, order: false };
        let length = station.open_payload(&payload, &bits, &mut text);
        let carries = matches!(action.radio, Radio::Transmit { .. }) && length == Some(9);
        (carries && text.starts_with(b"said once")).then_some((at, slot, bits))
    });
    let (at, slot, bits) = said.expect("the payload goes out");
    let _ = station.poll(at.plus(Micros::new(SLOT_US)));
    let again = station.poll(at);
    assert_eq!(station.slot(at), Some(slot));
    if let Radio::Transmit { .. } = again.radio {
        assert!(station.burst() == bits, "slot {slot} carries two payloads");
    }
}
