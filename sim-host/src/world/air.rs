//! What is on the air: transmissions begin, end, and reach those who wait for them.

use super::medium::Hop;
use super::node::{Node, Tuned};
use super::{Content, Detail, Due, Frame, Rule, Sent, Transmission, World};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Heard, Mode, Reception};
use hopwright_core::timing::{MAX_SLOT_BYTES, WORD_BITS};
use hopwright_core::units::{Channel, Lane};

/// Closing headers are sent within this time after a release, in microseconds.
const CLOSING_US: u64 = 1_000_000;
/// After this long without a transmission stations are left alone, in microseconds.
const QUIET_US: u64 = 1_000_000;

impl World {
    /// A station has said when its unique word starts.
    pub(super) fn announce_start(
        &mut self,
        node: usize,
        channel: Channel,
        word: u32,
        at: hopwright_core::units::Tick,
    ) {
        let start = self.nodes[node].oscillator.true_us(at);
        // Asked again within the slot, the station says the same again.
        if self.last_start[node] == start || start < self.now {
            return;
        }
        self.last_start[node] = start;
        if std::mem::take(&mut self.expect_first[node]) {
            self.first_sent[node].push(start);
        }
        let station = &self.nodes[node].station;
        let single = station.mode() != Mode::Hopping && station.fixed().calling == Some(channel);
        let lane = station.sequence().lane();
        // The plan's hopset: in its own, of which it draws, every station stays.
        let in_hopset = single || self.hopsets.get(&lane).is_some_and(|of| of.contains(channel));
        let mut others = self.hopsets.iter().filter(|(other, _)| **other != lane);
        let shared = others.any(|(_, hopset)| hopset.contains(channel));
        self.trace.totals.shared_channels += u64::from(shared);
        let bits = station.burst().to_vec();
        let slot = if single || station.cuts_in() { None } else { station.slot(at) };
        let sequence = station.sequence();
        let content = if word == sequence.sync_word() || word == sequence.single_word() {
            Content::SyncHeader
        } else if bits.len() < self.timing.bytes() {
            Content::TrafficHeader
        } else {
            Content::Payload
        };
        self.judge_transmission(node, (in_hopset, single), content == Content::Payload);
        if !single {
            self.let_withdrawn_try(node, &bits, content == Content::Payload);
        }
        let over = self.over_at(node, start);
        let mut payload = None;
        if content == Content::Payload {
            if let Some(talk) = self.talk[node] {
                self.trace.overs[talk.over].payload_slots += 1;
            }
            if self.nodes[node].talking {
                payload = self.speech.take(node);
                self.queue_payload(node);
            }
        }
        let on_air_bits = WORD_BITS + u32::try_from(bits.len()).unwrap_or(u32::MAX) * 8;
        self.trace.totals.sent += 1;
        let number = self.next_number(lane);
        if let Some(payload) = &payload {
            self.note_said(node, (number, channel, start), payload);
        }
        self.schedule(Transmission {
            number,
            node,
            channel,
            word,
            single,
            slot,
            over,
            content,
            start,
            end: start + self.timing.air_time(on_air_bits).us(),
            bits,
            payload,
            listeners: Vec::new(),
            others: Vec::new(),
        });
    }

    /// The over that a node's transmission at `start` belongs to: it has been pressed for, and not
    /// released but for the slots in which that is told.
    fn over_at(&self, node: usize, start: u64) -> Option<usize> {
        let talk = self.talk[node]?;
        let released = self.trace.overs.get(talk.over)?.released_us;
        released.is_none_or(|at| start <= at + CLOSING_US).then_some(talk.over)
    }

    /// Puts a transmission on the air, from its start on.
    pub(super) fn schedule(&mut self, transmission: Transmission) {
        let start = transmission.start;
        let index = match self.vacant.pop() {
            Some(index) => {
                self.transmissions[index] = Some(transmission);
                index
            }
            None => {
                self.transmissions.push(Some(transmission));
                self.transmissions.len() - 1
            }
        };
        self.on_air.push(index);
        self.push(start, Due::Start { transmission: index });
    }

