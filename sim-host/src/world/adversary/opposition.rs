//! What opponents do in the world: their antennas, their power, and what came of it.
//!
//! A world without opponents passes through none of this.

use super::{Act, Adversary, Emission, Overheard, SENSITIVITY_DBM};
use crate::world::interferer::Level;
use crate::world::medium::{Arrival, Hop};
use crate::world::physics::{decibels, ratio};
use crate::world::propagation::Way;
use crate::world::reception::Received;
use crate::world::{Content, Detail, Due, Transmission, World, trace};
use hopwright_core::band::ChannelSet;
use hopwright_core::coding::interleave;
use hopwright_core::station::{Dropped, Heard};
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::Channel;

/// Noise that has been made is remembered for two slots and this, the longest way round.
const MEMORY_US: u64 = 10_000;
/// Transmissions of opponents are numbered apart from the stations'.
const NUMBERS: u64 = 1 << 63;

/// The opponents of a world.
#[derive(Debug, Default)]
pub(in crate::world) struct Opposition {
    adversaries: Vec<Adversary>,
    /// Which of its poll events is the valid one, by adversary.
    tokens: Vec<u32>,
    noise: Vec<Noise>,
    sent: u64,
    reach: [Reach; 3],
    /// What became of what each of them sent.
    taken: Vec<Taken>,
}

/// Noise of one opponent from a time on.
#[derive(Debug)]
struct Noise {
    adversary: usize,
    channels: ChannelSet,
    from_us: u64,
    to_us: u64,
}

/// What receivers got of the stations' transmissions that they waited for on the right channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Reach {
    /// Transmissions, one for each radio that waited.
    pub awaited: u64,
    /// Those whose word was recognised.
    pub recognised: u64,
    /// Those that were read as they were sent: headers after decoding, payload bit by bit.
    pub intact: u64,
    /// Bits of all of them, unique words included.
    pub bits: u64,
    /// Bits during which an opponent made noise on the channel.
    pub bits_hit: u64,
}

impl Reach {
    /// Both together.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self {
            awaited: self.awaited + other.awaited,
            recognised: self.recognised + other.recognised,
            intact: self.intact + other.intact,
            bits: self.bits + other.bits,
            bits_hit: self.bits_hit + other.bits_hit,
        }
    }

    /// What has come since `before`, an earlier account of the same world.
    #[must_use]
    pub const fn since(self, before: Self) -> Self {
        Self {
            awaited: self.awaited - before.awaited,
            recognised: self.recognised - before.recognised,
            intact: self.intact - before.intact,
            bits: self.bits - before.bits,
            bits_hit: self.bits_hit - before.bits_hit,
        }
    }
}

/// What became of the opponents' own transmissions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Taken {
    /// Transmissions.
    pub sent: u64,
    /// Handed to stations: their radios recognised the word.
    pub heard: u64,
    /// Headers that a station took.
    pub headers: u64,
    /// Traffic words that a station took as in place.
    pub words: u64,
    /// Dropped as made by no member.
    pub not_genuine: u64,
    /// Dropped as of the past.
    pub replayed: u64,
    /// Dropped for another reason.
    pub otherwise: u64,
}

impl Taken {
    /// Both together.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self {
            sent: self.sent + other.sent,
            heard: self.heard + other.heard,
            headers: self.headers + other.headers,
            words: self.words + other.words,
            not_genuine: self.not_genuine + other.not_genuine,
            replayed: self.replayed + other.replayed,
            otherwise: self.otherwise + other.otherwise,
        }
    }
}

/// How a transmission arrives: how likely wrong each bit is, in runs.
#[derive(Debug)]
pub(in crate::world) struct Opposed {
    pub(in crate::world) arrival: Arrival,
    /// Ends of the runs in bits, unique word included, and the error probability in each.
    runs: Vec<(u32, f64)>,
    hit: u32,
}

impl Opposition {
    pub(in crate::world) const fn none(&self) -> bool {
        self.adversaries.is_empty()
    }
}

