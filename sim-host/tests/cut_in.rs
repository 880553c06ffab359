//! A member without time takes the floor: who follows, and what everyone returns to
//! (specification section 9 and invariant 6).

use hopwright_core::address::Address;
use hopwright_core::station::{Command, Event, Refused};
use hopwright_sim::scenario::{Scenario, Timetable, built_in_plan};
use hopwright_sim::world::{Detail, World};

/// Six stations, the last of them switched on at 8 s, out of time; what else happens is `more`.
fn world(seed: u64, stations: &str, more: &str) -> World {
    let text = format!(
        "[scenario]\nname = \"cut-in\"\nduration_s = 600\nplan = \"-\"\n\
         [[announce]]\nat_s = 1\nby = \"post\"\n\
         [[station]]\nname = \"post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
         [[station]]\nname = \"a\"\naddress = \"41\"\nx_m = 900\n\
         [[station]]\nname = \"b\"\naddress = \"42\"\nx_m = -700\n\
         [[station]]\nname = \"c\"\naddress = \"51\"\ny_m = 1_300\n\
         {stations}\n{more}"
    );
    let scenario = Scenario::parse("cut-in.toml", &text, built_in_plan().unwrap());
    let mut scenario = scenario.unwrap_or_else(|error| panic!("{error}"));
    scenario.reseed(seed);
    let timetable = Timetable {
        detail: Detail::Transmissions,
        ..Timetable::totals(&scenario.announces, &scenario.overs)
    };
    scenario.builder().unwrap().world(timetable).unwrap()
}

const NEWCOMER: &str = "[[station]]\nname = \"new\"\naddress = \"52\"\ny_m = -400\non_s = 8";
const NEW: usize = 4;

fn over(at_s: f64, from: &str, to: &str, talk_s: f64) -> String {
    format!("[[over]]\nat_s = {at_s}\nfrom = \"{from}\"\nto = \"{to}\"\ntalk_s = {talk_s}\n")
}

fn events<'a>(
    world: &'a World,
    node: usize,
    since_us: u64,
) -> impl Iterator<Item = &'a Event> + use<'a> {
    let own = world.trace().events.iter().filter(move |h| h.node == node && h.at_us >= since_us);
    own.map(|h| &h.event)
}

#[test]
fn idle_stations_follow_and_return_to_the_time_they_had() {
    for seed in 1..=20 {
        let mut world = world(seed, NEWCOMER, &over(10.0, "new", "40/4", 3.0));
        world.run_until(9_000_000);
        let before: Vec<_> = (0..NEW).map(|n| *world.nodes()[n].station.clock().unwrap()).collect();
        world.run_until(30_000_000);
        assert_eq!(world.trace().overs.len(), 1);
        let over = &world.trace().overs[0];
        assert!(over.ahead_us.is_some(), "seed {seed}: the newcomer never spoke");
        // The call is for 41 and 42; the others are told busy and nothing else.
        assert_eq!((sorted(&over.called), sorted(&over.busy)), (vec![1, 2], vec![0, 3]), "{seed}");
        let readers: Vec<usize> = (0..5).filter(|n| over.payloads_heard[*n] > 0).collect();
        assert_eq!(readers, [1, 2], "{seed}");
        assert_eq!(over.payloads_garbled, 0);
        for (node, before) in before.iter().enumerate() {
            assert!(world.in_step(node), "seed {seed}: {node} is not back");
            // Not a microsecond of home time has changed.
            assert_eq!(world.nodes()[node].station.clock(), Some(before), "{seed}");
        }
        // A cut-in gives nobody time, least of all who sent it.
        assert!(!world.nodes()[NEW].station.in_step());
        assert_eq!(world.trace().totals.out_of_step, 0);
        assert_eq!(world.trace().totals.outside_hopset, 0);
    }
}

fn sorted(nodes: &[usize]) -> Vec<usize> {
    let mut nodes = nodes.to_vec();
    nodes.sort_unstable();
    nodes
}