    /// The number of a net's next transmission. Chance comes from it, and so does not depend on
    /// what other nets send.
    fn next_number(&mut self, lane: Lane) -> u64 {
        let sent = self.sent_by.entry(lane).or_default();
        *sent += 1;
        *sent | u64::from(lane.number()) << 40
    }

    pub(super) fn start(&mut self, index: usize) {
        self.wake_all();
        let Some(mut transmission) = self.transmissions[index].take() else { return };
        let Transmission { number, channel, word, start, node: sender, .. } = transmission;
        self.medium.prepare(sender);
        let settle = self.timing.settle().us();
        for node in &self.listeners[channel.index()] {
            let Some(tuned) = self.nodes[*node].tuned else { continue };
            if !self.audible(sender, *node) {
                continue;
            }
            let arrival = start + self.delay_us(sender, *node);
            if tuned.waits_for(word) && tuned.since + settle <= arrival {
                transmission.listeners.push((*node, tuned.serial));
            }
        }
        if transmission.single {
            self.note_single(sender, channel, start);
        }
        if !self.opposition.none() && self.adversary_of(sender).is_none() {
            self.let_overhear(&transmission);
        }
        // Radios come and go; whom the trace names first must not depend on it.
        transmission.listeners.sort_unstable();
        for other in &self.on_air {
            let Some(other) = &mut self.transmissions[*other] else { continue };
            // Those that start later, or at the same time with a later number, look back at this
            // one: each pair is counted once.
            if (other.start, other.number) > (start, number) || start > other.end {
                continue;
            }
            // An opponent keeps no order that could be broken, and nets may speak at the same time,
            // but not in the same place.
            let lanes = [sender, other.node].map(|node| self.nodes.get(node).map(Node::lane));
            if let [Some(one), Some(another)] = lanes
                && transmission.single == other.single
            {
                self.trace.totals.overlapping += u64::from(one == another);
                let met = one != another && other.channel == channel;
                self.trace.totals.collisions += u64::from(met);
            }
            if other.channel == channel {
                other.others.push(sender);
                transmission.others.push(other.node);
            }
        }
        // Opponents end no silence of a net, and neither do those who speak apart from it.
        if let Some(node) = self.nodes.get(sender).filter(|_| !transmission.single) {
            let of = (node.lane(), sender);
            self.trace.note_start(of, transmission.start, transmission.end);
        }
        self.push(transmission.end, Due::End { transmission: index });
        self.transmissions[index] = Some(transmission);
    }

    /// Whether a receiver is close enough to a sender to get anything at all of it.
    pub(super) fn audible(&self, sender: usize, node: usize) -> bool {
        match self.adversary_of(sender) {
            Some(adversary) => self.within_horizon(adversary, node),
            None => self.in_range(sender, node) && !self.medium.beyond_horizon(sender, node),
        }
    }

