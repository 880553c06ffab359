//! The specification read once more, rule by rule, against what stations do: what is heard twice, what comes
//! between two closing headers, what has an end that nobody hears.
//!
//! Each test was written for a fault that a reader found. The numbers come from `docs/specification.md`; expected
//! slots are worked out beside each assertion.

use super::second_looks::{
    BOAT, CALLING, OTHER, POST, header, hears, kinds, net_in_step, opening, place, run_and_call,
    told,
};
use hopwright_core::address::{Address, Target};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality, stream};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    CALL_SLOTS, CLOSING_SLOTS, Command, Dropped, Event, FixedChannels, Heard, Mode, Radio,
    Reception, Refused, Station, VERIFY_SLOTS, Watermark,
};
use hopwright_core::units::{Channel, Dbm, Lane, Micros, Slot, Tick};
use hopwright_tests::air::{Flight, SLOT_US, World};
use hopwright_tests::plans::{Make, key};

/// The longest gap between visits to a rendezvous channel: `r + w - 1` frames (specification section 4).
const LONGEST_GAP: usize = 19;

/// A calling channel, and no other fixed one.
fn calling() -> FixedChannels {
    FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE }
}

/// A station listens in a traffic slot: so is the next one in which it does.
fn run_to_traffic(world: &mut World, node: usize) {
    for _ in 0..20 {
        world.run_slots(1);
        let radio = world.nodes[node].action.map(|action| action.radio);
        if let Some(Radio::Listen { complement: true, .. }) = radio {
            return;
        }
    }
    panic!("no traffic slot");
}

/// The first header played once more, or one word played twice, is no second opinion (sections 7 and 8): a
/// recording of a single transmission moves nobody to another time.
#[test]
fn what_is_heard_twice_in_one_slot_is_no_second_opinion() {
    // A sender that promises little, so that a copy 300 us later fits its bound.
    let poor =
        |slot| Header { quality: Quality::of(Micros::new(4_000)), ..header(slot, Kind::Over) };
    let mut world = net_in_step();
    let later = world.slot(BOAT).plus(1_000_000);
    assert!(matches!(told(&mut world, BOAT, Timeline::Home, poor(later)), Heard::Header { .. }));
    world.run_until(world.now + 300);
    let again = told(&mut world, BOAT, Timeline::Home, poor(later));
    assert_eq!(again, Heard::Dropped(Dropped::Replayed));
    assert!(!world.nodes[BOAT].station.in_step());
    world.run_slots(u64::from(VERIFY_SLOTS) + 4);
    assert!(world.nodes[BOAT].station.in_step() && world.slot(BOAT) < later);

    // Words in their places: two confirm, but not the same one twice.
    let mut world = net_in_step();
    let later = world.slot(BOAT).plus(1_000_000);
    let _ = told(&mut world, BOAT, Timeline::Home, poor(later));
    run_to_traffic(&mut world, BOAT);
    let bits = [0xA5; 108];
    assert_eq!(hears(&mut world, BOAT, &bits, false), Heard::Busy);
    assert_eq!(hears(&mut world, BOAT, &bits, false), Heard::Busy);
    assert!(!world.nodes[BOAT].station.in_step(), "one word");
    run_to_traffic(&mut world, BOAT);
    assert_eq!(hears(&mut world, BOAT, &bits, false), Heard::Busy);
    assert!(world.nodes[BOAT].station.in_step() && world.slot(BOAT) > later, "two words");
}

/// Power without a word in two slots that follow each other drives a searching station on (section 7); now and then,
/// as traffic of hopping nets makes it, it does not.
#[test]
fn power_now_and_then_ends_no_stay() {
    // Stays ended within so many reports, so far apart.
    let leaves = |apart: u64, reports: u64| {
        let mut station = Make::member(0x21).station(&key(1));
        let start = 1_000_000;
        let stay = station.poll(Tick::new(start));
        let Radio::Listen { channel, .. } = stay.radio else { panic!("{stay:?}") };
        (1..=reports).any(|n| {
            let now = Tick::new(start + 5_000 + n * apart);
            station.energy(now, channel, Dbm::new(-40));
            station.poll(now).from != stay.from
        })
    };
    assert!(leaves(SLOT_US, 2));
    assert!(leaves(SLOT_US + SLOT_US / 2, 2), "a loop that is late");
    assert!(!leaves(2 * SLOT_US, 60), "every other slot");
    assert!(!leaves(500_000, 6));
}

