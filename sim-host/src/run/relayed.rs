//! What came through relays, against the closed form.

use super::Measured;
use super::metrics::{NORMAL_999, clear_share, count, in_step_before, mean_over, seconds, spoken};
use crate::diagnostic::Diagnostic;
use crate::scenario::Scenario;
use crate::world::{Over, Trace, World};
use std::collections::{BTreeMap, BTreeSet};

/// Measures what relays carried: how much of it was heard on the other net, and how late.
///
/// A payload arrives if its slot was clear on the net that said it and clear again on the net
/// that the relay said it on. The two nets' draws are independent, so the share that is heard is
/// the product of the two shares of clear channels.
pub(super) fn measure(
    scenario: &Scenario,
    world: &World,
    out: &mut BTreeMap<&'static str, Measured>,
) -> Result<(), Diagnostic> {
    let trace = world.trace();
    let first_said: BTreeMap<(usize, u32), u64> =
        trace.spoken.iter().map(|spoken| ((spoken.over, spoken.number), spoken.at_us)).collect();
    // A radio may read a slot once only, but two relays may carry one payload.
    let read: BTreeSet<(usize, u32, usize)> =
        trace.relayed.iter().map(|r| (r.over, r.number, r.node)).collect();
    let (mut heard, mut offered, mut expected, mut slots) = (0.0, 0.0, 0.0, 0.0);
    for (index, over) in trace.overs.iter().enumerate() {
        for (from, to) in carried(scenario, over) {
            let listeners = listeners(scenario, trace, over, to);
            let n = count(first_said.range((index, 0)..(index + 1, 0)).count());
            let (lane, other) = (lane(scenario, from), lane(scenario, to));
            let both = |at| {
                let clear = |lane| clear_share(scenario, lane, at);
                Ok(clear(lane)? * clear(other)?)
            };
            let clear = mean_over(scenario, spoken(over, world.now()), both)?;
            let got = read.range((index, 0, 0)..(index + 1, 0, 0));
            heard += count(got.filter(|(_, _, node)| listeners.contains(node)).count());
            offered += n * count(listeners.len());
            expected += n * count(listeners.len()) * clear;
            slots += if listeners.is_empty() { 0.0 } else { n };
        }
    }
    let model = expected / offered;
    let play = NORMAL_999 * libm::sqrt(model * (1.0 - model) / slots) + 0.5 / slots;
    let band = Some((model - play, model + play));
    out.insert("relay.heard_share", Measured { value: heard / offered, band });
    let delays: Vec<f64> = trace
        .relayed
        .iter()
        .filter_map(|r| first_said.get(&(r.over, r.number)).map(|at| seconds(r.at_us - at)))
        .collect();
    let mut put = |id, value| out.insert(id, Measured { value, band: None });
    put("relay.delay_s", delays.iter().sum::<f64>() / count(delays.len()));
    let longest = delays.iter().copied().fold(f64::NAN, f64::max);
    put("relay.longest_delay_s", longest);
    let most = trace.relayed.iter().map(|relayed| relayed.relays).max();
    put("relay.most_relays", f64::from(most.unwrap_or(0)));
    put("relay.overs", count(trace.overs.iter().filter(|over| over.relayed).count()));
    Ok(())
}

fn lane(scenario: &Scenario, node: usize) -> hopwright_core::units::Lane {
    scenario.radio.stations[node].lane
}

/// The relays that an over is for: which station reads it and which one says it again. What a
/// relay says is not counted again, and neither is what its stations say themselves.
fn carried(scenario: &Scenario, over: &Over) -> Vec<(usize, usize)> {
    let net = lane(scenario, over.node);
    let mut carried = Vec::new();
    for relay in scenario.relays.iter().filter(|relay| relay.target == over.target) {
        for (from, to) in [(relay.a, relay.b), (relay.b, relay.a)] {
            if !over.relayed && over.node != from && lane(scenario, from) == net {
                carried.push((from, to));
            }
        }
    }
    carried
}

/// The stations of the other net that an over is for, and that could hear the relay.
fn listeners(scenario: &Scenario, trace: &Trace, over: &Over, relay: usize) -> BTreeSet<usize> {
    let at = over.ahead_us.unwrap_or(over.pressed_us);
    let net = lane(scenario, relay);
    (0..scenario.radio.stations.len())
        .filter(|node| *node != relay && lane(scenario, *node) == net)
        .filter(|node| over.target.covers(scenario.radio.stations[*node].address))
        .filter(|node| in_step_before(scenario, trace, *node, at))
        .collect()
}
