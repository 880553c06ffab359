//! The station under attack, and its twin that is left alone.

use super::tries::{MadeUp, Sort};
use crate::diagnostic::Diagnostic;
use crate::keytree::KeyTree;
use crate::plan::Plan;
use crate::scenario::{Builder, RadioPlan, StationPlan};
use crate::world::{CAPACITY, child_bytes, child_seed};
use hopwright_core::address::{Address, Target};
use hopwright_core::clock::{Grip, NetClock};
use hopwright_core::header::{self, Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Action, Heard, Radio, Station};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Lane, Micros, Slot, Tick};
use zeroize::Zeroizing;

/// What a station is busy with when it is attacked.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It has no time and nothing stored.
    Searching,
    /// It has no time, but a stored watermark.
    SearchingStored,
    /// It has heard one header.
    Verifying,
    /// It is in step, in idle watch.
    Watching,
    /// It is in step and follows an over.
    Following,
    /// It is in step and coasts after a silence.
    Coasting,
    /// It coasted, and has met a traffic word that no header has confirmed yet.
    Doubting,
    /// It is in step and follows a cut-in.
    CutIn,
    /// It has no time and follows a cut-in.
    CutInWithoutTime,
}

impl State {
    /// All of them, in the order in which batches take them.
    pub const ALL: [Self; 9] = [
        Self::Searching,
        Self::SearchingStored,
        Self::Verifying,
        Self::Watching,
        Self::Following,
        Self::Coasting,
        Self::Doubting,
        Self::CutIn,
        Self::CutInWithoutTime,
    ];

    /// The state of a batch.
    pub(super) fn of(batch: u64) -> Self {
        let index = usize::try_from(batch % Self::ALL.len() as u64).unwrap_or(0);
        Self::ALL.get(index).copied().unwrap_or(Self::Searching)
    }

    /// What the account calls it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Searching => "searching",
            Self::SearchingStored => "searching, watermark stored",
            Self::Verifying => "verifying a header",
            Self::Watching => "locked, watching",
            Self::Following => "locked, in an over",
            Self::Coasting => "coasting",
            Self::Doubting => "coasting, verifying a word",
            Self::CutIn => "in a cut-in, with time",
            Self::CutInWithoutTime => "in a cut-in, without time",
        }
    }

    /// The timeline by which the station listens.
    pub(super) const fn timeline(self) -> Timeline {
        match self {
            Self::CutIn | Self::CutInWithoutTime => Timeline::CutIn,
            _ => Timeline::Home,
        }
    }
}

/// The station's address.
pub(super) const OWN: Address = Address::new(0x4B);
/// The slot that a stored watermark names.
pub(super) const STORED: u32 = 40_000;
/// A station in search is met in a slot behind that.
const FIRST: u64 = 50_000;
/// The longest silence that a search for a listening slot may take, in polls.
const PATIENCE: u32 = 4_000;

/// A station under attack and its twin.
#[derive(Debug)]
pub(super) struct Pair {
    pub(super) state: State,
    /// Whether it has heard nothing of a run, or its run is over: it waits for traffic words. (Of
    /// states that a run may lead to, half of the stations are still in it.)
    past_run: bool,
    /// Up to where a station without time knows home slots to be past.
    pub(super) stored: Option<Slot>,
    /// The last slot of a cut-in that the station followed before it came into its state: half of
    /// those at home have followed one.
    pub(super) followed: Option<Slot>,
    pub(super) keys: HeaderKeys,
    /// Keys of another net.
    pub(super) strangers: HeaderKeys,
    pub(super) timing: Timing,
    pub(super) now: Tick,
    pub(super) action: Action,
    pub(super) attacked: Box<Station<CAPACITY>>,
    twin: Box<Station<CAPACITY>>,
    /// Net time less local time by a clock that is never off.
    base_us: i64,
    /// The same for the cut-in.
    guest_us: i64,
    expected: Seen,
}

/// What the accessors of a station show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Seen {
    clock: Option<NetClock>,
    flags: [bool; 3],
    slot: Option<Slot>,
    burst: usize,
}

