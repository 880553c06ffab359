//! What is on the air: transmissions begin, end, and reach those who wait for them.

use super::node::Tuned;
use super::{Content, Detail, Due, Sent, Transmission, World, child_seed};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Heard, Reception};
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::{Channel, Lane};

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
        let totals = &mut self.trace.totals;
        totals.outside_hopset += u64::from(!station.sequence().hopset().contains(channel));
        let lane = station.sequence().lane();
        let others = self.nets.iter().filter(|(other, _)| *other != lane);
        let hopset_of = |of: &usize| self.nodes[*of].station.sequence().hopset();
        let shared = others.clone().any(|(_, of)| hopset_of(of).contains(channel));
        totals.shared_channels += u64::from(shared);
        // A cut-in is the one thing that a station without time may send.
        totals.out_of_step += u64::from(!station.in_step() && !station.cuts_in());
        let bits = station.burst().to_vec();
        let content = if word == station.sequence().sync_word() {
            Content::SyncHeader
        } else if bits.len() < self.timing.bytes() {
            Content::TrafficHeader
        } else {
            Content::Payload
        };
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
            self.note_said(node, (number, channel, start), &bits, payload);
        }
        let transmission = Transmission {
            number,
            node,
            channel,
            word,
            content,
            start,
            end: start + self.timing.air_time(on_air_bits).us(),
            bits,
            payload,
            listeners: Vec::new(),
            others: Vec::new(),
        };
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
        let settle = self.timing.settle().us();
        for node in &self.listeners[channel.index()] {
            let Some(tuned) = self.nodes[*node].tuned else { continue };
            let arrival = start + self.medium.delay_us(sender, *node);
            if tuned.waits_for(word) && tuned.since + settle <= arrival {
                transmission.listeners.push((*node, tuned.serial));
            }
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
            // Nets are allowed to speak at the same time, but not in the same place.
            let same_net = self.nodes[sender].lane() == self.nodes[other.node].lane();
            self.trace.totals.overlapping += u64::from(same_net);
            self.trace.totals.collisions += u64::from(!same_net && other.channel == channel);
            if other.channel == channel {
                other.others.push(sender);
                transmission.others.push(other.node);
            }
        }
        self.push(transmission.end, Due::End { transmission: index });
        self.transmissions[index] = Some(transmission);
    }

    pub(super) fn end(&mut self, index: usize) {
        let Some(transmission) = self.transmissions[index].take() else { return };
        self.vacant.push(index);
        self.on_air.retain(|other| *other != index);
        self.quiet_after = self.now + QUIET_US;
        let mut heard = 0;
        for (node, serial) in &transmission.listeners {
            heard += u32::from(self.deliver(&transmission, *node, *serial));
        }
        let listeners = u32::try_from(transmission.listeners.len()).unwrap_or(u32::MAX);
        self.trace.totals.listened += u64::from(listeners);
        self.trace.totals.heard += u64::from(heard);
        if self.detail >= Detail::Transmissions {
            self.trace.sent.push(Sent {
                at_us: transmission.start,
                node: transmission.node,
                channel: transmission.channel,
                content: transmission.content,
                listeners,
                heard,
                interfered: self.medium.interfered(transmission.channel, transmission.start),
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
        let arrival =
            self.medium.arrival(transmission.node, node, channel, start, &transmission.others);
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
        let key = u64::from(self.nodes[node].station.address().number());
        let received = self.medium.receive(arrival, transmission.number, key, &transmission.bits);
        let Some(received) = received else { return false };
        let chance = |what: &str| {
            let draw = child_seed(transmission.number ^ (key << 48), what) >> 11;
            draw as f64 / (1_u64 << 53) as f64
        };
        if self.faults.loss > 0.0 && chance("loss") < self.faults.loss {
            return false;
        }
        self.nodes[node].followed = (begins, complete);
        let stamp = self.nodes[node].local(begins);
        let at =
            hopwright_core::units::Tick::new(stamp.us().saturating_add_signed(received.jitter_us));
        let bits = received.bits.as_deref().unwrap_or(&transmission.bits);
        let local = self.nodes[node].local(complete);
        let outcome = self.nodes[node].heard(local, Reception { channel, word, at, bits });
        self.drain(node);
        match outcome {
            Heard::Header { timeline: Timeline::Home, .. } => self.check_bound(node, complete),
            Heard::Payload { timeline, slot, source } => {
                let mut text = [0; 512];
                let length = {
                    let station = &self.nodes[node].station;
                    station.open_payload(timeline, slot, source, bits, &mut text)
                };
                let read = length.and_then(|length| text.get(..length));
                self.note_payload(transmission, node, read);
            }
            _ => {}
        }
        if self.faults.duplicates > 0.0 && chance("duplicate") < self.faults.duplicates {
            let again = self.nodes[node].heard(local, Reception { channel, word, at, bits });
            self.trace.totals.duplicates_taken += u64::from(matches!(again, Heard::Header { .. }));
            self.drain(node);
        }
        // The station may have changed its mind about what to do; ask it, as a driver would.
        let action = self.nodes[node].poll(local);
        self.drain(node);
        if self.nodes[node].action != Some(action) {
            self.act(node, action, self.now);
        }
        true
    }

    /// Invariant 4: true net time lies in the bound of every station that has just heard a header.
    pub(super) fn check_bound(&mut self, node: usize, at: u64) {
        let node = &self.nodes[node];
        let Some(truth) = self.truths.get(&node.lane()) else { return };
        let Some(clock) = node.station.clock() else { return };
        let local = node.local(at);
        let true_net = at.cast_signed() + truth;
        let (lo, hi) = clock.bound(local);
        let totals = &mut self.trace.totals;
        totals.bound_checks += 1;
        // Both clocks are floored to whole microseconds.
        totals.bound_misses += u64::from(true_net < lo - 1 || hi + 1 < true_net);
        totals.worst_phase_us = totals.worst_phase_us.max(clock.net_us(local).abs_diff(true_net));
    }
}
