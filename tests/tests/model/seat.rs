//! One station, what is known of it, and what is asserted after each of its calls.

use hopwright_core::address::Address;
use hopwright_core::band::{Hopset, Pick};
use hopwright_core::clock::{Grip, NetClock};
use hopwright_core::header::{Header, HeaderKeys, Kind};
use hopwright_core::sequence::{Draw, Structure, Timeline};
use hopwright_core::station::{
    Action, CUT_IN_TIMEOUT, Command, Config, Dropped, Event, FixedChannels, Heard, Radio,
    Reception, Refused, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Dbm, Lane, Tick};
use hopwright_tests::plans::{clock_plan, key, raster};
use std::hash::{Hash, Hasher};
use std::sync::Arc;

/// Channels of the net.
const CHANNELS: u16 = 6;
/// The station under test.
pub(crate) type Core = Station<{ CHANNELS as usize }>;

/// Long slots, so that spans that the core counts in seconds last few of them.
pub(crate) fn timing() -> Timing {
    Timing::new(200_000, 1_000, 500, 2_000).expect("a slot of 0.2 s")
}

/// The length of a slot, in microseconds.
pub(crate) const SLOT_US: u64 = 200_000;

/// What is asserted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Invariant {
    Hopset,
    Floor,
    Replay,
    Bound,
    CutIn,
}

/// A fault that is planted on purpose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Plant {
    None,
    /// After a cut-in it has forgotten home time.
    ForgetsHome,
    /// What it should refuse as a replay it takes for a header of this very slot.
    TakesReplays,
    /// It talks without having told its operator to go ahead.
    TalksEarly,
    /// A timekeeper whose storage is lost starts a timeline all the same.
    ForgetsWatermark,
}

/// One station and what is known of it.
#[derive(Clone)]
pub(crate) struct Seat {
    number: u8,
    plant: Plant,
    tolerance_ppb: u32,
    pub(crate) core: Arc<Core>,
    pub(crate) action: Option<Action>,
    /// What its storage would say.
    pub(crate) storage: Watermark,
    /// It had home time after the last call.
    had_time: bool,
    /// Local time until which it may order payload.
    may_talk: Tick,
    /// Home time as it was when a cut-in was joined, and when that was last heard.
    guest: Option<(Option<NetClock>, Tick)>,
    /// It has taken a recording for a first header, as one without a watermark may.
    pub(crate) led: bool,
    sessions: u8,
}

/// What came of a call, for the net.
#[derive(Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) broken: Option<Invariant>,
    pub(crate) events: Vec<Event>,
    /// It had time, followed a cut-in, and is back.
    pub(crate) returned: bool,
}

impl Outcome {
    fn blame(&mut self, holds: bool, invariant: Invariant) {
        if !holds {
            self.broken.get_or_insert(invariant);
        }
    }
}

impl Seat {
    pub(crate) fn new(number: u8, tolerance_ppb: u32, plant: Plant) -> Self {
        let core = Arc::new(Self::make(number, tolerance_ppb, Watermark::Fresh, 0));
        Self {
            number,
            plant,
            tolerance_ppb,
            core,
            action: None,
            storage: Watermark::Fresh,
            had_time: false,
            may_talk: Tick::ZERO,
            guest: None,
            led: false,
            sessions: 0,
        }
    }

    fn make(number: u8, tolerance_ppb: u32, watermark: Watermark, session: u8) -> Core {
        let (key, raster) = (key(5), raster(CHANNELS));
        let hopset = Hopset::derive(&key, &raster, &raster.all(), Pick::All, None, Lane::ZERO);
        let structure = Structure {
            frame: 4,
            rendezvous: 2,
            window: 2,
            draw: Draw::Independent,
            equal_use: false,
        };
        Station::new(Config {
            key: &key,
            hopset: hopset.expect("six channels"),
            structure,
            lane: Lane::ZERO,
            draw_lane: Lane::ZERO,
            timing: timing(),
            clock: clock_plan(tolerance_ppb),
            announce_slots: 8,
            energy_threshold: Dbm::new(-95),
            fixed: FixedChannels::NONE,
            address: Address::new(number),
            role: if number == 0 { Role::Timekeeper } else { Role::Member },
            share: None,
            watermark,
            seed: u64::from(number) + 16 * u64::from(session),
        })
        .expect("a station")
    }

    /// Its clock: each was started at another time.
    pub(crate) fn local(&self, now: u64) -> Tick {
        Tick::new(now + 7_654_321 * u64::from(self.number))
    }

    /// The true time of a local one.
    pub(crate) fn world(&self, at: Tick) -> u64 {
        at.us().saturating_sub(7_654_321 * u64::from(self.number))
    }