impl Pair {
    /// Two equal stations in a state, under a key of their own.
    pub(super) fn new(plan: &Plan, state: State, seed: u64) -> Result<Self, Diagnostic> {
        let key: [u8; 32] = child_bytes(seed, "key");
        let mut other = key;
        let turned = usize::try_from(child_seed(seed, "turned") % 256).unwrap_or(0);
        other[turned / 8] ^= 1 << (turned % 8);
        let stored =
            state == State::SearchingStored || child_seed(seed, "stored").is_multiple_of(2);
        let stored_slot = (stored && state != State::Searching).then(|| Slot::new(STORED));
        let station = StationPlan {
            ppb: Some(0),
            stored_slot,
            ..StationPlan::member("subject".to_owned(), OWN)
        };
        let radio = RadioPlan::of(Vec::new());
        // It is addressed by keys: a change of them is something that a forgery must not begin.
        let tree = KeyTree::new(Zeroizing::new(other));
        let builder = Builder::with_key(plan, &radio, seed, NetKey::new(key))?.with_tree(tree);
        let mut attacked = Box::new(builder.configure(&station, Station::new)?);
        let twin = Box::new(builder.configure(&station, Station::new)?);
        let slot_us = plan.timing().slot().us();
        let now = Tick::new(1_000_000 + child_seed(seed, "epoch") % (1 << 40));
        let first = FIRST + child_seed(seed, "first") % (1 << 30);
        let guest = child_seed(seed, "guest") % (1 << 30);
        let signed = |slot: u64| (slot * slot_us).cast_signed() - now.us().cast_signed();
        let action = attacked.poll(now);
        let mut pair = Self {
            state,
            past_run: child_seed(seed, "run").is_multiple_of(2),
            stored: stored_slot,
            followed: None,
            keys: HeaderKeys::new(&NetKey::new(key)),
            strangers: HeaderKeys::new(&NetKey::new(other)),
            timing: plan.timing(),
            now,
            action,
            expected: seen(&attacked, now),
            attacked,
            twin,
            base_us: signed(first),
            guest_us: signed(guest),
        };
        let _ = pair.twin.poll(now);
        if state.timeline() == Timeline::Home && child_seed(seed, "followed").is_multiple_of(2) {
            pair.meet_cut_in();
            pair.meet(Timeline::CutIn, Kind::Closing);
            pair.followed = Some(pair.slot_on(Timeline::CutIn));
        }
        pair.bring_to(state);
        pair.settle();
        Ok(pair)
    }

    fn bring_to(&mut self, state: State) {
        if matches!(state, State::Searching | State::SearchingStored) {
            return;
        }
        if state == State::CutInWithoutTime {
            self.meet_cut_in();
            return;
        }
        if state == State::Verifying {
            self.meet(Timeline::Home, if self.past_run { Kind::Over } else { Kind::Announce });
            return;
        }
        self.meet(Timeline::Home, Kind::Announce);
        self.meet(Timeline::Home, Kind::Over);
        if state == State::Following {
            self.meet(Timeline::Home, Kind::Over);
            return;
        }
        self.meet(Timeline::Home, Kind::Closing);
        match state {
            State::Coasting | State::Doubting => {
                let loose = self
                    .attacked
                    .clock()
                    .and_then(|clock| clock.loosens_at(&self.timing, Grip::Locked));
                // An hour where clocks hardly drift at all: the state is then the watch.
                let hour = self.now.plus(Micros::from_millis(3_600_000));
                self.now = loose.map_or(hour, |at| at.plus(Micros::from_millis(90_000)));
                self.poll();
                if state == State::Doubting {
                    self.meet_word();
                }
            }
            State::CutIn => self.meet_cut_in(),
            _ => {}
        }
    }

    /// Both join a cut-in, in its run or, behind that, with its call.
    fn meet_cut_in(&mut self) {
        self.meet(Timeline::CutIn, Kind::CutIn);
        if self.past_run {
            self.meet(Timeline::CutIn, Kind::Over);
        }
    }

    /// Polls both, which must agree.
    fn poll(&mut self) {
        self.action = self.attacked.poll(self.now);
        let _ = self.twin.poll(self.now);
        self.settle();
    }

    /// Empties the queues and takes the present for what must not move.
    fn settle(&mut self) {
        while self.attacked.next_event().is_some() {}
        while self.twin.next_event().is_some() {}
        self.action = self.attacked.poll(self.now);
        let _ = self.twin.poll(self.now);
        self.expected = seen(&self.attacked, self.now);
    }

