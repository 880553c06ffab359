//! Proves who may begin to speak, and when: that nobody begins on top of another, that nothing on the air
//! is cut short by what an operator does, and that a talk lasts as long as its speaker talks
//! (specification sections 8, 9 and 12). Spans are worked out beside each assertion.

use hopwright_core::address::{Address, Target};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality, stream};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    CUT_IN_SLOTS, Command, Dropped, Event, FixedChannels, Heard, Mode, OVER_TIMEOUT, Radio,
    Refused, Station, WATERMARK_STEP, Watermark,
};
use hopwright_core::units::{Channel, Lane, Micros, Slot, Tick};
use hopwright_tests::air::{Flight, SLOT_US, World};
use hopwright_tests::plans::{Make, key, timing};

const POST: usize = 0;
const BOAT: usize = 1;
const OTHER: usize = 2;
const FOURTH: usize = 3;
const CALLING: u16 = 130;

fn makes() -> Vec<Make> {
    let fixed = FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE };
    let post = Make { fixed, ..Make::timekeeper(0x10) };
    let mut makes = vec![post];
    makes.extend([0x4B, 0x51, 0x62].map(|address| Make { fixed, ..Make::member(address) }));
    makes
}

/// Four stations, in step and idle after an announce.
fn net() -> World {
    let mut world = World::new(&makes());
    world.bring_into_step();
    world
}

/// Two stations without time whose oscillators are that poor.
fn two_with(tolerance_ppb: u32) -> World {
    let poor = |make| Make { tolerance_ppb, ..make };
    World::new(&makes().into_iter().take(2).map(poor).collect::<Vec<_>>())
}

/// A station loses its power, and has it back at once.
fn restart(world: &mut World, node: usize) {
    world.nodes[node].station = makes()[node].station(&key(1));
    world.nodes[node].action = None;
    world.nodes[node].outbox.clear();
}

/// Who was told to go ahead, in order.
fn went_ahead(world: &World) -> Vec<usize> {
    let told = |node: usize| {
        let events = &world.nodes[node].events;
        events.iter().any(|event| matches!(event, Event::GoAhead { .. }))
    };
    (0..world.nodes.len()).filter(|node| told(*node)).collect()
}

/// No two of what was on the air were there at a time, on whatever channel.
fn assert_one_at_a_time(world: &World) {
    let mut flights: Vec<&Flight> = world.log.iter().collect();
    flights.sort_by_key(|flight| flight.starts);
    for pair in flights.windows(2) {
        let [a, b] = pair else { unreachable!() };
        let apart = a.from == b.from || b.starts - a.starts > SLOT_US / 2;
        assert!(apart, "{} and {} at {} us", a.from, b.from, a.starts);
    }
}

/// The lead-in of an over is part of it: who waits for the floor meanwhile does not call on top of
/// the call that follows (section 9).
#[test]
fn nobody_calls_on_top_of_the_call_behind_a_run() {
    let mut world = net();
    restart(&mut world, OTHER);
    world.cut_in(OTHER);
    assert_eq!(went_ahead(&world), [OTHER]);
    world.command(OTHER, Command::Release).expect("it speaks");
    // The closing headers, and two frames.
    world.run_slots(25);
    world.forget();
    world.nodes[POST].outbox.push_back(b"welcome".to_vec());
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    // A lead-in of r + w - 1 = 19 slots; the boat comes upon it in one of its stays.
    let met = (0..19).any(|_| {
        world.run_slots(1);
        world.nodes[BOAT].events.iter().any(|e| matches!(e, Event::AnnounceHeard { .. }))
    });
    assert!(met);
    world.command(BOAT, Command::Press(Target::ALL)).expect("a wish is no transmission");
    world.run_slots(60);
    assert_one_at_a_time(&world);
    assert_eq!(went_ahead(&world), [POST], "it still speaks");
    for node in [BOAT, OTHER] {
        assert!(world.nodes[node].payloads.iter().any(|text| text == b"welcome"), "{node}");
    }
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(60);
    assert_eq!(went_ahead(&world), [POST, BOAT]);
    assert_one_at_a_time(&world);
}

