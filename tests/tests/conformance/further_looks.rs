//! More of what nothing else looks at twice: what is owed and for how long, what counts as an announce, what is
//! learnt of an oscillator, when a station that has lost the time changes its keys.
//!
//! As in `second_looks`, each test was written for a fault that had been planted by hand and was not noticed by
//! the others. The numbers come from `docs/specification.md`.

use super::keyed_net;
use super::second_looks::{
    GATHERING, clock, header, opening, place, run_and_call, taught_a_rate, told,
};
use hopwright_core::header::Kind;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    CALL_SLOTS, Command, Event, GATHER_DUE, Heard, LEAD_IN_DUE, Refused, Role,
};
use hopwright_core::units::{Micros, Slot};
use hopwright_tests::air::{SLOT_US, World};
use hopwright_tests::plans::{Make, key, timing};

const POST: usize = 0;
const BOAT: usize = 1;
const NEWCOMER: usize = 2;
const SECOND: u64 = 1_000_000;

/// A net of two that has followed a newcomer's cut-in, which he has just released.
pub(super) fn behind_a_cut_in() -> World {
    behind_a_late_cut_in(0)
}

/// The same behind a cut-in that began so many slots later.
pub(super) fn behind_a_late_cut_in(slots: u64) -> World {
    let makes = [Make::timekeeper(0x10), Make::member(0x4B), Make::member(0x51)];
    let mut world = World::new(&makes);
    world.nodes[NEWCOMER].deaf_until = world.now + 220 * SLOT_US;
    world.run_slots(3);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(220 + slots);
    world.forget();
    world.cut_in(NEWCOMER);
    world.command(NEWCOMER, Command::Release).expect("it speaks");
    world
}

/// Whoever has followed a cut-in owes the newcomer a lead-in of `r + w - 1` slots (specification section 9), for
/// [`LEAD_IN_DUE`] slots of home time and no longer: by then he has gone, or found the net.
#[test]
fn a_lead_in_is_owed_for_half_a_minute() {
    for (late, run) in [(-10, 19), (10, 0)] {
        let mut world = behind_a_cut_in();
        // The cut-in ends, and with it what has been said of it.
        let clear = |event: &Event| matches!(event, Event::Clear { .. });
        while !world.nodes[BOAT].events.iter().any(clear) {
            world.run_slots(1);
        }
        world.run_slots(u64::from(LEAD_IN_DUE.strict_add_signed(late)));
        assert!(world.nodes[BOAT].station.in_step());
        assert_eq!(opening(&mut world, BOAT), run_and_call(run, CALL_SLOTS as usize), "{late}");
    }
}

/// Whoever has come over to a later timeline gathers those who have not, within 45 000 slots of that
/// (specification section 8): a quarter of an hour later nobody is there any more.
#[test]
fn a_gathering_run_is_owed_for_a_quarter_of_an_hour() {
    for (late, run) in [(-20, GATHERING), (20, 0)] {
        // With oscillators that do not part nobody gathers for any other reason.
        let make = Make { tolerance_ppb: 0, ..Make::member(0x4B) };
        let mut world = World::new(&[make]);
        world.run_slots(3);
        let first = Slot::new(5_000);
        let later = first.plus(1_000_000);
        for slot in [first, first.plus(4), later, later.plus(3)] {
            if slot != first && slot != later {
                let at = place(&world, POST, slot);
                world.run_until(at);
            }
            let heard = told(&mut world, POST, Timeline::Home, header(slot, Kind::Announce));
            assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
        }
        assert!(world.slot(POST) >= later, "the larger slot wins");
        world.run_slots(40);
        let present = world.slot(POST);
        let wanted = later.plus(3).plus(GATHER_DUE.strict_add_signed(late));
        let left = u64::try_from(wanted.after(present)).expect("ahead");
        // Whoever is asked late loses the slots in between and nothing else.
        world.now += left * SLOT_US;
        world.run_slots(1);
        assert!(world.nodes[POST].station.in_step());
        assert_eq!(opening(&mut world, POST), run_and_call(run, CALL_SLOTS as usize), "{late}");
    }
}