impl World {
    /// Lets these opponents in; simulated only. If one of them makes noise no station rests from
    /// now on, because it may come at any time; one that sends words wakes everybody when it does.
    pub fn oppose(&mut self, adversaries: Vec<Adversary>) {
        if adversaries.is_empty() {
            return;
        }
        if adversaries.iter().any(|one| matches!(one.level, Level::AboveWanted { .. })) {
            self.medium.compare();
        }
        if adversaries.iter().any(|adversary| adversary.behaviour.makes_noise()) {
            self.stay_awake();
        }
        self.opposition.tokens = vec![0; adversaries.len()];
        self.opposition.taken = vec![Taken::default(); adversaries.len()];
        self.opposition.adversaries = adversaries;
        for adversary in 0..self.opposition.adversaries.len() {
            self.ask(adversary, self.now);
        }
    }

    /// What receivers got of the stations' transmissions while there were opponents.
    #[must_use]
    pub fn reach(&self, content: Content) -> Reach {
        self.opposition.reach[content as usize]
    }

    /// What became of the opponents' own transmissions.
    #[must_use]
    pub fn taken(&self) -> Taken {
        self.opposition.taken.iter().copied().fold(Taken::default(), Taken::and)
    }

    /// What became of those of one opponent, by its place in the scenario.
    #[must_use]
    pub fn taken_of(&self, adversary: usize) -> Taken {
        self.opposition.taken.get(adversary).copied().unwrap_or_default()
    }

    /// Whether a sender is an opponent; opponents are numbered behind the stations.
    pub(in crate::world) fn adversary_of(&self, sender: usize) -> Option<usize> {
        sender.checked_sub(self.nodes.len())
    }

    fn ask(&mut self, adversary: usize, at: u64) {
        let token = &mut self.opposition.tokens[adversary];
        *token = token.wrapping_add(1);
        let token = *token;
        self.push(at, Due::Adversary { adversary, token });
    }

    /// An opponent's time has come.
    pub(in crate::world) fn adversary_due(&mut self, adversary: usize, token: u32) {
        if self.opposition.tokens[adversary] != token {
            return;
        }
        let now = self.now;
        let Act { noise, send, until_us } = self.opposition.adversaries[adversary].poll(now);
        self.make_noise(adversary, noise.filter(|channels| !channels.is_empty()));
        for emission in send {
            self.emit(adversary, emission);
        }
        if let Some(until) = until_us {
            self.ask(adversary, until);
        }
    }

    fn make_noise(&mut self, adversary: usize, channels: Option<ChannelSet>) {
        let now = self.now;
        let present =
            self.opposition.noise.iter_mut().find(|n| n.adversary == adversary && n.to_us > now);
        if present.as_ref().map(|noise| &noise.channels) == channels.as_ref() {
            return;
        }
        if let Some(noise) = present {
            noise.to_us = now;
            let mut told = self.trace.noises.iter_mut().rev();
            let ended = told.find(|told| told.adversary == adversary && told.to_us.is_none());
            if let Some(ended) = ended {
                ended.to_us = Some(now);
            }
        }
        let memory = MEMORY_US + 2 * self.timing.slot().us();
        self.opposition.noise.retain(|noise| noise.to_us > now.saturating_sub(memory));
        let Some(channels) = channels else { return };
        let covered: Vec<Channel> = channels.iter().collect();
        if self.detail >= Detail::Transmissions {
            let channels = channels.clone();
            self.trace.noises.push(trace::Noise { adversary, from_us: now, to_us: None, channels });
        }
        let to_us = u64::MAX >> 1;
        self.opposition.noise.push(Noise { adversary, channels, from_us: now, to_us });
        for channel in covered {
            for node in self.listeners[channel.index()].clone() {
                self.watch_energy_once(node);
            }
        }
    }

    fn emit(&mut self, adversary: usize, emission: Emission) {
        let Emission { at_us, channel, word, bits } = emission;
        self.opposition.sent += 1;
        self.opposition.taken[adversary].sent += 1;
        let on_air_bits = WORD_BITS + u32::try_from(bits.len()).unwrap_or(u32::MAX) * 8;
        self.schedule(Transmission {
            number: NUMBERS | self.opposition.sent,
            node: self.nodes.len() + adversary,
            channel,
            word,
            single: false,
            slot: None,
            over: None,
            content: Content::SyncHeader,
            start: at_us,
            end: at_us + self.timing.air_time(on_air_bits).us(),
            bits,
            payload: None,
            listeners: Vec::new(),
            others: Vec::new(),
        });
    }

