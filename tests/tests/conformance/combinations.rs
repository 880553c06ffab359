//! What happens when rules meet that are seldom in force together: who is owed a lead-in while a third one speaks, who
//! presses on coming back from elsewhere, a change of keys during an announce.
//!
//! As in `second_looks`, each test was written for a fault that a reader traced and the others had not noticed. The
//! numbers come from `docs/specification.md`.

use super::further_looks::{behind_a_cut_in, behind_a_late_cut_in};
use super::keyed_net::{self, has_key};
use super::second_looks::{
    BOAT, POST, SECOND, header, kinds, net_in_step, opening, place, run_and_call, told,
};
use hopwright_core::address::Target;
use hopwright_core::header::{HeaderKeys, Kind, stream};
use hopwright_core::sequence::{Structure, Timeline};
use hopwright_core::station::{
    CALL_SLOTS, Command, Dropped, Event, Heard, Mode, Refused, Role, WATERMARK_STEP,
};
use hopwright_core::units::{Lane, Micros, Slot};
use hopwright_tests::air::{SLOT_US, World};
use hopwright_tests::plans::{Make, key};

/// The run that is owed to a newcomer: `r + w - 1` slots (specification section 9).
const LEAD_IN: usize = 19;
/// Two frames of listening (specification section 9).
const LISTENING: u64 = 16;
/// Fifteen steps of two slots, and the rest of one (specification section 9).
const WAIT: u64 = 32;

fn is_heard(heard: Heard) {
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
}

/// A station's time is asked for at the place of a slot that is still to come.
fn at_slot(world: &mut World, node: usize, slot: Slot) {
    let at = place(world, node, slot);
    world.run_until(at);
}

/// A lead-in is owed until one is on the air: somebody who speaks without one has not heard the newcomer
/// (specification section 9).
#[test]
fn an_over_without_a_lead_in_answers_no_newcomer() {
    for (kind, run) in [(Kind::Over, LEAD_IN), (Kind::LeadIn, 0)] {
        let mut world = behind_a_cut_in();
        world.run_slots(120);
        assert!(world.nodes[BOAT].station.in_step());
        // Somebody whom the newcomer does not hear.
        let slot = world.slot(BOAT).plus(1);
        at_slot(&mut world, BOAT, slot);
        is_heard(told(&mut world, BOAT, Timeline::Home, header(slot, kind)));
        world.run_slots(60);
        assert_eq!(opening(&mut world, BOAT), run_and_call(run, CALL_SLOTS as usize), "{kind:?}");
    }
}

/// However long the cut-in that was followed last has been, no part of its recording is joined (specification section 9).
#[test]
fn no_part_of_a_long_cut_in_is_joined_again() {
    let mut world = World::new(&[Make::member(0x4B)]);
    world.run_slots(3);
    let boat = 0;
    let first = Slot::new(1_000_000);
    let began = world.now;
    // Longer than 2^14 slots: the last is far from the first.
    let steps = WATERMARK_STEP / 40 + 50;
    let sent = |step: u32| (first.plus(40 * step), began + u64::from(40 * step) * SLOT_US);
    for step in 0..steps {
        let (slot, at) = sent(step);
        world.run_until(at);
        is_heard(told(&mut world, boat, Timeline::CutIn, header(slot, Kind::CutIn)));
    }
    let (slot, at) = sent(steps);
    world.run_until(at);
    is_heard(told(&mut world, boat, Timeline::CutIn, header(slot, Kind::Closing)));
    for step in [0, 1, steps / 2, steps - 1] {
        world.run_slots(20);
        let again = told(&mut world, boat, Timeline::CutIn, header(sent(step).0, Kind::CutIn));
        assert_eq!(again, Heard::Dropped(Dropped::Replayed), "{step}");
    }
    world.run_slots(20);
    let another = header(first.plus(2_000_000), Kind::CutIn);
    is_heard(told(&mut world, boat, Timeline::CutIn, another));
}

/// So many slots in which nobody of these is on the air.
#[track_caller]
fn is_silent(world: &mut World, node: usize, slots: u64) {
    let before = world.log.iter().filter(|flight| flight.from == node).count();
    world.run_slots(slots);
    assert_eq!(world.log.iter().filter(|flight| flight.from == node).count(), before);
}

