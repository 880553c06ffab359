//! What a receiver gets of what is on the air.

use super::interferer::{Interferer, Level};
use super::node::Node;
use super::physics::{
    LIGHT_M_S, Propagation, at_most, bit_error, decibels, microseconds, noise_density_mw, ratio,
};
use hopwright_core::band::ChannelSet;
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::Channel;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Wrong bits of a unique word that a radio's correlator still accepts. Common practice, no
/// source: packet radios offer such a threshold; the value is ours.
pub const WORD_ERRORS: u32 = 3;
/// Below this bit error probability no bit of a slot is wrong.
const NEGLIGIBLE: f64 = 1e-9;

/// What the medium is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct MediumPlan {
    /// How signals weaken.
    pub propagation: Propagation,
    /// The distance in metres beyond which nothing is heard, if there is one.
    pub horizon_m: Option<f64>,
    /// The receivers' noise figure.
    pub noise_figure_db: f64,
    /// The frequency at which losses are taken: the middle of the band.
    pub carrier_hz: f64,
    /// The bandwidth of one channel.
    pub bandwidth_hz: f64,
    /// The bit rate.
    pub link_bps: f64,
    /// The largest error of a receiver's time stamp, either way.
    pub jitter_us: u64,
}

/// Gains, delays and interference among a set of stations.
#[derive(Debug)]
pub struct Medium {
    plan: MediumPlan,
    seed: u64,
    nodes: usize,
    /// Received power in mW from each sender at each receiver.
    power_mw: Vec<f64>,
    delay_us: Vec<u64>,
    /// Bit error probability from each sender at each receiver with nothing but noise.
    clear: Vec<f64>,
    interferers: Vec<Interferer>,
    /// Power of each interferer in one channel at each receiver.
    interference_mw: Vec<f64>,
    noise_mw_hz: f64,
}

/// How one transmission arrives at one receiver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Arrival {
    /// Probability that a bit is wrong.
    pub(super) bit_error: f64,
    pub(super) delay_us: u64,
}

impl Medium {
    /// The medium between `nodes`.
    #[must_use]
    pub fn new(plan: MediumPlan, seed: u64, nodes: &[Node], interferers: Vec<Interferer>) -> Self {
        let n = nodes.len();
        let noise_mw_hz = noise_density_mw(plan.noise_figure_db);
        let mut medium = Self {
            plan,
            seed,
            nodes: n,
            power_mw: vec![0.0; n * n],
            delay_us: vec![0; n * n],
            clear: vec![0.0; n * n],
            interference_mw: vec![0.0; n * interferers.len()],
            interferers,
            noise_mw_hz,
        };
        for (i, from) in nodes.iter().enumerate() {
            for (j, to) in nodes.iter().enumerate() {
                medium.set_path((i, from), (j, to));
            }
        }
        for (i, node) in nodes.iter().enumerate() {
            medium.set_interference(i, node);
        }
        medium
    }

    /// Station `moved` is at another place than before.
    pub(super) fn moved(&mut self, nodes: &[Node], moved: usize) {
        let Some(own) = nodes.get(moved) else { return };
        for (i, other) in nodes.iter().enumerate() {
            self.set_path((moved, own), (i, other));
            self.set_path((i, other), (moved, own));
        }
        // What is so much above the wanted signal follows it at every receiver.
        let follows = |i: &Interferer| matches!(i.level, Level::AboveWanted { .. });
        let all = self.interferers.iter().any(follows);
        for (i, node) in nodes.iter().enumerate() {
            if all || i == moved {
                self.set_interference(i, node);
            }
        }
    }

    fn set_path(&mut self, (i, from): (usize, &Node), (j, to): (usize, &Node)) {
        let metres = libm::hypot(from.x_m - to.x_m, from.y_m - to.y_m);
        let mw = self.received_mw(from.power_dbm, metres);
        let path = i * self.nodes + j;
        self.power_mw[path] = mw;
        self.delay_us[path] = microseconds(metres / LIGHT_M_S);
        self.clear[path] = bit_error(mw / self.plan.link_bps / self.noise_mw_hz);
    }

    /// What arrives over a distance; nothing beyond the horizon.
    fn received_mw(&self, dbm: f64, metres: f64) -> f64 {
        if self.plan.horizon_m.is_some_and(|horizon| metres > horizon) {
            return 0.0;
        }
        ratio(dbm - self.plan.propagation.loss_db(metres, self.plan.carrier_hz))
    }

    fn set_interference(&mut self, to: usize, node: &Node) {
        let n = self.nodes;
        for (i, interferer) in self.interferers.iter().enumerate() {
            self.interference_mw[i * n + to] = match interferer.level {
                Level::At { x_m, y_m, power_dbm } => {
                    let metres = libm::hypot(x_m - node.x_m, y_m - node.y_m);
                    self.received_mw(power_dbm, metres)
                }
                Level::AboveWanted { db } => {
                    let others = (0..n).filter(|from| *from != to);
                    let wanted = others.map(|from| self.power_mw[from * n + to]);
                    wanted.fold(0.0, f64::max) * ratio(db)
                }
            };
        }
    }

