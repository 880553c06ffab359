//! Changes of the net key: when stations have the order, and how soon one that has missed it is
//! picked up.

use super::Campaign;
use super::situation::{SECOND, draw, outcome, radio, trial_key};
use crate::diagnostic::Diagnostic;
use crate::keytree::KeyTree;
use crate::plan::Plan;
use crate::scenario::{Builder, OverPlan, RadioPlan, Timetable, WithdrawPlan, withdraw_in};
use crate::world::{World, child_bytes, child_seed};
use hopwright_core::address::Target;
use hopwright_core::station::{Event, Station};
use zeroize::Zeroizing;

/// Stations: the timekeeper, four members, and the one that is withdrawn.
const STATIONS: u8 = 6;
/// The member that misses the change, where one does.
const MISSES: usize = 4;
/// The one that is withdrawn.
const WITHDRAWN: usize = 5;
/// When the order is made, how long after that the key changes, and how often it is sent: what
/// `[[withdraw]]` has by default.
const ORDERED: u64 = 20 * SECOND;
const CHANGE_AFTER: u64 = 45 * SECOND;
const EVERY: u64 = 20 * SECOND;
/// When the timekeeper speaks under the new key: a moment after the change, between two sendings of
/// the order.
const SPOKEN: u64 = ORDERED + CHANGE_AFTER + SECOND / 5;
/// What has not happened so long after the change is taken never to happen.
const LIMIT: u64 = 180 * SECOND;

/// Seconds from the first slot of the order's first sending until each member has it; never, if
/// that is not before the change.
pub(super) fn ordered(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    let radio = radio(campaign, seed, STATIONS, &[]);
    let (_, mut world) = net(plan, &radio, seed, &[])?;
    world.run_until(ORDERED);
    withdraw(&mut world, plan, &radio, seed)?;
    world.run_until(ORDERED + CHANGE_AFTER);
    let start = world.first_sent_after(0, ORDERED).unwrap_or(ORDERED);
    let has = |e: &Event| matches!(e, Event::Ordered { .. });
    let first = |node| world.trace().times_of(node, has).next();
    Ok((1..WITHDRAWN).map(|node| outcome(first(node), start)).collect())
}

/// Seconds from being switched on, after the change, until a member that has missed it has the
/// net's key and its time. If those who were withdrawn open anything at all, or are given nothing
/// under the new key to try it on, never.
pub(super) fn picked_up(
    plan: &Plan,
    campaign: &Campaign,
    seed: u64,
) -> Result<Vec<f64>, Diagnostic> {
    let (world, waited) = pick_up(plan, campaign, seed)?;
    Ok(vec![if kept_out(&world) { waited } else { f64::INFINITY }])
}

/// The world in which a member is picked up, when it has been, and how long that took.
fn pick_up(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<(World, f64), Diagnostic> {
    let radio = radio(campaign, seed, STATIONS, &[]);
    // Something is said under the new key, before the member is there again. By the timekeeper: it
    // has the new key whatever is lost on the way.
    let over = OverPlan { at_us: SPOKEN, from: 0, to: Target::ALL, talk_us: SECOND / 5 };
    let (builder, mut world) = net(plan, &radio, seed, &[over])?;
    world.run_until(ORDERED - SECOND);
    world.switch_off(MISSES);
    world.run_until(ORDERED);
    if !withdraw(&mut world, plan, &radio, seed)? {
        return Ok((world, f64::INFINITY));
    }
    let on = ORDERED + CHANGE_AFTER + SECOND + draw(seed, "on", EVERY);
    world.run_until(on);
    let storage = world.storage(MISSES);
    let station = builder.configure(&radio.stations[MISSES], |mut config| {
        config.watermark = storage;
        config.seed = child_seed(seed, "again");
        Station::new(config)
    })?;
    world.restart_from(MISSES, station, storage);
    let there = |world: &World| world.has_net_key(MISSES) && world.in_step(MISSES);
    world.run_while(on + LIMIT, |world| !there(world));
    let at = there(&world).then(|| world.now());
    let waited = outcome(at, on);
    Ok((world, waited))
}

/// Whether the withdrawn were given transmissions under the new key, and opened nothing.
fn kept_out(world: &World) -> bool {
    let mut withdrawn = world.withdrawn().peekable();
    withdrawn.peek().is_some()
        && withdrawn.all(|(_, tried)| tried.transmissions > 0 && tried.opened() == 0)
}

/// A net that is in step, and addressed by keys.
fn net<'a>(
    plan: &'a Plan,
    radio: &'a RadioPlan,
    seed: u64,
    overs: &[OverPlan],
) -> Result<(Builder<'a>, World), Diagnostic> {
    let builder = Builder::with_key(plan, radio, seed, trial_key(seed))?.with_tree(tree(seed));
    let mut world = builder.world(Timetable::totals(&[(SECOND, 0)], overs))?;
    world.set_layout(plan.message());
    // Only times are asked for, and what the withdrawn open.
    world.look_away();
    Ok((builder, world))
}

