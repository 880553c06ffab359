//! Overs on a single channel: who was there, and who read them.

use super::{count, is_on};
use crate::scenario::Scenario;
use crate::world::{Over, Trace};
use hopwright_core::station::Mode;

/// Measures the overs on single channels, if a station of the scenario ever goes there.
pub(super) fn measure(scenario: &Scenario, trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    if scenario.modes.is_empty() {
        return;
    }
    let (mut heard, mut unheard, mut astray) = (0, 0, 0);
    let overs = || trace.overs.iter().filter(|over| over.single && over.payload_slots > 0);
    for over in overs() {
        for node in (0..scenario.radio.stations.len()).filter(|node| *node != over.node) {
            let read = over.payloads_heard.get(node).is_some_and(|slots| *slots > 0);
            match (is_there(scenario, trace, over, node), read) {
                (true, true) => heard += 1,
                (true, false) => unheard += 1,
                (false, true) => astray += 1,
                (false, false) => {}
            }
        }
    }
    put("single.overs", count(overs().count()));
    put("single.heard", count(heard));
    put("single.unheard", count(unheard));
    put("single.astray", count(astray));
}

/// Whether a station was called and in the mode of whoever spoke, sealed ones in the same net.
fn is_there(scenario: &Scenario, trace: &Trace, over: &Over, node: usize) -> bool {
    let at = over.pressed_us;
    let mode = |of: usize| trace.mode_at(of, at);
    let stations = &scenario.radio.stations;
    let net = mode(node) == Mode::SinglePlain || stations[node].lane == stations[over.node].lane;
    is_on(scenario, node, at)
        && mode(node) == mode(over.node)
        && net
        && over.target.covers(stations[node].address)
}
