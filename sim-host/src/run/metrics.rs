//! What is measured of a run: of the whole, and of each net.

mod alerts;
pub(super) mod change;
mod cut_in;
mod messages;
mod silence;
mod single;

use super::{Measured, relayed};
use crate::diagnostic::Diagnostic;
use crate::scenario::{OverPlan, Power, Scenario};
use crate::world::{Changed, Over, Says, Trace, World};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Event, Mode};
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

impl Metric {
    /// Whether it can be measured of one net alone.
    #[must_use]
    pub fn by_net(&self) -> bool {
        BY_NET.iter().any(|head| self.id.starts_with(head))
    }
}

/// How the names begin of what can be measured of one net alone.
const BY_NET: &[&str] = &[
    "announce.",
    "late_entry.",
    "stations.",
    "calls.",
    "payload.",
    "holdoff.longest_s",
    "hops.blocks_uneven",
];

const fn metric(id: &'static str, what: &'static str, unit: &'static str) -> Metric {
    Metric { id, what, unit, model: None }
}

/// Everything that a run measures.
pub const METRICS: &[Metric] = &[
    metric("announce.in_step", "stations in step when the announce ends", ""),
    metric("announce.median_s", "announce to in step, median of the stations", "s"),
    metric("announce.worst_s", "announce to in step, slowest station", "s"),
    metric("late_entry.worst_s", "switched on during traffic to in step, slowest", "s"),
    metric("stations.in_step", "stations really in step at the end, on the net's key", ""),
    metric("stations.lost", "times that a station lost step", ""),
    metric("clock.bound_misses", "looks at which a bound missed true time", ""),
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
    metric("announce.refused", "announces that a station refused", ""),
    metric(
        "silence.longest_s",
        "longest time without a transmission of a net, once there was one",
        "s",
    ),
    metric("silence.met_s", "first slot after that to all slots met again, slowest station", "s"),
    metric("cut_in.followed", "stations that follow the first cut-in within its run", ""),
    metric("cut_in.answered_s", "first slot of the answer to the newcomer in step", "s"),
    metric("alerts.call_waiting", "stations that tell of a call waiting", ""),
    metric("alerts.watch_traffic", "stations that tell of traffic on the watch channel", ""),
    metric("alerts.closest_s", "least time between two alerts of a kind at one station", "s"),
    metric("messages.wanted", "messages times stations that were to get them", ""),
    metric("messages.lost", "messages times stations that were lost on the way", ""),
    metric("messages.strays", "messages that came to others, or altered", ""),
    metric("single.overs", "overs on a single channel", ""),
    metric("single.heard", "of these, times stations there that read them", ""),
    metric("single.unheard", "of these, times stations there that read nothing", ""),
    metric("single.astray", "of these, times stations elsewhere that read them", ""),
    metric("change.followed", "stations that changed keys when the slot came", ""),
    metric("change.picked_up", "stations that had missed it and changed later", ""),
    metric("change.picked_up_s", "from being there again to changed, slowest of these", "s"),
    metric("change.left_out", "stations that have not changed, but for the withdrawn", ""),
    metric("withdrawn.tries", "transmissions after the change given to the withdrawn", ""),
    metric("withdrawn.opened", "headers, payloads and orders that these opened", ""),
    Metric {
        id: "withdrawn.foretold_share",
        what: "slots after the change whose channel the withdrawn foretold",
        unit: "",
        model: Some("chance"),
    },
    metric("hops.outside_hopset", "transmissions outside the hopset", ""),
    metric("adversary.heard", "transmissions of opponents that a radio recognised", ""),
    metric("adversary.taken", "transmissions of opponents that a station took", ""),
    metric(
        "hops.blocks_uneven",
        "blocks of r*m slots of the plan's sequence that do not use each channel once",
        "",
    ),
    metric("lanes.shared_channels", "transmissions of one net on a channel of another", ""),
    metric("lanes.collisions", "pairs of two nets at one time on one channel", ""),
    metric("relay.delay_s", "first said to said by a relay, mean", "s"),
    metric("relay.longest_delay_s", "first said to said by a relay, longest", "s"),
    Metric {
        id: "relay.heard_share",
        what: "traffic slots of one net heard on another through a relay",
        unit: "",
        model: Some("clear_share_product"),
    },
    metric("relay.most_relays", "relays passed by a payload that was read, most", ""),
    metric("relay.overs", "overs of relays", ""),
];

/// Two-sided 99.9 % of the normal distribution.
pub(super) const NORMAL_999: f64 = 3.290_527;

