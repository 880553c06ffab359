//! The account of messages, modes and changes of keys, and of what each station heard.

use super::Run;
use super::metrics::change::{Outcome, due, outcomes};
use super::metrics::{addressees, seconds};
use crate::scenario::MessagePlan;
use crate::world::Says;
use hopwright_core::station::Mode;
use std::collections::BTreeSet;
use std::io::{self, Write};

/// The lines about messages, modes and changes, with their times.
pub(super) fn story(run: &Run, lines: &mut Vec<(u64, String)>) {
    for plan in &run.scenario.messages {
        lines.push(message(run, plan));
    }
    for plan in &run.scenario.modes {
        let name = &run.scenario.radio.stations[plan.station].name;
        let to = match plan.mode {
            Mode::Hopping => "goes back to hopping",
            Mode::SingleSealed => "goes over to the calling channel, sealed",
            Mode::SinglePlain => "goes over to the calling channel, in the clear",
        };
        let trace = run.world.trace();
        let refused = trace
            .presses_refused
            .iter()
            .find(|(at, of, _)| (*at, *of) == (plan.at_us, plan.station));
        let text = if trace.was_powerless(plan.station, plan.at_us) {
            format!("{name} is told to change its mode and has no power")
        } else if trace.modes.contains(&(plan.at_us, plan.station, plan.mode)) {
            format!("{name} {to}")
        } else {
            let why = refused.map_or_else(String::new, |(_, _, why)| format!(": {why}"));
            format!("{name} is told to change its mode and refuses{why}")
        };
        lines.push((plan.at_us, text));
    }
    changes(run, lines);
}

fn message(run: &Run, plan: &MessagePlan) -> (u64, String) {
    let stations = &run.scenario.radio.stations;
    let (name, trace) = (&stations[plan.from].name, run.world.trace());
    let over = trace.overs.iter().enumerate().find(|(_, over)| {
        let text = matches!(over.says, Says::Text(_));
        text && over.node == plan.from && over.pressed_us == plan.at_us
    });
    let to = run.target_named(plan.from, plan.to);
    let Some((index, over)) = over else {
        let why = run.refusal(plan.from, plan.at_us);
        return (
            plan.at_us,
            format!("{name} presses to send a message to {to} and is refused{why}"),
        );
    };
    let wanted = addressees(&run.scenario, trace, over);
    let came: Vec<u64> = trace
        .delivered
        .iter()
        .filter(|d| d.over == index && d.intact && wanted.contains(&d.node))
        .map(|d| d.at_us)
        .collect();
    let columns = over.payload_slots;
    let mut text = format!(
        "{name} sends {} bytes to {to} in {columns} slots: {} of {} have it whole",
        plan.text.len(),
        came.len(),
        wanted.len()
    );
    if let (Some(ahead), Some(last)) = (over.ahead_us, came.iter().max()) {
        text.push_str(&format!(", the last {:.2} s after the first slot", seconds(last - ahead)));
    }
    (over.ahead_us.unwrap_or(plan.at_us), text)
}

fn changes(run: &Run, lines: &mut Vec<(u64, String)>) {
    let (scenario, world) = (&run.scenario, &run.world);
    let name = |node: usize| scenario.radio.stations[node].name.as_str();
    for (at_us, number) in &world.trace().changes_refused {
        lines.push((*at_us, scenario.withdrawal_refused(*number)));
    }
    for change in &world.trace().changes {
        let plan = &scenario.withdrawals[change.number];
        let withdrawn: Vec<&str> = plan.stations.iter().map(|node| name(*node)).collect();
        lines.push((
            change.at_us,
            format!(
                "{} has an order of {} bytes: a new net key from slot {} on for everyone but {} \
                 ({} nodes of the key tree)",
                name(plan.by),
                change.order_bytes,
                change.slot,
                withdrawn.join(", "),
                change.cover,
            ),
        ));
        let due_us = due(change);
        if due_us > scenario.duration_us {
            lines.push((scenario.duration_us, "the new net key has not come into use".to_owned()));
            continue;
        }
        let (mut followed, mut later, mut left_out) = (0, Vec::new(), 0);
        for outcome in outcomes(scenario, world, change) {
            match outcome {
                Outcome::Followed => followed += 1,
                Outcome::PickedUp { wait_us } => later.push(wait_us),
                Outcome::LeftOut => left_out += 1,
            }
        }
        let mut text = format!("the new net key comes into use: {followed} stations change");
        if let Some(slowest) = later.iter().max() {
            let more = later.len();
            text.push_str(&format!(
                "; {more} that had missed it later, the slowest {:.1} s after being there again",
                seconds(*slowest)
            ));
        }
        if left_out > 0 {
            text.push_str(&format!("; {left_out} not at all"));
        }
        lines.push((due_us, text));
    }
    for (node, tried) in world.withdrawn() {
        let text = format!(
            "{}, withdrawn, has been given {} transmissions under the new key: {} headers, {} \
             payloads and {} orders opened, {} of {} channels foretold",
            name(node),
            tried.transmissions,
            tried.headers,
            tried.payloads,
            tried.orders,
            tried.foretold,
            tried.slots
        );
        lines.push((scenario.duration_us, text));
    }
}

