//! Changes of the net key: who followed, who came later, and what the withdrawn made of it.

use super::{NORMAL_999, count, seconds};
use crate::diagnostic::Diagnostic;
use crate::run::Measured;
use crate::scenario::{Power, Scenario};
use crate::world::{Changed, World, chance_of_meeting};
use hopwright_core::address::Address;
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::Sequence;
use hopwright_core::station::Event;
use hopwright_core::units::Lane;
use std::collections::{BTreeMap, BTreeSet};

/// How soon after its slot a change counts as followed: what clocks may differ, and a frame.
const AT_ONCE_US: u64 = 200_000;

/// Measures the changes of a run, if there were any.
///
/// # Errors
/// [`Diagnostic`] never for a scenario that has been read.
pub(super) fn measure(
    scenario: &Scenario,
    world: &World,
    out: &mut BTreeMap<&'static str, Measured>,
) -> Result<(), Diagnostic> {
    let trace = world.trace();
    if trace.changes.is_empty() {
        return Ok(());
    }
    // If nobody was picked up, nothing.
    let (mut followed, mut later, mut left_out, mut slowest) = (0, 0, 0, f64::NAN);
    for change in &trace.changes {
        for outcome in outcomes(scenario, world, change) {
            match outcome {
                Outcome::Followed => followed += 1,
                Outcome::PickedUp { wait_us } => {
                    later += 1;
                    slowest = slowest.max(seconds(wait_us));
                }
                Outcome::LeftOut => left_out += 1,
            }
        }
    }
    let mut put = |id: &'static str, value: f64| {
        out.insert(id, Measured { value, band: None });
    };
    put("change.followed", count(followed));
    put("change.picked_up", count(later));
    put("change.picked_up_s", slowest);
    put("change.left_out", count(left_out));
    let (mut tried, mut opened) = (crate::world::Tried::default(), 0);
    let (mut expected, mut spread) = (0.0, 0.0);
    for (node, own) in world.withdrawn() {
        tried.transmissions += own.transmissions;
        opened += own.opened();
        tried.slots += own.slots;
        tried.foretold += own.foretold;
        let lane = scenario.radio.stations[node].lane;
        let p = chance_of_one(world, node, lane)?;
        expected += own.slots as f64 * p;
        // Sets of one net guess alike, with one key: their deviations add up.
        spread += libm::sqrt(own.slots as f64 * p * (1.0 - p));
    }
    put("withdrawn.tries", tried.transmissions as f64);
    // If they were given nothing to open, nothing.
    put("withdrawn.opened", if tried.transmissions == 0 { f64::NAN } else { opened as f64 });
    let n = tried.slots as f64;
    let play = (NORMAL_999 * spread + 0.5) / n;
    let band = Some(((expected / n - play).max(0.0), expected / n + play));
    let value = tried.foretold as f64 / n;
    out.insert("withdrawn.foretold_share", Measured { value, band });
    Ok(())
}

/// What became of a station at a change.
pub(in crate::run) enum Outcome {
    /// It changed when its slot came.
    Followed,
    /// It had missed the order, and changed so long after it could have.
    PickedUp { wait_us: u64 },
    /// It has not changed.
    LeftOut,
}

/// What became of every station of the net that was to change, but for the withdrawn.
pub(in crate::run) fn outcomes<'a>(
    scenario: &'a Scenario,
    world: &'a World,
    change: &'a Changed,
) -> impl Iterator<Item = Outcome> + 'a {
    let trace = world.trace();
    let plan = &scenario.withdrawals[change.number];
    let lane = scenario.radio.stations[plan.by].lane;
    let due_us = due(change);
    let ordered = trace.changes.iter().filter(|other| other.number <= change.number);
    let stations = &scenario.radio.stations;
    let out = ordered.flat_map(|other| &scenario.withdrawals[other.number].stations);
    // Addresses are withdrawn, whatever the lane, and the plan may have withdrawn some before.
    let mut out: BTreeSet<Address> = out.map(|node| stations[*node].address).collect();
    out.extend(scenario.plan.withdrawn());
    let own = move |n: &usize| stations[*n].lane == lane && !out.contains(&stations[*n].address);
    let own = (0..stations.len()).filter(own);
    own.filter(move |node| !world.is_off(*node)).map(move |node| {
        let told = |e: &Event| matches!(e, Event::KeysChanged { slot } if *slot == change.slot);
        match trace.times_of(node, told).next() {
            Some(at) if at <= due_us + AT_ONCE_US => Outcome::Followed,
            Some(at) => {
                let there_us = powered(scenario, node, (due_us, at)).max(due_us);
                Outcome::PickedUp { wait_us: at.saturating_sub(there_us) }
            }
            None => Outcome::LeftOut,
        }
    })
}

/// True time of a change: when the first station of the net went over; beyond any run if nobody did.
pub(in crate::run) fn due(change: &Changed) -> u64 {
    change.in_use_us.unwrap_or(u64::MAX / 2)
}

/// The last time at or after `due_us` at which a station was switched on before it changed at
/// `changed_us`; when it was first switched on if it has been on all the time.
fn powered(scenario: &Scenario, node: usize, (due_us, changed_us): (u64, u64)) -> u64 {
    let switched = scenario.powers.iter().filter(|power| {
        let on = power.station == node && power.becomes != Power::Off;
        on && (due_us..=changed_us).contains(&power.at_us)
    });
    let again = switched.map(|power| power.at_us).max().unwrap_or_default();
    again.max(scenario.radio.stations[node].on_us)
}

/// The chance that a withdrawn station foretells a channel.
fn chance_of_one(world: &World, node: usize, lane: Lane) -> Result<f64, Diagnostic> {
    let station = &world.nodes()[node].station;
    let sequence = |key: &NetKey| {
        let own = station.sequence();
        let (structure, draw) = (*own.structure(), own.draw_lane());
        Sequence::new(key, own.hopset().clone(), structure, lane, draw)
            .map_err(|error| Diagnostic::new(error.to_string(), "change [slots] of the plan"))
    };
    let own = station.keys().0;
    let net = world.net_key(lane);
    Ok(chance_of_meeting(&sequence(own)?, &sequence(net.unwrap_or(own))?))
}