    pub(crate) fn poll(&mut self, now: u64) -> Outcome {
        let local = self.local(now);
        let action = Arc::make_mut(&mut self.core).poll(local);
        let mut outcome = Outcome::default();
        let changed = self.action.is_none_or(|before| before.radio != action.radio);
        self.action = Some(action);
        self.drain(local, &mut outcome);
        if changed && let Radio::Transmit { channel, .. } = action.radio {
            let in_hopset = self.core.sequence().hopset().contains(channel);
            outcome.blame(in_hopset, Invariant::Hopset);
            outcome.blame(self.may_send(local), Invariant::Floor);
        }
        outcome
    }

    /// Invariant 2: a home over with a grip on time only, and in hold-off none at all.
    fn may_send(&self, local: Tick) -> bool {
        let keys = HeaderKeys::new(&key(5));
        let bits = self.core.burst();
        let header = |timeline: Timeline| {
            bits.first_chunk().and_then(|bits| keys.from_bits(bits, timeline.bit()))
        };
        let go_ahead = local <= self.may_talk;
        if self.core.cuts_in() {
            return match header(Timeline::CutIn) {
                Some(header) => matches!(header.kind, Kind::CutIn | Kind::Closing),
                None => go_ahead,
            };
        }
        let grip = self.core.clock().map(|clock| clock.grip(&timing(), local));
        let held = self.core.in_step() && grip.is_some_and(|grip| grip != Grip::Lost);
        held && match header(Timeline::Home) {
            Some(header) => Some(header.slot) == self.core.slot(local),
            None => go_ahead,
        }
    }

    pub(crate) fn command(&mut self, now: u64, command: Command) -> (Result<(), Refused>, Outcome) {
        let local = self.local(now);
        let mut outcome = Outcome::default();
        let lost = command == Command::Announce && self.storage == Watermark::Lost;
        if lost && self.plant == Plant::ForgetsWatermark && !self.core.in_step() {
            let fresh = Self::make(self.number, self.tolerance_ppb, Watermark::Fresh, 9);
            self.core = Arc::new(fresh);
        }
        let had_time = self.core.in_step();
        let answer = Arc::make_mut(&mut self.core).command(local, command);
        if answer.is_ok() {
            if command == Command::Release {
                self.may_talk = self.may_talk.min(local);
            }
            // Invariant 3: what was on the air once must not be sent again as news.
            outcome.blame(!lost || had_time, Invariant::Replay);
        }
        self.drain(local, &mut outcome);
        (answer, outcome)
    }

    /// Whether a cut-in is being followed.
    pub(crate) const fn follows_cut_in(&self) -> bool {
        self.guest.is_some()
    }

    /// The power fails for an instant; `storage` is what it finds then.
    pub(crate) fn power_cycle(&mut self, storage: Watermark) {
        self.sessions += 1;
        let core = Self::make(self.number, self.tolerance_ppb, storage, self.sessions);
        let (number, plant, tolerance, sessions) =
            (self.number, self.plant, self.tolerance_ppb, self.sessions);
        *self =
            Self { core: Arc::new(core), storage, sessions, ..Self::new(number, tolerance, plant) };
    }

    /// Hears something. `honest` tells a member's transmission in its time from one that was
    /// changed, doubled or replayed, and must change nothing.
    pub(crate) fn hear(
        &mut self,
        now: u64,
        reception: Reception<'_>,
        honest: bool,
    ) -> (Heard, Outcome) {
        let local = self.local(now);
        let mut outcome = Outcome::default();
        let before = if honest { String::new() } else { self.state_from("change:") };
        let held = self.held();
        let mut heard = Arc::make_mut(&mut self.core).heard(local, reception);
        if self.plant == Plant::TakesReplays && heard == Heard::Dropped(Dropped::Replayed) {
            heard = self.take_replay(local, reception);
        }
        match heard {
            Heard::Dropped(_) if honest => outcome.blame(held == self.held(), Invariant::Replay),
            Heard::Dropped(_) => {
                outcome.blame(before == self.state_from("change:"), Invariant::Replay);
            }
            Heard::Header { timeline: Timeline::Home, slot, .. } if !honest => {
                // One without time and watermark may be given hope by a recording.
                let stored = matches!(self.storage, Watermark::Stored(mark) if slot <= mark);
                let taken = held.1 && self.core.in_step();
                outcome.blame(!taken && !stored, Invariant::Replay);
                // One from a later timeline gives hope of that one: without a second opinion the
                // station keeps its time.
                self.led |= !held.1;
            }
            Heard::Header { timeline: Timeline::CutIn, .. } => {
                outcome.blame(held == self.held(), Invariant::CutIn);
                let home = self.guest.map_or(held.0, |(home, _)| home);
                self.guest = Some((home, local));
            }
            Heard::Payload { .. } | Heard::Busy => {
                // Words are not authenticated: they say that an over goes on, and to one that
                // coasts where to listen.
                let coasts = |clock: NetClock| clock.grip(&timing(), local) != Grip::Locked;
                let told = held.0.is_some_and(coasts) || !held.1;
                outcome.blame(told || held == self.held(), Invariant::Replay);
                if let Some((_, last)) = &mut self.guest {
                    *last = local;
                }
                self.had_time &= self.core.in_step();
            }
            Heard::Header { .. } | _ => {}
        }
        // A header from ahead is a later timeline: it wins once it is confirmed.
        if matches!(heard, Heard::Header { timeline: Timeline::Home, .. }) {
            self.had_time &= self.core.in_step();
        }
        self.drain(local, &mut outcome);
        (heard, outcome)
    }

