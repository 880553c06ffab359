//! A net whose timekeeper is lost soon after the start: its members keep each other in step
//! (specification section 6: whoever holds the floor is followed).

use hopwright_core::address::{Address, Target};
use hopwright_core::station::{Event, Station};
use hopwright_sim::scenario::{Scenario, Timetable, built_in_plan};
use hopwright_sim::world::Order;

const SECOND: u64 = 1_000_000;

#[test]
fn members_keep_each_other_in_step_for_four_hours() {
    let mut text = "[scenario]\nname = \"orphans\"\nduration_s = 15_000\nplan = \"-\"\n\
                    [[announce]]\nat_s = 1\nby = \"s0\"\n"
        .to_owned();
    for i in 0..10 {
        let role = if i == 0 { "timekeeper" } else { "member" };
        text += &format!(
            "[[station]]\nname = \"s{i}\"\naddress = \"{i:02x}\"\nrole = \"{role}\"\nx_m = {}\n\
             calls = \"01, 02, 03, 04, 05, 06, 07, 08, 09\"\n",
            i * 400
        );
    }
    let scenario = Scenario::parse("orphans.toml", &text, built_in_plan().unwrap()).unwrap();
    let builder = scenario.builder().unwrap();
    let mut world = builder.world(Timetable::totals(&scenario.announces, &[])).unwrap();
    world.run_until(10 * SECOND);
    // The timekeeper's set is exchanged for one that knows nothing and is never told to announce.
    let lost = &scenario.radio.stations[0];
    world.restart(0, builder.configure(lost, Station::new).unwrap());
    let mut overs = 0;
    for minute in 1..240_u64 {
        // Pairs in an order without pattern: 7 and 4 are prime to 9.
        let from = 1 + usize::try_from(minute * 7 % 9).unwrap();
        let to = 1 + u8::try_from((minute * 4 + 1) % 9).unwrap();
        let target = Target::one(Address::new(to));
        let press = Order::Press { node: from, target, talk_us: 5 * SECOND };
        world.order(minute * 60 * SECOND, press);
        overs += 1;
    }
    world.run_until(4 * 3_600 * SECOND);
    let trace = world.trace();
    assert_eq!(trace.overs.len(), overs);
    let left = trace.events.iter().filter(|h| h.node > 0 && h.event == Event::OutOfStep);
    assert_eq!(left.count(), 0, "a member left");
    let coasted = |e: &Event| matches!(e, Event::Coasting { .. });
    for node in 1..10 {
        assert!(world.in_step(node), "member {node}");
        // One over a minute leaves the spread far below the guard: nobody ever coasts.
        assert_eq!(trace.times_of(node, coasted).count(), 0, "member {node}");
    }
    // The exchanged set found its way in, as any latecomer does.
    assert!(world.in_step(0));
    assert_eq!(trace.totals.bound_misses, 0);
    for over in &trace.overs {
        assert!(over.ahead_us.is_some_and(|ahead| ahead - over.pressed_us < SECOND));
    }
}
