//! Changes of the net key in a world: who has which key, what each station's storage holds of it,
//! and what those who were withdrawn make of what they hear.

use super::World;
use hopwright_core::header::{HeaderKeys, stream};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Sequence, Timeline};
use hopwright_core::station::{Event, Payload};
use hopwright_core::tree::Share;
use hopwright_core::units::{Lane, Slot};
use std::fmt;
use zeroize::Zeroizing;

/// What a station's storage holds of its keys.
#[derive(Debug, Default)]
pub(super) struct Stored {
    /// What there is after the last change; nothing if there was none.
    keys: Option<StoredKeys>,
    /// An order whose slot has not come.
    order: Option<Vec<u8>>,
}

impl Tried {
    /// Everything that was opened.
    #[must_use]
    pub const fn opened(&self) -> u64 {
        self.headers + self.payloads + self.orders
    }
}

/// A net key and the bytes of a share.
struct StoredKeys {
    key: Zeroizing<[u8; 32]>,
    share: Zeroizing<Vec<u8>>,
}

/// Without what is secret.
impl fmt::Debug for StoredKeys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("StoredKeys").finish_non_exhaustive()
    }
}

/// What a withdrawn station has tried and achieved with everything that it has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tried {
    /// Transmissions under the new net key that it was given, all of them.
    pub transmissions: u64,
    /// Headers among them that opened.
    pub headers: u64,
    /// Payloads of which it had the key.
    pub payloads: u64,
    /// Home slots whose channel it foretold.
    pub foretold: u64,
    /// Home slots for which it tried.
    pub slots: u64,
    /// Orders that opened.
    pub orders: u64,
}

/// A change of the net key that was ordered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Changed {
    /// Which of the scenario's.
    pub number: usize,
    /// Whose order it is: who sends it.
    pub by: usize,
    /// True time at which it was ordered.
    pub at_us: u64,
    /// The slot of home time from which the new key is in use.
    pub slot: Slot,
    /// Bytes of the order.
    pub order_bytes: usize,
    /// Nodes of its cover.
    pub cover: usize,
    /// True time at which the first station of the net went over to the new key; none if nobody has.
    pub in_use_us: Option<u64>,
}

/// A station that has been withdrawn, all it knows in the hands of somebody else.
#[derive(Debug)]
pub(super) struct Withdrawn {
    node: usize,
    headers: HeaderKeys,
    sequence: Box<Sequence<{ super::CAPACITY }>>,
    tried: Tried,
}

impl World {
    /// The net key of a station, and its share of the key tree, as its storage has them; `None` if
    /// they are still those that it was loaded with.
    #[must_use]
    pub fn stored_keys(&self, node: usize) -> Option<(NetKey, Option<Share>)> {
        let stored = self.stored[node].keys.as_ref()?;
        Some((NetKey::new(*stored.key), Share::read(&stored.share)))
    }

    /// The order that a station's storage holds, if its slot has not come.
    #[must_use]
    pub fn stored_order(&self, node: usize) -> Option<Vec<u8>> {
        self.stored[node].order.clone()
    }

    /// A station's storage is lost, or another's takes its place: there are no keys in it, and no order.
    pub fn forget_stored(&mut self, node: usize) {
        self.stored[node] = Stored::default();
    }

    /// The key of a net: that of the last change that has come into use, else the plan's.
    pub(crate) fn net_key(&self, lane: Lane) -> Option<&NetKey> {
        self.net_keys.get(&lane)
    }

    /// Whether a station has the net's key.
    #[must_use]
    pub fn has_net_key(&self, node: usize) -> bool {
        let net = self.net_key(self.nodes[node].lane());
        net.is_some_and(|key| key.same(self.nodes[node].station.keys().0))
    }