/// An over that ends by silence is over for everybody in the same slot; those who wait shall not
/// begin in the same slot nevertheless.
#[test]
fn those_who_wait_do_not_begin_together_when_a_speaker_falls_silent() {
    let mut world = net();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(30);
    for node in [BOAT, OTHER, FOURTH] {
        world.command(node, Command::Press(Target::ALL)).expect("a wish");
    }
    restart(&mut world, POST);
    world.forget();
    // The silence, up to fifteen times two slots of waiting, the call.
    world.run_slots(u64::from(OVER_TIMEOUT) + 2 + 30 + 10);
    assert_eq!(went_ahead(&world).len(), 1, "the others wait on");
    assert_one_at_a_time(&world);
}

/// Nor do those who have no time, when a cut-in ends that held them off.
#[test]
fn those_without_time_do_not_cut_in_together() {
    for silently in [false, true] {
        let mut world = World::new(&makes()[..3]);
        world.run_slots(3);
        world.cut_in(POST);
        for node in [BOAT, OTHER] {
            world.command(node, Command::Press(Target::ALL)).expect("a wish");
        }
        if silently {
            restart(&mut world, POST);
        } else {
            world.command(POST, Command::Release).expect("it speaks");
        }
        world.run_slots(5);
        world.forget();
        // A second of silence, two of patience, up to fifteen times 19 slots, the run.
        world.run_slots(50 + 100 + 285 + u64::from(CUT_IN_SLOTS) + 10);
        assert_eq!(went_ahead(&world).len(), 1, "silently: {silently}");
        assert_one_at_a_time(&world);
    }
}

/// Whoever begins a cut-in, or an over on a single channel, defines its time: with an oscillator
/// of 100 ppm the clock of anybody else passes the guard of 0.5 ms within seconds.
#[test]
fn a_talk_on_a_provisional_timeline_lasts_however_poor_the_oscillators() {
    for mode in [Mode::Hopping, Mode::SingleSealed] {
        let mut world = two_with(100_000);
        world.run_slots(3);
        for node in [POST, BOAT] {
            world.command(node, Command::Mode(mode)).expect("a calling channel");
        }
        world.cut_in(BOAT);
        assert_eq!(went_ahead(&world), [BOAT], "{mode:?}");
        world.forget();
        // A minute of talk.
        for count in 0..50_u8 {
            world.nodes[BOAT].outbox.push_back(vec![count; 3]);
            world.run_slots(60);
        }
        assert!(world.nodes[BOAT].station.holds_floor(), "{mode:?}");
        let read = world.nodes[POST].payloads.iter().filter(|text| !text.is_empty());
        assert_eq!(read.count(), 50, "{mode:?}");
        // Its slots are as long at the end as at the beginning.
        let starts: Vec<u64> = world.log.iter().map(|flight| flight.starts).collect();
        assert!(starts.iter().all(|at| (at - starts[0]).is_multiple_of(SLOT_US)), "{mode:?}");
        assert!(world.nodes[POST].events.is_empty(), "{:?}", world.nodes[POST].events);
        world.command(BOAT, Command::Release).expect("it speaks");
        world.run_slots(5);
        assert!(matches!(world.nodes[POST].events[..], [Event::Clear { .. }]), "{mode:?}");
    }
}

/// The same with oscillators at opposite ends of their tolerance: what the speaker promises of its
/// time must hold for those who go by their own (section 5).
#[test]
fn a_talk_lasts_between_oscillators_at_opposite_ends() {
    for ppb in [10_000, -10_000] {
        let mut world = two_with(10_000);
        (world.nodes[BOAT].ppb, world.nodes[POST].ppb) = (ppb, -ppb);
        world.run_slots(3);
        world.cut_in(BOAT);
        assert_eq!(went_ahead(&world), [BOAT], "{ppb}");
        world.forget();
        // Three minutes.
        for count in 0..90_u8 {
            world.nodes[BOAT].outbox.push_back(vec![count; 3]);
            world.run_slots(100);
        }
        let read = world.nodes[POST].payloads.iter().filter(|text| !text.is_empty());
        assert_eq!(read.count(), 90, "{ppb}");
        assert!(world.nodes[POST].events.is_empty(), "{ppb}: {:?}", world.nodes[POST].events);
    }
}

