//! The net without its timekeeper: who may announce, when, and what a timekeeper does that comes
//! back (specification section 8).
#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "outside the core a match on its enums needs a wildcard"
)]

use hopwright_core::station::{Command, Event, Refused, Station, Watermark};
use hopwright_core::units::Slot;
use hopwright_sim::scenario::{Builder, Scenario, StationPlan, Timetable, built_in_plan};
use hopwright_sim::world::World;

const SECOND: u64 = 1_000_000;
const POST: usize = 0;
const DEPUTY: usize = 1;
const MEMBER: usize = 2;
const LATE: usize = 3;

/// A net that the post starts at 1 s; the last station is switched on at 650 s.
fn scenario(seed: u64) -> Scenario {
    let text = "[scenario]\nname = \"deputies\"\nduration_s = 4_000\nplan = \"-\"\n\
         [[announce]]\nat_s = 1\nby = \"post\"\n\
         [[station]]\nname = \"post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
         [[station]]\nname = \"bridge\"\naddress = \"11\"\nrole = \"deputy\"\nx_m = 900\n\
         [[station]]\nname = \"boat\"\naddress = \"41\"\nx_m = -700\n\
         [[station]]\nname = \"late\"\naddress = \"42\"\ny_m = 1_300\non_s = 650\n";
    let scenario = Scenario::parse("deputies.toml", text, built_in_plan().unwrap());
    let mut scenario = scenario.unwrap_or_else(|error| panic!("{error}"));
    scenario.reseed(seed);
    scenario
}

fn world(scenario: &Scenario, builder: &Builder<'_>) -> World {
    builder.world(Timetable::totals(&scenario.announces, &scenario.overs)).unwrap()
}

/// The set is exchanged for one with this storage, and searches.
fn exchange(world: &mut World, builder: &Builder<'_>, plan: &StationPlan, storage: Watermark) {
    let made = builder.configure(plan, |mut config| {
        config.watermark = storage;
        Station::new(config)
    });
    world.restart(POST, made.unwrap());
}

fn slots(world: &World) -> Vec<Option<u32>> {
    let slot = |node: &hopwright_sim::world::Node| {
        node.station.slot(node.local(world.now())).map(Slot::number)
    };
    world.nodes().iter().map(slot).collect()
}

#[test]
fn a_deputy_announces_after_ten_minutes_without_one() {
    for seed in 1..=10 {
        let scenario = scenario(seed);
        let builder = scenario.builder().unwrap();
        let mut world = world(&scenario, &builder);
        world.run_until(10 * SECOND);
        // The timekeeper is lost.
        exchange(&mut world, &builder, &scenario.radio.stations[POST], Watermark::Fresh);
        world.run_until(300 * SECOND);
        // The announce was heard at 1 s and lasted 3.5 s: not before 601 s by the deputy's clock.
        match world.command(DEPUTY, Command::Announce) {
            Err(Refused::TooEarly(at)) => {
                let wait = at.since(world.nodes()[DEPUTY].local(world.now())).unwrap().us();
                assert!((301 * SECOND..=305 * SECOND).contains(&wait), "{seed}: {wait}");
            }
            other => panic!("{seed}: {other:?}"),
        }
        assert_eq!(world.command(MEMBER, Command::Announce), Err(Refused::NotTimekeeper));
        world.run_until(700 * SECOND);
        assert!(!world.in_step(LATE), "{seed}: nobody has spoken");
        let before = slots(&world);
        assert_eq!(world.command(DEPUTY, Command::Announce), Ok(()));
        world.run_until(704 * SECOND);
        // On the timeline that there is: the slots have gone on by four seconds and no more.
        for (node, slot) in slots(&world).into_iter().enumerate() {
            assert!(world.in_step(node), "{seed}: {node}");
            let went_on = before[DEPUTY].zip(slot).map(|(from, to)| to - from);
            assert!(went_on.is_some_and(|n| (199..=201).contains(&n)), "{seed}: {went_on:?}");
        }
        // Its own announce counts as one.
        assert!(matches!(world.command(DEPUTY, Command::Announce), Err(Refused::TooEarly(_))));
        assert_eq!(world.trace().totals.bound_misses, 0);
    }
}

#[test]
fn a_deputy_without_time_starts_a_timeline() {
    let scenario = scenario(3);
    let builder = scenario.builder().unwrap();
    let mut world = builder.world(Timetable::totals(&[], &[])).unwrap();
    world.run_until(599 * SECOND);
    assert!(matches!(world.command(DEPUTY, Command::Announce), Err(Refused::TooEarly(_))));
    world.run_until(601 * SECOND);
    assert_eq!(world.command(DEPUTY, Command::Announce), Ok(()));
    world.run_until(606 * SECOND);
    let in_step = world.nodes().iter().filter(|node| node.station.in_step()).count();
    // All but the one that is switched on later.
    assert_eq!(in_step, 3);
}

#[test]
fn a_timekeeper_that_restarts_goes_on_beyond_its_watermark() {
    for seed in 1..=10 {
        let scenario = scenario(seed);
        let builder = scenario.builder().unwrap();
        let mut world = world(&scenario, &builder);
        world.run_until(400 * SECOND);
        let saved = world.trace().events.iter().rev().find_map(|h| match h.event {
            Event::SaveWatermark { slot } if h.node == POST => Some(slot),
            _ => None,
        });
        let saved = saved.expect("a watermark was handed out");
        let plan = &scenario.radio.stations[POST];
        exchange(&mut world, &builder, plan, Watermark::Stored(saved));
        world.run_until(405 * SECOND);
        let before = slots(&world)[MEMBER].unwrap();
        assert_eq!(world.command(POST, Command::Announce), Ok(()));
        world.run_until(412 * SECOND);
        // A later timeline, which wins at every station: none of its slots was on the air before.
        let after = slots(&world);
        for node in [POST, DEPUTY, MEMBER] {
            let slot = after[node].unwrap_or_else(|| panic!("{seed}: {node} is out of step"));
            assert!(slot > before && slot > saved.number() + (1 << 14), "{seed}: {node} {slot}");
            assert!(slot.abs_diff(after[POST].unwrap()) <= 1, "{seed}: {node}");
        }
    }
}

#[test]
fn a_timekeeper_whose_storage_is_lost_starts_no_timeline_and_says_why() {
    let scenario = scenario(5);
    let builder = scenario.builder().unwrap();
    let mut world = world(&scenario, &builder);
    world.run_until(60 * SECOND);
    exchange(&mut world, &builder, &scenario.radio.stations[POST], Watermark::Lost);
    world.run_until(70 * SECOND);
    let refused = world.command(POST, Command::Announce);
    assert_eq!(refused, Err(Refused::WatermarkLost));
    let why = refused.unwrap_err().to_string();
    assert_eq!(why, "the stored watermark is lost");
    // A late-comer like any other, it may announce on the net's own timeline once it has that.
    let before = slots(&world)[MEMBER];
    assert_eq!(world.command(MEMBER, Command::Press(hopwright_core::address::Target::ALL)), Ok(()));
    world.run_until(80 * SECOND);
    assert_eq!(world.command(MEMBER, Command::Release), Ok(()));
    world.run_until(85 * SECOND);
    assert!(world.in_step(POST));
    assert_eq!(world.command(POST, Command::Announce), Ok(()));
    world.run_until(90 * SECOND);
    let went_on = before.zip(slots(&world)[MEMBER]).map(|(from, to)| to - from);
    assert!(went_on.is_some_and(|n| (998..=1_002).contains(&n)), "{went_on:?}");
}
