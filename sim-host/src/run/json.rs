//! A run for programs.

use super::Run;
use super::metrics::{in_step_times, seconds};
use serde_json::{Value, json};

/// One JSON object with everything that the account says.
#[must_use]
pub fn to_json(run: &Run) -> Value {
    let trace = run.world.trace();
    let totals = trace.totals;
    let checks: Vec<Value> = run
        .checks
        .iter()
        .map(|check| {
            json!({
                "id": check.id,
                "what": check.what,
                "required": check.required,
                "measured": number(check.measured),
                "unit": check.unit,
                "pass": check.pass,
                "source": check.source,
            })
        })
        .collect();
    let stations: Vec<Value> = run
        .scenario
        .radio
        .stations
        .iter()
        .enumerate()
        .map(|(i, station)| {
            let node = &run.world.nodes()[i];
            let counters = node.station.counters();
            json!({
                "name": station.name,
                "address": station.address.to_string(),
                "lane": station.lane.number(),
                "oscillator_ppb": node.oscillator.ppb(),
                "on_s": seconds(station.on_us),
                "in_step_s": in_step_times(trace, i).next().map(seconds),
                "in_step": run.world.in_step(i),
                "headers": counters.headers,
                "not_genuine": counters.not_genuine,
                "replayed": counters.replayed,
                "events_lost": counters.events_lost,
                "digest": node.digest().map(crate::world::Digest::hex),
            })
        })
        .collect();
    let measured: serde_json::Map<String, Value> = run
        .measured
        .iter()
        .map(|(id, measured)| ((*id).to_owned(), number(measured.value)))
        .collect();
    json!({
        "scenario": run.scenario.name,
        "seed": run.seed,
        "trace_digest": run.world.digest(),
        "passed": run.passed(),
        "checks": checks,
        "measured": measured,
        "stations": stations,
        "totals": {
            "transmissions": totals.sent,
            "waited_for": totals.listened,
            "heard": totals.heard,
            "polls": totals.polls,
            "steps": totals.steps,
            "bound_checks": totals.bound_checks,
        },
    })
}

/// JSON has no infinity: what never happened is null.
fn number(value: f64) -> Value {
    serde_json::Number::from_f64(value).map_or(Value::Null, Value::Number)
}