/// A cut-in that is released in its own run ends for those who follow it, at once.
#[test]
fn a_cut_in_released_in_its_run_is_seen_to_end() {
    let mut world = net();
    restart(&mut world, OTHER);
    world.command(OTHER, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(100 + 100);
    world.forget();
    world.command(OTHER, Command::Release).expect("it speaks");
    world.run_slots(5);
    for node in [POST, BOAT] {
        let events = &world.nodes[node].events;
        assert!(events.iter().any(|event| matches!(event, Event::Clear { .. })), "{events:?}");
    }
}

/// The countdown of a run is in steps of sixteen: the header at which it went down tells the true end, and
/// whoever hears none of its last slots listens where the talk begins all the same.
#[test]
fn the_end_of_a_run_is_known_from_where_its_countdown_went_down() {
    let mut world = net();
    restart(&mut world, OTHER);
    world.command(OTHER, Command::Press(Target::ALL)).expect("nobody speaks");
    let countdown = |world: &World| {
        let bits = world.log.last()?.bits.first_chunk()?;
        let header =
            HeaderKeys::new(&key(1)).from_bits(bits, stream(Lane::ZERO, Timeline::CutIn))?;
        (header.kind == Kind::CutIn).then_some(header.countdown)
    };
    world.run_slots_until(100 + CUT_IN_SLOTS, |world| countdown(world) == Some(1));
    // Sixteen are left. It hears five more that say the same, and then none.
    world.run_slots(5);
    world.nodes[BOAT].heard.clear();
    world.nodes[BOAT].deaf_until = world.now + 12 * SLOT_US;
    world.run_slots(12);
    assert_eq!(world.nodes[BOAT].heard, []);
    world.run_slots(2);
    let heard = world.nodes[BOAT].heard.first().expect("it listens where the talk begins");
    assert!(matches!(heard, Heard::Payload(_)), "{heard:?}");
}

/// What one does not begin owes as much as before: a key that bounces uses up no lead-in.
#[test]
fn a_bouncing_key_uses_up_no_lead_in() {
    let mut world = net();
    restart(&mut world, OTHER);
    world.cut_in(OTHER);
    world.command(OTHER, Command::Release).expect("it speaks");
    world.run_slots(10);
    world.forget();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.command(POST, Command::Release).expect("it has not begun");
    assert!(world.log.is_empty());
    // Nor does one that is tapped: five slots of the run are none.
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots_until(200, |world| world.log.len() == 5);
    let kinds = world.log.iter().map(|flight| world.header(flight).map(|header| header.kind));
    assert_eq!(kinds.collect::<Vec<_>>(), [Some(Kind::LeadIn); 5]);
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(10);
    world.forget();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(30);
    let first = world.log.first().and_then(|flight| world.header(flight)).map(|header| header.kind);
    assert_eq!(first, Some(Kind::LeadIn));
    // And once it has been sent it is owed no longer.
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(10);
    world.forget();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(30);
    let first = world.log.first().and_then(|flight| world.header(flight)).map(|header| header.kind);
    assert_eq!(first, Some(Kind::Over));
}

/// A poll that comes too late for a slot costs that slot, and not what was to be said in it
/// (the driver's part, documentation of `Station`).
#[test]
fn a_late_poll_loses_no_payload() {
    let mut world = net();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(14);
    let (now, post) = (world.local(POST, world.now), &mut world.nodes[POST].station);
    post.queue_payload(b"not lost").expect("it speaks");
    // The next slot that could carry it is asked for in its middle.
    let until = world.nodes[POST].action.expect("polled").until.max(now);
    let late = until.plus(Micros::new(SLOT_US / 2));
    let post = &mut world.nodes[POST].station;
    let before = post.counters().late;
    let action = post.poll(late);
    assert_eq!(action.radio, Radio::Off);
    assert_eq!(post.counters().late, before + 1);
    assert_eq!(post.queue_payload(b"another"), Err(Refused::Full), "it still waits");
    world.run_until(world.now + 5 * SLOT_US);
    assert!(world.nodes[BOAT].payloads.iter().any(|text| text == b"not lost"));
}

/// Behind a release only closing headers follow: what is taken then would never be sent.
#[test]
fn nothing_is_taken_behind_a_release() {
    let mut world = net();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(14);
    let post = |world: &mut World, text: &[u8]| world.nodes[POST].station.queue_payload(text);
    assert_eq!(post(&mut world, b"in time"), Ok(()));
    world.run_slots(3);
    world.command(POST, Command::Release).expect("it speaks");
    assert_eq!(post(&mut world, b"too late"), Err(Refused::NotSpeaking));
    world.run_slots(1);
    assert_eq!(post(&mut world, b""), Err(Refused::NotSpeaking));
    world.run_slots(10);
    assert!(world.nodes[BOAT].payloads.iter().any(|text| text == b"in time"));
}

/// What is on the air is sent whole, whatever is asked meanwhile.
#[test]
fn nothing_that_is_asked_cuts_a_slot_short() {
    let mut world = net();
    let now = world.local(POST, world.now);
    let post = &mut world.nodes[POST].station;
    // A wish that no poll has seen outlives the announce.
    post.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
    post.command(now, Command::Announce).expect("a timekeeper");
    let mut now = now;
    for _ in 0..3 {
        now = post.poll(now).until;
    }
    let action = post.poll(now);
    assert!(matches!(action.radio, Radio::Transmit { .. }), "{action:?}");
    let middle = now.plus(Micros::new(SLOT_US / 2));
    post.command(middle, Command::Release).expect("a wish");
    assert_eq!(post.poll(middle), action);
    assert!(!post.burst().is_empty());
}

/// A station by itself that has announced from the start of a timeline with so many slots left.
fn alone(slots_left: u32, make: Make) -> (Station<128>, Tick) {
    let stored = Slot::new(u32::MAX - slots_left - WATERMARK_STEP - 1);
    let make = Make { watermark: Watermark::Stored(stored), announce_slots: 20, ..make };
    let mut station = make.station(&key(1));
    let mut now = Tick::new(1_000_000);
    station.command(now, Command::Announce).expect("a timekeeper");
    for _ in 0..30 {
        now = station.poll(now).until;
    }
    while station.next_event().is_some() {}
    assert!(station.in_step());
    (station, now)
}

/// Close to the end of a timeline no over begins for which there is no room, not even in step.
#[test]
fn no_over_begins_where_the_timeline_has_no_room_for_it() {
    for (left, begins) in [(5_000, true), (4_000, false)] {
        let (mut station, now) = alone(left, Make::timekeeper(0x10));
        station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        let _ = station.poll(now);
        assert_eq!(station.holds_floor(), begins, "{left} slots");
    }
}

/// Whoever waits for the timeline to end is not alone in that, as a rule: at its end each listens for
/// two seconds, as after a press, before it cuts in.
#[test]
fn nobody_cuts_in_at_once_when_the_timeline_ends() {
    let (mut station, mut now) = alone(4_000, Make::timekeeper(0x10));
    station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
    let ended = loop {
        let action = station.poll(now);
        let events: Vec<Event> = std::iter::from_fn(|| station.next_event()).collect();
        if events.contains(&Event::TimelineEnded) {
            break now;
        }
        now = action.until.max(now);
    };
    assert!(!station.cuts_in(), "in the very poll in which the timeline has ended");
    while !station.cuts_in() {
        now = station.poll(now).until.max(now);
        assert!(now < ended.plus(Micros::from_millis(60_000)), "the wish is kept");
    }
    assert!(now >= ended.plus(Micros::from_millis(2_000)), "{now:?} {ended:?}");
}

/// Neither does who waits behind an over and has lost the time meanwhile, asked hours late.
#[test]
fn nobody_cuts_in_at_once_when_the_time_is_lost() {
    let mut world = net();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(30);
    world.command(BOAT, Command::Press(Target::ALL)).expect("a wish");
    let _ = world.events(BOAT);
    let now = world.local(BOAT, world.now).plus(Micros::from_millis(9 * 3_600_000));
    let boat = &mut world.nodes[BOAT].station;
    let _ = boat.poll(now);
    let events: Vec<Event> = std::iter::from_fn(|| boat.next_event()).collect();
    assert!(events.contains(&Event::OutOfStep), "{events:?}");
    assert!(!boat.holds_floor(), "without having listened for two seconds");
}

/// What others may have reached meanwhile may lie beyond the end of the timeline: then there is
/// nowhere to begin.
#[test]
fn no_timeline_begins_where_others_may_be_at_the_end_of_theirs() {
    // 500 ppm: lost within minutes. 40 000 slots, 800 s, are left, more than a watermark's step.
    let poor = Make { tolerance_ppb: 500_000, ..Make::timekeeper(0x10) };
    let (mut station, now) = alone(40_000, poor);
    let mut at = now;
    while at < now.plus(Micros::from_millis(790_000)) {
        at = station.poll(at).until.max(at.plus(Micros::new(1)));
    }
    assert!(!station.in_step());
    let far = now.plus(Micros::from_millis(900_000));
    let _ = station.poll(far);
    assert_eq!(station.command(far, Command::Announce), Err(Refused::TimelineEnded));
}

/// A header of the net's own key, as somebody would send it in `slot`, put in where the station
/// listens.
fn put_in(station: &mut Station<128>, now: Tick, header: Header, timeline: Timeline) -> Heard {
    use hopwright_core::station::Reception;
    let action = station.poll(now);
    let Radio::Listen { channel, word, complement } = action.radio else { panic!("{action:?}") };
    let stream = stream(Lane::ZERO, timeline);
    let bits = HeaderKeys::new(&key(1)).to_bits(header, stream);
    let word = if complement { !word } else { word };
    let at = action.from.plus(timing().word_offset());
    station.heard(at.plus(Micros::new(6_000)), Reception { channel, word, at, bits: &bits })
}

fn header(slot: Slot, source: u8, kind: Kind, countdown: u8) -> Header {
    let quality = Quality::of(Micros::new(100));
    Header { slot, source: Address::new(source), target: Target::ALL, kind, quality, countdown }
}

/// One header from the very end of a timeline, which nobody confirms, ends nothing (section 8).
#[test]
fn an_unconfirmed_header_of_the_end_ends_no_timeline() {
    let (mut station, mut now) = alone(1_000_000, Make::timekeeper(0x10));
    let before = station.slot(now).expect("in step");
    let began = now;
    let last = header(Slot::new(u32::MAX - 10), 0x4B, Kind::Announce, 3);
    // An idle station listens on its home channels for half of each frame.
    let taken = (0..16).any(|_| {
        now = station.poll(now).until;
        let listens = matches!(station.poll(now).radio, Radio::Listen { .. });
        listens && matches!(put_in(&mut station, now, last, Timeline::Home), Heard::Header { .. })
    });
    assert!(taken && !station.in_step());
    for _ in 0..60 {
        now = now.plus(Micros::new(SLOT_US));
        let _ = station.poll(now);
    }
    assert!(station.in_step());
    let passed = now.since(began).expect("later").us() / SLOT_US;
    assert_eq!(station.slot(now), Some(before.plus(u32::try_from(passed).expect("short"))));
    let events: Vec<Event> = std::iter::from_fn(|| station.next_event()).collect();
    assert!(!events.contains(&Event::TimelineEnded), "{events:?}");
}

/// A header of a later time that nobody confirms makes a station forget no over that it follows: when
/// it has its time back the speaker may still be speaking.
#[test]
fn nobody_begins_in_an_over_behind_an_unconfirmed_header() {
    let mut world = net();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(30);
    world.command(BOAT, Command::Press(Target::ALL)).expect("a wish");
    let later = header(world.slot(POST).plus(1_000_000), 0x51, Kind::Over, 3);
    let now = world.local(BOAT, world.now);
    let heard = put_in(&mut world.nodes[BOAT].station, now, later, Timeline::Home);
    assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
    assert!(!world.nodes[BOAT].station.in_step());
    world.poll(BOAT);
    world.forget();
    world.run_slots(80);
    assert!(world.nodes[BOAT].station.in_step());
    assert_one_at_a_time(&world);
    assert!(went_ahead(&world).is_empty());
    world.command(POST, Command::Release).expect("it speaks");
    world.run_slots(60);
    assert_eq!(went_ahead(&world), [BOAT]);
}

/// Watermarks come while the station is elsewhere and home time goes on underneath (section 8:
/// every 2^14 slots).
#[test]
fn watermarks_come_on_a_single_channel_too() {
    let fixed = FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE };
    let (mut station, mut now) = alone(1_000_000, Make { fixed, ..Make::timekeeper(0x10) });
    station.command(now, Command::Mode(Mode::SinglePlain)).expect("a calling channel");
    let end = now.plus(timing().slot().times(3 * u64::from(WATERMARK_STEP)));
    let mut saved = Vec::new();
    while now < end {
        now = station.poll(now).until.max(now.plus(Micros::new(1)));
        while let Some(event) = station.next_event() {
            if let Event::SaveWatermark { slot } = event {
                saved.push(slot.number());
            }
        }
    }
    // Three steps fit but for the slots that had passed since the last one.
    assert!(saved.len() >= 2, "{saved:?}");
    assert!(saved.windows(2).all(|pair| pair[1] - pair[0] <= WATERMARK_STEP), "{saved:?}");
}

