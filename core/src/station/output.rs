//! What comes out of a station: actions for the radio, events for the operator, and what became
//! of a reception.

use crate::address::{Address, Target};
use crate::header::Kind;
use crate::sequence::Timeline;
use crate::units::{Channel, Slot, Tick};

/// What the radio does, and until when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct Action {
    /// What the radio does.
    pub radio: Radio,
    /// Since when: the start of a slot, as a rule a little before `poll` was called.
    pub from: Tick,
    /// Until when; poll again then. A deadline at the present instant is due.
    pub until: Tick,
    /// When nothing is heard, no energy is reported and no command is given, polls before this
    /// time may be skipped: the station will not mind having missed them, and an answer at any
    /// instant is the same whether or not the earlier ones were asked for.
    pub poll_by: Tick,
}

/// What the radio does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Radio {
    /// Neither listens nor transmits.
    Off,
    /// Listens.
    Listen {
        /// Where.
        channel: Channel,
        /// The unique word to wait for.
        word: u32,
        /// Whether to wait for its bitwise complement as well.
        complement: bool,
    },
    /// Transmits the unique word, most significant bit first, and then
    /// [`Station::burst`](super::Station::burst).
    Transmit {
        /// Where.
        channel: Channel,
        /// The unique word that opens the slot.
        word: u32,
        /// When the unique word starts.
        at: Tick,
    },
}

/// A unique word that the radio recognised, and what followed it.
#[derive(Debug, Clone, Copy)]
pub struct Reception<'a> {
    /// Where.
    pub channel: Channel,
    /// Which of the words that the station waits for.
    pub word: u32,
    /// The local time at which the unique word started.
    pub at: Tick,
    /// The bits after it, first bit most significant; as many as the radio got.
    pub bits: &'a [u8],
}

/// A traffic slot with something for this station in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Payload {
    /// Whose slot: the net's own, a cut-in's, or one of a single channel.
    pub timeline: Timeline,
    /// The slot.
    pub slot: Slot,
    /// Who speaks.
    pub source: Address,
    /// To whom.
    pub target: Target,
    /// Whether it is part of the order of a change of the net key: for
    /// [`Station::take_order`](super::Station::take_order), once it is whole.
    pub order: bool,
}

/// What became of a reception.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
#[non_exhaustive]
pub enum Heard {
    /// A genuine header of this net, now.
    Header {
        /// Whose slot: the net's own, or a cut-in's.
        timeline: Timeline,
        /// The slot.
        slot: Slot,
        /// What it announces.
        kind: Kind,
    },
    /// A traffic slot of an over for this station;
    /// [`Station::open_payload`](super::Station::open_payload) reads it.
    Payload(Payload),
    /// A traffic slot of an over that is not for this station, or of which it does not know yet
    /// for whom it is.
    Busy,
    /// Nothing; the state did not change.
    Dropped(Dropped),
}

/// Why a reception was dropped. None of these changes anything but a counter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Dropped {
    /// The station does not wait for such a word on such a channel now.
    NotAwaited,
    /// Too short for a header, or no member of the net made it.
    NotGenuine,
    /// A traffic word too early or too late for its slot.
    OutOfPlace,
    /// A genuine header from the past.
    Replayed,
    /// A genuine header from ahead of what the station's own clock allows.
    Ahead,
}

/// Something that the operator or the driver should know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Event {
    /// The station has net time, confirmed. Not told where it gives itself time: by an announce of its own, or
    /// when it speaks on what was left of its time.
    InStep {
        /// The slot in which it was confirmed.
        slot: Slot,
    },
    /// After a long silence the station can no longer meet slots one by one; it waits ahead of
    /// them. [`Event::InStep`] follows when it is met. Told again when the station comes back from a cut-in or
    /// a single channel to such a time; then `slot` is that of its return.
    Coasting {
        /// The slot in which its spread outgrew the guard.
        slot: Slot,
    },
    /// The station has lost net time and searches. Told again behind an over that it has spoken on what was
    /// left of it.
    OutOfStep,
    /// A run of sync slots is heard by a station that is in step already: an announce, or the run before somebody's
    /// over.
    AnnounceHeard {
        /// The slot in which it was first heard.
        slot: Slot,
    },
    /// An over for this station begins, or was found under way; slots of a cut-in count on its own
    /// timeline.
    Call {
        /// Who speaks.
        source: Address,
        /// Whom the call is for.
        target: Target,
        /// The slot in which that became known.
        slot: Slot,
    },
    /// An over is under way that is not for this station. Nothing of it is told.
    Busy {
        /// The slot in which that became known.
        slot: Slot,
    },
    /// The over has ended, or is followed no longer. [`Event::OutOfStep`] ends one as well.
    Clear {
        /// The slot in which that became known.
        slot: Slot,
    },
    /// The operator pressed to speak and may not speak yet.
    HoldOff,
    /// The operator may speak. Told in the last call header's slot, so that a payload handed over
    /// at once goes out with the first traffic slot.
    GoAhead {
        /// The slot after the call headers.
        slot: Slot,
    },
    /// The station stopped its own over or announce because it has lost net time.
    Cut {
        /// The slot in which it stopped.
        slot: Slot,
    },
    /// Store this slot before the power can fail: see [`Watermark`](super::Watermark). It comes once at each start
    /// and then every 2^14 slots (264 times a day at 20 ms; away from home every 13 384 at least). Write it, with a
    /// check, behind the last one, and erase that only when it stands: a wrong number can lock a station out for
    /// years. There is time for that as long as an announce lasts; later, and a timekeeper that starts again says
    /// something in slots that it has used.
    SaveWatermark {
        /// The slot to store.
        slot: Slot,
    },
    /// The timeline has reached its last slot; the net needs a new plan.
    TimelineEnded,
    /// Somebody who does not hop with the net asks for attention on the calling channel. At most
    /// once in the plan's lockout.
    CallWaiting,
    /// There is traffic on the watch channel. At most once in the plan's lockout.
    WatchTraffic,
    /// An order of a change of the net key has been taken. Store its bytes, and hand them to
    /// [`take_order`](super::Station::take_order) again after a restart, until
    /// [`Event::KeysChanged`]. If it is then refused with [`Refused::NotForUs`](super::Refused::NotForUs), the
    /// stored keys are those behind the change already: drop it.
    Ordered {
        /// The slot from which the new key is in use.
        slot: Slot,
    },
    /// The net key has changed. Store what [`keys`](super::Station::keys) gives in place of those
    /// before.
    KeysChanged {
        /// The slot from which the new key is in use: that of the order.
        slot: Slot,
    },
}

/// What was counted since the start. No counter wraps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Counters {
    /// Genuine headers taken.
    pub headers: u32,
    /// Receptions that no member of the net made, or that were too short.
    pub not_genuine: u32,
    /// Receptions that the station did not wait for.
    pub not_awaited: u32,
    /// Traffic words out of place.
    pub out_of_place: u32,
    /// Genuine headers from the past.
    pub replayed: u32,
    /// Genuine headers from ahead of the clock.
    pub ahead: u32,
    /// Polls that came too late for an own slot: that slot, and any before it that were not asked for
    /// either, were not sent.
    pub late: u32,
    /// Events that found the queue full.
    pub events_lost: u32,
}