    /// Lets the opponents hear a station's transmission that begins now.
    pub(in crate::world) fn let_overhear(&mut self, transmission: &Transmission) {
        for adversary in 0..self.opposition.adversaries.len() {
            if !self.within_horizon(adversary, transmission.node) {
                continue;
            }
            let (power_mw, delay_us) =
                self.path_to_adversary(transmission.node, adversary, transmission.channel);
            if power_mw.is_some_and(|mw| decibels(mw) < SENSITIVITY_DBM) {
                continue;
            }
            self.opposition.adversaries[adversary].overhears(&Overheard {
                channel: transmission.channel,
                word: transmission.word,
                bits: &transmission.bits,
                began_us: transmission.start + delay_us,
                ends_us: transmission.end + delay_us,
            });
            self.ask(adversary, self.now);
        }
    }

    /// The way between an opponent and a station, if the opponent has a place and is not beyond the
    /// horizon.
    fn way(&self, adversary: usize, node: usize) -> Option<Way> {
        match self.opposition.adversaries[adversary].level {
            Level::At { place, .. } => self.medium.way_of_opponent(place, adversary, node),
            Level::AboveWanted { .. } => None,
        }
    }

    /// Whether an opponent is close enough to a station to get or to give anything at all. One without a
    /// place is everywhere.
    pub(in crate::world) fn within_horizon(&self, adversary: usize, node: usize) -> bool {
        let placed = matches!(self.opposition.adversaries[adversary].level, Level::At { .. });
        !placed || self.way(adversary, node).is_some()
    }

    /// The power of a station at an opponent, if the opponent has a place, and the delay.
    fn path_to_adversary(
        &self,
        node: usize,
        adversary: usize,
        channel: Channel,
    ) -> (Option<f64>, u64) {
        let Some(way) = self.way(adversary, node) else { return (None, 0) };
        let gain = self.medium.gain(Some(way), channel);
        (Some(ratio(self.nodes[node].power_dbm) * gain), way.delay_us)
    }

    /// The whole power of an opponent at a station, mW.
    fn adversary_mw(&self, adversary: usize, node: usize, channel: Channel) -> f64 {
        match self.opposition.adversaries[adversary].level {
            Level::At { power_dbm, .. } => {
                ratio(power_dbm) * self.medium.gain(self.way(adversary, node), channel)
            }
            Level::AboveWanted { db } => self.medium.strongest_mw(node) * ratio(db),
        }
    }

    /// The propagation delay from a sender, station or opponent, to a station.
    pub(in crate::world) fn delay_us(&self, sender: usize, node: usize) -> u64 {
        match self.adversary_of(sender) {
            None => self.medium.delay_us(sender, node),
            Some(adversary) => self.way(adversary, node).map_or(0, |way| way.delay_us),
        }
    }

    fn sender_mw(&self, sender: usize, node: usize, channel: Channel, hop: Hop) -> f64 {
        let mean = match self.adversary_of(sender) {
            None => self.medium.power_mw(sender, node, channel),
            Some(adversary) => self.adversary_mw(adversary, node, channel),
        };
        mean * self.medium.fading(hop, sender)
    }

    /// The channels on which opponents make noise now.
    #[must_use]
    pub fn opposed_channels(&self) -> ChannelSet {
        let mut all = ChannelSet::new();
        let now = |noise: &&Noise| noise.from_us <= self.now && self.now < noise.to_us;
        for noise in self.opposition.noise.iter().filter(now) {
            all.extend_with(&noise.channels);
        }
        all
    }

    /// The power of opponents' noise on a channel at a station now, mW.
    pub(in crate::world) fn noise_mw(&self, node: usize, channel: Channel) -> f64 {
        let mut sum = 0.0;
        for noise in &self.opposition.noise {
            if noise.from_us <= self.now
                && self.now < noise.to_us
                && noise.channels.contains(channel)
            {
                sum += self.adversary_mw(noise.adversary, node, channel)
                    / f64::from(noise.channels.len());
            }
        }
        sum
    }

