//! What goes over the border: numbers only, so that any bytes are one of each.

use hopwright_core::address::{Address, Target};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{self, Mode, Radio, Watermark};
use hopwright_core::units::{Channel, Slot, Tick};

/// Neither listens nor transmits.
pub const RADIO_OFF: u32 = 0;
/// Listens for `word` on `channel`, and for its bitwise complement if `complement` is 1.
pub const RADIO_LISTEN: u32 = 1;
/// Transmits `word` on `channel` from `at_us` on, and then the burst.
pub const RADIO_TRANSMIT: u32 = 2;

/// Nothing was ever stored under this net key, the `key_name` of `hw_plan`.
pub const WATERMARK_FRESH: u32 = 0;
/// `watermark_slot` was stored.
pub const WATERMARK_STORED: u32 = 1;
/// Something was stored and cannot be read.
pub const WATERMARK_LOST: u32 = 2;

/// The form of a target that is everyone but one.
pub const TARGET_ALL_BUT: u8 = 15;

/// Nothing of it was taken.
pub const HEARD_DROPPED: u32 = 0;
/// A genuine header.
pub const HEARD_HEADER: u32 = 1;
/// A payload for this station: `hw_open_payload` reads it.
pub const HEARD_PAYLOAD: u32 = 2;
/// A slot of an over that is for others, or that it is not known yet for whom.
pub const HEARD_BUSY: u32 = 3;

/// An event of a later version.
pub const EVENT_OTHER: u32 = 0;
/// The station has net time, confirmed.
pub const EVENT_IN_STEP: u32 = 1;
/// The station has lost net time and searches.
pub const EVENT_OUT_OF_STEP: u32 = 2;
/// A run of sync slots is heard by a station in step: an announce, or the run before an over.
pub const EVENT_ANNOUNCE_HEARD: u32 = 3;
/// An over for this station.
pub const EVENT_CALL: u32 = 4;
/// An over for others.
pub const EVENT_BUSY: u32 = 5;
/// The over has ended.
pub const EVENT_CLEAR: u32 = 6;
/// The operator pressed and may not speak yet.
pub const EVENT_HOLD_OFF: u32 = 7;
/// The operator may speak.
pub const EVENT_GO_AHEAD: u32 = 8;
/// The station stopped its own over: it has lost net time.
pub const EVENT_CUT: u32 = 9;
/// Store slot before the power can fail, with the key's name: for `hw_start`. Within as long as an announce lasts.
pub const EVENT_SAVE_WATERMARK: u32 = 10;
/// No slots are left: the net needs a new plan.
pub const EVENT_TIMELINE_ENDED: u32 = 11;
/// Slots can no longer be met one by one.
pub const EVENT_COASTING: u32 = 12;
/// Somebody asks for attention on the calling channel.
pub const EVENT_CALL_WAITING: u32 = 13;
/// There is traffic on the watch channel.
pub const EVENT_WATCH_TRAFFIC: u32 = 14;
/// An order of a change of keys has been taken: store its bytes until the keys change.
pub const EVENT_ORDERED: u32 = 15;
/// The net key has changed: store what `hw_renew` writes.
pub const EVENT_KEYS_CHANGED: u32 = 16;

/// It hops with its net, sealed.
pub const MODE_HOPPING: u32 = 0;
/// It stays on the calling channel, sealed with the keys of its net.
pub const MODE_SINGLE_SEALED: u32 = 1;
/// It stays on the calling channel and speaks in the clear: anybody can hear what is said.
pub const MODE_SINGLE_PLAIN: u32 = 2;

/// What a station's storage says, and its seed.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Start {
    /// Spreads the choices that no key decides: another one at every start, and at every station, of
    /// entropy or of the chip's number mixed with a count of starts that is stored before. With the same,
    /// two cut-ins may be under one keystream, and two stations begin on top of each other.
    pub seed: u64,
    /// One of `WATERMARK_`.
    pub watermark: u32,
    /// The slot that was stored.
    pub watermark_slot: u32,
}

impl Start {
    pub(crate) const fn watermark(&self) -> Option<Watermark> {
        match self.watermark {
            WATERMARK_FRESH => Some(Watermark::Fresh),
            WATERMARK_STORED => Some(Watermark::Stored(Slot::new(self.watermark_slot))),
            WATERMARK_LOST => Some(Watermark::Lost),
            _ => None,
        }
    }
}

/// What the radio does, and until when.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Action {
    /// Since when.
    pub from_us: u64,
    /// Until when; poll again then.
    pub until_us: u64,
    /// If nothing is heard, reported or commanded, polls before this time may be left out, those at `until_us`
    /// as well: the answer will be the same.
    pub poll_by_us: u64,
    /// When a unique word starts: what would start more than half of the plan's jitter later is not sent.
    pub at_us: u64,
    /// One of `RADIO_`.
    pub radio: u32,
    /// The unique word.
    pub word: u32,
    /// The channel.
    pub channel: u16,
    /// Whether the word's complement is waited for as well. If so, a payload follows the word, the bits of
    /// `hw_plan`, and a header of `HEADER_BYTES` its complement. If not, a header follows the word.
    pub complement: u8,
    /// Nothing.
    pub unused: [u8; 5],
}