#[test]
fn the_first_answer_brings_the_newcomer_into_step_before_its_first_word() {
    let mut in_time = 0;
    for seed in 1..=40 {
        let more = over(10.0, "new", "all", 2.0) + &over(24.0, "a", "52", 3.0);
        let mut world = world(seed, NEWCOMER, &more);
        world.run_until(40_000_000);
        let answer = &world.trace().overs[1];
        let ahead = answer.ahead_us.expect("the answer is spoken");
        let is_in_step = |e: &Event| matches!(e, Event::InStep { .. });
        in_time += usize::from(world.trace().times_of(NEW, is_in_step).any(|at| at <= ahead));
        assert!(world.in_step(NEW), "seed {seed}");
    }
    assert!(in_time >= 38, "{in_time} of 40");
}

#[test]
fn on_a_busy_net_the_newcomer_gets_time_and_simply_speaks() {
    for seed in 1..=10 {
        let more = over(7.0, "a", "all", 8.0) + &over(9.0, "new", "10", 2.0);
        let mut world = world(seed, NEWCOMER, &more);
        world.run_until(30_000_000);
        let over = &world.trace().overs[1];
        // It waits for the over to end, then calls like anybody else: on home time, in step.
        assert!(over.ahead_us.is_some_and(|at| at > 15_000_000), "{seed}");
        let is_in_step = |e: &Event| matches!(e, Event::InStep { .. });
        let in_step = world.trace().times_of(NEW, is_in_step).next();
        assert!(in_step < over.ahead_us, "{seed}");
        assert_eq!(sorted(&over.called), [0], "{seed}");
        assert_eq!(world.trace().totals.overlapping, 0, "{seed}");
    }
}

#[test]
fn of_two_that_cut_in_at_once_each_station_follows_one_and_all_come_back() {
    let two =
        format!("{NEWCOMER}\n[[station]]\nname = \"other\"\naddress = \"53\"\nx_m = 300\non_s = 8");
    for seed in 1..=20 {
        let more = over(10.0, "new", "all", 2.0) + &over(10.2, "other", "all", 2.0);
        let mut world = world(seed, &two, &more);
        world.run_until(9_000_000);
        let before: Vec<_> = (0..NEW).map(|n| *world.nodes()[n].station.clock().unwrap()).collect();
        world.run_until(60_000_000);
        for (node, before) in before.iter().enumerate() {
            assert!(world.in_step(node), "{seed}");
            assert_eq!(world.nodes()[node].station.clock(), Some(before), "{seed}");
            let calls = events(&world, node, 10_000_000);
            let sources: Vec<Address> = calls
                .filter_map(|event| {
                    if let Event::Call { source, .. } = event { Some(*source) } else { None }
                })
                .collect();
            assert!(!sources.is_empty(), "seed {seed}: {node} followed nobody");
        }
    }
}

#[test]
fn a_later_timeline_of_the_same_net_wins_everywhere() {
    let second = "[[station]]\nname = \"second\"\naddress = \"11\"\nrole = \"timekeeper\"\n\
                  stored_slot = 5_000_000\non_s = 8";
    for seed in 1..=20 {
        let more =
            "[[announce]]\nat_s = 9\nby = \"second\"\n".to_owned() + &over(20.0, "a", "all", 3.0);
        let mut world = world(seed, second, &more);
        world.run_until(40_000_000);
        for node in 0..5 {
            let node = &world.nodes()[node];
            let slot = node.station.slot(node.local(world.now())).map(|slot| slot.number());
            // The stored slot, the head start of 2^14, and the half minute since.
            let expected = 5_000_000 + (1 << 14)..5_000_000 + (1 << 14) + 2_000;
            assert!(slot.is_some_and(|slot| expected.contains(&slot)), "{seed}: {slot:?}");
        }
        assert_eq!(sorted(&world.trace().overs[0].called), [0, 2, 3, 4], "{seed}");
    }
}