/// A deputy counts from the last announce, and from nothing that only looks like one; when it has waited for so
/// long, it may announce (specification section 8).
#[test]
fn a_deputy_may_announce_when_no_announce_has_been_heard_for_so_long() {
    let role = Role::Deputy { after: Micros::from_millis(30_000) };
    let mut world = World::new(&[Make::timekeeper(0x10), Make { role, ..Make::member(0x4B) }]);
    world.bring_into_step();
    let not_before = |world: &mut World| match world.command(BOAT, Command::Announce) {
        Err(Refused::TooEarly(at)) => at,
        other => panic!("{other:?}"),
    };
    let first = not_before(&mut world);
    // Ten seconds later somebody gathers newcomers, then the timekeeper announces.
    world.run_slots(500);
    for (kind, moves) in [(Kind::LeadIn, false), (Kind::Over, false), (Kind::Announce, true)] {
        let slot = world.slot(BOAT).plus(1);
        let at = place(&world, BOAT, slot);
        world.run_until(at);
        let heard = told(&mut world, BOAT, Timeline::Home, header(slot, kind));
        assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
        let now = world.local(BOAT, world.now);
        let expected = if moves { now.plus(Micros::from_millis(30_000)) } else { first };
        assert_eq!(not_before(&mut world), expected, "{kind:?}");
        world.run_slots(60);
    }
    let due = not_before(&mut world);
    let due = due.since(world.local(BOAT, world.now)).expect("ahead").us() + world.now;
    world.run_until(due - 1);
    let _ = not_before(&mut world);
    world.run_until(due);
    assert_eq!(world.command(BOAT, Command::Announce), Ok(()));
    assert!(world.nodes[BOAT].station.holds_floor());
}

/// What an oscillator is known to do it does on any timeline: whoever comes over to a later one keeps what was
/// learnt (specification section 6: it is forgotten when step is lost, and here it is not).
#[test]
fn a_rate_that_was_learnt_is_kept_on_a_later_timeline() {
    let (mut world, unknown, slot) = taught_a_rate();
    let learnt = clock(&world, POST).rate();
    assert_ne!(learnt, unknown);
    let later = slot.plus(1_000_000);
    for slot in [later, later.plus(3)] {
        if slot != later {
            let at = place(&world, POST, slot);
            world.run_until(at);
        }
        let heard = told(&mut world, POST, Timeline::Home, header(slot, Kind::Announce));
        assert!(matches!(heard, Heard::Header { .. }), "{heard:?}");
        assert_eq!(clock(&world, POST).rate(), learnt, "slot {slot}");
    }
    assert!(world.slot(POST) >= later, "the larger slot wins");
}

/// A station without time goes over to an ordered key when the lower end of its bound has come to the slot
/// (specification section 10): before that the others may still be on the key that it has.
#[test]
fn whoever_has_lost_the_time_changes_keys_when_all_others_have() {
    let make = Make { tolerance_ppb: 500_000, announce_slots: 20, ..Make::timekeeper(0x10) };
    let station = make.station_with(&key(1), keyed_net::share(0x10));
    let mut world = World::of(vec![station]);
    world.command(POST, Command::Announce).expect("a timekeeper");
    world.run_slots(30);
    // In 10 000 s 500 ppm are 5 s either way, 250 slots; a stay of a search is no longer than 160.
    let due = world.slot(POST).plus(500_000);
    let order = keyed_net::order(&[0x51], &key(1), 1, due);
    let now = world.local(POST, world.now);
    world.nodes[POST].station.take_order(now, &order).expect("in the cover");
    world.poll(POST);
    world.now += 9_990 * SECOND;
    world.run_slots(1);
    assert!(!world.nodes[POST].station.in_step());
    let start = timing().start_of(due);
    let bound = |world: &World| clock(world, POST).bound(world.local(POST, world.now));
    let mut uncertain = 0;
    while bound(&world).0 < start {
        assert!(keyed_net::has_key(&world, POST, &key(1)), "{:?}, {start}", bound(&world));
        uncertain += u32::from(bound(&world).1 >= start);
        world.run_slots(1);
    }
    assert!(uncertain > 400, "{uncertain} slots in which it cannot know");
    world.run_slots(161);
    assert!(!keyed_net::has_key(&world, POST, &key(1)), "and then it does");
}