/// An over that the end of the timeline ends is told to have ended.
#[test]
fn an_over_ends_with_its_timeline() {
    let stored = Watermark::Stored(Slot::new(u32::MAX - 4_400 - WATERMARK_STEP));
    let post = Make { watermark: stored, announce_slots: 40, ..Make::timekeeper(0x10) };
    let mut world = World::new(&[post, Make { announce_slots: 40, ..Make::member(0x4B) }]);
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(60);
    world.forget();
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(4_500);
    let told = world.events(BOAT);
    let kind = |event: &Event| {
        let clear = matches!(event, Event::Clear { .. }).then_some("clear");
        let call = matches!(event, Event::Call { .. }).then_some("call");
        clear.or(call).or((*event == Event::TimelineEnded).then_some("end"))
    };
    assert_eq!(told.iter().filter_map(kind).collect::<Vec<_>>(), ["call", "clear", "end"]);
}

/// Near the end of a timeline a watermark is due no more often than elsewhere: storage wears out.
#[test]
fn watermarks_are_as_seldom_at_the_end_of_a_timeline() {
    let fixed = FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE };
    let (mut station, mut now) = alone(9_000, Make { fixed, ..Make::timekeeper(0x10) });
    station.command(now, Command::Mode(Mode::SinglePlain)).expect("a calling channel");
    let mut saved = 0;
    for _ in 0..8_900 {
        now = now.plus(timing().slot());
        let _ = station.poll(now);
        // Whatever is asked in between makes it look again.
        station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        station.command(now, Command::Release).expect("a wish");
        while let Some(event) = station.next_event() {
            saved += u32::from(matches!(event, Event::SaveWatermark { .. }));
        }
    }
    assert!(saved <= 1, "{saved}");
}

