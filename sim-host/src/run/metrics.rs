//! What is measured of a run.

mod alerts;
mod cut_in;
mod silence;

use super::Measured;
use crate::diagnostic::Diagnostic;
use crate::scenario::{OverPlan, Scenario};
use crate::world::{Over, Trace, World};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::Event;
use hopwright_core::units::{Channel, Lane, Slot};
use std::collections::{BTreeMap, BTreeSet};

/// Something that a run measures.
#[derive(Debug, PartialEq, Eq)]
pub struct Metric {
    /// Its name in `[[expect]]` tables and results.
    pub id: &'static str,
    /// What it says.
    pub what: &'static str,
    /// Its unit; empty for counts.
    pub unit: &'static str,
    /// The closed form that it can be compared with.
    pub model: Option<&'static str>,
}

const fn metric(id: &'static str, what: &'static str, unit: &'static str) -> Metric {
    Metric { id, what, unit, model: None }
}

/// Everything that a run measures.
pub const METRICS: &[Metric] = &[
    metric("announce.in_step", "stations in step when the announce ends", ""),
    metric("announce.median_s", "announce to in step, median of the stations", "s"),
    metric("announce.worst_s", "announce to in step, slowest station", "s"),
    metric("late_entry.worst_s", "switched on during traffic to in step, slowest", "s"),
    metric("stations.in_step", "stations really in step at the end", ""),
    metric("stations.lost", "times that a station lost step", ""),
    metric("clock.bound_misses", "headers after which a bound missed true time", ""),
    metric("clock.worst_phase_us", "largest distance of a phase from true time", "us"),
    metric("calls.missed", "stations in a target that were not called", ""),
    metric("calls.strays", "stations outside a target that were called, or read payload", ""),
    Metric {
        id: "payload.heard_share",
        what: "traffic slots heard by those they were for",
        unit: "",
        model: Some("clear_share"),
    },
    metric("payload.garbled", "traffic slots that read differently from what was sent", ""),
    metric("holdoff.longest_s", "press to go-ahead, longest but for cut-ins", "s"),
    metric("holdoff.overlaps", "transmissions begun while another was on the air", ""),
    metric("silence.longest_s", "longest time without a transmission, once there was one", "s"),
    metric("silence.met_s", "first slot after that to all slots met again, slowest station", "s"),
    metric("cut_in.followed", "stations that follow the first cut-in within its run", ""),
    metric("cut_in.answered_s", "first slot of the answer to the newcomer in step", "s"),
    metric("alerts.call_waiting", "stations that tell of a call waiting", ""),
    metric("alerts.watch_traffic", "stations that tell of traffic on the watch channel", ""),
    metric("alerts.closest_s", "least time between two alerts of a kind at one station", "s"),
    metric("hops.outside_hopset", "transmissions outside the hopset", ""),
    metric("adversary.heard", "transmissions of opponents that a radio recognised", ""),
    metric("adversary.taken", "transmissions of opponents that a station took", ""),
    metric("hops.blocks_uneven", "blocks of r*m slots that did not use each channel once", ""),
];

/// Two-sided 99.9 % of the normal distribution.
const NORMAL_999: f64 = 3.290_527;

