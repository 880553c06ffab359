//! Calls waiting and traffic on the watch channel.

use super::{count, seconds};
use crate::scenario::Scenario;
use crate::world::Trace;
use hopwright_core::station::Event;

/// Measures who was told what of the fixed channels, and how often.
pub(super) fn measure(scenario: &Scenario, trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    // If nobody was told twice, nothing.
    let mut closest = f64::NAN;
    for (id, event) in
        [("alerts.call_waiting", Event::CallWaiting), ("alerts.watch_traffic", Event::WatchTraffic)]
    {
        let mut told = 0;
        for node in 0..scenario.radio.stations.len() {
            let times: Vec<u64> = trace.times_of(node, |e| *e == event).collect();
            let gaps = times.windows(2).map(|pair| seconds(pair[1] - pair[0]));
            closest = gaps.fold(closest, f64::min);
            told += usize::from(!times.is_empty());
        }
        put(id, count(told));
    }
    put("alerts.closest_s", closest);
}
