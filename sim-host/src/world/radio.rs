//! Radios: who is tuned where, who rests, and what energy they sense.

use super::node::{Tuned, listening};
use super::{Due, Transmission, World, physics};
use hopwright_core::acquire::MEMORY;
use hopwright_core::band::ChannelSet;
use hopwright_core::units::{Channel, Dbm};

impl World {
    /// Something is about to happen: every resting station must be where it would have been.
    pub(super) fn wake_all(&mut self) {
        for node in std::mem::take(&mut self.dormant) {
            if let Some(since) = self.nodes[node].dormant_since.take() {
                self.catch_up(node, since);
            }
        }
    }

    /// Asks a rested station for as much of the silence as it can remember.
    pub(super) fn catch_up(&mut self, node: usize, since: u64) {
        let slot = self.timing.slot().us();
        let horizon = 2 * MEMORY.us() + 128 * slot;
        let mut at = since.max(self.now.saturating_sub(horizon));
        if !self.medium.interferers().iter().any(|i| i.on_within(at, self.now)) {
            at = self.now;
        }
        loop {
            let local = self.nodes[node].local(at);
            self.trace.totals.polls += 1;
            let action = self.nodes[node].poll(local);
            self.drain(node);
            let from = self.nodes[node].oscillator.true_us(action.from);
            let until = self.nodes[node].oscillator.true_us(action.until);
            if let Some((channel, _, false)) = listening(action.radio) {
                let mut sensed = from.max(since) + slot;
                while sensed <= until.min(self.now) {
                    if sensed > at
                        && let Some(level) = self.sensed(node, channel, sensed)
                    {
                        let local = self.nodes[node].local(sensed);
                        self.nodes[node].energy(local, channel, level);
                        self.drain(node);
                    }
                    sensed += slot;
                }
            }
            if until > self.now {
                self.act(node, action, from.max(since));
                return;
            }
            at = until.max(at + 1);
        }
    }

    /// Switches an interferer on or off now, against its plan and for good, and lets it cover
    /// other channels if any are given. Whether there is such an interferer.
    ///
    /// Whoever rests is first caught up on the silence as it was until now.
    pub fn set_interferer(&mut self, index: usize, on: bool, channels: Option<ChannelSet>) -> bool {
        self.wake_all();
        let known = self.medium.set_interferer(index, self.now, on, channels);
        for node in 0..self.nodes.len() {
            self.watch_energy_once(node);
        }
        known
    }

    pub(super) fn tune(
        &mut self,
        node: usize,
        (channel, word, complement): (Channel, u32, bool),
        since: u64,
        until: u64,
    ) {
        if let Some(tuned) = &mut self.nodes[node].tuned
            && tuned.channel == channel
            && tuned.word == word
            && tuned.complement == complement
        {
            // The radio stays where it is.
            tuned.until = until;
            return;
        }
        self.untune(node);
        self.serials = self.serials.wrapping_add(1);
        let list = &mut self.listeners[channel.index()];
        let place = list.len();
        list.push(node);
        let serial = self.serials;
        self.nodes[node].tuned = Some(Tuned {
            channel,
            word,
            complement,
            since,
            until,
            place,
            serial,
            sensing: 0,
            told: 0,
        });
        self.watch_energy(node);
    }

    pub(super) fn untune(&mut self, node: usize) {
        let Some(tuned) = self.nodes[node].tuned.take() else { return };
        let list = &mut self.listeners[tuned.channel.index()];
        list.swap_remove(tuned.place);
        if let Some(moved) = list.get(tuned.place).copied()
            && let Some(tuned_moved) = &mut self.nodes[moved].tuned
        {
            tuned_moved.place = tuned.place;
        }
    }

    /// Arranges for reports of energy where a station waits for the sync word.
    pub(super) fn watch_energy(&mut self, node: usize) {
        let Some(tuned) = self.nodes[node].tuned else { return };
        if tuned.complement || self.nodes[node].dormant_since.is_some() {
            return;
        }
        let next = self.now.max(tuned.since) + self.timing.slot().us();
        if next <= tuned.until && self.sensed(node, tuned.channel, self.now).is_some() {
            self.push(next, Due::Energy { node, serial: tuned.serial });
            if let Some(tuned) = &mut self.nodes[node].tuned {
                tuned.sensing = next;
            }
        }
    }