impl Action {
    pub(crate) const fn of(action: &station::Action) -> Self {
        let station::Action { radio, from, until, poll_by } = *action;
        let (radio, channel, word, complement, at) = match radio {
            Radio::Listen { channel, word, complement } => {
                (RADIO_LISTEN, channel.number(), word, complement, Tick::ZERO)
            }
            Radio::Transmit { channel, word, at } => {
                (RADIO_TRANSMIT, channel.number(), word, false, at)
            }
            _ => (RADIO_OFF, 0, 0, false, Tick::ZERO),
        };
        Self {
            from_us: from.us(),
            until_us: until.us(),
            poll_by_us: poll_by.us(),
            at_us: at.us(),
            radio,
            word,
            channel,
            complement: complement as u8,
            unused: [0; 5],
        }
    }
}

/// A unique word that the radio recognised, and what followed it.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reception {
    /// When the word started, to within half of the plan's jitter.
    pub at_us: u64,
    /// The bits after it, first bit most significant.
    pub bits: *const u8,
    /// Their number of bytes.
    pub length: usize,
    /// Which of the words that were waited for.
    pub word: u32,
    /// Where.
    pub channel: u16,
    /// Nothing.
    pub unused: [u8; 2],
}

impl Reception {
    pub(crate) fn with<'a>(&self, bits: &'a [u8]) -> Option<station::Reception<'a>> {
        let (word, at) = (self.word, Tick::new(self.at_us));
        Some(station::Reception { channel: channel(self.channel)?, word, at, bits })
    }
}

/// A traffic slot with something for this station in it.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Payload {
    /// The slot.
    pub slot: u32,
    /// Whose slots these are: 0 the net's, 1 a cut-in's, 2 a single channel's.
    pub timeline: u8,
    /// Who speaks.
    pub source: u8,
    /// To whom: address,
    pub target_address: u8,
    /// and form.
    pub target_form: u8,
    /// Whether it is part of an order of a change of keys.
    pub order: u8,
    /// Nothing.
    pub unused: [u8; 3],
}

impl Payload {
    fn of(payload: &station::Payload) -> Self {
        Self {
            slot: payload.slot.number(),
            timeline: timeline_number(payload.timeline),
            source: payload.source.number(),
            target_address: payload.target.address().number(),
            target_form: form(payload.target),
            order: u8::from(payload.order),
            unused: [0; 3],
        }
    }

    pub(crate) fn read(&self) -> Option<station::Payload> {
        let timelines = [Timeline::Home, Timeline::CutIn, Timeline::Single];
        Some(station::Payload {
            timeline: *timelines.get(usize::from(self.timeline))?,
            slot: Slot::new(self.slot),
            source: Address::new(self.source),
            target: target(self.target_address, self.target_form)?,
            order: self.order != 0,
        })
    }
}

/// What became of a reception.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Heard {
    /// One of `HEARD_`.
    pub what: u32,
    /// The slot of a header.
    pub slot: u32,
    /// The payload, if it is one.
    pub payload: Payload,
}

impl Heard {
    pub(crate) fn of(heard: station::Heard) -> Self {
        let none = Payload::default();
        match heard {
            station::Heard::Header { slot, .. } => {
                Self { what: HEARD_HEADER, slot: slot.number(), payload: none }
            }
            station::Heard::Payload(payload) => {
                let slot = payload.slot.number();
                Self { what: HEARD_PAYLOAD, slot, payload: Payload::of(&payload) }
            }
            station::Heard::Busy => Self { what: HEARD_BUSY, slot: 0, payload: none },
            _ => Self { what: HEARD_DROPPED, slot: 0, payload: none },
        }
    }
}

/// Something that the operator or the driver should know.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Event {
    /// One of `EVENT_`.
    pub what: u32,
    /// The slot, of events that have one.
    pub slot: u32,
    /// Who calls.
    pub source: u8,
    /// Whom the call is for: address,
    pub target_address: u8,
    /// and form.
    pub target_form: u8,
    /// Nothing.
    pub unused: u8,
}