/// What is looked at: a scenario, or one of its nets.
#[derive(Debug, Clone, Copy)]
struct Scope<'a> {
    scenario: &'a Scenario,
    net: Option<Lane>,
}

impl Scope<'_> {
    fn has(&self, node: usize) -> bool {
        self.net.is_none_or(|net| self.scenario.radio.stations[node].lane == net)
    }

    fn nodes(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.scenario.radio.stations.len()).filter(|node| self.has(*node))
    }

    fn overs<'a>(&'a self, trace: &'a Trace) -> impl Iterator<Item = &'a Over> {
        trace.overs.iter().filter(|over| self.has(over.node))
    }

    fn lanes(&self) -> BTreeSet<Lane> {
        self.nodes().map(|node| self.scenario.radio.stations[node].lane).collect()
    }
}

/// When the net of a lane is first announced, and by whom: not an announce that was refused, or that a
/// station without power was told to make.
pub(crate) fn first_announce(
    scenario: &Scenario,
    trace: &Trace,
    lane: Lane,
) -> Option<(u64, usize)> {
    let mut announces = trace.announces.iter().copied();
    announces.find(|(_, by)| scenario.radio.stations[*by].lane == lane)
}

/// Whether a station had power at `at`.
pub(super) fn is_on(scenario: &Scenario, node: usize, at: u64) -> bool {
    let mut powers = scenario.powers.iter().filter(|p| p.station == node && p.at_us <= at);
    let off = powers.next_back().is_some_and(|power| power.becomes == Power::Off);
    scenario.radio.stations[node].on_us <= at && !off
}

/// Measures a run, or one of its nets.
///
/// # Errors
/// [`Diagnostic`] never for a scenario that has been read.
pub fn measure(
    scenario: &Scenario,
    world: &World,
    net: Option<Lane>,
) -> Result<BTreeMap<&'static str, Measured>, Diagnostic> {
    let trace = world.trace();
    let scope = Scope { scenario, net };
    let mut out = BTreeMap::new();
    let mut put = |id: &'static str, value: f64| {
        out.insert(id, Measured { value, band: None });
    };
    announce(scope, trace, &mut put);
    put("late_entry.worst_s", late_entry(scope, trace));
    let present = |node: &usize| world.in_step(*node) && world.has_net_key(*node);
    put("stations.in_step", count(scope.nodes().filter(present).count()));
    let own = trace.events.iter().filter(|h| scope.has(h.node));
    put("stations.lost", count(own.filter(|h| h.event == Event::OutOfStep).count()));
    let (missed, strays) = calls(scope, trace);
    put("calls.missed", missed);
    put("calls.strays", strays);
    put("payload.garbled", scope.overs(trace).map(|o| f64::from(o.payloads_garbled)).sum());
    let waits = scope.overs(trace).filter(|over| !over.cut_in && !died_waiting(scenario, over));
    let waits = waits.map(|o| o.ahead_us.map_or(f64::INFINITY, |a| since(o, a)));
    // Where nobody waited there is nothing to measure, and no number that a bound could hold.
    put("holdoff.longest_s", waits.fold(f64::NAN, f64::max));
    put("hops.blocks_uneven", blocks_uneven(scope, world)?);
    if net.is_none() {
        put("announce.refused", count(trace.refused.len()));
        silence::measure(scenario, trace, &mut put);
        cut_in::measure(scenario, world, &mut put);
        alerts::measure(scenario, trace, &mut put);
        put("clock.bound_misses", trace.totals.bound_misses as f64);
        put("clock.worst_phase_us", trace.totals.worst_phase_us as f64);
        put("holdoff.overlaps", trace.totals.overlapping as f64);
        put("hops.outside_hopset", trace.totals.outside_hopset as f64);
        let taken = world.taken();
        put("adversary.heard", taken.heard as f64);
        put("adversary.taken", (taken.headers + taken.words) as f64);
        put("lanes.shared_channels", trace.totals.shared_channels as f64);
        put("lanes.collisions", trace.totals.collisions as f64);
        messages::measure(scenario, trace, &mut put);
        single::measure(scenario, trace, &mut put);
        change::measure(scenario, world, &mut out)?;
        if !scenario.relays.is_empty() {
            relayed::measure(scenario, world, &mut out)?;
        }
    }
    out.insert("payload.heard_share", heard_share(scope, world)?);
    Ok(out)
}

fn since(over: &Over, at: u64) -> f64 {
    seconds(at - over.pressed_us)
}