    /// The planted fault: the header as if it had been made for this slot.
    fn take_replay(&mut self, local: Tick, reception: Reception<'_>) -> Heard {
        let keys = HeaderKeys::new(&key(5));
        let old = reception.bits.first_chunk().and_then(|bits| keys.from_bits(bits, 0));
        let (Some(old), Some(slot)) = (old, self.core.slot(local)) else {
            return Heard::Dropped(Dropped::Replayed);
        };
        let bits = keys.to_bits(Header { slot, ..old }, 0);
        Arc::make_mut(&mut self.core).heard(local, Reception { bits: &bits, ..reception })
    }

    /// Time and floor.
    fn held(&self) -> (Option<NetClock>, bool, bool, bool) {
        let core = &self.core;
        (core.clock().copied(), core.in_step(), core.holds_floor(), core.cuts_in())
    }

    /// Takes the events, then asserts what must hold after any call.
    fn drain(&mut self, local: Tick, outcome: &mut Outcome) {
        let mut excused = false;
        while let Some(event) = Arc::make_mut(&mut self.core).next_event() {
            match event {
                Event::HoldOff | Event::Cut { .. } => self.may_talk = Tick::ZERO,
                Event::GoAhead { .. } if self.plant != Plant::TalksEarly => {
                    self.may_talk = Tick::MAX;
                }
                Event::SaveWatermark { slot } => self.storage = Watermark::Stored(slot),
                Event::Clear { .. } => self.leave_cut_in(outcome),
                Event::OutOfStep => {
                    let clock = self.core.clock();
                    let held = |grip| matches!(grip, Grip::Locked | Grip::Coasting(_));
                    excused |= clock.is_none_or(|c| !held(c.grip(&timing(), local)));
                }
                _ => {}
            }
            outcome.events.push(event);
        }
        let in_step = self.core.in_step();
        outcome.blame(in_step || excused || !self.had_time, Invariant::CutIn);
        self.had_time = in_step;
        if let Some((home, last)) = self.guest {
            // Nobody touches home time meanwhile, and nobody is kept by silence.
            outcome.blame(self.core.clock().copied() == home, Invariant::CutIn);
            let silent = local.since(last).map_or(0, |span| span.us());
            let longest = (u64::from(CUT_IN_TIMEOUT) + 3) * SLOT_US;
            outcome.blame(silent <= longest, Invariant::CutIn);
        }
    }

    fn leave_cut_in(&mut self, outcome: &mut Outcome) {
        let Some((home, _)) = self.guest.take() else { return };
        if self.plant == Plant::ForgetsHome {
            let fresh = Self::make(self.number, self.tolerance_ppb, self.storage, 8);
            self.core = Arc::new(fresh);
        }
        let same = home.is_none() || self.core.clock().copied() == home;
        outcome.blame(same, Invariant::CutIn);
        outcome.returned |= self.had_time && self.core.in_step();
    }

    /// Invariant 4, by the timelines that were started: net time less true time of each.
    pub(crate) fn bound_holds(&self, now: u64, started: &[i64]) -> bool {
        let local = self.local(now);
        let Some(clock) = self.core.clock().filter(|_| self.core.in_step() && !self.led) else {
            return true;
        };
        let (lo, hi) = clock.bound(local);
        started.iter().any(|offset| (lo..=hi).contains(&(now.cast_signed() + offset)))
    }

    /// The fields of a station as text, from one of them to the counters.
    fn state_from(&self, first: &str) -> String {
        let text = format!("{:?}", self.core);
        let from = text.find(first).expect("a station's fields");
        let to = text.rfind("counters:").expect("a station's fields");
        text[from..to].to_owned()
    }
}

impl Hash for Seat {
    fn hash<H: Hasher>(&self, hasher: &mut H) {
        // What two states may differ in: neither keys nor modes change here. (An announce that was heard
        // keeps a deputy from announcing, and there is none.)
        self.state_from("interferers:").hash(hasher);
        format!("{:?}", (self.action, self.storage, self.may_talk, self.guest)).hash(hasher);
        (self.had_time, self.led, self.sessions).hash(hasher);
    }
}
