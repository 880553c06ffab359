//! What happened, for whoever wants to count, draw or read it afterwards.

use super::{Changed, Delivered, Says};
use hopwright_core::address::Target;
use hopwright_core::band::ChannelSet;
use hopwright_core::station::{Event, Mode, Refused};
use hopwright_core::units::{Channel, Lane, Slot};
use std::collections::BTreeMap;

/// How much is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Detail {
    /// Totals, overs and events.
    Totals,
    /// Every transmission besides.
    Transmissions,
    /// The bits of each besides, who waited for it and who heard it, and where every radio was.
    Frames,
}

/// What a transmission carried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    /// A header after the lane's sync word.
    SyncHeader,
    /// A header after a complemented traffic word.
    TrafficHeader,
    /// Payload.
    Payload,
}

/// One transmission.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sent {
    /// True time at which its unique word started, in microseconds.
    pub at_us: u64,
    /// True time at which its last bit ended.
    pub end_us: u64,
    /// Who sent it.
    pub node: usize,
    /// Where.
    pub channel: Channel,
    /// Its slot of home time, as its sender counts; `None` on a cut-in's timeline and on a single
    /// channel.
    pub slot: Option<Slot>,
    /// In which over, by its place in the trace; `None` in an announce or a run of another kind.
    pub over: Option<usize>,
    /// What it carried.
    pub content: Content,
    /// How many radios waited for its word on its channel.
    pub listeners: u32,
    /// How many of them recognised it.
    pub heard: u32,
    /// Whether an interferer covered the channel.
    pub interfered: bool,
}

/// What is kept of a transmission besides, in the order of [`Sent`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// The unique word.
    pub word: u32,
    /// Whether it was on a single channel, apart from the hopping net.
    pub single: bool,
    /// What followed the word on the air: coded and sealed, most significant bit first.
    pub bits: Vec<u8>,
    /// Whose radios waited for the word on the channel, ascending.
    pub awaited_by: Vec<usize>,
    /// Which of them recognised it, ascending.
    pub heard_by: Vec<usize>,
}

/// What a station's radio listens to from a time on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tuning {
    /// True time in microseconds.
    pub at_us: u64,
    /// Whose radio.
    pub node: usize,
    /// To what.
    pub ear: Ear,
}

/// What a radio listens to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ear {
    /// It does not listen: it is off, or transmits.
    Closed,
    /// A channel.
    On(Channel),
    /// It follows the net through a silence, and the simulation does not follow it.
    Unwatched,
}

/// An event of a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Happened {
    /// True time in microseconds.
    pub at_us: u64,
    /// Whose event.
    pub node: usize,
    /// What.
    pub event: Event,
}

/// One over, from press to release.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Over {
    /// Who pressed.
    pub node: usize,
    /// Whom for.
    pub target: Target,
    /// What is said in it.
    pub says: Says,
    /// Whether a relay pressed.
    pub relayed: bool,
    /// True time of the press.
    pub pressed_us: u64,
    /// True time at which the operator was told to go ahead.
    pub ahead_us: Option<u64>,
    /// Whether it was an over of a station without time, on a provisional timeline.
    pub cut_in: bool,
    /// Whether it was an over on a single channel.
    pub single: bool,
    /// True time of the release.
    pub released_us: Option<u64>,
    /// True time at which it was cut off instead: power was lost, or the station gave it up.
    pub cut_us: Option<u64>,
    /// Traffic slots sent.
    pub payload_slots: u32,
    /// Traffic slots that each station was given to read, by node.
    pub payloads_heard: Vec<u32>,
    /// Traffic slots that read differently from what was sent.
    pub payloads_garbled: u32,
    /// Nodes that were told of a call.
    pub called: Vec<usize>,
    /// Nodes that were told that the net is busy.
    pub busy: Vec<usize>,
}

impl Over {
    /// True time at which it ended: `run_end` if it was still on then.
    #[must_use]
    pub fn end_us(&self, run_end: u64) -> u64 {
        self.cut_us.or(self.released_us).unwrap_or(run_end)
    }
}

/// Counts over the whole run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Totals {
    /// Events of the simulation.
    pub steps: u64,
    /// Polls of stations.
    pub polls: u64,
    /// Transmissions.
    pub sent: u64,
    /// Slots' worth of listening to slots that were sent: one for each radio that waited for the
    /// word of a transmission.
    pub listened: u64,
    /// Words recognised.
    pub heard: u64,
    /// Calls after which a station's bound did not contain true net time.
    pub bound_misses: u64,
    /// Calls after which it was looked at: all calls of stations in step.
    pub bound_checks: u64,
    /// Headers of home time that a station in step heard, after which its bound was looked at.
    pub headers_judged: u64,
    /// Of these, headers after which it did not contain true net time.
    pub headers_misled: u64,
    /// Second copies that stations were handed.
    pub duplicates: u64,
    /// Recordings played to stations.
    pub replays: u64,
    /// Second copies of a header that a station took.
    pub duplicates_taken: u64,
    /// Largest distance of a station's phase from true net time at a header, in microseconds.
    pub worst_phase_us: u64,
    /// Transmissions on a channel outside the lane's hopset.
    pub outside_hopset: u64,
    /// Transmissions that began while another station of the net was on the air.
    pub overlapping: u64,
    /// Home transmissions of stations that were not in step.
    pub out_of_step: u64,
    /// Transmissions on a channel of another net's hopset.
    pub shared_channels: u64,
    /// Pairs of transmissions of two nets at one time on one channel.
    pub collisions: u64,
    /// Times that a station took the floor without time.
    pub cut_ins: u64,
}