/// Away from home a watermark is of a slot that has come for certain: others whose clocks are behind one's own are
/// no recordings when one is back.
#[test]
fn a_watermark_from_elsewhere_lies_in_nobodys_future() {
    let fixed = FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE };
    let make = Make { fixed, tolerance_ppb: 500_000, ..Make::timekeeper(0x10) };
    let (mut station, start) = alone(100_000_000, make);
    station.command(start, Command::Mode(Mode::SinglePlain)).expect("a calling channel");
    let mut saved = 0;
    for hours in 1..=24 {
        let now = start.plus(Micros::new(hours * 3_600_000_000));
        let _ = station.poll(now);
        let (earliest, _) = station.clock().expect("kept").bound(now);
        let slot = station.slot(now).expect("kept");
        while let Some(event) = station.next_event() {
            if let Event::SaveWatermark { slot: mark } = event {
                saved += 1;
                assert!(timing().start_of(mark) <= earliest, "{mark} after {hours} h at {slot}");
            }
        }
    }
    assert!(saved >= 20, "{saved}");
}

/// The boat is played recordings, as far as it waits for their words: each is dropped as what it is.
fn all_are_replayed<'f>(world: &mut World, flights: impl IntoIterator<Item = &'f Flight>) {
    for flight in flights {
        let radio = world.nodes[BOAT].action.map(|action| action.radio);
        let Some(Radio::Listen { word, .. }) = radio else { panic!("{radio:?}") };
        if flight.word == word {
            let heard = world.hear(BOAT, flight, world.now);
            assert_eq!(heard, Heard::Dropped(Dropped::Replayed));
            world.poll(BOAT);
        }
    }
}

