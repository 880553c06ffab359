//! Waveforms: a value change dump after IEEE Std 1364-2005, section 18 (from memory), with four
//! states a value: `z` where a radio does not listen, `x` where nobody has looked.

use super::states::{State, states};
use crate::run::Run;
use crate::world::Ear;
use hopwright_core::units::Channel;
use std::collections::BTreeMap;
use std::io;
use vcd::{IdCode, SimulationCommand, TimescaleUnit, Value, VarType, Writer};

/// Bits of a state's code.
const STATE_BITS: u32 = 4;
/// Bits of a channel's number: there are 4096 at most.
const CHANNEL_BITS: u32 = 12;

/// A value that changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Change {
    Bits(u32, u32),
    /// A channel of unknown number.
    Unknown,
    /// No channel.
    None,
    Key(bool),
}

/// The variables of a station.
#[derive(Debug)]
struct Vars {
    state: IdCode,
    channel: IdCode,
    key: IdCode,
}

/// The dump of a run that was asked for frames.
pub(super) fn vcd(run: &Run) -> io::Result<Vec<u8>> {
    let mut out = Writer::new(Vec::new());
    let legend: Vec<String> =
        State::ALL.iter().map(|state| format!("{} {}", state.code(), state.name())).collect();
    out.version("hopwright")?;
    out.comment(&format!("seed {}; digest {}", run.seed, run.world.digest()))?;
    out.comment(&format!("state: {}", legend.join(", ")))?;
    out.comment("channel: sent on while key is 1, else listened to; z neither; x not looked at")?;
    out.timescale(1, TimescaleUnit::US)?;
    out.add_module("net")?;
    let mut vars = Vec::new();
    for (node, station) in run.scenario.radio.stations.iter().enumerate() {
        out.comment(&format!("{} is {}", scope(node, &station.name), plain(&station.name)))?;
        out.add_module(&scope(node, &station.name))?;
        vars.push(Vars {
            state: out.add_var(VarType::Reg, STATE_BITS, "state", None)?,
            channel: out.add_var(VarType::Reg, CHANNEL_BITS, "channel", None)?,
            key: out.add_var(VarType::Reg, 1, "key", None)?,
        });
        out.upscope()?;
    }
    out.upscope()?;
    out.enddefinitions()?;
    let mut by_time = changes(run, &vars);
    let first = by_time.remove(&0).unwrap_or_default();
    out.timestamp(0)?;
    out.begin(SimulationCommand::Dumpvars)?;
    for (id, change) in first {
        write(&mut out, id, change)?;
    }
    out.end()?;
    for (at, changes) in by_time {
        out.timestamp(at)?;
        for (id, change) in changes {
            write(&mut out, id, change)?;
        }
    }
    out.flush()?;
    Ok(std::mem::take(out.writer()))
}

/// What changes when: by time, and of each variable the last value only.
fn changes(run: &Run, vars: &[Vars]) -> BTreeMap<u64, BTreeMap<IdCode, Change>> {
    let trace = run.world.trace();
    let end_us = run.scenario.duration_us;
    let mut out: BTreeMap<u64, BTreeMap<IdCode, Change>> = BTreeMap::new();
    let mut put = |at: u64, id: IdCode, change: Change| {
        out.entry(at).or_default().insert(id, change);
    };
    for (spans, vars) in states(run).iter().zip(vars) {
        put(0, vars.channel, Change::None);
        put(0, vars.key, Change::Key(false));
        for span in spans {
            put(span.from_us, vars.state, Change::Bits(u32::from(span.state.code()), STATE_BITS));
            // A station without power hears nothing, whatever its radio was doing.
            if span.state == State::Off {
                put(span.from_us, vars.channel, Change::None);
            }
        }
    }
    for tuning in &trace.tunings {
        let Some(vars) = vars.get(tuning.node) else { continue };
        let change = match tuning.ear {
            Ear::Closed => Change::None,
            Ear::On(channel) => on(channel),
            Ear::Unwatched => Change::Unknown,
        };
        put(tuning.at_us, vars.channel, change);
    }
    // A sender's radio is silent before and tuned anew after: its own channel stands between.
    let mut keyed: BTreeMap<(usize, u64), Option<Channel>> = BTreeMap::new();
    for sent in &trace.sent {
        keyed.entry((sent.node, sent.end_us)).or_insert(None);
        keyed.insert((sent.node, sent.at_us), Some(sent.channel));
    }
    for ((node, at), channel) in keyed {
        let Some(vars) = vars.get(node) else { continue };
        put(at, vars.key, Change::Key(channel.is_some()));
        match channel {
            Some(channel) => put(at, vars.channel, on(channel)),
            // What it listens to from here on, if it is tuned at this very instant, stands.
            None => {
                let at_once = trace.tunings.partition_point(|tuning| tuning.at_us < at);
                let mut then = trace.tunings[at_once..].iter().take_while(|t| t.at_us == at);
                if !then.any(|tuning| tuning.node == node) {
                    put(at, vars.channel, Change::None);
                }
            }
        }
    }
    out.retain(|at, _| *at <= end_us);
    // The dump lasts as long as the run, even if nothing changes at its end.
    out.entry(end_us).or_default();
    out
}

fn on(channel: Channel) -> Change {
    Change::Bits(u32::from(channel.number()), CHANNEL_BITS)
}

fn write(out: &mut Writer<Vec<u8>>, id: IdCode, change: Change) -> io::Result<()> {
    match change {
        Change::Bits(value, width) => {
            let bit = |i: u32| if value >> i & 1 == 1 { Value::V1 } else { Value::V0 };
            out.change_vector(id, (0..width).rev().map(bit))
        }
        // The dump extends a leftmost x or z to the left.
        Change::Unknown => out.change_vector(id, [Value::X]),
        Change::None => out.change_vector(id, [Value::Z]),
        Change::Key(on) => out.change_scalar(id, on),
    }
}

/// A scope's name: a letter or an underscore, then letters, digits and underscores. Its number
/// makes it unlike any other.
fn scope(node: usize, name: &str) -> String {
    let tame = |c: char| if c.is_ascii_alphanumeric() { c } else { '_' };
    format!("s{node}_{}", name.chars().map(tame).collect::<String>())
}

/// A name that cannot end the comment that it stands in.
fn plain(name: &str) -> String {
    name.replace('$', "S")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scopes_are_identifiers_of_their_own() {
        assert_eq!(scope(3, "gauge <mill> & 'weir'"), "s3_gauge__mill_____weir_");
        assert_ne!(scope(1, "a b"), scope(2, "a_b"));
        assert_eq!(plain("the $end"), "the Send");
    }
}
