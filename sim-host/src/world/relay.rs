//! Relays: the core decides what is carried, the world lets the two stations do it.

use super::{Order, World};
use hopwright_core::address::Target;
use hopwright_core::relay::{MOST_RELAYS, Port, Relay, RelayError, Side, Wish};
use hopwright_core::station::Event;
use hopwright_core::timing::MAX_SLOT_BYTES;

/// How long a relay speaks: until everything is said.
pub(super) const UNTIL_SAID: u64 = u64::MAX;
/// Payloads that wait in a relay: more than go by while the other side's call headers are sent.
const WAITING: usize = 64;

/// Two stations back to back.
#[derive(Debug)]
pub(super) struct Post {
    a: usize,
    b: usize,
    relay: Relay<WAITING, MAX_SLOT_BYTES>,
}

impl Post {
    const fn node(&self, side: Side) -> usize {
        match side {
            Side::A => self.a,
            Side::B => self.b,
        }
    }

    const fn side(&self, node: usize) -> Option<Side> {
        if node == self.a {
            Some(Side::A)
        } else if node == self.b {
            Some(Side::B)
        } else {
            None
        }
    }
}

impl World {
    /// Puts two stations back to back: what one reads in an over for `target`, the other says.
    /// From then on every payload bears a tag; add all relays before the world runs.
    ///
    /// # Errors
    /// [`RelayError`] if the two make no relay.
    pub fn add_relay(&mut self, a: usize, b: usize, target: Target) -> Result<(), RelayError> {
        let port = |node: usize| {
            let sequence = self.nodes[node].station.sequence();
            Port { net: sequence.lane(), channels: sequence.hopset().channels() }
        };
        let relay = Relay::new(port(a), port(b), target, MOST_RELAYS)?;
        self.posts.push(Post { a, b, relay });
        Ok(())
    }

    /// The relay that a station belongs to, and which of its sides it is.
    fn post_of(&self, node: usize) -> Option<(usize, Side)> {
        let mut posts = self.posts.iter().enumerate();
        posts.find_map(|(i, post)| post.side(node).map(|side| (i, side)))
    }

    /// Whether a station speaks for a relay.
    pub(super) fn relays_for(&self, node: usize) -> bool {
        self.talk[node].is_some_and(|talk| talk.talk_us == UNTIL_SAID)
    }

    /// What a station says next for its relay.
    pub(super) fn relay_next(&mut self, node: usize) -> Option<Vec<u8>> {
        let (post, side) = self.post_of(node)?;
        let next = self.posts[post].relay.next(side).map(|payload| payload.to_vec());
        if next.is_none() {
            self.relay_carry_out(post, side);
        }
        next
    }

    /// A station of a relay has an event.
    pub(super) fn relay_told(&mut self, node: usize, event: Event) {
        let Some((post, side)) = self.post_of(node) else { return };
        let relay = &mut self.posts[post].relay;
        match event {
            Event::Call { target, .. } => relay.called(side, target),
            Event::Clear { .. } | Event::OutOfStep => relay.ended(side),
            Event::Cut { .. } => relay.released(side),
            _ => return,
        }
        self.relay_carry_out(post, side.other());
    }

    /// A station has been given a payload to read.
    pub(super) fn relay_read(&mut self, node: usize, payload: &[u8]) {
        let Some((post, side)) = self.post_of(node) else { return };
        // What is not relayed is not: the relay has its reasons, and an empty slot has no tag.
        let _ = self.posts[post].relay.read(side, payload);
        self.relay_carry_out(post, side.other());
    }

    /// A station of a relay was refused the floor.
    pub(super) fn relay_lost_floor(&mut self, node: usize) {
        if let Some((post, side)) = self.post_of(node) {
            self.posts[post].relay.released(side);
        }
    }

    /// A station of a relay has lost its power, and with it the over on its net and the floor.
    pub(super) fn relay_lost_power(&mut self, node: usize) {
        let Some((post, side)) = self.post_of(node) else { return };
        let relay = &mut self.posts[post].relay;
        relay.ended(side);
        relay.released(side);
        // The other side has no more to come, and lets go.
        self.relay_carry_out(post, side.other());
    }

    /// Does what a side's operator would do.
    fn relay_carry_out(&mut self, post: usize, side: Side) {
        let post = &mut self.posts[post];
        let node = post.node(side);
        if self.nodes[node].action.is_none() {
            // Not switched on: what it would say is gone.
            post.relay.released(side);
            return;
        }
        let order = match post.relay.wish(side) {
            Some(Wish::Press(target)) => {
                post.relay.pressed(side);
                Order::Press { node, target, talk_us: UNTIL_SAID }
            }
            // The last payload first.
            Some(Wish::Release) if self.speech.pending(node) => return,
            Some(Wish::Release) => {
                post.relay.released(side);
                Order::Release(node)
            }
            None => return,
        };
        self.order(self.now, order);
    }
}
