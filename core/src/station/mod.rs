//! One station of a net, without any input or output of its own.
//!
//! ```text
//!  now ───────────────► poll() ──────► Action: what the radio does, and until when
//!  unique words ──────► heard() ─────► Heard: what became of it
//!  energy ────────────► energy()
//!  press, release ────► command() ───► Ok or Refused
//!                       next_event() ─► Event
//! ```
//!
//! ```text
//!             header           second opinion            word on a home channel
//!  Search ───────────► Verify ───────────────► Watch ◄──────────────────────────► Follow
//!    ▲                   │                      │ ▲      silence, closing
//!    └───── nothing ─────┘              press   ▼ │ release
//!    └───── spread exceeds the guard ────────  Speak        (timekeeper: Announce)
//! ```
//!
//! A cut-in is followed, and spoken, on a timeline of its own ([`Timeline::CutIn`]) while home time
//! runs on underneath; when it ends, each station returns to the home time that it had.

mod activity;
mod command;
mod config;
mod fixed;
mod hear;
mod keys;
mod output;
mod poll;
mod single;
mod speak;
mod transmit;
mod watch;

pub use command::{Command, Refused};
pub use config::{Config, ConfigError, FixedChannels, Mode, Role, Watermark};
pub use fixed::SAMPLES;
pub use output::{Action, Counters, Dropped, Event, Heard, Payload, Radio, Reception};

use crate::acquire::Interferers;
use crate::address::{Address, Target};
use crate::clock::{ClockPlan, NetClock};
use crate::header::HeaderKeys;
use crate::keys::{NetKey, Subkey};
use crate::nuisance::Nuisance;
use crate::sequence::{Cursor, Hop, Sequence, Timeline};
use crate::timing::{MAX_SLOT_BYTES, Timing};
use crate::tree::Share;
use crate::units::{Dbm, Micros, Slot, Tick};
use activity::Activity;
use fixed::Attention;
use heapless::{Deque, Vec};
use keys::{Adopting, CallKey, Change};

/// Call headers that open an over; more after a long silence.
pub const CALL_SLOTS: u32 = 8;
/// Closing headers that end it.
pub const CLOSING_SLOTS: u32 = 2;
/// Slots without a word after which an over counts as ended.
pub const OVER_TIMEOUT: u32 = 25;
/// Slots within which a second opinion must come.
pub const VERIFY_SLOTS: u32 = 32;
/// How long a station without time listens, once its operator has pressed, before it cuts in.
pub const CUT_IN_PATIENCE: Micros = Micros::from_millis(2_000);
/// Slots of the run that opens a cut-in.
pub const CUT_IN_SLOTS: u32 = 300;
/// Slots without a word after which a cut-in counts as ended.
pub const CUT_IN_TIMEOUT: u32 = 50;
/// Slots after a cut-in during which the first speaker sends a lead-in.
pub const LEAD_IN_DUE: u32 = 1_500;
/// Slots after a change of timeline during which a station's first over opens with a run.
pub const GATHER_DUE: u32 = 45_000;
/// Slots between two watermarks, and the head start of a timekeeper that restarts.
pub const WATERMARK_STEP: u32 = 1 << 14;
/// Steps of the balanced draw that are worked ahead in each slot of a run.
const RUN_STEPS: u32 = Cursor::<0>::STRIDE;
/// Events that wait for [`Station::next_event`].
const EVENTS: usize = 16;