fn withdraw(
    world: &mut World,
    plan: &Plan,
    radio: &RadioPlan,
    seed: u64,
) -> Result<bool, Diagnostic> {
    let order = WithdrawPlan {
        at_us: ORDERED,
        by: 0,
        stations: vec![WITHDRAWN],
        change_after_us: CHANGE_AFTER,
        every_us: EVERY,
        until_us: ORDERED + CHANGE_AFTER + LIMIT,
    };
    withdraw_in(world, &tree(seed), (radio, plan), seed, (0, &[order]))
}

/// The key tree of a trial.
fn tree(seed: u64) -> KeyTree {
    KeyTree::new(Zeroizing::new(child_bytes(seed, "root")))
}

#[cfg(test)]
mod tests {
    use super::super::Situation;
    use super::*;
    use crate::scenario::built_in_plan;

    /// "The withdrawn opened nothing" says something only if they were given something.
    #[test]
    fn the_withdrawn_are_given_what_is_said_under_the_new_key() {
        let plan = built_in_plan().unwrap();
        for (seed, jammed) in [(1, 0.0), (2, 0.4), (3, 0.4)] {
            let campaign = Campaign { jammed, ..Campaign::of(Situation::PickUp) };
            let (world, waited) = pick_up(&plan, &campaign, seed).unwrap();
            let tried: Vec<_> = world.withdrawn().map(|(_, tried)| tried).collect();
            assert_eq!(tried.len(), 1);
            // The call headers of the over and some of its payload at least.
            assert!(tried[0].transmissions > 8 && tried[0].opened() == 0, "{tried:?}");
            assert!(kept_out(&world) && waited.is_finite());
            assert_eq!(picked_up(&plan, &campaign, seed).unwrap(), [waited]);
        }
    }

    /// "Opened nothing" says something only if what is opened is counted.
    #[test]
    fn whoever_has_the_new_key_after_all_is_not_kept_out() {
        let plan = built_in_plan().unwrap();
        let radio = radio(&Campaign::of(Situation::PickUp), 1, STATIONS, &[]);
        for betrayed in [false, true] {
            let over = OverPlan { at_us: SPOKEN, from: 0, to: Target::ALL, talk_us: SECOND / 5 };
            let (_, mut world) = net(&plan, &radio, 1, &[over]).unwrap();
            world.run_until(ORDERED);
            withdraw(&mut world, &plan, &radio, 1).unwrap();
            world.run_until(SPOKEN);
            if betrayed {
                world.betray(0);
            }
            world.run_until(SPOKEN + 2 * SECOND);
            let (_, tried) = world.withdrawn().next().unwrap();
            assert!(tried.transmissions > 8 && tried.slots > 8, "{tried:?}");
            assert_eq!((tried.headers > 8, kept_out(&world)), (betrayed, !betrayed), "{tried:?}");
            assert_eq!(tried.foretold == tried.slots, betrayed, "{tried:?}");
        }
    }

    #[test]
    fn nothing_tried_is_nothing_shown() {
        let plan = built_in_plan().unwrap();
        let radio = radio(&Campaign::of(Situation::PickUp), 1, STATIONS, &[]);
        let (_, mut world) = net(&plan, &radio, 1, &[]).unwrap();
        world.run_until(ORDERED);
        assert!(!kept_out(&world), "nobody has been withdrawn");
        withdraw(&mut world, &plan, &radio, 1).unwrap();
        // The order alone, under the former key.
        world.run_until(ORDERED + CHANGE_AFTER + 19 * SECOND);
        assert!(!kept_out(&world));
        // Its first slot is what is counted from: the go-ahead comes some slots after the press.
        assert!(world.first_sent_after(0, ORDERED).is_some_and(|at| at < ORDERED + SECOND));
    }
}