/// What is left by a change of mode has been followed, too: its recording is not joined afterwards, and who was told
/// of it is told of its end.
#[test]
fn a_cut_in_that_a_change_of_mode_leaves_is_not_joined_again() {
    let mut world = World::new(&makes()[..2]);
    world.run_slots(3);
    for node in [POST, BOAT] {
        world.command(node, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    }
    world.run_slots(3);
    world.command(POST, Command::Press(Target::ALL)).expect("nobody speaks");
    world.run_slots(20);
    let theirs = world.log.clone();
    let told = |world: &World, what: fn(&Event) -> bool| world.nodes[BOAT].events.iter().any(what);
    assert!(told(&world, |event| matches!(event, Event::Call { .. })));
    assert!(!told(&world, |event| matches!(event, Event::Clear { .. })));
    world.command(BOAT, Command::Mode(Mode::Hopping)).expect("it only listens");
    assert!(told(&world, |event| matches!(event, Event::Clear { .. })));
    world.command(BOAT, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    world.command(POST, Command::Release).expect("it speaks");
    world.nodes[BOAT].deaf_until = u64::MAX;
    world.run_slots(30);
    world.forget();
    all_are_replayed(&mut world, &theirs);
    assert!(world.nodes[BOAT].heard.len() >= 8, "the call headers");
}

/// A recording of what one has said oneself is not joined, nor does one's own over make the
/// recordings of another's new again (section 9).
#[test]
fn an_answer_makes_no_recording_new() {
    let mut world = World::new(&makes()[..2]);
    world.run_slots(3);
    for node in [POST, BOAT] {
        world.command(node, Command::Mode(Mode::SingleSealed)).expect("a calling channel");
    }
    world.run_slots(3);
    world.over(POST, Target::ALL, &[b"once"]);
    let theirs = world.log.clone();
    world.run_slots(30);
    world.over(BOAT, Target::ALL, &[b"answer"]);
    world.run_slots(30);
    let own: Vec<Flight> = world.log.iter().filter(|flight| flight.from == BOAT).cloned().collect();
    world.forget();
    all_are_replayed(&mut world, theirs.iter().chain(&own));
    assert!(world.nodes[BOAT].heard.len() >= 20, "call headers of both");
    assert!(world.nodes[BOAT].events.is_empty());
}