/// A header that promises nothing leaves a bound that reaches far back. No watermark is handed out that lies below
/// the stored one (section 8).
#[test]
fn no_watermark_lies_below_the_stored_one() {
    const STORED: u32 = 5_000_000;
    for quality in [None, Some(Micros::new(200_000))] {
        let fixed = calling();
        let watermark = Watermark::Stored(Slot::new(STORED));
        let mut world = World::new(&[Make { fixed, watermark, ..Make::member(0x21) }]);
        world.run_slots(3);
        let poor = |slot: u32| {
            let quality = Quality::of(quality.unwrap_or(Micros::new(u64::MAX)));
            Header { quality, ..header(Slot::new(slot), Kind::Over) }
        };
        let first = STORED + 5;
        let heard = told(&mut world, 0, Timeline::Home, poor(first));
        assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
        let at = place(&world, 0, Slot::new(first + 1));
        world.run_until(at);
        // The second one, and the command before the station is asked again.
        let Some(Radio::Listen { channel, word, complement }) =
            world.nodes[0].action.map(|action| action.radio)
        else {
            panic!("it listens")
        };
        let home = stream(Lane::ZERO, Timeline::Home);
        let bits = HeaderKeys::new(&key(1)).to_bits(poor(first + 1), home);
        let word = if complement { !word } else { word };
        let at = world.local(0, world.now);
        let station = &mut world.nodes[0].station;
        let heard = station.heard(at, Reception { channel, word, at, bits: &bits });
        assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
        station.command(at, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
        let mut now = at;
        let mut saved = Vec::new();
        for _ in 0..100_000 {
            now = station.poll(now).until;
            while let Some(event) = station.next_event() {
                if let Event::SaveWatermark { slot } = event {
                    saved.push(slot.number());
                }
            }
            if !saved.is_empty() {
                break;
            }
        }
        assert!(!saved.is_empty() && saved.iter().all(|slot| *slot > STORED), "{saved:?}");
    }
}

/// What a station tells of overs, in one word each.
fn told_of(world: &mut World, node: usize) -> Vec<&'static str> {
    let word = |event: &Event| {
        let call = matches!(event, Event::Call { .. }).then_some("call");
        let busy = matches!(event, Event::Busy { .. }).then_some("busy");
        let clear = matches!(event, Event::Clear { .. }).then_some("clear");
        call.or(busy).or(clear)
    };
    world.events(node).iter().filter_map(word).collect()
}

/// Runs until a station is told of the end of an over, and of nothing else.
fn run_to_clear(world: &mut World, node: usize) {
    for _ in 0..200 {
        world.run_until(world.now + SLOT_US / 10);
        if told_of(world, node) == ["clear"] {
            return;
        }
    }
    panic!("no end is told");
}

/// Both closing headers are lost, and another over follows directly: the first one has ended all the same, for a
/// relay above all (section 9).
#[test]
fn an_over_that_another_one_follows_is_told_to_have_ended() {
    for timeline in [Timeline::Home, Timeline::Single] {
        let mut world = net_in_step();
        if timeline == Timeline::Single {
            for node in [POST, BOAT, OTHER] {
                world.command(node, Command::Mode(Mode::SingleSealed)).expect("a channel");
            }
        }
        world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
        world.run_slots(30);
        world.nodes[BOAT].deaf_until = u64::MAX;
        // Somebody else calls somebody else, in the slots of the same time.
        let flight = world.log.last().expect("it speaks").clone();
        let known = |flight: &Flight| {
            let bits = <&[u8; 33]>::try_from(&flight.bits[..]).ok()?;
            HeaderKeys::new(&key(1)).from_bits(bits, stream(Lane::ZERO, timeline))
        };
        let (last, sent) = world
            .log
            .iter()
            .rev()
            .find_map(|flight| Some((known(flight)?.slot, flight.starts)))
            .expect("a call");
        let passed = (flight.starts - sent) / SLOT_US;
        let slot = last.plus(u32::try_from(passed).expect("short"));
        let (source, target) = (Address::new(0x33), Target::one(Address::new(0x63)));
        let next = Header { source, target, ..header(slot, Kind::Over) };
        let next =
            if timeline == Timeline::Home { next } else { Header { kind: Kind::CutIn, ..next } };
        // (Where the word of this slot started.)
        let now = std::mem::replace(&mut world.now, flight.starts);
        let heard = told(&mut world, BOAT, timeline, next);
        world.now = now;
        assert!(matches!(heard, Heard::Header { .. }), "{timeline:?}: {heard:?}");
        assert_eq!(told_of(&mut world, BOAT), ["call", "clear", "busy"], "{timeline:?}");
    }
}