fn announce(scope: Scope<'_>, trace: &Trace, put: &mut impl FnMut(&'static str, f64)) {
    let plan = &scope.scenario.plan;
    let length = u64::from(plan.announce_slots()) * plan.timing().slot().us();
    let (mut waits, mut announces) = (Vec::new(), 0);
    for lane in scope.lanes() {
        let Some((at, by)) = first_announce(scope.scenario, trace, lane) else { continue };
        announces += 1;
        for node in scope.nodes() {
            let station = &scope.scenario.radio.stations[node];
            if node != by && station.lane == lane && is_on(scope.scenario, node, at) {
                let first = in_step_times(trace, node).find(|t| *t >= at);
                waits.push(first.map_or(f64::INFINITY, |t| seconds(t - at)));
            }
        }
    }
    if announces == 0 {
        return;
    }
    let timely = waits.iter().filter(|wait| **wait <= seconds(length)).count();
    waits.sort_by(f64::total_cmp);
    put("announce.in_step", count(timely + announces));
    put("announce.median_s", median(&waits));
    put("announce.worst_s", waits.last().copied().unwrap_or(f64::NAN));
}

/// The median of what is in order; of an even number, the mean of the two in the middle. Of nothing,
/// nothing.
fn median(sorted: &[f64]) -> f64 {
    match (sorted.get(sorted.len() / 2), sorted.len()) {
        (Some(upper), n) if n % 2 == 0 => sorted[n / 2 - 1].midpoint(*upper),
        (Some(middle), _) => *middle,
        (None, _) => f64::NAN,
    }
}

fn late_entry(scope: Scope<'_>, trace: &Trace) -> f64 {
    // While somebody spoke: who comes into a silent net waits for the next over, and that is all.
    let stations = &scope.scenario.radio.stations;
    let spoken = |lane: Lane, at: u64| {
        let mut overs = trace.overs.iter().filter(|over| stations[over.node].lane == lane);
        overs.any(|over| {
            over.ahead_us.is_some_and(|ahead| ahead <= at) && at < over.end_us(u64::MAX)
        })
    };
    // If nobody entered, nothing.
    let mut worst = f64::NAN;
    for node in scope.nodes() {
        let station = &stations[node];
        if station.on_us > 0 && spoken(station.lane, station.on_us) {
            let first = in_step_times(trace, node).next();
            worst = worst.max(first.map_or(f64::INFINITY, |t| seconds(t - station.on_us)));
        }
    }
    worst
}

/// The times at which a station came into step.
pub(crate) fn in_step_times(trace: &Trace, node: usize) -> impl Iterator<Item = u64> {
    trace.times_of(node, |event| matches!(event, Event::InStep { .. }))
}

/// Whether a station had come into step before `at`.
pub(super) fn in_step_before(scenario: &Scenario, trace: &Trace, node: usize, at: u64) -> bool {
    // Whoever has been switched on anew knows nothing of what it knew before.
    let powers = scenario.powers.iter().filter(|p| p.station == node && p.at_us <= at);
    let since = powers.map(|power| power.at_us).max().unwrap_or_default();
    let timely = |t: u64| since <= t && t < at;
    let announced = trace.announces.iter().any(|(t, by)| *by == node && timely(*t));
    announced || in_step_times(trace, node).any(timely)
}

/// Whether a station was on, on the net's key of then, and hopping at `at`.
fn there(scenario: &Scenario, trace: &Trace, node: usize, at: u64) -> bool {
    let away = trace.mode_at(node, at) != Mode::Hopping;
    let lane = |node: usize| scenario.radio.stations[node].lane;
    // A change is of one net's key: stations of another are told nothing of it.
    let own = |change: &&Changed| lane(scenario.withdrawals[change.number].by) == lane(node);
    let keyless = trace.changes.iter().filter(own).any(|change| {
        let told = |e: &Event| matches!(e, Event::KeysChanged { slot } if *slot == change.slot);
        change::due(change) <= at && !trace.times_of(node, told).any(|t| t <= at)
    });
    is_on(scenario, node, at) && !away && !keyless
}

/// The stations that an over was for and that could have heard it from its start.
pub(super) fn addressees(scenario: &Scenario, trace: &Trace, over: &Over) -> BTreeSet<usize> {
    let at = over.ahead_us.unwrap_or(over.pressed_us);
    let lane = scenario.radio.stations[over.node].lane;
    (0..scenario.radio.stations.len())
        .filter(|node| *node != over.node && scenario.radio.stations[*node].lane == lane)
        .filter(|node| over.target.covers(scenario.radio.stations[*node].address))
        .filter(|node| in_step_before(scenario, trace, *node, at))
        .filter(|node| there(scenario, trace, *node, at))
        .collect()
}

