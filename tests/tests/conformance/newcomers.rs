//! Stations without time: how long they stay where others make noise, and what the net hears of one that
//! cuts in, or speaks on a single channel.
//!
//! The numbers come from `docs/specification.md`: sections 7 (search), 9 (cut-in, single-channel modes).

use hopwright_core::acquire::{HASTE, PATIENCE_SLOTS};
use hopwright_core::address::{Address, Target};
use hopwright_core::sequence::{Cursor, SlotKind, Timeline};
use hopwright_core::station::{
    CUT_IN_PATIENCE, CUT_IN_SLOTS, CUT_IN_TIMEOUT, Command, Dropped, Event, FixedChannels, Heard,
    Mode, Radio,
};
use hopwright_core::units::{Channel, Dbm, Slot, Tick};
use hopwright_tests::air::{Flight, SLOT_US, World};
use hopwright_tests::plans::{Make, key};

const POST: usize = 0;
const BOAT: usize = 1;
const NEWCOMER: usize = 2;
const CALLING: u16 = 130;

/// A post and a boat in step, and a newcomer that has not heard of it.
fn net_without_the_newcomer() -> World {
    let fixed = FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE };
    let makes = [Make::timekeeper(0x10), Make::member(0x4B), Make::member(0x51)];
    let mut world = World::new(&makes.map(|make| Make { fixed, ..make }));
    world.nodes[NEWCOMER].deaf_until = world.now + 220 * SLOT_US;
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(220);
    let in_step = [POST, BOAT, NEWCOMER].map(|node| world.nodes[node].station.in_step());
    assert_eq!(in_step, [true, true, false]);
    world.forget();
    world
}

/// Runs until a station may speak, and gives its slot.
fn go_ahead(world: &mut World, node: usize) -> Slot {
    for _ in 0..600 {
        world.run_slots(1);
        let slot = world.nodes[node].events.iter().find_map(|event| {
            let Event::GoAhead { slot } = event else { return None };
            Some(*slot)
        });
        if let Some(slot) = slot {
            return slot;
        }
    }
    panic!("it never may speak");
}

/// What a station has read, without the slots in which nothing was said.
fn read(world: &World, node: usize) -> Vec<Vec<u8>> {
    let payloads = world.nodes[node].payloads.iter();
    payloads.filter(|payload| !payload.is_empty()).cloned().collect()
}

/// What a station has told of calls and their ends.
fn told(world: &World, node: usize) -> Vec<&'static str> {
    let told = world.nodes[node].events.iter().filter_map(|event| {
        if let Event::Call { source, .. } = event {
            assert_eq!(source.number(), 0x51);
            Some("call")
        } else {
            matches!(event, Event::Clear { .. }).then_some("clear")
        }
    });
    told.collect()
}

#[test]
fn a_cut_in_is_told_once_and_hops_on_a_timeline_of_its_own() {
    let mut world = net_without_the_newcomer();
    let began = world.now;
    world.command(NEWCOMER, Command::Press(Target::ALL)).expect("nobody speaks");
    let payloads: Vec<Vec<u8>> = (1..=30).map(|i| vec![i; 20]).collect();
    world.nodes[NEWCOMER].outbox.extend(payloads.iter().cloned());
    let first = go_ahead(&mut world, NEWCOMER);
    let waited = (world.now - began) / SLOT_US;
    let patience = CUT_IN_PATIENCE.us() / SLOT_US;
    let least = patience + u64::from(CUT_IN_SLOTS);
    assert!((least - 1..=least + 2).contains(&waited), "{waited} slots");
    world.run_slots(40);
    world.command(NEWCOMER, Command::Release).expect("it speaks");
    world.run_slots(10);
    for node in [POST, BOAT] {
        assert_eq!(read(&world, node), payloads, "station {node}");
        assert_eq!(told(&world, node), ["call", "clear"], "station {node}");
        assert!(world.nodes[node].station.in_step());
    }
    // Where the cut-in was heard the newcomer's slots are those of its own sequence, on the timeline of cut-ins.
    let sequence = world.nodes[NEWCOMER].station.sequence();
    let mut cursor = Cursor::new(sequence, Timeline::CutIn);
    let mut home = Cursor::new(sequence, Timeline::Home);
    let talk = world.log.iter().filter(|flight| flight.from == NEWCOMER).skip(300);
    let (mut seen, mut same) = (0, 0);
    let mut slots = (first.number()..).map(Slot::new);
    let mut last = None;
    for flight in talk.take(40) {
        // Each flight is a slot; where nothing was said there is none.
        let passed = last.map_or(1, |last| (flight.starts - last) / SLOT_US);
        last = Some(flight.starts);
        let slot = slots.nth(usize::try_from(passed).unwrap() - 1).unwrap();
        let hop = cursor.hop(sequence, slot);
        assert_eq!(flight.channel, hop.channel, "slot {slot}");
        let word = if hop.kind == SlotKind::Sync { flight.word } else { hop.word };
        assert!(flight.word == word || flight.word == !word, "slot {slot}");
        same += u32::from(home.hop(sequence, slot).channel == hop.channel);
        seen += 1;
    }
    assert!(seen >= 34 && same < 6, "{same} of {seen} slots are those of home time");
}

