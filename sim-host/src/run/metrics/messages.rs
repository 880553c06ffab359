//! Messages: who got them, and who should have.

use super::{addressees, count};
use crate::scenario::Scenario;
use crate::world::{Over, Says, Trace};

/// Measures what became of the messages of a run.
pub(super) fn measure(scenario: &Scenario, trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    if scenario.messages.is_empty() {
        return;
    }
    let (mut lost, mut wanted) = (0, 0);
    for (index, over) in messages(trace) {
        let to = addressees(scenario, trace, over);
        let came = |node: &usize| {
            trace.delivered.iter().any(|d| d.over == index && d.node == *node && d.intact)
        };
        wanted += to.len();
        lost += to.iter().filter(|node| !came(node)).count();
    }
    // A press that was refused has sent nothing at all.
    lost += scenario.messages.len() - messages(trace).count();
    let astray = trace.delivered.iter().filter(|delivered| {
        let over = &trace.overs[delivered.over];
        !delivered.intact || !over.target.covers(scenario.radio.stations[delivered.node].address)
    });
    put("messages.wanted", count(wanted));
    put("messages.lost", count(lost));
    put("messages.strays", count(astray.count()));
}

fn messages(trace: &Trace) -> impl Iterator<Item = (usize, &Over)> {
    let overs = trace.overs.iter().enumerate();
    overs.filter(|(_, over)| matches!(over.says, Says::Text(_)))
}
