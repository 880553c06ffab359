//! Messages and orders: what is sent whole in the traffic slots of an over.
//!
//! Cutting, sealing and putting together are the core's; here an operator hands a text to its
//! station and lets go when the last column is on the air, and a station's driver takes what comes.

use super::{Says, World};
use hopwright_core::address::Target;
use hopwright_core::message::{Inbox, Layout, Outbox, Progress};
use hopwright_core::station::Payload;
use hopwright_core::units::Slot;

/// Bytes of an outbox and of an inbox: the longest message of the default code and slot.
const ROOM: usize = 65_536;
/// How often an order is sent in one over.
const ORDER_TIMES: u8 = 2;

/// What is to be sent whole, and what of it has come.
#[derive(Debug, Default)]
pub(super) struct Letters {
    /// How texts are cut; `None` in a world without any.
    layout: Option<Layout>,
    texts: Vec<Vec<u8>>,
    orders: Vec<Vec<u8>>,
    out: Vec<Option<Sending>>,
    inboxes: Vec<Option<Box<Inbox<ROOM>>>>,
}

/// The bytes of the longest text that goes from station to station of a world where texts are cut like
/// this: an inbox keeps whole code words, and has the same room whatever the code.
#[must_use]
pub fn longest_text(layout: Layout) -> u16 {
    layout.longest_in(ROOM / usize::from(layout.code().n()))
}

/// A text on its way.
#[derive(Debug)]
struct Sending {
    outbox: Box<Outbox<ROOM>>,
    times_left: u8,
}

/// A message that has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Delivered {
    /// In which over, by its place in the trace.
    pub over: usize,
    /// To whom.
    pub node: usize,
    /// True time in microseconds.
    pub at_us: u64,
    /// Whether it reads as it was sent.
    pub intact: bool,
}

impl World {
    /// From now on texts are cut like this. Relays stand in the way of none: what they carry has a
    /// tag in front.
    pub fn set_layout(&mut self, layout: Layout) {
        self.letters.layout = Some(layout);
        self.letters.out.resize_with(self.nodes.len(), || None);
        self.letters.inboxes.resize_with(self.nodes.len(), || None);
    }

    /// The bytes of the longest text that goes from station to station; 0 in a world without texts.
    #[must_use]
    pub fn longest_text(&self) -> u16 {
        self.letters.layout.map_or(0, longest_text)
    }

    /// A station's power fails: what it was sending, and what it had of a message, is gone.
    pub(super) fn forget_letters(&mut self, node: usize) {
        if let Some(out) = self.letters.out.get_mut(node) {
            *out = None;
        }
        if let Some(inbox) = self.letters.inboxes.get_mut(node) {
            *inbox = None;
        }
    }

    /// Whether a station has something left that is sent whole.
    #[cfg(test)]
    pub(super) fn sends_letter(&self, node: usize) -> bool {
        self.letters.out.get(node).is_some_and(Option::is_some)
    }

    /// Keeps a text that is going to be sent, and gives its number.
    pub fn add_text(&mut self, text: &[u8]) -> usize {
        self.letters.texts.push(text.to_vec());
        self.letters.texts.len() - 1
    }

    /// Keeps the order of a change of keys, and gives its number.
    pub fn add_order(&mut self, order: &[u8]) -> usize {
        self.letters.orders.push(order.to_vec());
        self.letters.orders.len() - 1
    }

    /// The bytes of an order.
    pub(super) fn order_bytes(&self, order: usize) -> Vec<u8> {
        self.letters.orders.get(order).cloned().unwrap_or_default()
    }

    /// A station may go ahead: what is to be sent whole is sealed for the slot that comes.
    pub(super) fn load_letter(&mut self, node: usize, slot: Slot) {
        let (Some(talk), Some(layout)) = (self.talk[node], self.letters.layout) else { return };
        let (text, target, times_left) = match talk.says {
            Says::Talk => return,
            Says::Text(number) => {
                (&self.letters.texts[number], self.trace.overs[talk.over].target, 1)
            }
            Says::Order(number) => (&self.letters.orders[number], Target::ALL, ORDER_TIMES),
        };
        let station = &mut self.nodes[node].station;
        let Some(key) = station.message_key(station.address(), target) else { return };
        let mut outbox = apart(|| Outbox::new(layout));
        if outbox.load(&key, station.own_origin(slot), text).is_ok() {
            self.letters.out[node] = Some(Sending { outbox, times_left });
        }
    }

    /// The next column of what a station sends whole.
    pub(super) fn next_column(&mut self, node: usize) -> Option<Vec<u8>> {
        let sending = self.letters.out.get_mut(node)?.as_mut()?;
        if sending.outbox.left() == 0 {
            sending.times_left = sending.times_left.saturating_sub(1);
            if sending.times_left == 0 {
                self.letters.out[node] = None;
                return None;
            }
            sending.outbox.repeat();
        }
        let mut payload = vec![0; self.timing.payload_bytes()];
        let length = sending.outbox.next(&mut payload)?;
        payload.truncate(length);
        Some(payload)
    }

    /// A station's driver looks at what was read: it may be part of something whole.
    pub(super) fn take_column(&mut self, from: usize, node: usize, payload: &Payload, body: &[u8]) {
        let Some(layout) = self.letters.layout else { return };
        let station = &mut self.nodes[node].station;
        let origin = station.origin(payload);
        let Some(key) = station.message_key(payload.source, payload.target) else { return };
        let inbox = self.letters.inboxes[node].get_or_insert_with(|| apart(|| Inbox::new(layout)));
        let _ = inbox.take(&key, origin, body);
        let mut arrived: Vec<Vec<u8>> = Vec::new();
        loop {
            match inbox.work() {
                Progress::Working => {}
                Progress::Ready(message) => arrived.push(message.text.to_vec()),
                Progress::Waiting => break,
            }
        }
        for text in arrived {
            if payload.order {
                self.order_arrived(node, &text);
            } else if let Some(Some(talk)) = self.talk.get(from) {
                let sent = match talk.says {
                    Says::Text(number) => self.letters.texts.get(number),
                    Says::Talk | Says::Order(_) => None,
                };
                let (over, at_us) = (talk.over, self.now);
                let intact = sent.is_some_and(|sent| *sent == text);
                self.trace.delivered.push(Delivered { over, node, at_us, intact });
            }
        }
    }
}

/// Makes something large in a frame of its own. In that of its caller, and of whoever takes that
/// one in, room for it would be paid for by every transmission that carries none.
#[inline(never)]
fn apart<T>(make: impl FnOnce() -> T) -> Box<T> {
    Box::new(make())
}