#[test]
fn a_cut_in_without_a_word_is_followed_as_long_as_its_headers_come() {
    let mut world = net_without_the_newcomer();
    world.command(NEWCOMER, Command::Press(Target::ALL)).expect("nobody speaks");
    go_ahead(&mut world, NEWCOMER);
    // Nothing is said for three times as long as silence ends a cut-in.
    world.run_slots(3 * u64::from(CUT_IN_TIMEOUT));
    world.nodes[NEWCOMER].outbox.push_back(b"still here".to_vec());
    world.run_slots(10);
    for node in [POST, BOAT] {
        assert_eq!(told(&world, node), ["call"], "station {node}");
        assert_eq!(read(&world, node), [b"still here"], "station {node}");
    }
    // And then by silence.
    world.nodes[NEWCOMER].deaf_until = u64::MAX;
    let end = world.now + (u64::from(CUT_IN_TIMEOUT) + 12) * SLOT_US;
    for node in [POST, BOAT] {
        world.nodes[node].deaf_until = end;
    }
    world.run_until(end);
    for node in [POST, BOAT] {
        assert_eq!(told(&world, node), ["call", "clear"], "station {node}");
        assert!(world.nodes[node].station.in_step());
    }
}

#[test]
fn on_a_single_channel_every_slot_goes_there_behind_its_own_word() {
    for mode in [Mode::SingleSealed, Mode::SinglePlain] {
        let mut world = net_without_the_newcomer();
        for node in [POST, BOAT, NEWCOMER] {
            world.command(node, Command::Mode(mode)).expect("a calling channel");
        }
        world.forget();
        let payloads: Vec<Vec<u8>> = (1..=20).map(|i| vec![i; 20]).collect();
        world.nodes[NEWCOMER].outbox.extend(payloads.iter().cloned());
        world.command(NEWCOMER, Command::Press(Target::ALL)).expect("nobody speaks");
        world.run_slots(40);
        world.command(NEWCOMER, Command::Release).expect("it speaks");
        world.run_slots(10);
        let single = world.nodes[NEWCOMER].station.sequence().single_word();
        let words = world.log.iter().map(|flight| flight.word);
        assert!(world.log.iter().all(|flight| flight.channel.number() == CALLING), "{mode:?}");
        // The run and every eighth slot; payload goes behind words of its own.
        let sync = words.filter(|word| *word == single).count();
        assert!((12..20).contains(&sync) && world.log.len() > 30, "{sync} of {}", world.log.len());
        for node in [POST, BOAT] {
            assert_eq!(read(&world, node), payloads, "{mode:?}");
        }
    }
}