fn calls(scope: Scope<'_>, trace: &Trace) -> (f64, f64) {
    let scenario = scope.scenario;
    let (mut missed, mut strays) = (0, 0);
    // An order calls nobody, and overs on a single channel are for whoever listens there.
    for over in scope.overs(trace).filter(|over| in_the_net(over)) {
        let lane = scenario.radio.stations[over.node].lane;
        let wanted = addressees(scenario, trace, over);
        if !died_waiting(scenario, over) {
            missed += wanted.iter().filter(|node| !over.called.contains(node)).count();
            missed += usize::from(over.ahead_us.is_none());
        }
        let outside = |node: usize| {
            let station = &scenario.radio.stations[node];
            station.lane != lane || !over.target.covers(station.address)
        };
        strays += over.called.iter().filter(|node| outside(**node)).count();
        let readers = over.payloads_heard.iter().enumerate().filter(|(_, n)| **n > 0);
        strays += readers.filter(|(node, _)| outside(*node)).count();
    }
    // A command that a station refused leaves no over behind; a set without power was asked nothing.
    let planned = scenario.overs.iter().filter(|plan| scope.has(plan.from));
    let planned = planned.filter(|plan| !trace.was_powerless(plan.from, plan.at_us));
    missed += planned.filter(|plan| over_of(trace, plan).is_none()).count();
    (count(missed), count(strays))
}

/// Whether a set lost its power before its operator was told to go ahead: its over has never been.
pub(super) fn died_waiting(scenario: &Scenario, over: &Over) -> bool {
    let cut = over.cut_us.filter(|_| over.ahead_us.is_none());
    // A station that gives its own over up has no such excuse.
    let died = |at| scenario.powers.iter().any(|p| (p.station, p.at_us) == (over.node, at));
    cut.is_some_and(died)
}

/// Whether an over speaks to stations of the net.
pub(super) fn in_the_net(over: &Over) -> bool {
    !over.single && !matches!(over.says, Says::Order(_))
}

/// The share of traffic slots heard, and the band in which the share of clear channels puts it.
fn heard_share(scope: Scope<'_>, world: &World) -> Result<Measured, Diagnostic> {
    let (scenario, trace) = (scope.scenario, world.trace());
    let (mut heard, mut sent, mut expected, mut slots) = (0.0, 0.0, 0.0, 0.0);
    for over in scope.overs(trace).filter(|over| in_the_net(over)) {
        let to = addressees(scenario, trace, over);
        let listeners = count(to.len());
        if to.is_empty() {
            continue;
        }
        let n = f64::from(over.payload_slots);
        let got: u32 = to.iter().filter_map(|node| over.payloads_heard.get(*node)).sum();
        heard += f64::from(got);
        sent += n * listeners;
        let lane = scenario.radio.stations[over.node].lane;
        let spoken = spoken(over, world.now());
        expected +=
            n * listeners * mean_over(scenario, spoken, |at| clear_share(scenario, lane, at))?;
        // A slot is clear for all listeners or for none: the slots are what is drawn.
        slots += n;
    }
    let model = expected / sent;
    let play = NORMAL_999 * libm::sqrt(model * (1.0 - model) / slots) + 0.5 / slots;
    Ok(Measured { value: heard / sent, band: Some((model - play, model + play)) })
}

/// From when to when an over was spoken, as far as its slots were sent.
pub(super) fn spoken(over: &Over, run_end: u64) -> (u64, u64) {
    let from = over.ahead_us.unwrap_or(over.pressed_us);
    (from, over.end_us(run_end).max(from))
}

/// The mean of what is the same between two changes of interference, over a time.
pub(super) fn mean_over(
    scenario: &Scenario,
    (from, to): (u64, u64),
    of: impl Fn(u64) -> Result<f64, Diagnostic>,
) -> Result<f64, Diagnostic> {
    let changes = scenario.radio.interferers.iter().flat_map(|i| [i.from_us, i.to_us]);
    let mut begins: Vec<u64> = changes.filter(|at| from < *at && *at < to).collect();
    begins.push(from);
    begins.sort_unstable();
    let ends = begins.iter().copied().skip(1).chain([to]);
    let mut sum = 0.0;
    for (begin, end) in begins.iter().zip(ends) {
        // A time of no length is that instant.
        let length = if from == to { 1 } else { end - begin };
        sum += of(*begin)? * length as f64;
    }
    Ok(sum / (to - from).max(1) as f64)
}