/// In the clear anybody makes headers, also one of the last slots of a timeline: it ends, and that is told.
#[test]
fn an_over_on_a_channel_ends_with_its_timeline() {
    let mut world = net_in_step();
    world.command(BOAT, Command::Mode(Mode::SinglePlain)).expect("a channel");
    world.run_slots(2);
    world.forget();
    let last = header(Slot::new(u32::MAX - 6), Kind::CutIn);
    let bits = HeaderKeys::new(&NetKey::of_the_clear())
        .to_bits(last, stream(Lane::ZERO, Timeline::Single));
    let heard = hears(&mut world, BOAT, &bits, true);
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
    // Whoever waits does not begin at once.
    world.command(BOAT, Command::Press(Target::ALL)).expect("a wish");
    let ended = (0..20).find(|_| {
        world.run_slots(1);
        world.nodes[BOAT].events.iter().any(|event| matches!(event, Event::Clear { .. }))
    });
    assert!(ended.is_some(), "{:?}", world.nodes[BOAT].events);
    assert!(world.log.is_empty());
    world.run_slots(1);
    assert!(world.log.is_empty(), "a closing header may follow");
    assert_eq!(told_of(&mut world, BOAT), ["call", "clear"]);
}

/// Two who wait are on one grid, whichever of the closing headers each has heard: they begin together, or at least
/// two slots apart, and the one hears the other (section 9).
#[test]
fn who_waits_begins_on_one_grid_whichever_closing_header_it_heard() {
    let mut begins = Vec::new();
    for round in 0..12 {
        let mut world = net_in_step();
        world.run_slots(round);
        world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
        world.run_slots(20);
        world.command(BOAT, Command::Press(Target::ALL)).expect("a wish");
        world.command(POST, Command::Release).expect("it speaks");
        // The first closing header is in the next slot; half of the time it is not heard.
        if round / 2 % 2 == 1 {
            world.nodes[BOAT].deaf_until = world.now + SLOT_US + SLOT_US / 2;
        }
        world.run_slots(60);
        let first =
            world.log.iter().filter(|flight| flight.from == BOAT).find_map(|f| world.header(f));
        begins.push(first.expect("the boat's turn").slot.number() % 2);
    }
    assert!(begins.iter().all(|odd| *odd == 0), "{begins:?}");
}

/// A press upon the end of an over waits for the second closing header, which is on the air in the next slot, and then as
/// anybody who waits; an announce is refused until then: nothing begins on top of it (section 9).
#[test]
fn nothing_begins_on_top_of_a_closing_header() {
    for single in [false, true] {
        let mut world = net_in_step();
        if single {
            for node in [POST, BOAT] {
                world.command(node, Command::Mode(Mode::SingleSealed)).expect("a channel");
            }
            world.run_slots(2);
        }
        // (The timekeeper can announce; so the boat speaks.)
        world.command(BOAT, Command::Press(Target::ALL)).expect("nobody speaks");
        world.run_slots(20);
        world.command(BOAT, Command::Release).expect("it speaks");
        world.forget();
        run_to_clear(&mut world, POST);
        if single {
            world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
        } else {
            assert_eq!(world.command(POST, Command::Announce), Err(Refused::Busy));
            world.run_slots(1);
            world.command(POST, Command::Announce).expect("nobody speaks");
        }
        // Fifteen steps of two slots.
        world.run_slots(6 + 30);
        let ends = world.log.iter().filter(|flight| flight.from == BOAT).map(|flight| flight.ends);
        let begins = world.log.iter().find(|flight| flight.from == POST).expect("it begins").starts;
        assert!(ends.clone().count() >= CLOSING_SLOTS as usize);
        assert!(ends.max() < Some(begins), "single {single}");
        assert!(begins < world.now - 2 * SLOT_US, "and soon");
        if !single {
            // The same of a call.
            let mut world = net_in_step();
            world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
            world.run_slots(20);
            world.command(POST, Command::Release).expect("it speaks");
            world.forget();
            run_to_clear(&mut world, BOAT);
            let closing =
                world.log.iter().find_map(|flight| world.header(flight)).expect("closing");
            world.command(BOAT, Command::Press(Target::ALL)).expect("nobody speaks");
            world.run_slots(6 + 30);
            let call = world.log.iter().filter(|f| f.from == BOAT).find_map(|f| world.header(f));
            let call = call.expect("a call").slot;
            assert!(
                (CLOSING_SLOTS..CLOSING_SLOTS + 34).any(|wait| call == closing.slot.plus(wait))
            );
        }
    }
}

