//! The longest silence of a net, and the first word after it.

use super::{is_on, seconds};
use crate::scenario::Scenario;
use crate::world::Trace;
use hopwright_core::station::Event;

/// Measures the longest silence and how soon those who had lost their grip meet slots again.
pub(super) fn measure(scenario: &Scenario, trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    // From the end of what was said to the next beginning, whoever begins.
    let silences = trace.pieces.iter().filter_map(|piece| Some((piece, piece.silence()?)));
    let Some((piece, (longest, first))) = silences.max_by_key(|(_, (length, _))| *length) else {
        return;
    };
    put("silence.longest_s", seconds(longest));
    let loose = |node: &usize| {
        let grips = trace.events.iter().filter(|h| h.node == *node && h.at_us < first);
        let mut grips = grips.rev().filter_map(|happened| match happened.event {
            Event::Coasting { .. } | Event::OutOfStep => Some(true),
            Event::InStep { .. } => Some(false),
            _ => None,
        });
        grips.next().unwrap_or(false)
    };
    let stations = &scenario.radio.stations;
    // A set without power meets nothing, and nobody waits for it.
    let others = (0..stations.len())
        .filter(|node| *node != piece.node && stations[*node].lane == piece.lane)
        .filter(|node| is_on(scenario, *node, first));
    let slowest = others.filter(loose).map(|node| {
        let in_step = |e: &Event| matches!(e, Event::InStep { .. });
        let met = trace.times_of(node, in_step).find(|at| *at >= first);
        met.map_or(f64::INFINITY, |at| seconds(at - first))
    });
    put("silence.met_s", slowest.fold(0.0, f64::max));
}