/// What happened.
#[derive(Debug, Clone, Default)]
pub struct Trace {
    /// Events, in order.
    pub events: Vec<Happened>,
    /// Transmissions, in order, if asked for.
    pub sent: Vec<Sent>,
    /// More of each transmission, if asked for.
    pub frames: Vec<Frame>,
    /// Noise of opponents, in order of its beginnings, if asked for.
    pub noises: Vec<Noise>,
    /// Where every radio was, in order, if asked for.
    pub tunings: Vec<Tuning>,
    /// The last of each node.
    ears: Vec<Option<Ear>>,
    /// When hopping stations of a net began to transmit after half a second or more without a
    /// transmission of theirs, in order.
    pub pieces: Vec<Piece>,
    /// Overs, in order of their presses.
    pub overs: Vec<Over>,
    /// What was said in worlds with relays, by those who were not relays.
    pub spoken: Vec<Spoken>,
    /// What was read of what relays said.
    pub relayed: Vec<Relayed>,
    /// Announces that were carried out: when, and by whom.
    pub announces: Vec<(u64, usize)>,
    /// Modes that stations have gone over to, in order of time: when, which station, to which. A set
    /// that is switched on again hops.
    pub modes: Vec<(u64, usize, Mode)>,
    /// What stations without power were told: when, and which.
    pub powerless: Vec<(u64, usize)>,
    /// Announces that were refused: when, whose, and why.
    pub refused: Vec<(u64, usize, Refused)>,
    /// Presses and changes of mode that were refused.
    pub presses_refused: Vec<(u64, usize, Refused)>,
    /// Changes of the net key that could not be ordered, as their sender had no net time: when, and
    /// which, in the scenario's order.
    pub changes_refused: Vec<(u64, usize)>,
    /// Changes of the net key that were ordered.
    pub changes: Vec<Changed>,
    /// Messages that have come.
    pub delivered: Vec<Delivered>,
    /// Counts.
    pub totals: Totals,
    /// The end of the last transmission of each net.
    last_ends: BTreeMap<Lane, u64>,
    /// What must never happen, and did.
    pub broken: super::Record,
}

/// A spell of noise that an opponent made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Noise {
    /// Which opponent, in the scenario's order.
    pub adversary: usize,
    /// True time at which it began, in microseconds.
    pub from_us: u64,
    /// When it ended, if it has.
    pub to_us: Option<u64>,
    /// The channels that it covered.
    pub channels: ChannelSet,
}

/// A payload, when it was first said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spoken {
    /// In which over, by its place in the trace.
    pub over: usize,
    /// The how manieth payload of it.
    pub number: u32,
    /// True time at which its slot's unique word started.
    pub at_us: u64,
}

/// A payload that was read after it had passed a relay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Relayed {
    /// In which over it was first said.
    pub over: usize,
    /// The how manieth payload of that.
    pub number: u32,
    /// Who read it.
    pub node: usize,
    /// True time at which the slot in which it was read started with its unique word.
    pub at_us: u64,
    /// How many relays it had passed.
    pub relays: u32,
}

/// The beginning of transmissions of one net that follow each other closely.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece {
    /// Whose net.
    pub lane: Lane,
    /// Who began.
    pub node: usize,
    /// True time at which the net's last transmission before had ended; none if it is the first.
    pub silent_since_us: Option<u64>,
    /// True time at which it began.
    pub at_us: u64,
}

impl Piece {
    /// How long the net had been silent before, and when it was so no more.
    #[must_use]
    pub fn silence(&self) -> Option<(u64, u64)> {
        self.silent_since_us.map(|since| (self.at_us - since, self.at_us))
    }
}

/// Transmissions that follow each other sooner than this are of one piece.
const PIECE_US: u64 = 500_000;

impl Trace {
    /// Takes note of a transmission of a hopping station that begins.
    pub(super) fn note_start(&mut self, (lane, node): (Lane, usize), start: u64, end: u64) {
        let last_end = self.last_ends.get(&lane).copied();
        if last_end.is_none_or(|last| start >= last + PIECE_US) {
            self.pieces.push(Piece { lane, node, silent_since_us: last_end, at_us: start });
        }
        self.last_ends.insert(lane, last_end.map_or(end, |last| last.max(end)));
    }

    /// Takes note of what a radio listens to, if that is news.
    pub(super) fn note_ear(&mut self, at_us: u64, node: usize, ear: Ear) {
        if self.ears.len() <= node {
            self.ears.resize(node + 1, None);
        }
        if self.ears[node].replace(ear) != Some(ear) {
            self.tunings.push(Tuning { at_us, node, ear });
        }
    }

    /// The mode of a station at `at`, as far as one can know it who sees the orders that it took.
    #[must_use]
    pub fn mode_at(&self, node: usize, at: u64) -> Mode {
        let mut taken = self.modes.iter().filter(|(t, of, _)| *of == node && *t <= at);
        taken.next_back().map_or(Mode::Hopping, |(_, _, mode)| *mode)
    }

    /// Whether a station had no power when it was told something at `at`.
    pub(crate) fn was_powerless(&self, node: usize, at: u64) -> bool {
        self.powerless.contains(&(at, node))
    }

    /// The true times of a node's events for which `pick` answers.
    pub fn times_of(
        &self,
        node: usize,
        pick: impl Fn(&Event) -> bool,
    ) -> impl Iterator<Item = u64> {
        let own = self.events.iter().filter(move |happened| happened.node == node);
        own.filter(move |happened| pick(&happened.event)).map(|happened| happened.at_us)
    }
}