/// Whoever has followed a newcomer owes him time, also when it leaves him by a change of mode (section 9).
#[test]
fn a_cut_in_left_by_a_change_of_mode_leaves_a_lead_in_owed() {
    let mut world = net_in_step();
    assert_eq!(opening(&mut world, BOAT), run_and_call(0, CALL_SLOTS as usize));
    let station: Station<128> = Make::member(0x77).station(&key(1));
    let mut nodes = World::of(vec![station]).nodes;
    world.nodes.append(&mut nodes);
    let newcomer = world.nodes.len() - 1;
    world.poll(newcomer);
    world.cut_in(newcomer);
    assert!(told_of(&mut world, BOAT).contains(&"call"));
    for mode in [Mode::SingleSealed, Mode::Hopping] {
        world.command(BOAT, Command::Mode(mode)).expect("it only listens");
        world.run_slots(2);
    }
    assert!(world.nodes[BOAT].station.in_step());
    world.forget();
    world.command(newcomer, Command::Release).expect("it speaks");
    world.nodes[BOAT].deaf_until = u64::MAX;
    world.run_slots(10);
    assert_eq!(opening(&mut world, BOAT), run_and_call(LONGEST_GAP, CALL_SLOTS as usize));
    assert_eq!(kinds(&world, newcomer).len(), 0);
}

/// Overs without net time of one session follow each other in their slots: drawn anew each time, and above the last,
/// they would crowd towards the end of the range in every session, and meet those of others (threats).
#[test]
fn overs_without_net_time_go_on_behind_the_last() {
    let first_slots = |seed_of: u8| {
        let fixed = calling();
        let mut world = World::new(&[Make { fixed, ..Make::member(seed_of) }]);
        world.command(0, Command::Mode(Mode::SingleSealed)).expect("a channel");
        let mut slots = Vec::new();
        for _ in 0..20 {
            world.log.clear();
            world.over(0, Target::ALL, &[b"once"]);
            let single = stream(Lane::ZERO, Timeline::Single);
            let header = |flight: &Flight| {
                let bits = <&[u8; 33]>::try_from(&flight.bits[..]).ok()?;
                Some(HeaderKeys::new(&key(1)).from_bits(bits, single)?.slot.number())
            };
            let sent: Vec<u32> = world.log.iter().filter_map(header).collect();
            slots.push((sent[0], sent[sent.len() - 1]));
            world.run_slots(100);
        }
        assert!(slots.windows(2).all(|pair| pair[1].0 == pair[0].1 + 1), "{slots:?}");
        slots[19].0
    };
    // The twentieth is anywhere below 2^31 still: as many in the lower half as in the upper one, nearly.
    let low = (1..=40).filter(|seed| first_slots(*seed) < 1 << 30).count();
    assert!((10..=30).contains(&low), "{low} of 40");
}

/// A timekeeper without time announces upon the end of somebody's cut-in: its timeline begins, with slot 0.
#[test]
fn a_timeline_begins_upon_the_end_of_a_cut_in() {
    let mut world = World::new(&[Make::timekeeper(0x10), Make::member(0x21)]);
    world.run_slots(3);
    world.cut_in(BOAT);
    world.command(BOAT, Command::Release).expect("it speaks");
    world.forget();
    run_to_clear(&mut world, POST);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(20);
    let events = world.events(POST);
    assert!(!events.contains(&Event::TimelineEnded), "{events:?}");
    assert!(kinds(&world, POST).contains(&Kind::Announce));
}
