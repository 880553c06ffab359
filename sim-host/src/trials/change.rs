//! Changes of the net key: when stations have the order, and how soon one that has missed it is
//! picked up.

use super::Campaign;
use super::situation::{SECOND, draw, outcome, radio, trial_key};
use crate::diagnostic::Diagnostic;
use crate::keytree::KeyTree;
use crate::plan::Plan;
use crate::scenario::{Builder, RadioPlan, Timetable, WithdrawPlan, withdraw_in};
use crate::world::{World, child_bytes, child_seed};
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
/// What has not happened so long after the change is taken never to happen.
const LIMIT: u64 = 180 * SECOND;

/// Seconds from the first slot of the order's first sending until each member has it; never, if
/// that is not before the change.
pub(super) fn ordered(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    let radio = radio(campaign, seed, STATIONS, &[]);
    let (_, mut world) = net(plan, &radio, seed)?;
    world.run_until(ORDERED);
    withdraw(&mut world, plan, &radio, seed)?;
    world.run_until(ORDERED + CHANGE_AFTER);
    let start = world.first_sent_after(0, ORDERED).unwrap_or(ORDERED);
    let has = |e: &Event| matches!(e, Event::Ordered { .. });
    let first = |node| world.trace().times_of(node, has).next();
    Ok((1..WITHDRAWN).map(|node| outcome(first(node), start)).collect())
}

/// Seconds from being switched on, after the change, until a member that has missed it has the
/// net's key and its time. If those who were withdrawn open anything at all, never.
pub(super) fn picked_up(
    plan: &Plan,
    campaign: &Campaign,
    seed: u64,
) -> Result<Vec<f64>, Diagnostic> {
    let radio = radio(campaign, seed, STATIONS, &[]);
    let (builder, mut world) = net(plan, &radio, seed)?;
    world.run_until(ORDERED - SECOND);
    world.switch_off(MISSES);
    world.run_until(ORDERED);
    if !withdraw(&mut world, plan, &radio, seed)? {
        return Ok(vec![f64::INFINITY]);
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
    let opened = world.withdrawn().any(|(_, tried)| tried.opened() > 0);
    Ok(vec![if opened { f64::INFINITY } else { outcome(at, on) }])
}

/// A net that is in step, and addressed by keys.
fn net<'a>(
    plan: &'a Plan,
    radio: &'a RadioPlan,
    seed: u64,
) -> Result<(Builder<'a>, World), Diagnostic> {
    let builder = Builder::with_key(plan, radio, seed, trial_key(seed))?.with_tree(tree(seed));
    let mut world = builder.world(Timetable::totals(&[(SECOND, 0)], &[]))?;
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
    withdraw_in(world, &tree(seed), (radio, plan.timing()), seed, (0, &[order]))
}

/// The key tree of a trial.
fn tree(seed: u64) -> KeyTree {
    KeyTree::new(Zeroizing::new(child_bytes(seed, "root")))
}