/// One station of a net: the whole link, without a radio, a clock or any memory but its own.
///
/// # The driver's part
///
/// * **Time** is the `now` of every call: the station's own clock, below 2^63 us, never running backwards, nor
///   stopping, nor set; in sleep it keeps the plan's tolerance too. If it has stopped, make the station anew, with
///   its last watermark. A `now` that lies before an earlier one may get an earlier answer again, or silence.
/// * **[`poll`](Self::poll)** says what the radio does from now on, and until when. Calling it
///   early or again changes nothing. Calling it late loses the slots in between and nothing else; a poll
///   that is too late for its own slot is counted, slots that were skipped whole are not. A deadline at `now` is due: where another key comes
///   into use up to six answers in a row are such, with the radio off, so that each is short.
/// * **[`heard`](Self::heard)** is called once for each unique word that the radio recognised,
///   before the next `poll`; **[`energy`](Self::energy)** once for each slot's time that was
///   spent listening with power on the channel and no unique word (the driver may leave out
///   reports below the plan's threshold).
/// * **[`command`](Self::command)** either is carried out or changes nothing.
/// * After `heard`, `energy`, a command or [`take_order`](Self::take_order), call `poll` again: the action may
///   have changed.
/// * **[`next_event`](Self::next_event)** is drained after any of these. Sixteen events wait;
///   further ones are counted in [`Counters::events_lost`]. Watermarks and changes of keys are told again until
///   there was room.
///
/// Nothing is transmitted but after an announce, a press or an order; after a press at any later time until it is
/// released.
///
/// No call blocks, allocates or panics. The longest is [`take_order`](Self::take_order). Next comes a `poll` that
/// jumps to a far slot under the balanced draw: one step and a sixteenth of a cipher block for each traffic channel,
/// and six blocks besides; behind it a block more for each 64 bytes that are sent, and ten for the first payload
/// of a call.
#[derive(Debug)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct Station<const N: usize> {
    sequence: Sequence<N>,
    /// The reader of the timeline that is in use; home, or a cut-in's.
    cursor: Cursor<N>,
    cursor_timeline: Timeline,
    header_keys: HeaderKeys,
    /// The net key: what all these are drawn from, but in the clear and while visiting.
    key: NetKey,
    share: Option<Share>,
    change: Change,
    /// What the keys of calls are drawn from, and the last ones: our own, and another's.
    call_root: Subkey,
    call_keys: [Option<CallKey>; 2],
    /// The former net key is in use, for the over under way.
    visiting: bool,
    adopting: Adopting,
    mode: Mode,
    /// Whether there was net time when the station left its net for a single channel.
    kept: bool,
    timing: Timing,
    clock_plan: ClockPlan,
    announce_slots: u16,
    energy_threshold: Dbm,
    fixed: FixedChannels,
    calling_attention: Attention,
    watch_attention: Attention,
    address: Address,
    role: Role,
    /// When an announce was last heard or made; before that, when the station was first asked.
    announce_heard: Option<Tick>,
    nuisance: Nuisance,
    interferers: Interferers,
    activity: Activity,
    /// What is known of net time; while searching, a bound that old time stamps must not pass.
    clock: Option<NetClock>,
    /// The time of the cut-in that is followed or spoken; home time knows nothing of it. Or, while
    /// a second opinion is awaited, the home time that there was before: never both.
    guest: Option<NetClock>,
    /// A cut-in has just been followed: before this slot, whoever speaks first owes the newcomer a
    /// lead-in.
    lead_in_until: Slot,
    /// The station has come over to a later timeline: before this slot its next over opens with a
    /// run, which gathers those who have not.
    gather_until: Slot,
    /// The first and the last slot of the last cut-in that was followed, so that its recording is not; none is
    /// between them at first.
    first_guest: Slot,
    last_guest: Slot,
    /// The operator wants the floor.
    wish: Option<Wish>,
    /// Until then another closing header may be on the air, or somebody who has not been heard yet.
    quiet_until: Tick,
    /// The last watermark: what was stored, or the last that has been handed out. Headers are younger.
    floor: Option<Slot>,
    /// Whether one has been handed out in this session, under this net key.
    saved: bool,
    /// Whether what was stored is lost.
    storage_lost: bool,
    /// The present action, and the hop that it listens to or transmits.
    current: Option<Current>,
    /// The first slots that have not been prepared for transmission yet, at home and in a cut-in. None is
    /// prepared twice, so that no keystream is used twice, whatever the caller's clock does.
    unprepared: Slot,
    unprepared_guest: Slot,
    /// The payload of the next traffic slot.
    payload: Vec<u8, MAX_SLOT_BYTES>,
    /// The bits of the present transmission.
    burst: Vec<u8, MAX_SLOT_BYTES>,
    events: Deque<Event, EVENTS>,
    counters: Counters,
}

/// What an operator who has pressed waits for.
#[derive(Debug, Clone, Copy)]
struct Wish {
    target: Target,
    /// Whether it is to send the order of a change of keys.
    order: bool,
    /// Not before this slot of home time; the first, if it has not been put off.
    not_before: Slot,
    /// When he pressed. Put off, when the wait is over: without time a cut-in's patience begins then, an over on a
    /// single channel may.
    since: Tick,
}