/// Measures a run.
///
/// # Errors
/// [`Diagnostic`] never for a scenario that has been read.
pub fn measure(
    scenario: &Scenario,
    world: &World,
) -> Result<BTreeMap<&'static str, Measured>, Diagnostic> {
    let trace = world.trace();
    let mut out = BTreeMap::new();
    let mut put = |id: &'static str, value: f64| {
        out.insert(id, Measured { value, band: None });
    };
    announce(scenario, trace, &mut put);
    put("late_entry.worst_s", late_entry(scenario, trace));
    let nodes = 0..scenario.radio.stations.len();
    put("stations.in_step", count(nodes.filter(|node| world.in_step(*node)).count()));
    let lost = trace.events.iter().filter(|h| h.event == Event::OutOfStep).count();
    put("stations.lost", count(lost));
    put("clock.bound_misses", trace.totals.bound_misses as f64);
    put("clock.worst_phase_us", trace.totals.worst_phase_us as f64);
    let (missed, strays) = calls(scenario, trace);
    put("calls.missed", missed);
    put("calls.strays", strays);
    put("payload.garbled", trace.overs.iter().map(|o| f64::from(o.payloads_garbled)).sum());
    let waits = trace.overs.iter().filter(|over| !over.cut_in);
    let waits = waits.map(|o| o.ahead_us.map_or(f64::INFINITY, |a| since(o, a)));
    silence::measure(trace, &mut put);
    cut_in::measure(scenario, trace, &mut put);
    alerts::measure(scenario, trace, &mut put);
    put("holdoff.longest_s", waits.fold(0.0, f64::max));
    put("holdoff.overlaps", trace.totals.overlapping as f64);
    put("hops.outside_hopset", trace.totals.outside_hopset as f64);
    let taken = world.taken();
    put("adversary.heard", taken.heard as f64);
    put("adversary.taken", (taken.headers + taken.words) as f64);
    put("hops.blocks_uneven", blocks_uneven(scenario, world)?);
    out.insert("payload.heard_share", heard_share(scenario, trace)?);
    Ok(out)
}

fn since(over: &Over, at: u64) -> f64 {
    seconds(at - over.pressed_us)
}

fn announce(scenario: &Scenario, trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    let Some((at, by)) = scenario.announces.first().copied() else { return };
    let slots = u64::from(scenario.plan.announce_slots());
    let end = at + slots * scenario.plan.timing().slot().us();
    let mut waits = Vec::new();
    for (node, station) in scenario.radio.stations.iter().enumerate() {
        if node != by && station.on_us <= at {
            let first = in_step_times(trace, node).find(|t| *t >= at);
            waits.push(first.map_or(f64::INFINITY, |t| seconds(t - at)));
        }
    }
    let timely = waits.iter().filter(|wait| **wait <= seconds(end - at)).count();
    waits.sort_by(f64::total_cmp);
    put("announce.in_step", count(timely) + 1.0);
    put("announce.median_s", waits.get(waits.len() / 2).copied().unwrap_or(0.0));
    put("announce.worst_s", waits.last().copied().unwrap_or(0.0));
}

fn late_entry(scenario: &Scenario, trace: &Trace) -> f64 {
    // While somebody spoke: who comes into a silent net waits for the next over, and that is all.
    let spoken = |at: u64| {
        let released = |over: &Over| over.released_us.unwrap_or(u64::MAX);
        trace.overs.iter().any(|over| over.ahead_us <= Some(at) && at < released(over))
    };
    let stations = scenario.radio.stations.iter().enumerate();
    let late = stations.filter(|(_, s)| s.on_us > 0 && spoken(s.on_us));
    let wait = |(node, station): (usize, &crate::scenario::StationPlan)| {
        let first = in_step_times(trace, node).next();
        first.map_or(f64::INFINITY, |t| seconds(t - station.on_us))
    };
    late.map(wait).fold(0.0, f64::max)
}

/// The times at which a station came into step.
pub(super) fn in_step_times(trace: &Trace, node: usize) -> impl Iterator<Item = u64> {
    trace.times_of(node, |event| matches!(event, Event::InStep { .. }))
}

/// Whether a station had come into step before `at`.
fn in_step_before(scenario: &Scenario, trace: &Trace, node: usize, at: u64) -> bool {
    let announced = scenario.announces.iter().any(|(t, by)| *by == node && *t <= at);
    announced || in_step_times(trace, node).any(|t| t < at)
}

/// The stations that an over was for and that could have heard it from its start.
pub(super) fn addressees(scenario: &Scenario, trace: &Trace, over: &Over) -> BTreeSet<usize> {
    let at = over.ahead_us.unwrap_or(over.pressed_us);
    (0..scenario.radio.stations.len())
        .filter(|node| *node != over.node)
        .filter(|node| over.target.covers(scenario.radio.stations[*node].address))
        .filter(|node| in_step_before(scenario, trace, *node, at))
        .collect()
}