/// The sender of a cut-in is switched off in the middle of its talk: nothing closes the over, and
/// everybody is back on home time within the second that its silence may last.
#[test]
fn a_sender_lost_mid_over_is_given_up_after_a_second() {
    for seed in 1..=20 {
        let mut world = world(seed, NEWCOMER, &over(10.0, "new", "all", 6.0));
        world.run_until(9_000_000);
        let before: Vec<_> = (0..NEW).map(|n| *world.nodes()[n].station.clock().unwrap()).collect();
        // Two seconds of patience and six of run: it talks from 18 s on.
        world.run_until(20_000_000);
        assert!(world.nodes()[NEW].station.cuts_in(), "{seed}");
        world.switch_off(NEW);
        // The time-out of 50 slots counts from the last slot that was heard.
        world.run_until(21_500_000);
        for (node, before) in before.iter().enumerate() {
            assert!(world.in_step(node), "seed {seed}: {node} is not back");
            assert_eq!(world.nodes()[node].station.clock(), Some(before), "{seed}");
            let cleared =
                events(&world, node, 20_000_000).any(|e| matches!(e, Event::Clear { .. }));
            let followed =
                events(&world, node, 10_000_000).any(|e| matches!(e, Event::Call { .. }));
            assert_eq!(cleared, followed, "seed {seed}: {node}");
        }
    }
}

/// An announce that starts while somebody waits to cut in gives time: no cut-in is sent. One that
/// is asked for while a cut-in is on the air is refused at a station that follows that, and what
/// goes out otherwise leaves everybody on home time when both are over.
#[test]
fn a_cut_in_and_an_announce_at_once() {
    for seed in 1..=20 {
        let mut early = world(seed, NEWCOMER, &over(10.0, "new", "all", 2.0));
        early.run_until(11_000_000);
        early.command(0, Command::Announce).unwrap();
        early.run_until(30_000_000);
        assert!(early.in_step(NEW), "{seed}: the announce gives time");
        assert!(!early.trace().overs[0].cut_in, "{seed}: it simply speaks");
        assert!(early.trace().overs[0].ahead_us.is_some(), "{seed}");

        let mut late = world(seed, NEWCOMER, &over(10.0, "new", "all", 2.0));
        // Just after the cut-in has begun, when some have heard it and some have not.
        late.run_until(12_050_000 + seed * 20_000);
        let following = late.nodes()[0].station.slot(late.nodes()[0].local(late.now()));
        let answer = late.command(0, Command::Announce);
        assert!(following.is_some() && matches!(answer, Ok(()) | Err(Refused::Busy)), "{answer:?}");
        late.run_until(40_000_000);
        for node in 0..NEW {
            assert!(late.in_step(node), "{seed}: {node}");
        }
        assert_eq!(late.trace().totals.bound_misses, 0);
        assert_eq!(late.trace().totals.out_of_step, 0);
    }
}

/// An operator who presses while a cut-in is followed takes the floor on home time when the cut-in
/// is given up, and not in a slot of the time that has just ended (found by the soak).
#[test]
fn a_wish_made_during_a_cut_in_is_kept_for_home_time() {
    for seed in 1..=20 {
        let more = over(10.0, "new", "all", 6.0) + &over(19.0, "a", "all", 2.0);
        let mut world = world(seed, NEWCOMER, &more);
        world.run_until(20_000_000);
        world.switch_off(NEW);
        world.run_until(40_000_000);
        let own = &world.trace().overs[1];
        let ahead = own.ahead_us.unwrap_or_else(|| panic!("{seed}: the wish is lost"));
        // A second of silence, two frames of listening, up to fifteen steps of 22 slots, and a call behind the lead-in
        // that is due.
        assert!((21_800_000..29_000_000).contains(&ahead), "{seed}: {ahead}");
        assert!(own.released_us.is_some() && !own.cut_in, "{seed}");
        assert_eq!(sorted(&own.called), [0, 2, 3], "{seed}");
    }
}