    /// The next slot of the station, or as much of a long stay as a slot.
    pub(super) fn next_slot(&mut self) {
        let slot = self.now.plus(self.timing.slot());
        self.now = self.action.until.min(slot).max(self.now.plus(Micros::new(1)));
        self.poll();
    }

    /// Local time to net time by an ideal clock.
    fn net_us(&self, timeline: Timeline) -> i64 {
        let base = if timeline == Timeline::CutIn { self.guest_us } else { self.base_us };
        self.now.us().cast_signed() + base
    }

    /// Both hear what a member sends, in the next slot in which they can.
    fn meet(&mut self, timeline: Timeline, kind: Kind) {
        let slot_us = self.timing.slot().us();
        for _ in 0..PATIENCE {
            let into = self.net_us(timeline).rem_euclid(slot_us.cast_signed()).unsigned_abs();
            // A little into the slot: phases differ by microseconds.
            self.now = self.now.plus(Micros::new(slot_us - into + 100));
            self.poll();
            let Some(header) = self.genuine_of(timeline, kind) else { continue };
            let heard = self.hear_both(&header);
            if matches!(heard, Heard::Header { .. }) {
                self.poll();
                return;
            }
        }
    }

    /// Both hear a traffic word in the window in which they coast.
    fn meet_word(&mut self) {
        for _ in 0..PATIENCE {
            if let Radio::Listen { channel, word, complement: true } = self.action.radio {
                let bits = vec![0x5A; self.timing.bytes()];
                let at = self.now.plus(self.timing.word_offset());
                let made_up = MadeUp { sort: Sort::Word, channel, word, at, bits, why: None };
                if self.hear_both(&made_up) == Heard::Busy {
                    self.poll();
                    return;
                }
            }
            self.next_slot();
        }
    }

    fn hear_both(&mut self, made_up: &MadeUp) -> Heard {
        let _ = self.twin.heard(self.now, made_up.reception());
        self.attacked.heard(self.now, made_up.reception())
    }

    /// What a member sends in this very slot, as this station would hear it; `None` if it does
    /// not listen.
    fn genuine_of(&self, timeline: Timeline, kind: Kind) -> Option<MadeUp> {
        let (channel, word, _) = self.listening()?;
        let net = self.net_us(timeline);
        let slot = self.timing.slot_at(net)?;
        let start = self.now.us().saturating_add_signed(self.timing.start_of(slot) - net);
        let at = Tick::new(start).plus(self.timing.word_offset());
        let (source, target) = (Address::new(0x10), Target::ALL);
        let (quality, countdown) = (Quality::of(Micros::new(1_000)), 8);
        let header = Header { slot, source, target, kind, quality, countdown };
        let bits = self.keys.to_bits(header, header::stream(Lane::ZERO, timeline)).to_vec();
        Some(MadeUp { sort: Sort::Random, channel, word, at, bits, why: None })
    }

    /// What a member sends in this very slot.
    pub(super) fn genuine(&self) -> Option<MadeUp> {
        let kind = match self.state {
            State::CutIn | State::CutInWithoutTime if !self.past_run => Kind::CutIn,
            State::Verifying if !self.past_run => Kind::Announce,
            State::Searching | State::SearchingStored => Kind::Announce,
            _ => Kind::Over,
        };
        self.genuine_of(self.state.timeline(), kind)
    }

    /// Channel, header word and, in a traffic slot, the traffic word that the station waits for.
    pub(super) fn listening(&self) -> Option<(Channel, u32, Option<u32>)> {
        match self.action.radio {
            Radio::Listen { channel, word, complement: false } => Some((channel, word, None)),
            Radio::Listen { channel, word, complement: true } => Some((channel, !word, Some(word))),
            _ => None,
        }
    }

    /// The slot under way on the timeline by which the station listens, by the ideal clock.
    pub(super) fn slot(&self) -> Slot {
        self.slot_on(self.state.timeline())
    }

    /// The same on a timeline.
    pub(super) fn slot_on(&self, timeline: Timeline) -> Slot {
        self.timing.slot_at(self.net_us(timeline)).unwrap_or(Slot::ZERO)
    }

