//! Operators: what they do when their stations tell them something.

use super::relay::UNTIL_SAID;
use super::{Happened, Order, UNTIL_SENT, World};
use hopwright_core::address::Address;
use hopwright_core::station::{Event, Mode};
use hopwright_core::units::Lane;

impl World {
    /// Takes note of a station's events, and does what an operator does on hearing them.
    pub(super) fn drain(&mut self, node: usize) {
        while let Some(event) = self.nodes[node].next_event() {
            self.trace.events.push(Happened { at_us: self.now, node, event });
            self.relay_told(node, event);
            self.watch_event(node, event);
            self.store_keys(node, event);
            match event {
                Event::GoAhead { slot } => {
                    if let Some(talk) = self.talk[node] {
                        self.trace.overs[talk.over].ahead_us = Some(self.now);
                        self.trace.overs[talk.over].cut_in = self.nodes[node].station.cuts_in();
                        self.nodes[node].talking = true;
                        self.nodes[node].payloads = 0;
                        self.load_letter(node, slot);
                        self.queue_payload(node);
                        if talk.talk_us != UNTIL_SAID && talk.talk_us != UNTIL_SENT {
                            let end = Order::EndOver { node, over: talk.over };
                            self.order(self.now + talk.talk_us, end);
                        }
                    }
                }
                Event::Cut { .. } => self.cut_over(node),
                Event::Call { source, .. } => {
                    if let Some(speaker) = self.station_of(self.nodes[node].lane(), source) {
                        self.note_call(node, speaker, true);
                    }
                }
                Event::Busy { .. } => {
                    let lane = self.nodes[node].lane();
                    let hops = |n: usize| self.nodes[n].station.mode() == Mode::Hopping;
                    let speaker = (0..self.nodes.len()).find(|n| {
                        let speaks =
                            self.nodes[*n].station.holds_floor() && self.talk[*n].is_some();
                        speaks && self.nodes[*n].lane() == lane && hops(*n) == hops(node)
                    });
                    if let Some(speaker) = speaker {
                        self.note_call(node, speaker, false);
                    }
                }
                _ => {}
            }
        }
        self.examine(node);
    }

    /// A station's over is at its end without a release, if it was not released before.
    pub(super) fn cut_over(&mut self, node: usize) {
        let over = self.talk[node].and_then(|talk| self.trace.overs.get_mut(talk.over));
        if let Some(over) = over.filter(|over| over.released_us.is_none()) {
            over.cut_us.get_or_insert(self.now);
        }
    }

    /// Whose an address is on a net.
    fn station_of(&self, lane: Lane, address: Address) -> Option<usize> {
        self.addresses.get(&(lane, address)).copied()
    }

    fn note_call(&mut self, node: usize, speaker: usize, called: bool) {
        let Some(talk) = self.talk[speaker] else { return };
        let over = &mut self.trace.overs[talk.over];
        let list = if called { &mut over.called } else { &mut over.busy };
        if !list.contains(&node) {
            list.push(node);
        }
    }
}
