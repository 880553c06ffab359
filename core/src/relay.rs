//! A relay: two stations back to back, each on a net of its own (specification section 11).
//!
//! What one of them is given to read in an over for the relay's target, the other says on its
//! net. Two rules keep this from doing harm:
//!
//! * **Never two transmitters of one site on one channel.** A pair whose hopsets share a channel
//!   is refused.
//! * **Nothing goes round.** Every payload of a net with relays begins with a [`Tag`]: the nets
//!   that it has been on. A relay puts nothing on a net where it has been already, nor anything
//!   that has passed as many relays as the limit says. Whatever relays connect, a payload so
//!   reaches each net once from each relay at most, and stops.
//!
//! The [`Relay`] decides; whoever drives the two stations carries it out.
//!
//! ```text
//!       Event::Call ─► called()   ┌───────┐  wish() ─► Command::Press, Release
//!      payload read ─► read()     │ Relay │
//!  Clear, OutOfStep ─► ended()    └───────┘  next() ─► queue_payload() of the other station
//! ```

use crate::address::Target;
use crate::units::{Channel, Lane};
use core::cmp::Ordering;
use heapless::{Deque, Vec};

/// Bytes of a tag, before the payload proper.
pub const TAG_BYTES: usize = 4;
/// The relays that a payload may pass, unless somebody says otherwise. Ours: each costs the delay
/// of an over's opening.
pub const MOST_RELAYS: u8 = 3;

/// The nets that a payload has been on: a bit for each, little-endian on the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tag(u32);

impl Tag {
    /// The tag of a payload that is first said on `net`.
    #[must_use]
    pub const fn of(net: Lane) -> Self {
        Self(1_u32 << (net.number() & 31))
    }

    /// The tag at the head of a payload, and what follows it; `None` if there is none.
    #[must_use]
    pub fn split(payload: &[u8]) -> Option<(Self, &[u8])> {
        let (tag, body) = payload.split_first_chunk::<TAG_BYTES>()?;
        let tag = u32::from_le_bytes(*tag);
        (tag != 0).then_some((Self(tag), body))
    }

    /// The tag as it stands before the payload.
    #[must_use]
    pub const fn to_bytes(self) -> [u8; TAG_BYTES] {
        self.0.to_le_bytes()
    }

    /// Whether the payload has been on `net`.
    #[must_use]
    pub const fn has_been_on(self, net: Lane) -> bool {
        self.0 & Self::of(net).0 != 0
    }

    /// How many relays it has passed, 0 to 31.
    #[must_use]
    pub const fn relays(self) -> u32 {
        self.0.count_ones().saturating_sub(1)
    }

    const fn and(self, net: Lane) -> Self {
        Self(self.0 | Self::of(net).0)
    }
}

/// One of a relay's two stations.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Side {
    /// The first.
    A,
    /// The second.
    B,
}

impl Side {
    /// The other one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

/// The net that a side belongs to.
#[derive(Debug, Clone, Copy)]
pub struct Port<'a> {
    /// The net's number among those that relays connect: its lane.
    pub net: Lane,
    /// Its hopset, ascending.
    pub channels: &'a [Channel],
}

/// Why two stations make no relay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum RelayError {
    /// Both are on one net.
    SameNet(Lane),
    /// Both nets use a channel: two transmitters of one site would meet on it.
    SharedChannel(Channel),
    /// With this limit nothing would be relayed.
    NoRelays,
}

impl core::fmt::Display for RelayError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::SameNet(net) => write!(f, "both stations are on net {net}"),
            Self::SharedChannel(channel) => write!(
                f,
                "both nets use channel {channel}, and two transmitters of one site must not"
            ),
            Self::NoRelays => f.write_str("a limit of no relays leaves nothing to relay"),
        }
    }
}

impl core::error::Error for RelayError {}

/// Why a payload that was read is not said again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum NotRelayed {
    /// The over is not for the relay's target.
    OtherTarget,
    /// It bears no tag.
    NoTag,
    /// It has been on the other net already.
    BeenThere(Lane),
    /// It has passed as many relays as it may.
    TooFar(u32),
    /// It is longer than the relay's buffers.
    TooLong(usize),
    /// Too many wait already.
    Full,
}

/// What a side's operator would do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Wish {
    /// Ask for the floor.
    Press(Target),
    /// Give it up.
    Release,
}

/// Two stations back to back. Up to `DEPTH` payloads of up to `BYTES` bytes, tags included, wait
/// in each direction. Every call but [`new`](Self::new) is constant work and a copy of a payload.
#[derive(Debug)]
pub struct Relay<const DEPTH: usize, const BYTES: usize> {
    net_a: Lane,
    net_b: Lane,
    target: Target,
    limit: u8,
    from_a: Way<DEPTH, BYTES>,
    from_b: Way<DEPTH, BYTES>,
}

/// One direction.
#[derive(Debug)]
struct Way<const DEPTH: usize, const BYTES: usize> {
    /// An over for the relay's target is under way on the net that is read.
    over: bool,
    /// The side that speaks has asked for the floor, or has it.
    pressed: bool,
    waiting: Deque<Vec<u8, BYTES>, DEPTH>,
}