/// The share of a net's traffic channels without interference at `us`.
pub(crate) fn clear_share(scenario: &Scenario, lane: Lane, us: u64) -> Result<f64, Diagnostic> {
    let traffic = traffic_channels(scenario, lane)?;
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

fn traffic_channels(scenario: &Scenario, lane: Lane) -> Result<BTreeSet<Channel>, Diagnostic> {
    let sequence = scenario.plan.sequence(lane)?;
    let mut channels: BTreeSet<Channel> = sequence.hopset().channels().iter().copied().collect();
    if sequence.structure().equal_use {
        for channel in sequence.rendezvous() {
            channels.remove(&channel);
        }
    }
    Ok(channels)
}

/// Aligned blocks of the plan's home sequence, as far as a timeline of the run went through them, that
/// do not use every channel of the hopset exactly once; nothing if there was no timeline. It is the
/// sequence that is looked at, whoever sent in it. Plans without equal use have none that do.
fn blocks_uneven(scope: Scope<'_>, world: &World) -> Result<f64, Diagnostic> {
    let (mut uneven, mut looked_at) = (0, 0);
    for lane in scope.lanes() {
        let sequence = scope.scenario.plan.sequence(lane)?;
        let n = u32::from(sequence.hopset().len());
        let mut channels = vec![Channel::default(); usize::from(sequence.hopset().len())];
        for block in blocks_in_use(world, lane, n) {
            sequence.fill(Timeline::Home, Slot::new(block * n), &mut channels);
            uneven += usize::from(channels.iter().collect::<BTreeSet<_>>().len() != channels.len());
            looked_at += 1;
        }
    }
    Ok(if looked_at == 0 { f64::NAN } else { count(uneven) })
}

/// The aligned blocks of `n` slots that the timelines of a lane have gone through, each once: from the
/// slot in which each was started to the end of the run.
fn blocks_in_use(world: &World, lane: Lane, n: u32) -> impl Iterator<Item = u32> {
    let block = |net_us: i64| world.timing().slot_at(net_us).map(|slot| slot.number() / n);
    let mut spans: Vec<(u32, u32)> = world
        .timelines()
        .iter()
        .filter(|timeline| timeline.lane == lane)
        .filter_map(|t| Some((block(t.net_us(t.at_us))?, block(t.net_us(world.now()))?)))
        .collect();
    spans.sort_unstable();
    let mut next = 0;
    spans.into_iter().flat_map(move |(first, last)| {
        let from = first.max(next);
        next = next.max(last.saturating_add(1));
        from..=last
    })
}

/// The over that a press led to, if it was carried out.
pub(super) fn over_of<'a>(trace: &'a Trace, plan: &OverPlan) -> Option<&'a Over> {
    trace.overs.iter().find(|over| over.node == plan.from && over.pressed_us == plan.at_us)
}

pub(super) fn count(n: usize) -> f64 {
    n as f64
}

pub(super) fn seconds(us: u64) -> f64 {
    us as f64 / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::Run;
    use crate::scenario::built_in_plan;
    use crate::world::Detail;

    #[test]
    fn the_median_of_an_even_number_lies_between_the_two_in_the_middle() {
        assert_eq!((median(&[1.0, 2.0, 5.0]), median(&[1.0, 2.0, 5.0, 9.0])), (2.0, 3.5));
        assert_eq!(median(&[1.0, f64::INFINITY]), f64::INFINITY);
        assert!(median(&[]).is_nan());
    }

    /// Twenty seconds from an announce at 5 s are 750 slots of 20 ms, whichever slot they begin with.
    #[test]
    fn only_blocks_that_a_run_went_through_are_looked_at() {
        for first in [0, 300_000_000] {
            let text = format!(
                "[scenario]\nname = \"late\"\nduration_s = 20\nplan = \"\"\n\
                 [[station]]\nname = \"post\"\naddress = \"00\"\nrole = \"timekeeper\"\n\
                 stored_slot = {first}\n[[announce]]\nat_s = 5\nby = \"post\"\n"
            );
            let scenario = Scenario::parse("late", &text, built_in_plan().unwrap()).unwrap();
            let run = Run::new(scenario, None, Detail::Totals, None).unwrap();
            let blocks: Vec<u32> = blocks_in_use(&run.world, Lane::ZERO, 128).collect();
            assert!((6..=7).contains(&blocks.len()), "{first}: {blocks:?}");
            assert!(blocks.windows(2).all(|pair| pair[0] + 1 == pair[1]));
            assert!(blocks[0] >= first / 128);
            assert_eq!(run.measured["hops.blocks_uneven"].value, 0.0);
        }
    }
}