    /// Hands an order to a station, as its driver does with one that has come whole.
    pub(super) fn order_arrived(&mut self, node: usize, order: &[u8]) {
        let local = self.nodes[node].local(self.now);
        let taken = self.nodes[node].take_order(local, order).is_ok();
        if taken {
            self.stored[node].order = Some(order.to_vec());
        }
        if let Some(index) = self.withdrawn.iter().position(|w| w.node == node) {
            self.withdrawn[index].tried.orders += u64::from(taken);
        }
        self.drain(node);
    }

    /// What a driver stores when a station tells of a change of keys.
    pub(super) fn store_keys(&mut self, node: usize, event: Event) {
        if let Event::KeysChanged { slot } = event {
            let (key, share) = self.nodes[node].station.keys();
            let mut bytes = Zeroizing::new([0; 32]);
            key.expose(|key| *bytes = *key);
            let mut written = Zeroizing::new(Vec::new());
            if let Some(share) = share {
                share.write(&mut |part: &[u8]| written.extend_from_slice(part));
            }
            if self.comes_into_use(node, slot) {
                self.net_keys.insert(self.nodes[node].lane(), NetKey::new(*bytes));
            }
            self.stored[node] =
                Stored { keys: Some(StoredKeys { key: bytes, share: written }), order: None };
        }
    }

    /// Takes note of a station that has gone over to the key of `slot`. Answers whether that makes it the
    /// net's: whoever goes over first does, as the sender of the order may have lost its power by then. A
    /// change that comes into use behind a later one does not.
    fn comes_into_use(&mut self, node: usize, slot: Slot) -> bool {
        let (now, lane) = (self.now, self.nodes[node].lane());
        let own = |change: &&mut Changed| self.nodes[change.by].lane() == lane;
        let mut last = None;
        for change in self.trace.changes.iter_mut().filter(own) {
            let first = change.slot == slot && change.in_use_us.is_none();
            if first {
                change.in_use_us = Some(now);
            }
            if change.in_use_us.is_some() {
                last = Some(first);
            }
        }
        last == Some(true)
    }

    /// After a restart a station is handed the order that its storage holds.
    pub fn hand_over_stored_order(&mut self, node: usize) {
        if let Some(order) = self.stored_order(node) {
            self.order_arrived(node, &order);
            self.poll(node);
        }
    }

    /// Takes note of a change of keys that cannot be ordered now, as its sender has no net time.
    pub fn note_change_refused(&mut self, number: usize) {
        self.trace.changes_refused.push((self.now, number));
    }

    /// Takes note of a change of keys that has been ordered.
    pub fn note_change(
        &mut self,
        (number, by): (usize, usize),
        slot: Slot,
        order_bytes: usize,
        cover: usize,
    ) {
        let at_us = self.now;
        self.trace.changes.push(Changed {
            number,
            by,
            at_us,
            slot,
            order_bytes,
            cover,
            in_use_us: None,
        });
    }

    /// From now on a station counts as withdrawn: everything that it has is turned on everything
    /// that is sent under another key.
    pub fn note_withdrawn(&mut self, node: usize) {
        self.withdrawn.extend(self.with_keys_of(node, node));
    }

    /// A station that is withdrawn, with what `of` has at the moment.
    fn with_keys_of(&self, node: usize, of: usize) -> Option<Withdrawn> {
        let station = &self.nodes[of].station;
        let key = station.keys().0;
        let hopset = station.sequence().hopset().clone();
        let (structure, lane) = (*station.sequence().structure(), station.sequence().lane());
        let draw = station.sequence().draw_lane();
        let sequence = Sequence::new(key, hopset, structure, lane, draw).ok()?;
        let (headers, tried) = (HeaderKeys::new(key), Tried::default());
        Some(Withdrawn { node, headers, sequence: Box::new(sequence), tried })
    }

    /// Somebody gives the withdrawn what `of` has: a control, for what they open is counted then.
    #[cfg(test)]
    pub(crate) fn betray(&mut self, of: usize) {
        let nodes: Vec<usize> = self.withdrawn.iter().map(|withdrawn| withdrawn.node).collect();
        self.withdrawn = nodes.iter().filter_map(|node| self.with_keys_of(*node, of)).collect();
    }