/// Whoever was on a single channel does not know who speaks: a press behind the way back waits for two frames, and
/// then for the end of the over that is heard in them (specification section 9: the net is not disturbed).
#[test]
fn a_press_on_coming_back_from_a_single_channel_disturbs_nobody() {
    for late in [0, 1, 5] {
        let mut world = net_in_step();
        world.command(BOAT, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
        world.command(POST, Command::Press(Target::ALL)).expect("the floor is free");
        world.run_slots(60);
        world.command(BOAT, Command::Mode(Mode::Hopping)).expect("nobody speaks there");
        world.run_slots(late);
        world.command(BOAT, Command::Press(Target::ALL)).expect("it wants to speak");
        is_silent(&mut world, BOAT, 200);
        world.command(POST, Command::Release).expect("it speaks");
        world.run_slots(100);
        assert!(world.nodes[BOAT].station.holds_floor(), "its turn has come");
    }
    // Where nobody speaks two frames are all, and the wait of whoever waits: from the last time that it came back.
    let mut world = net_in_step();
    for mode in [Mode::SingleSealed, Mode::Hopping].repeat(3) {
        world.command(BOAT, Command::Mode(mode)).expect("nobody speaks");
        world.run_slots(1);
    }
    world.command(BOAT, Command::Press(Target::ALL)).expect("the floor is free");
    is_silent(&mut world, BOAT, LISTENING - 2);
    world.run_slots(6 + WAIT);
    assert!(world.nodes[BOAT].station.holds_floor());
}

/// Nor does an announce: it is refused, where it would wait with its receiver off and then begin on top.
#[test]
fn an_announce_on_coming_back_from_a_single_channel_disturbs_nobody() {
    let busy = Err(Refused::Busy);
    let mut world = net_in_step();
    world.command(POST, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    world.command(BOAT, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_slots(60);
    world.command(POST, Command::Mode(Mode::Hopping)).expect("nobody speaks there");
    for _ in 0..LISTENING + 20 {
        assert_eq!(world.command(POST, Command::Announce), busy);
        world.run_slots(1);
    }
    world.command(BOAT, Command::Release).expect("it speaks");
    world.run_slots(10);
    world.command(POST, Command::Announce).expect("nobody speaks any more");
}

/// How many of 24 rounds end with both on the air at a time: each presses as `press` says behind or during a cut-in,
/// goes ahead when its station lets it, and does not stop.
fn met(press: impl Fn(&mut World)) -> u32 {
    let round = |late: u64| {
        let mut world = behind_a_late_cut_in(late);
        press(&mut world);
        let sent = |world: &World, node| world.log.iter().any(|flight| flight.from == node);
        // A wait of fifteen steps, each of a lead-in and three slots, and the call.
        for _ in 0..LISTENING + 15 * (LEAD_IN as u64 + 3) + 40 {
            world.run_slots(1);
            if sent(&world, POST) && sent(&world, BOAT) {
                return 1;
            }
        }
        assert!(sent(&world, POST) || sent(&world, BOAT), "{late}: nobody speaks");
        0
    };
    (0..24).map(round).sum()
}

/// Two who wait meet once in sixteen times, also where their overs open with a lead-in, of which who waits hears
/// nothing (specification section 9).
#[test]
fn two_who_wait_behind_a_cut_in_seldom_meet() {
    let during = met(|world| {
        for node in [POST, BOAT] {
            world.command(node, Command::Press(Target::ALL)).expect("a wish");
        }
    });
    assert!(during <= 4, "{during} of 24");
    let behind = met(|world| {
        let clear = |event: &Event| matches!(event, Event::Clear { .. });
        while !world.nodes[BOAT].events.iter().any(clear) {
            world.run_slots(1);
        }
        for node in [POST, BOAT] {
            world.run_slots(6);
            world.command(node, Command::Press(Target::ALL)).expect("a wish");
        }
    });
    assert!(behind <= 4, "{behind} of 24");
}

/// The net of keys, where both have the order of a change in so many slots, and its slot.
fn ordered(slots: u32) -> (World, Slot) {
    let mut world = keyed_net::net();
    let due = world.slot(POST).plus(slots);
    let order = keyed_net::order(&[0x51], &key(1), 1, due);
    for node in [POST, BOAT] {
        let now = world.local(node, world.now);
        world.nodes[node].station.take_order(now, &order).expect("in the cover");
        world.poll(node);
    }
    (world, due)
}

/// The net of keys, behind a change that both followed.
fn changed() -> World {
    let (mut world, _) = ordered(30);
    world.run_slots(40);
    for node in [POST, BOAT] {
        assert!(!has_key(&world, node, &key(1)), "station {node} has changed");
    }
    world
}

/// Nor does whoever comes back from those who have missed a change of keys.
#[test]
fn a_press_on_coming_back_from_the_former_key_disturbs_nobody() {
    let mut world = changed();
    world.command(POST, Command::Order).expect("it has the order");
    world.run_slots(230);
    assert!(!world.nodes[POST].station.uses_net_key(), "it visits");
    world.command(BOAT, Command::Press(Target::ALL)).expect("the floor is free");
    world.run_slots(60);
    assert!(world.nodes[BOAT].station.holds_floor());
    world.command(POST, Command::Release).expect("it speaks");
    let visits = |world: &World| !world.nodes[POST].station.uses_net_key();
    while visits(&world) {
        world.run_slots(1);
    }
    world.command(POST, Command::Press(Target::ALL)).expect("it wants to speak");
    is_silent(&mut world, POST, 200);
}

/// The first watermark under another net key is due at once: what was stored is of a key that is not asked about any
/// more (specification sections 8 and 10).
#[test]
fn a_watermark_follows_a_change_of_keys() {
    let mut world = changed();
    for node in [POST, BOAT] {
        let events = world.events(node);
        let mut behind = events.iter().skip_while(|e| !matches!(e, Event::KeysChanged { .. }));
        let Some(Event::KeysChanged { slot: changed }) = behind.next() else {
            panic!("{events:?}")
        };
        let saves = |e: &&Event| matches!(e, Event::SaveWatermark { slot } if slot >= changed);
        assert!(behind.any(|event| saves(&event)), "station {node}: {events:?}");
    }
    // And no other for as long as ever.
    world.forget();
    world.run_slots(u64::from(WATERMARK_STEP) - 100);
    let saves = |event: &Event| matches!(event, Event::SaveWatermark { .. });
    assert!(!world.nodes[BOAT].events.iter().any(saves));
    world.run_slots(200);
    assert!(world.nodes[BOAT].events.iter().any(saves));
}

/// At its slot the change is made whatever the station does, an announce as well (specification section 10).
#[test]
fn an_announce_under_way_goes_on_under_the_new_key() {
    let (mut world, due) = ordered(100);
    world.command(POST, Command::Announce).expect("a timekeeper");
    let opens = |world: &World, after: u64| {
        let old = HeaderKeys::new(&key(1));
        let home = stream(Lane::ZERO, Timeline::Home);
        let sent = world.log.iter().filter(|f| f.from == POST && f.starts >= after);
        let bits = sent.map(|flight| *flight.bits.first_chunk().expect("a header"));
        let opened = bits.map(|bits| old.from_bits(&bits, home).is_some());
        opened.collect::<Vec<bool>>()
    };
    let change = place(&world, POST, due);
    world.run_until(change + SLOT_US * 20);
    assert!(world.nodes[POST].station.holds_floor(), "it announces still");
    assert!(!has_key(&world, POST, &key(1)) && !has_key(&world, BOAT, &key(1)));
    let before = opens(&world, 0);
    let behind = opens(&world, change);
    assert!(behind.len() > 10 && before.len() > behind.len() + 50, "{}", before.len());
    assert!(behind.iter().all(|opened| !opened), "under the former key: {behind:?}");
    assert_eq!(before.iter().filter(|opened| **opened).count(), before.len() - behind.len());
}

/// An order that waits for its slot outlives whatever else is handed over as one (specification section 10).
#[test]
fn an_order_that_waits_outlives_those_that_do_not_open() {
    let mut world = keyed_net::net();
    let due = world.slot(BOAT).plus(60);
    let good = keyed_net::order(&[0x51], &key(1), 1, due);
    let others = keyed_net::order(&[0x4B], &key(1), 1, due.plus(1));
    let mut garbled = good.clone();
    let last = garbled.last_mut().expect("bytes");
    *last ^= 1;
    let now = world.local(BOAT, world.now);
    let boat = &mut world.nodes[BOAT].station;
    assert_eq!(boat.take_order(now, &good), Ok(()));
    for bad in [vec![0; 90], vec![], others, garbled, good] {
        assert_eq!(boat.take_order(now, &bad), Err(Refused::NotForUs), "{} bytes", bad.len());
    }
    world.poll(BOAT);
    world.run_slots(70);
    assert!(!has_key(&world, BOAT, &key(1)), "the first one is carried out");
}

/// A post with a good oscillator, and a boat with one of 500 ppm.
fn apart() -> World {
    let role = Role::Deputy { after: Micros::from_millis(1) };
    let boat = Make { tolerance_ppb: 500_000, role, ..Make::member(0x4B) };
    let makes = [Make::timekeeper(0x10), boat].map(|make| {
        Make { fixed: keyed_net::fixed(), ..make }
            .station_with(&key(1), keyed_net::share(make.address))
    });
    World::of(Vec::from(makes))
}

const HOURS: u64 = 5 * 3_600 * SECOND;
const FAST: i32 = 450_000;

/// The boat's clock gains from now on.
fn gains(world: &mut World) {
    let now = world.now;
    let before = world.local(BOAT, now).us();
    let boat = &mut world.nodes[BOAT];
    boat.ppb = FAST;
    let gained = world.local(BOAT, now).us() - before;
    world.nodes[BOAT].epoch -= gained;
}

/// An over begins in slots that have not been used: who spoke on a time that was ahead of the net's waits until that has
/// come, listening, and does not tell its operator to go ahead into silence (specification section 9).
#[test]
fn nobody_goes_ahead_in_slots_that_he_has_used_already() {
    let mut world = apart();
    world.nodes[BOAT].epoch = 50 * SECOND;
    world.bring_into_step();
    gains(&mut world);
    world.now += HOURS;
    world.run_slots(1);
    // It speaks adrift, and nobody is there.
    world.nodes[POST].deaf_until = world.now + 60 * SECOND;
    world.command(BOAT, Command::Press(Target::ALL)).expect("it wants to speak");
    world.run_slots(400);
    assert!(world.nodes[BOAT].station.holds_floor());
    world.command(BOAT, Command::Release).expect("it speaks");
    world.run_slots(20);
    let used =
        world.log.iter().filter(|flight| flight.from == BOAT).filter_map(|f| world.header(f));
    let used = used.map(|header| header.slot).max().expect("an over");
    world.forget();
    // Then it is told the time, which is behind its own.
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(260);
    assert!(world.nodes[BOAT].station.in_step());
    assert_eq!(world.slot(BOAT), world.slot(POST));
    assert!(world.slot(BOAT) < used, "behind what it has used");
    world.forget();
    assert_eq!(world.command(BOAT, Command::Announce), Err(Refused::Busy), "nor announces there");
    world.command(BOAT, Command::Press(Target::ALL)).expect("the floor is free");
    let told = |world: &World| {
        world.nodes[BOAT].events.iter().any(|event| matches!(event, Event::GoAhead { .. }))
    };
    let mut waited = 0;
    while !told(&world) {
        world.run_slots(1);
        waited += 1;
        assert!(waited < 1_000, "no go-ahead");
    }
    let sent = kinds(&world, BOAT);
    let calls = sent.iter().filter(|kind| **kind == Kind::Over).count();
    assert!(calls >= CALL_SLOTS as usize - 1, "{calls} calls before the go-ahead: {sent:?}");
}

/// The numbers of this file are those of the specification's default structure.
#[test]
fn the_numbers_above_are_those_of_the_default_plan() {
    let Structure { rendezvous, window, frame, .. } = Structure::default();
    assert_eq!(usize::from(rendezvous) + usize::from(window) - 1, LEAD_IN);
    assert_eq!(2 * u64::from(frame), LISTENING);
}
