//! The longest silence, and the first word after it.

use super::seconds;
use crate::world::Trace;
use hopwright_core::station::Event;

/// Measures the longest silence and how soon those who had lost their grip meet slots again.
pub(super) fn measure(trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    let gaps = trace.starts.windows(2).map(|pair| (pair[1] - pair[0], pair[1]));
    let Some((longest, first)) = gaps.max_by_key(|(gap, _)| *gap) else { return };
    put("silence.longest_s", seconds(longest));
    let loose = |node: usize| {
        let grips = trace.events.iter().filter(|h| h.node == node && h.at_us < first);
        let mut grips = grips.rev().filter_map(|happened| match happened.event {
            Event::Coasting { .. } | Event::OutOfStep => Some(true),
            Event::InStep { .. } => Some(false),
            _ => None,
        });
        grips.next().unwrap_or(false)
    };
    let nodes = trace.events.iter().map(|h| h.node).max().map_or(0, |last| last + 1);
    let speaker = trace.overs.iter().rev().find(|over| over.pressed_us < first);
    let speaker = speaker.map(|over| over.node);
    let slowest = (0..nodes).filter(|node| Some(*node) != speaker && loose(*node)).map(|node| {
        let in_step = |e: &Event| matches!(e, Event::InStep { .. });
        let met = trace.times_of(node, in_step).find(|at| *at >= first);
        met.map_or(f64::INFINITY, |at| seconds(at - first))
    });
    put("silence.met_s", slowest.fold(0.0, f64::max));
}