fn calls(scenario: &Scenario, trace: &Trace) -> (f64, f64) {
    let (mut missed, mut strays) = (0, 0);
    for over in &trace.overs {
        let wanted = addressees(scenario, trace, over);
        missed += wanted.iter().filter(|node| !over.called.contains(node)).count();
        missed += usize::from(over.ahead_us.is_none());
        let outside = |node: usize| !over.target.covers(scenario.radio.stations[node].address);
        strays += over.called.iter().filter(|node| outside(**node)).count();
        let readers = over.payloads_heard.iter().enumerate().filter(|(_, n)| **n > 0);
        strays += readers.filter(|(node, _)| outside(*node)).count();
    }
    // A command that was refused leaves no over behind.
    missed += scenario.overs.len().saturating_sub(trace.overs.len());
    (count(missed), count(strays))
}

/// The share of traffic slots heard, and the band in which the share of clear channels puts it.
fn heard_share(scenario: &Scenario, trace: &Trace) -> Result<Measured, Diagnostic> {
    let (mut heard, mut sent, mut expected, mut slots) = (0.0, 0.0, 0.0, 0.0);
    for over in &trace.overs {
        let to = addressees(scenario, trace, over);
        let listeners = count(to.len());
        if to.is_empty() {
            continue;
        }
        let n = f64::from(over.payload_slots);
        let got: u32 = to.iter().filter_map(|node| over.payloads_heard.get(*node)).sum();
        heard += f64::from(got);
        sent += n * listeners;
        expected += n * listeners * clear_share(scenario, over.ahead_us.unwrap_or(0))?;
        // A slot is clear for all listeners or for none: the slots are what is drawn.
        slots += n;
    }
    let model = expected / sent;
    let play = NORMAL_999 * libm::sqrt(model * (1.0 - model) / slots) + 0.5 / slots;
    Ok(Measured { value: heard / sent, band: Some((model - play, model + play)) })
}

/// The share of traffic channels without interference at `us`.
fn clear_share(scenario: &Scenario, us: u64) -> Result<f64, Diagnostic> {
    let traffic = traffic_channels(scenario)?;
    let mut clear = traffic.clone();
    let builder = scenario.builder()?;
    for interferer in &scenario.radio.interferers {
        if interferer.from_us <= us && us < interferer.to_us {
            let covered = builder.covered(interferer);
            clear.retain(|channel| !covered.contains(*channel));
        }
    }
    Ok(count(clear.len()) / count(traffic.len()))
}

fn traffic_channels(scenario: &Scenario) -> Result<BTreeSet<Channel>, Diagnostic> {
    let sequence = scenario.plan.sequence(Lane::ZERO)?;
    let mut channels: BTreeSet<Channel> = sequence.hopset().channels().iter().copied().collect();
    if sequence.structure().equal_use {
        for channel in sequence.rendezvous() {
            channels.remove(&channel);
        }
    }
    Ok(channels)
}

/// Aligned blocks of the home timeline, as far as the run went, that do not use every channel
/// of the hopset exactly once. Plans without equal use have none that do.
fn blocks_uneven(scenario: &Scenario, world: &World) -> Result<f64, Diagnostic> {
    let sequence = scenario.plan.sequence(Lane::ZERO)?;
    let n = usize::from(sequence.hopset().len());
    let last = world.true_net_us().and_then(|net| scenario.plan.timing().slot_at(net));
    let slots = last.map_or(0, Slot::number) as usize;
    let mut channels = vec![Channel::default(); (slots / n + 1) * n];
    sequence.fill(Timeline::Home, Slot::ZERO, &mut channels);
    let uneven = |block: &&[Channel]| block.iter().collect::<BTreeSet<_>>().len() != n;
    Ok(count(channels.chunks(n).filter(uneven).count()))
}

/// The over that a press led to, if it was carried out.
pub(super) fn over_of<'a>(trace: &'a Trace, plan: &OverPlan) -> Option<&'a Over> {
    trace.overs.iter().find(|over| over.node == plan.from && over.pressed_us == plan.at_us)
}

fn count(n: usize) -> f64 {
    n as f64
}

pub(super) fn seconds(us: u64) -> f64 {
    us as f64 / 1e6
}
