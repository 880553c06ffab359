//! What a receiver gets of what is on the air.

use super::chance::{mix, normals};
use super::digest::child_seed;
use super::interferer::{Interferer, Level};
use super::node::Node;
use super::noise::Environment;
use super::physics::{LIGHT_M_S, bit_error, decibels, microseconds, ratio};
use super::places::Place;
use super::propagation::{Fading, Propagation, Way};
use hopwright_core::band::ChannelSet;
use hopwright_core::units::{Channel, Lane};

/// Ways from so many senders are kept worked out. Few speak at a time; the rest is worked out anew
/// when they do, so that memory grows with the stations and not with their square.
const KEPT: usize = 64;
/// Above this ratio of energy per bit to noise density the error probability, `exp(-g / 2) / 2`, is
/// below [`NEGLIGIBLE`](super::reception::NEGLIGIBLE): most arrivals are spared the exponential.
const CLEAN: f64 = 41.0;
/// What chance knows the first opponent by.
const OPPONENTS: u64 = 1 << 33;

/// What the medium is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct MediumPlan {
    /// How signals weaken.
    pub propagation: Propagation,
    /// How they change from hop to hop.
    pub fading: Fading,
    /// The distance in metres beyond which nothing is heard, if there is one.
    pub horizon_m: Option<f64>,
    /// The receivers' noise figure.
    pub noise_figure_db: f64,
    /// What noise the place adds.
    pub environment: Environment,
    /// The centre of each channel, in Hz.
    pub centres_hz: Vec<f64>,
    /// The bandwidth of one channel.
    pub bandwidth_hz: f64,
    /// The bit rate.
    pub link_bps: f64,
    /// The largest error of a receiver's time stamp, either way.
    pub jitter_us: u64,
}

impl MediumPlan {
    /// The middle of the band, at which levels are compared.
    fn middle_hz(&self) -> f64 {
        self.centres_hz.get(self.centres_hz.len() / 2).copied().unwrap_or(1e9)
    }
}

/// Gains, delays and interference among a set of stations.
#[derive(Debug)]
pub struct Medium {
    pub(super) plan: MediumPlan,
    pub(super) seed: u64,
    middle_hz: f64,
    /// Density of noise in each channel, mW/Hz.
    noise_mw_hz: Vec<f64>,
    stations: Vec<Antenna>,
    /// For each station where in `kept` its ways are, if they are there.
    row: Vec<Option<usize>>,
    kept: Vec<Row>,
    /// Which row of `kept` is given up next.
    oldest: usize,
    interferers: Vec<Interferer>,
    /// The way of each interferer to each receiver, if it has a place.
    from_interferer: Vec<Vec<Option<Way>>>,
    /// The strongest wanted signal at each receiver in mW, and whose it is; empty unless asked for.
    strongest: Vec<(f64, usize)>,
}

/// What the medium knows of a station.
#[derive(Debug, Clone, Copy)]
struct Antenna {
    place: Place,
    /// Radiated power.
    mw: f64,
    /// What chance knows it by, wherever it stands in a list.
    id: u64,
    /// Its net.
    lane: Lane,
}

impl Antenna {
    fn of(node: &Node) -> Self {
        let (mw, id) = (ratio(node.power_dbm), child_seed(0, &node.name));
        Self { place: node.place, mw, id, lane: node.lane() }
    }
}

/// The ways from one sender to every station.
#[derive(Debug)]
struct Row {
    sender: usize,
    ways: Vec<Option<Way>>,
}

/// How one transmission arrives at one receiver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Arrival {
    /// Probability that a bit is wrong.
    pub(super) bit_error: f64,
    pub(super) delay_us: u64,
}

/// What chance knows a reception by: the transmission's number and the receiver's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Hop {
    pub(super) number: u64,
    pub(super) key: u64,
}

impl Medium {
    /// The medium between `nodes`.
    #[must_use]
    pub fn new(plan: MediumPlan, seed: u64, nodes: &[Node], interferers: Vec<Interferer>) -> Self {
        let density = |hz: &f64| plan.environment.density_mw(plan.noise_figure_db, *hz);
        let follows = |i: &Interferer| matches!(i.level, Level::AboveWanted { .. });
        let compares = interferers.iter().any(follows);
        let mut medium = Self {
            seed,
            middle_hz: plan.middle_hz(),
            noise_mw_hz: plan.centres_hz.iter().map(density).collect(),
            stations: nodes.iter().map(Antenna::of).collect(),
            row: vec![None; nodes.len()],
            kept: Vec::new(),
            oldest: 0,
            interferers,
            from_interferer: Vec::new(),
            strongest: Vec::new(),
            plan,
        };
        medium.from_interferer = (0..medium.interferers.len())
            .map(|i| (0..nodes.len()).map(|to| medium.interferer_way(i, to)).collect())
            .collect();
        if compares {
            medium.compare();
        }
        medium
    }

