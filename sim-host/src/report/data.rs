//! What the drawn parts of the page need, as compact JSON: columns instead of rows, times as
//! differences.

use crate::run::Run;
use crate::run::axis::Axis;
use crate::traces::{State, states};
use crate::world::Content;
use hopwright_core::band::ChannelSet;
use hopwright_core::units::Slot;
use serde_json::{Value, json};

/// More transmissions than these make the page heavy; every second, third, ... is drawn then, and
/// the page says so.
const MOST_DRAWN: usize = 40_000;

/// Spells of opponents' noise beyond these are not drawn, and the page says so.
const MOST_NOISES: usize = 20_000;

/// How many spells of opponents' noise are not drawn.
pub(super) fn noises_left_out(run: &Run) -> usize {
    run.world.trace().noises.len().saturating_sub(MOST_NOISES)
}

/// Every how manieth transmission is drawn.
pub(super) fn drawn_every(run: &Run) -> usize {
    run.world.trace().sent.len().div_ceil(MOST_DRAWN).max(1)
}

/// The data.
pub(super) fn data(run: &Run) -> Value {
    let (scenario, trace) = (&run.scenario, run.world.trace());
    let axis = Axis::new(trace.sent.iter().map(|sent| sent.at_us), scenario.duration_us);
    let axis: Vec<Value> = axis
        .stretches
        .iter()
        .map(|s| json!([s.from_us, s.to_us, s.at.0, s.at.1, u8::from(s.silent)]))
        .collect();
    let raster = scenario.plan.raster();
    let stations: Vec<Value> = scenario
        .radio
        .stations
        .iter()
        .map(|s| json!([s.name, s.address.to_string(), s.lane.number()]))
        .collect();
    let overs: Vec<String> =
        trace.overs.iter().map(|over| run.target_named(over.node, over.target)).collect();
    let lanes: Vec<Vec<u64>> = states(run)
        .iter()
        .map(|spans| spans.iter().flat_map(|s| [s.from_us, u64::from(s.state.code())]).collect())
        .collect();
    json!({
        "end": scenario.duration_us,
        "slot": scenario.plan.timing().slot().us(),
        "base": raster.frequency(hopwright_core::units::Channel::default()).map_or(0, |f| f.hz()),
        "spacing": raster.spacing().hz(),
        "count": raster.count(),
        "axis": axis,
        "stations": stations,
        "interferers": interferers(run),
        "overs": overs,
        "states": State::ALL.map(State::name),
        "lanes": lanes,
        "sent": sent(run),
    })
}

/// Interferers and the noise of opponents: name, from, to, and pairs of the first and last channel of
/// each piece.
fn interferers(run: &Run) -> Vec<Value> {
    let end = run.scenario.duration_us;
    let mut all = Vec::new();
    for interferer in run.world.medium().interferers() {
        let (from, to) = (interferer.from_us, interferer.to_us.min(end));
        all.push(json!([interferer.name, from, to, pieces(&interferer.channels)]));
    }
    let adversaries = &run.scenario.radio.adversaries;
    for noise in run.world.trace().noises.iter().take(MOST_NOISES) {
        let Some(adversary) = adversaries.get(noise.adversary) else { continue };
        let (from, to) = (noise.from_us, noise.to_us.unwrap_or(end).min(end));
        all.push(json!([adversary.name, from, to, pieces(&noise.channels)]));
    }
    all
}

fn pieces(channels: &ChannelSet) -> Vec<[u16; 2]> {
    let mut pieces: Vec<[u16; 2]> = Vec::new();
    for channel in channels.iter() {
        let number = channel.number();
        match pieces.last_mut() {
            Some([_, last]) if *last + 1 == number => *last = number,
            _ => pieces.push([number, number]),
        }
    }
    pieces
}

fn sent(run: &Run) -> Value {
    let mut last = 0;
    let (mut times, mut lengths, mut nodes, mut channels) = (vec![], vec![], vec![], vec![]);
    let (mut waited, mut heard, mut slots, mut overs) = (vec![], vec![], vec![], vec![]);
    let (mut contents, mut interfered) = (String::new(), String::new());
    let mut sent: Vec<_> = run.world.trace().sent.iter().step_by(drawn_every(run)).collect();
    // The trace has them in the order in which they ended.
    sent.sort_by_key(|sent| sent.at_us);
    for sent in sent {
        times.push(sent.at_us - last);
        last = sent.at_us;
        lengths.push(sent.end_us - sent.at_us);
        nodes.push(sent.node);
        channels.push(sent.channel.number());
        waited.push(sent.listeners);
        heard.push(sent.heard);
        slots.push(sent.slot.map_or(-1, |slot: Slot| i64::from(slot.number())));
        overs.push(sent.over.and_then(|over| i64::try_from(over).ok()).unwrap_or(-1));
        contents.push(match sent.content {
            Content::SyncHeader => 's',
            Content::TrafficHeader => 't',
            Content::Payload => 'p',
        });
        interfered.push(if sent.interfered { '1' } else { '0' });
    }
    json!({
        "t": times, "d": lengths, "n": nodes, "c": channels, "k": contents,
        "w": waited, "h": heard, "i": interfered, "s": slots, "o": overs,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Plan;
    use crate::scenario::Scenario;
    use crate::world::Detail;
    use std::path::Path;

    /// Two nets may share an address; an over is for the station of its own.
    #[test]
    fn an_over_is_for_a_station_of_its_own_net() {
        let text = "[scenario]\nname = \"s\"\nduration_s = 12\nplan = \"\"\n\
            [[station]]\nname = \"boat\"\naddress = \"40\"\n\
            [[station]]\nname = \"hut\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\n\
            [[station]]\nname = \"saddle\"\naddress = \"40\"\nlane = 1\nx_m = 800\n\
            [[announce]]\nat_s = 1\nby = \"hut\"\n\
            [[over]]\nat_s = 8\nfrom = \"hut\"\nto = \"40\"\ntalk_s = 2\n";
        let plan = include_str!("../../plans/larkfell-lanes.toml");
        let plan = Plan::parse("plan.toml", plan, Path::new("")).unwrap();
        let scenario = Scenario::parse("s.toml", text, plan).unwrap();
        let run = Run::new(scenario, None, Detail::Transmissions, None).unwrap();
        assert_eq!(data(&run)["overs"], json!(["saddle (40)"]));
    }
}