    /// Slots by which a genuine header must be old so that this station can know it for a replay;
    /// `None` if it cannot know (specification section 8).
    pub(super) fn old(&self) -> Option<u32> {
        match self.state {
            State::Searching => None,
            // Everything up to the stored slot.
            State::SearchingStored => Some(self.slot().number().saturating_sub(STORED)),
            State::CutIn | State::CutInWithoutTime => Some(2),
            _ => {
                let spread = self.attacked.clock()?.spread(self.now).us();
                let slots = spread.div_ceil(self.timing.slot().us()) + 2;
                u32::try_from(slots).ok()
            }
        }
    }

    /// Gives the attacked station a reception; what came of it, and what moved if anything did.
    pub(super) fn try_out(&mut self, made_up: &MadeUp) -> (Heard, Option<String>) {
        let heard = self.attacked.heard(self.now, made_up.reception());
        let moved = if !matches!(heard, Heard::Dropped(_)) {
            Some("it was taken".to_owned())
        } else if made_up.why.is_some_and(|why| heard != Heard::Dropped(why)) {
            Some(format!("dropped for another reason than {:?}", made_up.why))
        } else if self.attacked.next_event().is_some() {
            Some("an event was told".to_owned())
        } else if self.attacked.poll(self.now) != self.action {
            Some("the action changed".to_owned())
        } else {
            let now = seen(&self.attacked, self.now);
            (now != self.expected).then(|| format!("{:?} became {now:?}", self.expected))
        };
        (heard, moved)
    }

    /// Everything that the attacked station's `Debug` text shows, but for its counters.
    pub(super) fn text(&self) -> String {
        without_counters(format!("{:?}", self.attacked))
    }

    /// Whether the attacked station still is what its twin is: `None`, or what differs. Both are
    /// given a genuine header and must take it, so that keys are compared by their use.
    pub(super) fn aftermath(&mut self) -> Option<String> {
        for _ in 0..PATIENCE {
            let Some(genuine) = self.genuine() else {
                self.next_slot();
                continue;
            };
            let attacked = self.attacked.heard(self.now, genuine.reception());
            let twin = self.twin.heard(self.now, genuine.reception());
            if attacked != twin {
                return Some(format!("a genuine header: {attacked:?}, by the twin {twin:?}"));
            }
            if !matches!(attacked, Heard::Header { .. }) {
                // What neither takes compares no keys.
                return Some(format!("a genuine header is taken by neither: {attacked:?}"));
            }
            loop {
                let (attacked, twin) = (self.attacked.next_event(), self.twin.next_event());
                if attacked != twin {
                    return Some(format!("events: {attacked:?}, by the twin {twin:?}"));
                }
                if attacked.is_none() {
                    break;
                }
            }
            // A few slots on: the sequence is what it was.
            for _ in 0..4 {
                let (attacked, twin) = (self.attacked.poll(self.now), self.twin.poll(self.now));
                if attacked != twin {
                    return Some(format!("actions: {attacked:?}, by the twin {twin:?}"));
                }
                self.now = attacked.until;
            }
            let twin = without_counters(format!("{:?}", self.twin));
            return (self.text() != twin).then(|| "inner state differs from the twin's".to_owned());
        }
        Some("the station never listens again".to_owned())
    }

    /// Reports energy where the station listens.
    #[cfg(test)]
    pub(super) fn sense(&mut self) {
        let (channel, ..) = self.listening().expect("listening");
        for _ in 0..2 {
            self.attacked.energy(self.now, channel, hopwright_core::units::Dbm::new(0));
        }
    }
}

fn seen(station: &Station<CAPACITY>, now: Tick) -> Seen {
    Seen {
        clock: station.clock().copied(),
        flags: [station.in_step(), station.holds_floor(), station.cuts_in()],
        slot: station.slot(now),
        burst: station.burst().len(),
    }
}

/// Cuts the counters out of a station's `Debug` text: they may move.
fn without_counters(mut text: String) -> String {
    if let Some(start) = text.find("counters: Counters {")
        && let Some(length) = text[start..].find('}')
    {
        text.replace_range(start..=start + length, "");
    }
    text
}