    /// Who has been withdrawn, and what became of what they tried.
    pub fn withdrawn(&self) -> impl Iterator<Item = (usize, Tried)> + '_ {
        self.withdrawn.iter().map(|withdrawn| (withdrawn.node, withdrawn.tried))
    }

    /// Something is sent: whoever was withdrawn tries everything on it.
    pub(super) fn let_withdrawn_try(&mut self, node: usize, bits: &[u8], payload: bool) {
        for index in 0..self.withdrawn.len() {
            let of = self.withdrawn[index].node;
            let own = self.nodes[of].station.keys().0;
            let sender = &self.nodes[node].station;
            if of == node
                || self.nodes[node].lane() != self.nodes[of].lane()
                || !sender.uses_net_key()
            {
                continue;
            }
            let (key, _) = sender.keys();
            if own.same(key) {
                continue;
            }
            let local = self.nodes[node].local(self.now);
            let slot = sender.slot(local).filter(|_| !sender.cuts_in());
            let target = self.talk[node].map(|talk| self.trace.overs[talk.over].target);
            let (source, lane) = (sender.address(), sender.sequence().lane());
            let withdrawn = &mut self.withdrawn[index];
            withdrawn.tried.transmissions += 1;
            if let Some(first) = bits.first_chunk() {
                let opens =
                    |timeline| withdrawn.headers.from_bits(first, stream(lane, timeline)).is_some();
                let opened = [Timeline::Home, Timeline::CutIn, Timeline::Single].map(opens);
                withdrawn.tried.headers += u64::from(opened.contains(&true));
            }
            if let Some(slot) = slot {
                withdrawn.tried.slots += 1;
                let channel = withdrawn.sequence.channel(Timeline::Home, slot);
                let actual = sender.sequence().channel(Timeline::Home, slot);
                withdrawn.tried.foretold += u64::from(channel == actual);
            }
            if let (true, Some(slot), Some(target)) = (payload, slot, target) {
                let same = self.reads_with_own_keys(of, (source, target, slot), bits, node);
                self.withdrawn[index].tried.payloads += u64::from(same);
            }
        }
    }

    /// Whether a station's own keys give what another has just said to a target.
    fn reads_with_own_keys(
        &mut self,
        of: usize,
        (source, target, slot): (
            hopwright_core::address::Address,
            hopwright_core::address::Target,
            Slot,
        ),
        bits: &[u8],
        node: usize,
    ) -> bool {
        let payload = Payload { timeline: Timeline::Home, slot, source, target, order: false };
        let mut text = vec![0; hopwright_core::timing::MAX_SLOT_BYTES];
        let length = self.nodes[of].station.open_payload(&payload, bits, &mut text);
        let said = self.speech.said(node);
        length.is_some_and(|length| !said.is_empty() && text.get(..length) == Some(said))
    }
}

/// The probability that the same home slot of two sequences over one hopset, drawn with different
/// keys, has the same channel: the sum over channels of the product of their shares. A channel of
/// the rendezvous set has `1 / (r m)` from sync slots, one of the traffic set `(m - 1) / (m |T|)`.
#[must_use]
pub fn chance_of_meeting<const N: usize>(one: &Sequence<N>, other: &Sequence<N>) -> f64 {
    let share = |sequence: &Sequence<N>, channel| {
        let (m, r) =
            (f64::from(sequence.structure().frame), f64::from(sequence.structure().rendezvous));
        let meets = sequence.rendezvous().any(|c| c == channel);
        let traffic = !(meets && sequence.structure().equal_use);
        let of_sync = if meets { 1.0 / (r * m) } else { 0.0 };
        let traffic_count = f64::from(sequence.traffic_count());
        of_sync + if traffic { (m - 1.0) / (m * traffic_count) } else { 0.0 }
    };
    let channels = one.hopset().channels().iter();
    channels.map(|channel| share(one, *channel) * share(other, *channel)).sum()
}