    /// How a transmission arrives among opponents.
    pub(in crate::world) fn opposed(
        &self,
        transmission: &Transmission,
        node: usize,
        hop: Hop,
    ) -> Opposed {
        let Transmission { node: sender, channel, start, ref others, .. } = *transmission;
        let delay_us = self.delay_us(sender, node);
        let wanted_mw = self.sender_mw(sender, node, channel, hop);
        let mut steady_mw = self.medium.interference_mw(node, channel, start);
        for other in others {
            steady_mw += self.sender_mw(*other, node, channel, hop);
        }
        let bits = WORD_BITS + u32::try_from(transmission.bits.len()).unwrap_or(0) * 8;
        let bps = u64::from(self.timing.link_bps());
        // The bit under way so many microseconds after the word began, and the first after.
        let bit_at = |us: u64| (us.saturating_mul(bps) / 1_000_000).min(u64::from(bits));
        let bit_after = |us: u64| us.saturating_mul(bps).div_ceil(1_000_000).min(u64::from(bits));
        let arrives = start + delay_us;
        let mut spells: Vec<(u64, u64, f64)> = Vec::new();
        for noise in &self.opposition.noise {
            if !noise.channels.contains(channel) {
                continue;
            }
            let late = self.delay_us(self.nodes.len() + noise.adversary, node);
            let from = bit_at((noise.from_us + late).saturating_sub(arrives));
            let to = bit_after((noise.to_us + late).saturating_sub(arrives));
            if from < to {
                let mw = self.adversary_mw(noise.adversary, node, channel)
                    / f64::from(noise.channels.len());
                spells.push((from, to, mw));
            }
        }
        let mut ends: Vec<u64> = spells.iter().flat_map(|(from, to, _)| [*from, *to]).collect();
        ends.push(u64::from(bits));
        ends.sort_unstable();
        ends.dedup();
        let (mut runs, mut before, mut hit) = (Vec::with_capacity(ends.len()), 0, 0);
        for end in ends.into_iter().filter(|end| *end > 0) {
            let covering = spells.iter().filter(|(from, to, _)| *from <= before && before < *to);
            let noise_mw: f64 = covering.map(|(.., mw)| mw).sum();
            if noise_mw > 0.0 {
                hit += end - before;
            }
            let error = self.medium.bit_error(wanted_mw, steady_mw + noise_mw, channel);
            runs.push((u32::try_from(end).unwrap_or(bits), error));
            before = end;
        }
        let bit_error = runs.first().map_or(0.0, |(_, error)| *error);
        let hit = u32::try_from(hit).unwrap_or(bits);
        Opposed { arrival: Arrival { bit_error, delay_us }, runs, hit }
    }

    /// What a radio makes of an opposed arrival, with the account of it.
    pub(in crate::world) fn receive_opposed(
        &mut self,
        transmission: &Transmission,
        opposed: &Opposed,
        hop: Hop,
    ) -> Option<Received> {
        let Transmission { content, ref bits, .. } = *transmission;
        let received = self.medium.receive_runs(&opposed.runs, hop, bits);
        if let Some(adversary) = self.adversary_of(transmission.node) {
            self.opposition.taken[adversary].heard += u64::from(received.is_some());
            return received;
        }
        let intact = received.as_ref().is_some_and(|received| match &received.bits {
            None => true,
            Some(noisy) if content == Content::Payload => noisy == bits,
            Some(noisy) => decoded(noisy) == decoded(bits),
        });
        let reach = &mut self.opposition.reach[content as usize];
        reach.awaited += 1;
        reach.recognised += u64::from(received.is_some());
        reach.intact += u64::from(intact);
        reach.bits += u64::from(WORD_BITS) + bits.len() as u64 * 8;
        reach.bits_hit += u64::from(opposed.hit);
        received
    }

    /// Notes what a station made of an opponent's transmission.
    pub(in crate::world) fn note_taken(&mut self, sender: usize, outcome: Heard) {
        let adversary = self.adversary_of(sender);
        let Some(taken) = adversary.and_then(|of| self.opposition.taken.get_mut(of)) else {
            return;
        };
        let count = match outcome {
            Heard::Header { .. } => &mut taken.headers,
            Heard::Payload { .. } | Heard::Busy => &mut taken.words,
            Heard::Dropped(Dropped::NotGenuine) => &mut taken.not_genuine,
            Heard::Dropped(Dropped::Replayed) => &mut taken.replayed,
            _ => &mut taken.otherwise,
        };
        *count += 1;
    }
}

fn decoded(bits: &[u8]) -> Option<[u8; 16]> {
    Some(interleave::decode(bits.first_chunk()?).sealed)
}