    /// From now on knows the strongest wanted signal at every receiver without looking again.
    pub(super) fn compare(&mut self) {
        if self.strongest.is_empty() {
            self.strongest = (0..self.stations.len()).map(|to| self.strongest_at(to)).collect();
        }
    }

    /// Whether what a station sends is for the net of another.
    fn wanted(&self, from: usize, to: usize) -> bool {
        from != to && self.stations[from].lane == self.stations[to].lane
    }

    fn strongest_at(&self, to: usize) -> (f64, usize) {
        let others = (0..self.stations.len()).filter(|from| self.wanted(*from, to));
        let powers = others.map(|from| (self.middle_mw(from, to), from));
        powers.fold((0.0, to), |best, next| if next.0 > best.0 { next } else { best })
    }

    /// The strongest wanted signal at a receiver in the middle of the band, mW.
    pub(super) fn strongest_mw(&self, to: usize) -> f64 {
        self.strongest.get(to).copied().unwrap_or_else(|| self.strongest_at(to)).0
    }

    /// Station `moved` is at another place than before.
    pub(super) fn moved(&mut self, nodes: &[Node], moved: usize) {
        let Some(own) = nodes.get(moved) else { return };
        self.stations[moved].place = own.place;
        if let Some(row) = self.row[moved].take() {
            self.keep(moved, row);
        }
        for row in 0..self.kept.len() {
            let way = self.way(self.kept[row].sender, moved);
            self.kept[row].ways[moved] = way;
        }
        for interferer in 0..self.interferers.len() {
            self.from_interferer[interferer][moved] = self.interferer_way(interferer, moved);
        }
        if !self.strongest.is_empty() {
            for to in 0..self.stations.len() {
                let now = (self.middle_mw(moved, to), moved);
                let (best, whose) = self.strongest[to];
                if to == moved || whose == moved {
                    self.strongest[to] = self.strongest_at(to);
                } else if now.0 > best && self.wanted(moved, to) {
                    self.strongest[to] = now;
                }
            }
        }
    }

    /// A station is about to be heard: its ways are worked out, if they are not.
    pub(super) fn prepare(&mut self, sender: usize) {
        if self.row.get(sender).is_none_or(Option::is_some) {
            return;
        }
        let row = if self.kept.len() < KEPT {
            self.kept.push(Row { sender, ways: Vec::new() });
            self.kept.len() - 1
        } else {
            let row = self.oldest;
            self.oldest = (self.oldest + 1) % KEPT;
            self.row[self.kept[row].sender] = None;
            row
        };
        self.keep(sender, row);
    }

    fn keep(&mut self, sender: usize, row: usize) {
        let ways = (0..self.stations.len()).map(|to| self.way(sender, to)).collect();
        self.kept[row] = Row { sender, ways };
        self.row[sender] = Some(row);
    }

    /// The way between two stations, worked out; none beyond the horizon.
    fn way(&self, from: usize, to: usize) -> Option<Way> {
        let (from, to) = (self.stations[from], self.stations[to]);
        self.way_between((from.place, from.id), to)
    }

    fn interferer_way(&self, interferer: usize, to: usize) -> Option<Way> {
        match self.interferers[interferer].level {
            Level::At { place, .. } => {
                let id = child_seed(1, &self.interferers[interferer].name);
                self.way_between((place, id), self.stations[to])
            }
            Level::AboveWanted { .. } => None,
        }
    }

    /// The way between an opponent's place and a station; none beyond the horizon.
    pub(super) fn way_of_opponent(&self, place: Place, opponent: usize, to: usize) -> Option<Way> {
        self.way_between((place, OPPONENTS + opponent as u64), self.stations[to])
    }

    fn way_between(&self, from: (Place, u64), to: Antenna) -> Option<Way> {
        let metres = from.0.metres_to(to.place);
        let beyond = self.plan.horizon_m.is_some_and(|horizon| metres > horizon);
        (!beyond).then(|| self.any_way(from, to))
    }

    /// The same in both directions: shadowing belongs to the pair.
    fn any_way(&self, (place, id): (Place, u64), to: Antenna) -> Way {
        let chance = || normals(self.seed ^ mix(id.wrapping_add(to.id))).0;
        let deviate = if self.plan.propagation.shadows() { chance() } else { 0.0 };
        self.plan.propagation.way(place, to.place, self.middle_hz, deviate)
    }

    /// The way between two stations, kept or worked out.
    fn known_way(&self, from: usize, to: usize) -> Option<Way> {
        match self.row[from] {
            Some(row) => self.kept[row].ways[to],
            None => self.way(from, to),
        }
    }

    fn middle_mw(&self, from: usize, to: usize) -> f64 {
        let gain = self.known_way(from, to).map_or(0.0, |way| way.gain(self.middle_hz));
        self.stations[from].mw * gain
    }

    fn hertz(&self, channel: Channel) -> f64 {
        self.plan.centres_hz.get(channel.index()).copied().unwrap_or(self.middle_hz)
    }