/// The present action.
#[derive(Debug, Clone, Copy)]
struct Current {
    action: Action,
    hop: Option<Hop>,
}

impl Current {
    /// The same with something for the radio to do.
    #[inline(never)]
    const fn with(mut self, radio: Radio, hop: Option<Hop>) -> Self {
        self.action.radio = radio;
        self.hop = hop;
        self
    }
}

impl<const N: usize> Station<N> {
    /// A station that has just been switched on: it knows no time and searches.
    ///
    /// # Errors
    /// [`ConfigError`] if the parts of the configuration do not fit each other.
    pub fn new(config: Config<'_, N>) -> Result<Self, ConfigError> {
        let play = config.clock.jitter.plus(config.clock.wander);
        let needed = play.times(2).plus(config.clock.longest_delay);
        if config.timing.guard() <= needed {
            let (guard_us, needed_us) = (config.timing.guard().us(), needed.us());
            return Err(ConfigError::Guard { guard_us, needed_us });
        }
        if !(1..=2_000).contains(&config.announce_slots) {
            return Err(ConfigError::Announce(config.announce_slots));
        }
        if config.clock.own_tolerance > config.clock.tolerance {
            return Err(ConfigError::OwnTolerance);
        }
        for channel in [config.fixed.calling, config.fixed.watch].into_iter().flatten() {
            if config.hopset.contains(channel) {
                return Err(ConfigError::FixedInHopset(channel));
            }
        }
        let sequence = Sequence::new(
            config.key,
            config.hopset,
            config.structure,
            config.lane,
            config.draw_lane,
        )
        .map_err(ConfigError::Structure)?;
        Ok(Self {
            cursor: Cursor::new(&sequence, Timeline::Home),
            cursor_timeline: Timeline::Home,
            sequence,
            header_keys: HeaderKeys::new(config.key),
            key: config.key.copy(),
            call_root: keys::call_root(config.key, config.share.is_some()),
            share: config.share,
            change: Change::None,
            call_keys: [None, None],
            visiting: false,
            adopting: Adopting::Done,
            mode: Mode::Hopping,
            kept: false,
            timing: config.timing,
            clock_plan: config.clock,
            announce_slots: config.announce_slots,
            energy_threshold: config.energy_threshold,
            fixed: config.fixed,
            calling_attention: Attention::default(),
            watch_attention: Attention::default(),
            address: config.address,
            role: config.role,
            announce_heard: None,
            nuisance: Nuisance::new(config.seed),
            interferers: Interferers::default(),
            activity: Activity::search(),
            clock: None,
            guest: None,
            lead_in_until: Slot::ZERO,
            gather_until: Slot::ZERO,
            first_guest: Slot::ZERO,
            last_guest: Slot::ZERO,
            wish: None,
            quiet_until: Tick::ZERO,
            floor: match config.watermark {
                Watermark::Stored(slot) => Some(slot),
                Watermark::Fresh | Watermark::Lost => None,
            },
            saved: false,
            storage_lost: config.watermark == Watermark::Lost,
            current: None,
            unprepared: Slot::ZERO,
            unprepared_guest: Slot::ZERO,
            payload: Vec::new(),
            burst: Vec::new(),
            events: Deque::new(),
            counters: Counters::default(),
        })
    }

    /// The next event, oldest first.
    pub fn next_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// The bits of the present transmission, first bit most significant; empty if the present
    /// action is none.
    #[must_use]
    pub fn burst(&self) -> &[u8] {
        &self.burst
    }

    /// By how much the stamp of a unique word may differ from when it should have started, by the plan: half of it
    /// through who sends it, half through who stamps it.
    #[must_use]
    pub const fn jitter(&self) -> Micros {
        self.clock_plan.jitter
    }

    /// The station's address.
    #[must_use]
    pub const fn address(&self) -> Address {
        self.address
    }

    /// The channels on which the station hears those who do not hop with the net.
    #[must_use]
    pub const fn fixed(&self) -> &FixedChannels {
        &self.fixed
    }

    /// The station's hop sequence.
    #[must_use]
    pub const fn sequence(&self) -> &Sequence<N> {
        &self.sequence
    }