    /// The same, unless it has been arranged already.
    pub(super) fn watch_energy_once(&mut self, node: usize) {
        if self.nodes[node].tuned.is_some_and(|tuned| tuned.sensing <= self.now) {
            self.watch_energy(node);
        }
    }

    /// Whether somebody is on a channel that the station samples for such: it will have something
    /// to tell, and must not rest.
    pub(super) fn called_from_outside(&self, node: usize) -> bool {
        let fixed = self.nodes[node].station.fixed();
        let channels = [fixed.calling, fixed.watch].into_iter().flatten();
        channels.into_iter().any(|channel| self.sensed(node, channel, self.now).is_some())
    }

    /// A station is heard on a single channel: to whoever does not wait for its words it is power
    /// without a word, from slot to slot.
    pub(super) fn note_single(&mut self, node: usize, channel: Channel, start: u64) {
        let until = start + 2 * self.timing.slot().us();
        self.singles.insert(node, (channel, until));
        for listener in self.listeners[channel.index()].clone() {
            self.watch_energy_once(listener);
        }
    }

    /// The power of stations that speak on a single channel, mW.
    fn singles_mw(&self, node: usize, channel: Channel, us: u64) -> f64 {
        let heard = self.singles.iter().filter(|(from, (on, until))| {
            **from != node && *on == channel && us < *until && self.in_range(**from, node)
        });
        heard.map(|(from, _)| self.medium.power_mw(*from, node, channel)).sum()
    }

    /// The power of interferers at a station, if it is worth a report.
    pub(super) fn sensed(&self, node: usize, channel: Channel, us: u64) -> Option<Dbm> {
        let mw = self.medium.interference_mw(node, channel, us)
            + self.noise_mw(node, channel)
            + self.singles_mw(node, channel, us);
        self.reported(mw)
    }

    /// A power in mW, if it is worth a report.
    fn reported(&self, mw: f64) -> Option<Dbm> {
        if mw <= 0.0 {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, reason = "a few hundred decibels at most")]
        let level = Dbm::new(libm::floor(physics::decibels(mw)) as i16);
        (level >= self.energy_threshold).then_some(level)
    }

    /// Something that hops was on the air: to whoever waits for another sync word on that channel it was a slot of
    /// power without a word, as traffic on a rendezvous channel is, or another net's. A radio measures in the middle
    /// of each slot's time of listening, from when it began to, and tells at its end.
    pub(super) fn tell_power(&mut self, of: &Transmission) {
        if of.single {
            // From slot to slot: `note_single`.
            return;
        }
        let slot = self.timing.slot().us();
        let mut told = Vec::new();
        for node in &self.listeners[of.channel.index()] {
            let Some(tuned) = self.nodes[*node].tuned else { continue };
            if tuned.complement || tuned.waits_for(of.word) || !self.audible(of.node, *node) {
                continue;
            }
            // The last middle of a slot's time up to the end of the transmission.
            let Some(listened) = (of.end + slot / 2).checked_sub(tuned.since) else { continue };
            let ends = tuned.since + listened / slot * slot;
            let measured = listened >= slot && of.start + slot / 2 <= ends && ends <= tuned.until;
            let power = self.medium.power_mw(of.node, *node, of.channel);
            if let Some(level) = self.reported(power).filter(|_| measured) {
                told.push((*node, tuned.serial, ends.max(self.now), level));
            }
        }
        // Their order must not depend on who came first.
        told.sort_unstable_by_key(|(node, ..)| *node);
        for (node, serial, at, level) in told {
            self.push(at, Due::Power { node, serial, level });
        }
    }

    /// Tells a station of power, if its radio is still where it was measured.
    pub(super) fn power(&mut self, node: usize, serial: u32, level: Dbm) {
        let now = self.now;
        let Some(tuned) = &mut self.nodes[node].tuned else { return };
        if tuned.serial != serial || tuned.told == now {
            return;
        }
        tuned.told = now;
        let channel = tuned.channel;
        let local = self.nodes[node].local(now);
        self.nodes[node].energy(local, channel, level);
        self.drain(node);
        self.poll(node);
    }

    pub(super) fn energy(&mut self, node: usize, serial: u32) {
        let Some(tuned) = self.nodes[node].tuned.filter(|tuned| tuned.serial == serial) else {
            return;
        };
        if let Some(level) = self.sensed(node, tuned.channel, self.now) {
            self.power(node, serial, level);
            if self.nodes[node].tuned.is_some_and(|tuned| tuned.serial == serial) {
                self.watch_energy(node);
            }
        }
    }
}