    /// Whether nothing of `from` arrives at `to`.
    pub(super) fn beyond_horizon(&self, from: usize, to: usize) -> bool {
        self.plan.horizon_m.is_some() && self.known_way(from, to).is_none()
    }

    /// The interferers.
    #[must_use]
    pub fn interferers(&self) -> &[Interferer] {
        &self.interferers
    }

    /// Switches an interferer on for good or off from true time `us` on, and lets it cover other
    /// channels if any are given; its power in each stays. Whether there is such an interferer.
    pub(super) fn set_interferer(
        &mut self,
        index: usize,
        us: u64,
        on: bool,
        channels: Option<ChannelSet>,
    ) -> bool {
        let Some(interferer) = self.interferers.get_mut(index) else { return false };
        match (interferer.on_at(us), on) {
            (false, true) => (interferer.from_us, interferer.to_us) = (us, u64::MAX),
            (true, false) => interferer.to_us = us,
            // It is off, and shall not come on by itself later.
            (false, false) => interferer.to_us = interferer.to_us.min(us),
            (true, true) => {}
        }
        if let Some(channels) = channels {
            interferer.channels = channels;
        }
        true
    }

    /// The received power from `from` at `to` in the middle of the band, without fading, dBm.
    #[must_use]
    pub fn received_dbm(&self, from: usize, to: usize) -> f64 {
        decibels(self.middle_mw(from, to))
    }

    /// The propagation delay in whole microseconds.
    #[must_use]
    pub fn delay_us(&self, from: usize, to: usize) -> u64 {
        let place = |station: usize| self.stations[station].place;
        let metres = || place(from).metres_to(place(to));
        let way = self.known_way(from, to);
        way.map_or_else(|| microseconds(metres() / LIGHT_M_S), |way| way.delay_us)
    }

    /// Whether any interferer covers `channel` at `us`.
    #[must_use]
    pub fn interfered(&self, channel: Channel, us: u64) -> bool {
        self.interferers.iter().any(|i| i.on_at(us) && i.channels.contains(channel))
    }

    /// The power of interferers on `channel` at receiver `to`, mW.
    #[must_use]
    pub fn interference_mw(&self, to: usize, channel: Channel, us: u64) -> f64 {
        let mut sum = 0.0;
        for (i, interferer) in self.interferers.iter().enumerate() {
            if interferer.on_at(us) && interferer.channels.contains(channel) {
                sum += match interferer.level {
                    Level::At { power_dbm, .. } => {
                        let way = self.from_interferer[i][to];
                        way.map_or(0.0, |way| ratio(power_dbm) * way.gain(self.hertz(channel)))
                    }
                    Level::AboveWanted { db } => self.strongest_mw(to) * ratio(db),
                };
            }
        }
        sum
    }

    /// The mean received power of `from` at `to` on a channel, mW.
    pub(super) fn power_mw(&self, from: usize, to: usize, channel: Channel) -> f64 {
        let gain = self.known_way(from, to).map_or(0.0, |way| way.gain(self.hertz(channel)));
        self.stations[from].mw * gain
    }

    /// The power ratio of a way on a channel.
    pub(super) fn gain(&self, way: Option<Way>, channel: Channel) -> f64 {
        way.map_or(0.0, |way| way.gain(self.hertz(channel)))
    }

    /// How much stronger than its mean a sender arrives for one hop, as a power ratio.
    pub(super) fn fading(&self, hop: Hop, sender: usize) -> f64 {
        if self.plan.fading == Fading::None {
            return 1.0;
        }
        let id = match self.stations.get(sender) {
            Some(station) => station.id,
            None => OPPONENTS + (sender - self.stations.len()) as u64,
        };
        let chance = mix(self.seed ^ mix(hop.number)) ^ mix(hop.key) ^ mix(id);
        self.plan.fading.power(normals(chance))
    }

    /// The bit error probability of a wanted signal with unwanted power on its channel.
    pub(super) fn bit_error(&self, wanted_mw: f64, unwanted_mw: f64, channel: Channel) -> f64 {
        let noise = self.noise_mw_hz.get(channel.index()).copied().unwrap_or(f64::INFINITY);
        let density = noise + unwanted_mw / self.plan.bandwidth_hz;
        let g = wanted_mw / self.plan.link_bps / density;
        if g > CLEAN { 0.0 } else { bit_error(g) }
    }

    /// How a transmission from `from` arrives at `to`, with `others` on the same channel.
    pub(super) fn arrival(
        &self,
        (from, to): (usize, usize),
        channel: Channel,
        us: u64,
        hop: Hop,
        others: &[usize],
    ) -> Arrival {
        let mut unwanted = self.interference_mw(to, channel, us);
        for other in others {
            unwanted += self.power_mw(*other, to, channel) * self.fading(hop, *other);
        }
        let way = self.known_way(from, to);
        let wanted = self.stations[from].mw * self.gain(way, channel) * self.fading(hop, from);
        Arrival {
            bit_error: self.bit_error(wanted, unwanted, channel),
            delay_us: way.map_or(0, |way| way.delay_us),
        }
    }
}