#[test]
fn a_stay_is_seen_through_after_so_many_that_power_broke_off() {
    let mut station = Make::member(0x51).station(&key(1));
    let mut now = 1_000_000;
    let (mut stays, mut length, mut last) = (Vec::new(), 0_u64, None);
    let mut seen_through = 0;
    while seen_through < 2 {
        let action = station.poll(Tick::new(now));
        let Radio::Listen { channel, .. } = action.radio else { panic!("{action:?}") };
        if last.is_some_and(|last| last != channel) {
            stays.push(length);
            seen_through += u32::from(length > 100);
            length = 0;
        }
        last = Some(channel);
        now += SLOT_US;
        // Power without a word in each slot's time on a channel.
        station.energy(Tick::new(now), channel, Dbm::new(-40));
        length += 1;
        assert!(stays.len() < 100 && length < 1_000, "{stays:?}");
    }
    // The longest stay is 20 frames of 8 slots. Two neighbouring stays on one channel look like one.
    let whole = 20 * 8;
    let (mut hasty, mut between) = (0, Vec::new());
    for stay in stays {
        hasty += stay % whole / u64::from(PATIENCE_SLOTS);
        if stay >= whole {
            // What came on the same channel before or behind it belongs to either side.
            between.push(hasty);
            hasty = 0;
        }
    }
    assert_eq!(between.len(), 2);
    assert_eq!(between.iter().sum::<u64>(), 2 * u64::from(HASTE), "{between:?}");
}

/// Who is not called reads nothing, and stays as long as headers say that it goes on.
#[test]
fn a_cut_in_for_one_is_followed_by_all_and_read_by_one() {
    let mut world = net_without_the_newcomer();
    let target = Target::one(Address::new(0x10));
    world.command(NEWCOMER, Command::Press(target)).expect("nobody speaks");
    world.nodes[NEWCOMER].outbox.push_back(b"water at the post".to_vec());
    go_ahead(&mut world, NEWCOMER);
    world.run_slots(3 * u64::from(CUT_IN_TIMEOUT));
    assert_eq!(read(&world, POST), [b"water at the post"]);
    assert!(world.nodes[BOAT].payloads.is_empty());
    world.command(NEWCOMER, Command::Release).expect("it speaks");
    assert_eq!(told(&world, POST), ["call"]);
    assert!(told(&world, BOAT).is_empty());
    world.run_slots(10);
    assert_eq!(told(&world, POST), ["call", "clear"]);
    assert_eq!(told(&world, BOAT), ["clear"], "when the cut-in has ended, not before");
}

/// Once a cut-in has ended, what was sent in it is of no use to anyone: not even a header that the
/// station had missed.
#[test]
fn a_missed_header_of_a_cut_in_that_has_ended_is_a_recording() {
    let mut world = net_without_the_newcomer();
    world.command(NEWCOMER, Command::Press(Target::ALL)).expect("nobody speaks");
    // The boat does not hear the end of the run, nor anything of the talk but its closing.
    world.run_slots(100 + 270);
    let from = world.now;
    world.nodes[BOAT].deaf_until = u64::MAX;
    go_ahead(&mut world, NEWCOMER);
    let to = world.now - 2 * SLOT_US;
    world.run_slots(3);
    world.nodes[BOAT].deaf_until = world.now + SLOT_US;
    world.command(NEWCOMER, Command::Release).expect("it speaks");
    world.run_slots(20);
    assert_eq!(told(&world, BOAT), ["call", "clear"]);
    let missed = world.log.iter().filter(|flight| (from..to).contains(&flight.starts));
    let missed: Vec<_> = missed.filter(|flight| flight.from == NEWCOMER).cloned().collect();
    for _ in 0..20_000 {
        world.run_slots(1);
        let radio = world.nodes[BOAT].action.map(|action| action.radio);
        let Some(Radio::Listen { channel, word, .. }) = radio else { continue };
        let fits = |flight: &&Flight| flight.channel == channel && flight.word == word;
        if let Some(flight) = missed.iter().find(fits) {
            let heard = world.hear(BOAT, flight, world.now);
            assert_eq!(heard, Heard::Dropped(Dropped::Replayed));
            return;
        }
    }
    panic!("it never listened where one of {} was sent", missed.len());
}
