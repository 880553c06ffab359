//! A run for programs.

use super::metrics::{in_step_times, seconds};
use super::{Run, heard_by};
use crate::audio::Audio;
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
            let heard = heard_by(run, i);
            json!({
                "name": station.name,
                "address": station.address.to_string(),
                "lane": station.lane.number(),
                "oscillator_ppb": node.oscillator.ppb(),
                "on_s": seconds(station.on_us),
                "in_step_s": started(run, i).chain(in_step_times(trace, i)).min().map(seconds),
                "in_step": run.world.in_step(i),
                "headers": counters.headers,
                "not_genuine": counters.not_genuine,
                "replayed": counters.replayed,
                "events_lost": counters.events_lost,
                "called": heard.called,
                "busy": heard.busy,
                "slots_read": heard.slots,
                "messages": heard.messages,
                "generation": heard.generation,
                "net_key": heard.net_key,
                "digest": node.digest().map(crate::world::Digest::hex),
            })
        })
        .collect();
    let measured: serde_json::Map<String, Value> = run
        .measured
        .iter()
        .map(|(id, measured)| ((*id).to_owned(), number(measured.value)))
        .collect();
    let mut object = json!({
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
    });
    if !run.nets.is_empty() {
        let nets = run.nets.iter().map(|(lane, measured)| {
            let mut net: serde_json::Map<String, Value> = measured
                .iter()
                .map(|(id, measured)| ((*id).to_owned(), number(measured.value)))
                .collect();
            net.insert("lane".to_owned(), lane.number().into());
            Value::Object(net)
        });
        object["nets"] = nets.collect();
    }
    if let Some(audio) = &run.audio {
        object["audio"] = audio_json(run, audio);
    }
    object
}

/// When a station announced: it has net time from then on, at the latest.
fn started(run: &Run, node: usize) -> impl Iterator<Item = u64> + '_ {
    let own = run.world.timelines().iter().filter(move |started| started.node == node);
    own.map(|started| started.at_us)
}

fn audio_json(run: &Run, audio: &Audio) -> Value {
    let name = |node: usize| &run.scenario.radio.stations[node].name;
    let cases = audio.cases.iter().map(|case| {
        json!({
            "net": if case.hopping { "hopping" } else { "fixed" },
            "interference": case.interference,
            "slots_heard": case.heard,
            "slots_lost": case.lost,
            "slots_late": case.late,
            "segmental_snr_db": case.snr_db.map(number),
            "file": format!("{}.wav", case.name),
        })
    });
    json!({
        "input": audio.input,
        "speaker": name(audio.speaker),
        "listener": name(audio.listener),
        "pressed_s": seconds(audio.pressed_us),
        "coder": "CVSD",
        "coder_bps": crate::audio::cvsd::RATE,
        "coder_segmental_snr_db": audio.coder_snr_db.map(number),
        "longest_share_bits": audio.longest_share,
        "delay_slots": crate::audio::DELAY,
        "fixed_channel": audio.fixed_channel.number(),
        "fixed_channel_interfered": audio.fixed_interfered,
        "cases": cases.collect::<Vec<_>>(),
    })
}

/// JSON has no infinity: what never happened is null.
fn number(value: f64) -> Value {
    serde_json::Number::from_f64(value).map_or(Value::Null, Value::Number)
}