    /// Whether nothing of `from` arrives at `to`.
    pub(super) fn beyond_horizon(&self, from: usize, to: usize) -> bool {
        self.plan.horizon_m.is_some() && self.power_mw[from * self.nodes + to] <= 0.0
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

    /// The received power from `from` at `to`, dBm.
    #[must_use]
    pub fn received_dbm(&self, from: usize, to: usize) -> f64 {
        decibels(self.power_mw[from * self.nodes + to])
    }

    /// The propagation delay in whole microseconds.
    #[must_use]
    pub fn delay_us(&self, from: usize, to: usize) -> u64 {
        self.delay_us[from * self.nodes + to]
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
                sum += self.interference_mw[i * self.nodes + to];
            }
        }
        sum
    }

    /// The received power from `from` at `to`, mW.
    pub(super) fn power_mw(&self, from: usize, to: usize) -> f64 {
        self.power_mw[from * self.nodes + to]
    }

    /// The path loss over a distance, dB.
    pub(super) fn loss_db(&self, metres: f64) -> f64 {
        self.plan.propagation.loss_db(metres, self.plan.carrier_hz)
    }

    /// The bit error probability of a wanted signal with unwanted power on its channel.
    pub(super) fn bit_error(&self, wanted_mw: f64, unwanted_mw: f64) -> f64 {
        let density = self.noise_mw_hz + unwanted_mw / self.plan.bandwidth_hz;
        bit_error(wanted_mw / self.plan.link_bps / density)
    }

    /// How a transmission from `from` arrives at `to`, with `others` on the same channel.
    pub(super) fn arrival(
        &self,
        from: usize,
        to: usize,
        channel: Channel,
        us: u64,
        others: &[usize],
    ) -> Arrival {
        let mut unwanted = self.interference_mw(to, channel, us);
        for other in others {
            unwanted += self.power_mw[other * self.nodes + to];
        }
        let path = from * self.nodes + to;
        let bit_error = if unwanted > 0.0 {
            let density = self.noise_mw_hz + unwanted / self.plan.bandwidth_hz;
            bit_error(self.power_mw[path] / self.plan.link_bps / density)
        } else {
            self.clear[path]
        };
        Arrival { bit_error, delay_us: self.delay_us[path] }
    }

    /// Whether the correlator recognises the word, and what it makes of the bits behind it.
    /// `number` is the transmission's and `key` the receiver's: chance does not depend on the
    /// order in which receivers are served.
    pub(super) fn receive(
        &self,
        arrival: Arrival,
        number: u64,
        key: u64,
        bits: &[u8],
    ) -> Option<Received> {
        let p = arrival.bit_error;
        if p < NEGLIGIBLE {
            let jitter_us = self.jitter(&mut || mix(self.seed ^ mix(number) ^ key));
            return Some(Received { bits: None, jitter_us });
        }
        let mut rng = ChaCha8Rng::seed_from_u64(mix(self.seed ^ mix(number)) ^ key);
        if uniform(&mut rng) >= at_most(WORD_ERRORS, WORD_BITS, p) {
            return None;
        }
        let mut noisy = bits.to_vec();
        for byte in &mut noisy {
            for bit in 0..8 {
                if uniform(&mut rng) < p {
                    *byte ^= 1 << bit;
                }
            }
        }
        let jitter_us = self.jitter(&mut || rng.next_u64());
        Some(Received { bits: Some(noisy), jitter_us })
    }

    /// As [`receive`](Self::receive), with bits that are not equally likely wrong: `runs` gives
    /// the end of each run, the bits of the unique word counted first, and its probability.
    pub(super) fn receive_runs(
        &self,
        runs: &[(u32, f64)],
        number: u64,
        key: u64,
        bits: &[u8],
    ) -> Option<Received> {
        let mut rng = ChaCha8Rng::seed_from_u64(mix(self.seed ^ mix(number)) ^ key);
        let (mut wrong_in_word, mut noisy, mut from) = (0, None, 0);
        for (to, p) in runs {
            if *p >= NEGLIGIBLE {
                for bit in from..*to {
                    if uniform(&mut rng) >= *p {
                        continue;
                    }
                    match bit.checked_sub(WORD_BITS) {
                        None => wrong_in_word += 1,
                        Some(bit) => {
                            let noisy = noisy.get_or_insert_with(|| bits.to_vec());
                            if let Some(byte) = noisy.get_mut(bit as usize / 8) {
                                *byte ^= 0x80 >> (bit % 8);
                            }
                        }
                    }
                }
            }
            from = *to;
        }
        if wrong_in_word > WORD_ERRORS {
            return None;
        }
        let jitter_us = self.jitter(&mut || rng.next_u64());
        Some(Received { bits: noisy, jitter_us })
    }

    fn jitter(&self, draw: &mut impl FnMut() -> u64) -> i64 {
        let span = 2 * self.plan.jitter_us + 1;
        (draw() % span).cast_signed() - self.plan.jitter_us.cast_signed()
    }
}

/// A recognised transmission.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Received {
    /// The bits, if they differ from what was sent.
    pub(super) bits: Option<Vec<u8>>,
    /// The error of the time stamp.
    pub(super) jitter_us: i64,
}

/// A number in `0.0..1.0`.
fn uniform(rng: &mut ChaCha8Rng) -> f64 {
    f64::from(rng.next_u32()) / 4_294_967_296.0
}

/// The finaliser of SplitMix64: spreads numbers that are alike.
const fn mix(z: u64) -> u64 {
    let z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}
