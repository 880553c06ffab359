//! A plan with the sequences of all its lanes at hand.

use crate::diagnostic::Diagnostic;
use crate::plan::{MAX_HOPSET, Plan};
use hopwright_core::sequence::{Sequence, Timeline};
use hopwright_core::units::{Channel, Hertz, Lane, Slot};

/// The longest stretch that is counted: an hour, or this many slots if they are short.
const MOST_SLOTS: u64 = 1_000_000;

/// One lane of a plan.
#[derive(Debug)]
pub struct LaneSurvey {
    /// The lane.
    pub lane: Lane,
    /// Its sequence.
    pub sequence: Box<Sequence<MAX_HOPSET>>,
}

impl LaneSurvey {
    /// The lane's channels, ascending.
    #[must_use]
    pub fn channels(&self) -> &[Channel] {
        self.sequence.hopset().channels()
    }

    /// The channels of `n` slots of the home timeline from `from` on, by plain traffic.
    #[must_use]
    pub fn traffic(&self, from: Slot, n: usize) -> Vec<Channel> {
        self.traffic_on(Timeline::Home, from, n)
    }

    /// The same on any timeline.
    #[must_use]
    pub fn traffic_on(&self, timeline: Timeline, from: Slot, n: usize) -> Vec<Channel> {
        let mut channels = vec![Channel::default(); n];
        self.sequence.fill(timeline, from, &mut channels);
        channels
    }
}

/// A plan with the sequences of all its lanes.
#[derive(Debug)]
pub struct Survey<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// Its lanes: one for a plan without.
    pub lanes: Vec<LaneSurvey>,
}

impl<'a> Survey<'a> {
    /// Derives all lanes.
    ///
    /// # Errors
    /// [`Diagnostic`] if a lane cannot be derived.
    pub fn new(plan: &'a Plan) -> Result<Self, Diagnostic> {
        let lane = |lane| plan.sequence(lane).map(|s| LaneSurvey { lane, sequence: Box::new(s) });
        Ok(Self { plan, lanes: plan.lane_numbers().map(lane).collect::<Result<_, _>>()? })
    }

    /// The smallest and the largest hopset of the lanes.
    #[must_use]
    pub fn sizes(&self) -> (usize, usize) {
        let sizes = || self.lanes.iter().map(|lane| lane.channels().len());
        (sizes().min().unwrap_or_default(), sizes().max().unwrap_or_default())
    }

    /// The channels of all lanes, each once, ascending.
    #[must_use]
    pub fn channels(&self) -> Vec<Channel> {
        let mut all: Vec<Channel> =
            self.lanes.iter().flat_map(|lane| lane.channels().iter().copied()).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// The calling channel, on which the single-channel modes transmit without hopping. (The watch
    /// channel is only listened to.)
    #[must_use]
    pub const fn calling(&self) -> Option<Channel> {
        self.plan.fixed().calling
    }

    /// Every channel that something may be sent on: those of all lanes, and the calling channel.
    #[must_use]
    pub fn on_air(&self) -> Vec<Channel> {
        let mut all = self.channels();
        all.extend(self.calling());
        all.sort_unstable();
        all
    }

    /// The lowest and the highest edge of what is sent, twice, so that both are whole numbers.
    #[must_use]
    pub fn twice_span(&self) -> (u64, u64) {
        let channels = self.on_air();
        let edges = || channels.iter().map(|channel| self.twice_edges(*channel));
        let low = edges().map(|e| e.0).min().unwrap_or_default();
        (low, edges().map(|e| e.1).max().unwrap_or_default())
    }

    /// The centre of a channel, in hertz.
    #[must_use]
    pub fn hz(&self, channel: Channel) -> u64 {
        self.plan.raster().frequency(channel).map_or(0, Hertz::hz)
    }

    /// Twice the lower and the upper edge of a channel, so that both are whole numbers.
    #[must_use]
    pub fn twice_edges(&self, channel: Channel) -> (u64, u64) {
        let (twice, b) = (2 * self.hz(channel), self.plan.raster().occupied().hz());
        (twice.saturating_sub(b), twice + b)
    }

    /// The length of a slot in microseconds.
    #[must_use]
    pub const fn slot_us(&self) -> u64 {
        self.plan.timing().slot().us()
    }

    /// How many slots of traffic are counted: an hour, or a million slots if that is shorter.
    #[must_use]
    pub fn counted_slots(&self) -> usize {
        let hour = 3_600_000_000 / self.slot_us();
        usize::try_from(hour.min(MOST_SLOTS)).unwrap_or_default()
    }

    /// Hertz as megahertz with six digits: exact.
    #[must_use]
    pub fn mhz(hz: u64) -> String {
        format!("{}.{:06} MHz", hz / 1_000_000, hz % 1_000_000)
    }
}