impl Event {
    pub(crate) fn of(event: station::Event) -> Self {
        use station::Event as E;
        let plain = |what| Self { what, ..Self::default() };
        let at = |what, slot: Slot| Self { what, slot: slot.number(), ..Self::default() };
        match event {
            E::InStep { slot } => at(EVENT_IN_STEP, slot),
            E::OutOfStep => plain(EVENT_OUT_OF_STEP),
            E::AnnounceHeard { slot } => at(EVENT_ANNOUNCE_HEARD, slot),
            E::Call { source, target, slot } => Self {
                source: source.number(),
                target_address: target.address().number(),
                target_form: form(target),
                ..at(EVENT_CALL, slot)
            },
            E::Busy { slot } => at(EVENT_BUSY, slot),
            E::Clear { slot } => at(EVENT_CLEAR, slot),
            E::HoldOff => plain(EVENT_HOLD_OFF),
            E::GoAhead { slot } => at(EVENT_GO_AHEAD, slot),
            E::Cut { slot } => at(EVENT_CUT, slot),
            E::SaveWatermark { slot } => at(EVENT_SAVE_WATERMARK, slot),
            E::TimelineEnded => plain(EVENT_TIMELINE_ENDED),
            E::Coasting { slot } => at(EVENT_COASTING, slot),
            E::CallWaiting => plain(EVENT_CALL_WAITING),
            E::WatchTraffic => plain(EVENT_WATCH_TRAFFIC),
            E::Ordered { slot } => at(EVENT_ORDERED, slot),
            E::KeysChanged { slot } => at(EVENT_KEYS_CHANGED, slot),
            _ => plain(EVENT_OTHER),
        }
    }
}

/// Where a station is, and how it uses its radio.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct State {
    /// By how much its net time may be off; the largest number if it knows none.
    pub half_width_us: u64,
    /// The slot under way, if it is in step.
    pub slot: u32,
    /// One of `MODE_`.
    pub mode: u32,
    /// Whether it has confirmed net time.
    pub in_step: u8,
    /// Whether it transmits, or is about to.
    pub holds_floor: u8,
    /// Whether it has taken the floor without time.
    pub cuts_in: u8,
    /// Whether what it sends now is under its net key: not in the clear, nor under the key before.
    pub uses_net_key: u8,
    /// Its address.
    pub address: u8,
    /// Whether it has a share of the key tree.
    pub has_share: u8,
    /// How many changes of the net key the share has seen.
    pub generation: u8,
    /// Nothing.
    pub unused: u8,
}

impl State {
    pub(crate) fn of(station: &crate::Member, now: Tick) -> Self {
        let (_, share) = station.keys();
        Self {
            half_width_us: station.clock().map_or(u64::MAX, |clock| clock.half_width(now).us()),
            slot: station.slot(now).map_or(0, Slot::number),
            mode: match station.mode() {
                Mode::Hopping => MODE_HOPPING,
                Mode::SingleSealed => MODE_SINGLE_SEALED,
                Mode::SinglePlain => MODE_SINGLE_PLAIN,
            },
            in_step: u8::from(station.in_step()),
            holds_floor: u8::from(station.holds_floor()),
            cuts_in: u8::from(station.cuts_in()),
            uses_net_key: u8::from(station.uses_net_key()),
            address: station.address().number(),
            has_share: u8::from(share.is_some()),
            generation: share.map_or(0, |share| share.generation()),
            unused: 0,
        }
    }
}

/// What was counted since the start.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counters {
    /// Genuine headers taken.
    pub headers: u32,
    /// Receptions that no member of the net made.
    pub not_genuine: u32,
    /// Receptions that were not waited for.
    pub not_awaited: u32,
    /// Traffic words out of place.
    pub out_of_place: u32,
    /// Genuine headers from the past.
    pub replayed: u32,
    /// Genuine headers from ahead of the clock.
    pub ahead: u32,
    /// Polls that came too late for an own slot. Slots that were skipped whole are not counted.
    pub late: u32,
    /// Events that found the queue full.
    pub events_lost: u32,
}

impl Counters {
    pub(crate) const fn of(counters: &station::Counters) -> Self {
        Self {
            headers: counters.headers,
            not_genuine: counters.not_genuine,
            not_awaited: counters.not_awaited,
            out_of_place: counters.out_of_place,
            replayed: counters.replayed,
            ahead: counters.ahead,
            late: counters.late,
            events_lost: counters.events_lost,
        }
    }
}

pub(crate) const fn channel(number: u16) -> Option<Channel> {
    Channel::new(number)
}

pub(crate) const fn mode(number: u32) -> Option<Mode> {
    match number {
        MODE_HOPPING => Some(Mode::Hopping),
        MODE_SINGLE_SEALED => Some(Mode::SingleSealed),
        MODE_SINGLE_PLAIN => Some(Mode::SinglePlain),
        _ => None,
    }
}

pub(crate) const fn target(address: u8, form: u8) -> Option<Target> {
    match form {
        TARGET_ALL_BUT => Some(Target::all_but(Address::new(address))),
        length => Target::prefix(Address::new(address), length),
    }
}

fn form(target: Target) -> u8 {
    target.prefix_length().unwrap_or(TARGET_ALL_BUT)
}

const fn timeline_number(timeline: Timeline) -> u8 {
    match timeline {
        Timeline::CutIn => 1,
        Timeline::Single => 2,
        _ => 0,
    }
}
