//! The first cut-in of a run, and its answer.

use super::{count, in_step_times, seconds};
use crate::scenario::Scenario;
use crate::world::{Over, World};
use hopwright_core::station::{CUT_IN_SLOTS, Event};

/// Measures who follows the first cut-in, and when its sender has time after the first answer.
pub(super) fn measure(scenario: &Scenario, world: &World, put: &mut impl FnMut(&'static str, f64)) {
    let trace = world.trace();
    let Some(over) = trace.overs.iter().find(|over| over.cut_in) else { return };
    let Some(ahead) = over.ahead_us else { return };
    let run = u64::from(CUT_IN_SLOTS) * scenario.plan.timing().slot().us();
    // The go-ahead comes in the last slot of the run.
    let start = ahead.saturating_sub(run);
    let within = |at: u64| start <= at && at <= ahead + scenario.plan.timing().slot().us();
    let told = |e: &Event| matches!(e, Event::Call { .. } | Event::Busy { .. });
    let follows = |node: usize| trace.times_of(node, told).any(within);
    let nodes = 0..scenario.radio.stations.len();
    let others = nodes.filter(|node| *node != over.node);
    put("cut_in.followed", count(others.filter(|node| follows(*node)).count()));
    let lane = |node: usize| scenario.radio.stations[node].lane;
    // He does not answer himself, and no other net does, nor who speaks on the calling channel.
    let answers = |other: &&Over| {
        let own = other.node != over.node && lane(other.node) == lane(over.node);
        other.pressed_us > ahead && own && !other.single
    };
    if let Some(answer) = trace.overs.iter().find(answers) {
        // Its own first slot: what was on the air before may have run into it.
        let first = world.first_sent_after(answer.node, answer.pressed_us);
        let in_step = |first| in_step_times(trace, over.node).find(|at| *at >= first);
        let wait = first.and_then(|first| Some(seconds(in_step(first)? - first)));
        put("cut_in.answered_s", wait.unwrap_or(f64::INFINITY));
    }
}