/// What a station heard in a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeardBy {
    /// Overs that called it.
    pub called: usize,
    /// Overs of which it was told that the net is busy, and no more.
    pub busy: usize,
    /// Traffic slots that it was given to read.
    pub slots: u64,
    /// Messages that came whole.
    pub messages: usize,
    /// Changes of the net key that it has taken.
    pub generation: Option<u8>,
    /// Whether it has the net's key.
    pub net_key: bool,
}

/// What a station heard.
#[must_use]
pub fn heard_by(run: &Run, node: usize) -> HeardBy {
    let trace = run.world.trace();
    let overs = || trace.overs.iter();
    let called = overs().filter(|over| over.called.contains(&node)).count();
    let told: BTreeSet<usize> = overs()
        .enumerate()
        .filter(|(_, over)| over.busy.contains(&node) && !over.called.contains(&node))
        .map(|(index, _)| index)
        .collect();
    let slots = overs().filter_map(|over| over.payloads_heard.get(node));
    let (_, share) = run.world.nodes()[node].station.keys();
    HeardBy {
        called,
        busy: told.len(),
        slots: slots.map(|n| u64::from(*n)).sum(),
        messages: trace.delivered.iter().filter(|d| d.node == node && d.intact).count(),
        generation: share.map(hopwright_core::tree::Share::generation),
        net_key: run.world.has_net_key(node),
    }
}

/// A table with a row for each station is read up to this many of them.
const ROWS: usize = 64;

/// Writes a table of what each station heard; of what the stations of each net heard, if there are
/// many.
pub(super) fn table(out: &mut impl Write, run: &Run) -> io::Result<()> {
    let stations = &run.scenario.radio.stations;
    if stations.len() > ROWS {
        return nets(out, run);
    }
    let width = stations.iter().map(|s| s.name.chars().count()).max().unwrap_or(0).max(7);
    writeln!(out, "\nWhat each station heard of the others")?;
    writeln!(
        out,
        "  {:<width$}  addr  {:>6}  {:>4}  {:>10}  {:>8}  net key",
        "station", "called", "busy", "slots read", "messages"
    )?;
    for (node, station) in stations.iter().enumerate() {
        let heard = heard_by(run, node);
        let key = match (heard.net_key, heard.generation) {
            (false, _) => "none of the net's".to_owned(),
            (true, Some(generation)) => format!("generation {generation}"),
            (true, None) => "the plan's".to_owned(),
        };
        writeln!(
            out,
            "  {:<width$}  {:<4}  {:>6}  {:>4}  {:>10}  {:>8}  {key}",
            station.name,
            station.address.to_string(),
            heard.called,
            heard.busy,
            heard.slots,
            heard.messages,
        )?;
    }
    Ok(())
}

/// The same for nets of many stations: from the one that heard least to the one that heard most.
fn nets(out: &mut impl Write, run: &Run) -> io::Result<()> {
    let stations = &run.scenario.radio.stations;
    writeln!(out, "\nWhat the stations of each net heard of the others, least to most")?;
    writeln!(
        out,
        "  {:<4}  {:>8}  {:>13}  {:>13}  {:>17}  {:>9}  with the net key",
        "lane", "stations", "called", "busy", "slots read", "messages"
    )?;
    for lane in run.scenario.radio.lanes() {
        let own = (0..stations.len()).filter(|node| stations[*node].lane == lane);
        let heard: Vec<HeardBy> = own.map(|node| heard_by(run, node)).collect();
        let span = |of: &dyn Fn(&HeardBy) -> u64| {
            let least = heard.iter().map(of).min().unwrap_or(0);
            let most = heard.iter().map(of).max().unwrap_or(0);
            format!("{least} to {most}")
        };
        writeln!(
            out,
            "  {:<4}  {:>8}  {:>13}  {:>13}  {:>17}  {:>9}  {}",
            lane.number(),
            heard.len(),
            span(&|h| h.called as u64),
            span(&|h| h.busy as u64),
            span(&|h| h.slots),
            heard.iter().map(|h| h.messages).sum::<usize>(),
            heard.iter().filter(|h| h.net_key).count(),
        )?;
    }
    writeln!(out, "  (each station by itself: run --json)")
}