    /// Whether the station has confirmed net time.
    #[must_use]
    #[inline(never)]
    pub const fn in_step(&self) -> bool {
        match self.mode {
            Mode::Hopping => self.activity.in_step(),
            Mode::SingleSealed | Mode::SinglePlain => self.kept,
        }
    }

    /// Whether the station transmits, or is about to.
    #[must_use]
    #[inline(never)]
    pub const fn holds_floor(&self) -> bool {
        matches!(self.activity, Activity::Speak(_) | Activity::Announce(_))
    }

    /// Whether the station has taken the floor without time, on a provisional timeline.
    #[must_use]
    pub const fn cuts_in(&self) -> bool {
        matches!(self.activity, Activity::Speak(_))
            && matches!(self.activity.timeline(), Timeline::CutIn)
    }

    /// What the station knows of net time: while [`in_step`](Self::in_step), its clock; while it
    /// searches after having lost step, what is left of it.
    #[must_use]
    pub const fn clock(&self) -> Option<&NetClock> {
        self.clock.as_ref()
    }

    /// The slot under way, if the station is in step.
    #[must_use]
    pub fn slot(&self, now: Tick) -> Option<Slot> {
        let clock = self.clock.as_ref().filter(|_| self.in_step())?;
        clock.slot_at(&self.timing, now)
    }

    /// What has been counted since the start.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }

    /// Deputies count from the first call on.
    #[inline(never)]
    fn first_asked(&mut self, now: Tick) {
        let _ = self.announce_heard.get_or_insert(now);
    }

    /// The slot under way by the time that the activity goes by.
    fn active_slot(&self, now: Tick) -> Option<Slot> {
        let clock = match self.activity.timeline() {
            Timeline::Home => self.clock.as_ref(),
            Timeline::CutIn | Timeline::Single => self.guest.as_ref(),
        };
        clock.and_then(|clock| clock.slot_at(&self.timing, now))
    }

    /// The hop of a slot on a timeline.
    fn hop(&mut self, timeline: Timeline, slot: Slot) -> Hop {
        self.read(timeline);
        let hop = self.cursor.hop(&self.sequence, slot);
        self.on_air(timeline, hop)
    }

    /// The hop of a slot of a run on a timeline.
    fn run_hop(&mut self, timeline: Timeline, slot: Slot) -> Hop {
        self.read(timeline);
        let hop = self.cursor.run_hop(&self.sequence, slot);
        self.on_air(timeline, hop)
    }

    /// Draws up to so many steps towards a slot that is still to come. What is read later stays the same.
    fn work_ahead(&mut self, timeline: Timeline, slot: Slot, steps: u32) {
        self.read(timeline);
        self.cursor.approach(&self.sequence, slot, steps);
    }

    /// One reader serves all timelines: they are never used in the same slot.
    #[inline(never)]
    fn read(&mut self, timeline: Timeline) {
        if self.cursor_timeline != timeline {
            self.read_anew(timeline);
        }
    }

    /// Begins to read a timeline.
    #[inline(never)]
    fn read_anew(&mut self, timeline: Timeline) {
        self.cursor = Cursor::new(&self.sequence, timeline);
        self.cursor_timeline = timeline;
    }

    /// Queues an event; `false` if there was no room.
    #[inline(never)]
    fn report(&mut self, event: Event) -> bool {
        let queued = self.events.push_back(event).is_ok();
        if !queued {
            count(&mut self.counters.events_lost);
        }
        queued
    }

    /// The present action may no longer hold; but what is on the air is sent whole.
    #[inline(never)]
    fn ask_anew(&mut self) {
        let sends = |current: &Current| matches!(current.action.radio, Radio::Transmit { .. });
        self.current = self.current.take_if(|current| sends(current));
    }

    /// Enters an activity: the present action no longer holds, and what was handed over for an over that has
    /// ended, however it did, is not said in another.
    #[inline(never)]
    fn enter(&mut self, activity: Activity) {
        self.activity = activity;
        self.current = None;
        self.payload.clear();
        if self.visiting && !self.holds_floor() {
            self.visiting = false;
            self.adopt();
        }
    }
}

/// Counts one more, up to the counter's end.
#[inline(never)]
const fn count(counter: &mut u32) {
    *counter = counter.saturating_add(1);
}
