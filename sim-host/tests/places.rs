//! Places that change, and halves of a net that part and meet again (specification section 8: of
//! two timelines of one net the larger authenticated slot wins at every station).

use hopwright_sim::scenario::{Scenario, Timetable, built_in_plan};
use hopwright_sim::world::World;

const SECOND: u64 = 1_000_000;

fn world(text: &str) -> World {
    let text = format!("[scenario]\nname = \"places\"\nplan = \"-\"\n{text}");
    let scenario = Scenario::parse("places.toml", &text, built_in_plan().unwrap()).unwrap();
    scenario
        .builder()
        .unwrap()
        .world(Timetable {
            digests: true,
            ..Timetable::totals(&scenario.announces, &scenario.overs)
        })
        .unwrap()
}

/// Free space, 20 dB a decade (ITU-R P.525); the speed of light in vacuum, 299.792458 m/us: 33.36
/// us for 10 km, 66.71 us for 20 km.
#[test]
fn delay_and_power_go_with_the_place() {
    let mut world = world(
        "duration_s = 500\n[[station]]\nname = \"post\"\naddress = \"01\"\n\
         [[station]]\nname = \"boat\"\naddress = \"02\"\ny_m = 2_000\n\
         [[move]]\nstation = \"boat\"\nat_s = 100\nto_x_m = 0\nto_y_m = 20_000\nover_s = 90\n\
         [[move]]\nstation = \"boat\"\nat_s = 300\nto_x_m = 10_000\nto_y_m = 0\n",
    );
    let mut seen = Vec::new();
    for at in [99, 140, 190, 299, 300] {
        world.run_until(at * SECOND);
        let (there, back) = (world.medium().delay_us(0, 1), world.medium().delay_us(1, 0));
        assert_eq!(there, back);
        let dbm = world.medium().received_dbm(0, 1);
        seen.push((at, there, dbm));
    }
    let delays: Vec<u64> = seen.iter().map(|(_, delay, _)| *delay).collect();
    assert_eq!(delays, [7, 33, 67, 67, 33]);
    assert!((seen[0].2 - seen[2].2 - 20.0).abs() < 1e-9, "ten times as far: {seen:?}");
    assert!((seen[1].2 - seen[4].2).abs() < 1e-9, "the same distance: {seen:?}");
}

/// The announce reaches who is within the horizon, however strong it is.
#[test]
fn nothing_is_heard_beyond_the_horizon() {
    for (horizon_m, hears) in [(5_001, true), (4_999, false)] {
        let mut world = world(&format!(
            "duration_s = 30\n[propagation]\nhorizon_m = {horizon_m}\n\
             [[station]]\nname = \"post\"\naddress = \"01\"\nrole = \"timekeeper\"\n\
             power_dbm = 100\n[[station]]\nname = \"boat\"\naddress = \"02\"\nx_m = 5_000\n\
             [[announce]]\nat_s = 5\nby = \"post\"\n"
        ));
        world.run_until(30 * SECOND);
        assert_eq!(world.in_step(1), hears, "{horizon_m}");
        assert_eq!(world.trace().totals.listened > 0, hears);
    }
}

/// Two halves with a timekeeper each, and overs on both sides; at 600 s a boat goes in between.
fn parted(first_slot: u32, second_slot: u32) -> World {
    let mut text = "duration_s = 4_000\n[propagation]\nhorizon_m = 20_000\n".to_owned();
    for i in 0..8 {
        let (x, keeper) = if i < 4 { (i * 500, i == 0) } else { (30_000 + i * 500, i == 4) };
        text += &format!("[[station]]\nname = \"s{i}\"\naddress = \"{i:02x}\"\nx_m = {x}\n");
        if keeper {
            let slot = if i == 0 { first_slot } else { second_slot };
            text += &format!("role = \"timekeeper\"\nstored_slot = {slot}\n");
        }
    }
    text += "[[announce]]\nat_s = 2\nby = \"s0\"\n[[announce]]\nat_s = 3\nby = \"s4\"\n\
             [[move]]\nstation = \"s1\"\nat_s = 600\nto_x_m = 16_000\nto_y_m = 0\nover_s = 30\n";
    let mut at = 20;
    while at < 3_950 {
        for (half, from) in [(0, at / 20 % 4), (1, 4 + at / 20 * 3 % 4)] {
            text += &format!(
                "[[over]]\nat_s = {}\nfrom = \"s{from}\"\nto = \"all\"\ntalk_s = 5\n",
                at + half * 7
            );
        }
        at += 20;
    }
    world(&text)
}

#[test]
fn parted_halves_meet_on_the_later_timeline() {
    for (first, second, winner) in [(1_000, 5_000_000, 1), (5_000_000, 1_000, 0)] {
        let mut world = parted(first, second);
        world.run_until(590 * SECOND);
        for node in 0..8 {
            assert!(world.in_step(node), "{node}");
            assert_eq!(
                world.timeline_of(node),
                Some(node / 4),
                "the halves cannot hear each other"
            );
        }
        assert_eq!(world.latest_timeline(), Some(winner));
        world.run_until(4_000 * SECOND);
        for node in 0..8 {
            assert!(world.in_step(node), "{node} of winner {winner}");
            assert_eq!(world.timeline_of(node), Some(winner), "{node}");
        }
        assert_eq!(world.trace().totals.bound_misses, 0);
        let guard = built_in_plan().unwrap().timing().guard().us();
        assert!(world.phases_apart_us().is_some_and(|apart| apart <= guard));
    }
}

/// Stations that rest while nothing happens are where they would have been, moves and an
/// interferer in the middle or not.
#[test]
fn rest_changes_nothing_while_somebody_moves() {
    let text = "duration_s = 120\n\
        [[station]]\nname = \"a\"\naddress = \"01\"\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"b\"\naddress = \"02\"\nx_m = 3_000\n\
        oscillator = { offset_ppb = 300, white_ppb = 20, steps = [{ at_s = 70, us = -200 }], honest = false }\n\
        [[station]]\nname = \"c\"\naddress = \"03\"\ny_m = 3_000\n\
        [[interferer]]\nname = \"pump\"\nshare = 0.4\npower_dbm = 10\nx_m = 8_000\nfrom_s = 10\n\
        [[announce]]\nat_s = 15\nby = \"a\"\n\
        [[over]]\nat_s = 90\nfrom = \"c\"\nto = \"all\"\ntalk_s = 3\n\
        [[move]]\nstation = \"b\"\nat_s = 20\nto_x_m = 8_000\nto_y_m = 0\nover_s = 60\n";
    let (mut rested, mut awake) = (world(text), world(text));
    awake.stay_awake();
    for world in [&mut rested, &mut awake] {
        world.run_until(120 * SECOND);
    }
    assert!(rested.trace().totals.polls < awake.trace().totals.polls, "nobody rested");
    assert_eq!(rested.trace().events, awake.trace().events);
    assert!(rested.in_step(1) && rested.trace().overs[0].called.len() == 2);
}