impl<const DEPTH: usize, const BYTES: usize> Way<DEPTH, BYTES> {
    const fn new() -> Self {
        Self { over: false, pressed: false, waiting: Deque::new() }
    }
}

impl<const DEPTH: usize, const BYTES: usize> Relay<DEPTH, BYTES> {
    /// A relay that carries overs for exactly `target` between two nets, and nothing that has
    /// passed `limit` relays before. One walk over both hopsets.
    ///
    /// # Errors
    /// [`RelayError`] if the two make no relay.
    pub fn new(a: Port<'_>, b: Port<'_>, target: Target, limit: u8) -> Result<Self, RelayError> {
        if a.net == b.net {
            return Err(RelayError::SameNet(a.net));
        }
        if limit == 0 {
            return Err(RelayError::NoRelays);
        }
        let (mut left, mut right) = (a.channels.iter().peekable(), b.channels.iter().peekable());
        while let (Some(x), Some(y)) = (left.peek(), right.peek()) {
            match x.cmp(y) {
                Ordering::Less => drop(left.next()),
                Ordering::Greater => drop(right.next()),
                Ordering::Equal => return Err(RelayError::SharedChannel(**x)),
            }
        }
        let (from_a, from_b) = (Way::new(), Way::new());
        Ok(Self { net_a: a.net, net_b: b.net, target, limit, from_a, from_b })
    }

    /// The station of `side` was told of a call ([`Event::Call`](crate::station::Event::Call)).
    pub fn called(&mut self, side: Side, target: Target) {
        let ours = target == self.target;
        self.way_from(side).over = ours;
    }

    /// The over on the net of `side` has ended, or its station has lost it.
    pub fn ended(&mut self, side: Side) {
        self.way_from(side).over = false;
    }

    /// The station of `side` was given a payload to read.
    ///
    /// # Errors
    /// [`NotRelayed`]: it is not said on the other net.
    pub fn read(&mut self, side: Side, payload: &[u8]) -> Result<(), NotRelayed> {
        let to = self.net(side.other());
        let limit = u32::from(self.limit);
        let way = self.way_from(side);
        if !way.over {
            return Err(NotRelayed::OtherTarget);
        }
        let (tag, body) = Tag::split(payload).ok_or(NotRelayed::NoTag)?;
        if tag.has_been_on(to) {
            return Err(NotRelayed::BeenThere(to));
        }
        if tag.relays() >= limit {
            return Err(NotRelayed::TooFar(tag.relays()));
        }
        let mut copy = Vec::new();
        let stamped = copy.extend_from_slice(&tag.and(to).to_bytes());
        if stamped.and_then(|()| copy.extend_from_slice(body)).is_err() {
            return Err(NotRelayed::TooLong(payload.len()));
        }
        way.waiting.push_back(copy).map_err(|_| NotRelayed::Full)
    }

    /// What the operator of `side` would do now, for what the other side reads. Asked again, it
    /// says the same until [`pressed`](Self::pressed) or [`released`](Self::released) is told.
    ///
    /// The relay does not see when the station takes the payload that [`next`](Self::next) gave: release
    /// when it has, and [`queue_payload`](crate::station::Station::queue_payload) no longer refuses an
    /// empty one as [`Full`](crate::station::Refused::Full). What still waits at a release is dropped.
    #[must_use]
    pub fn wish(&self, side: Side) -> Option<Wish> {
        let way = match side {
            Side::A => &self.from_b,
            Side::B => &self.from_a,
        };
        match (way.pressed, way.waiting.is_empty()) {
            (false, false) => Some(Wish::Press(self.target)),
            (true, true) if !way.over => Some(Wish::Release),
            (true | false, _) => None,
        }
    }

    /// The station of `side` has taken the wish for the floor.
    pub fn pressed(&mut self, side: Side) {
        self.way_from(side.other()).pressed = true;
    }

    /// The station of `side` has given the floor up, or has lost it: what waits is no longer of
    /// use.
    pub fn released(&mut self, side: Side) {
        let way = self.way_from(side.other());
        way.pressed = false;
        way.waiting.clear();
    }

    /// What `side` says in its next traffic slot; `None` if nothing waits. It is lost if the station then refuses it: ask
    /// first, by an empty one, whether the last has gone.
    pub fn next(&mut self, side: Side) -> Option<Vec<u8, BYTES>> {
        self.way_from(side.other()).waiting.pop_front()
    }

    /// The net of a side.
    #[must_use]
    pub const fn net(&self, side: Side) -> Lane {
        match side {
            Side::A => self.net_a,
            Side::B => self.net_b,
        }
    }

    const fn way_from(&mut self, side: Side) -> &mut Way<DEPTH, BYTES> {
        match side {
            Side::A => &mut self.from_a,
            Side::B => &mut self.from_b,
        }
    }
}

#[cfg(test)]
mod tests;