    pub(super) fn end(&mut self, index: usize) {
        let Some(transmission) = self.transmissions[index].take() else { return };
        self.vacant.push(index);
        self.on_air.retain(|other| *other != index);
        self.quiet_after = self.now + QUIET_US;
        if transmission.content == Content::SyncHeader {
            self.record(&transmission);
        }
        if transmission.payload.is_some() {
            self.note_fixed(&transmission);
        }
        let (mut heard, mut heard_by) = (0, Vec::new());
        for (node, serial) in &transmission.listeners {
            if self.deliver(&transmission, *node, *serial) {
                heard += 1;
                // Campaigns count, and have no use for names.
                if self.detail >= Detail::Frames {
                    heard_by.push(*node);
                }
            }
        }
        if self.adversary_of(transmission.node).is_some() {
            return;
        }
        self.tell_power(&transmission);
        let listeners = u32::try_from(transmission.listeners.len()).unwrap_or(u32::MAX);
        self.trace.totals.listened += u64::from(listeners);
        self.trace.totals.heard += u64::from(heard);
        if self.detail >= Detail::Transmissions {
            self.trace.sent.push(Sent {
                at_us: transmission.start,
                end_us: transmission.end,
                node: transmission.node,
                channel: transmission.channel,
                slot: transmission.slot,
                over: transmission.over,
                content: transmission.content,
                listeners,
                heard,
                interfered: self.medium.interfered(transmission.channel, transmission.start),
            });
        }
        if self.detail >= Detail::Frames {
            self.trace.frames.push(Frame {
                word: transmission.word,
                single: transmission.single,
                bits: transmission.bits,
                awaited_by: transmission.listeners.iter().map(|(node, _)| *node).collect(),
                heard_by,
            });
        }
    }

    /// Gives a transmission to one listener; whether its radio recognised the word.
    pub(super) fn deliver(
        &mut self,
        transmission: &Transmission,
        node: usize,
        serial: u32,
    ) -> bool {
        let Transmission { channel, word, start, end, .. } = *transmission;
        let key = u64::from(self.nodes[node].station.address().number());
        let hop = Hop { number: transmission.number, key };
        let opposed = (!self.opposition.none()).then(|| self.opposed(transmission, node, hop));
        let arrival = opposed.as_ref().map_or_else(
            || {
                let mut others = transmission.others.clone();
                others.retain(|other| self.in_range(*other, node));
                self.medium.arrival((transmission.node, node), channel, start, hop, &others)
            },
            |opposed| opposed.arrival,
        );
        let complete = end + arrival.delay_us;
        let stays = |tuned: &Tuned| tuned.serial == serial && tuned.until >= complete;
        if !self.nodes[node].tuned.as_ref().is_some_and(stays) {
            return false;
        }
        // A radio that has recognised a word follows that transmission, and no other meanwhile.
        let begins = start + arrival.delay_us;
        let (since, until) = self.nodes[node].followed;
        if since < complete && begins < until {
            return false;
        }
        let received = match &opposed {
            Some(opposed) => self.receive_opposed(transmission, opposed, hop),
            None => self.medium.receive(arrival, hop, &transmission.bits),
        };
        let Some(received) = received else { return false };
        if self.lost(hop.number, hop.key) {
            return false;
        }
        self.nodes[node].followed = (begins, complete);
        let stamp = self.nodes[node].local(begins);
        let at =
            hopwright_core::units::Tick::new(stamp.us().saturating_add_signed(received.jitter_us));
        let bits = received.bits.as_deref().unwrap_or(&transmission.bits);
        let local = self.nodes[node].local(complete);
        let outcome = self.receive(node, local, Reception { channel, word, at, bits });
        self.note_taken(transmission.node, outcome);
        match outcome {
            Heard::Header { timeline: Timeline::Home, .. } => self.note_phase(node, complete),
            Heard::Payload(payload) => {
                let mut text = [0; MAX_SLOT_BYTES];
                let length = self.nodes[node].station.open_payload(&payload, bits, &mut text);
                let read = length.and_then(|length| text.get(..length));
                self.note_payload(transmission, node, &payload, read);
            }
            _ => {}
        }
        if self.doubled(hop.number, hop.key) {
            self.trace.totals.duplicates += 1;
            let again = self.receive(node, local, Reception { channel, word, at, bits });
            if matches!(again, Heard::Header { .. }) {
                self.trace.totals.duplicates_taken += 1;
                self.broke(node, Rule::DuplicateTaken);
            }
        }
        // The station may have changed its mind about what to do; ask it, as a driver would.
        let action = self.nodes[node].poll(local);
        self.drain(node);
        if self.nodes[node].action != Some(action) {
            self.act(node, action, self.now);
        }
        true
    }
}
