//! How long a channel is occupied within any window of a given length.

use super::LaneSurvey;
use hopwright_core::sequence::Cursor;
use hopwright_core::sequence::Timeline;
use hopwright_core::units::{Channel, Slot};

/// How many announces, spread over the time counted, are looked at.
const ANNOUNCES: std::ops::RangeInclusive<usize> = 16..=512;
/// Slots that are spent on them, so that short slots and many lanes do not take minutes.
const ANNOUNCE_BUDGET: usize = 1_000_000;

/// How many announces are looked at, if a window has this many slots.
pub(super) fn announces(window_slots: usize) -> usize {
    let affordable = ANNOUNCE_BUDGET / window_slots.max(1);
    affordable.clamp(*ANNOUNCES.start(), *ANNOUNCES.end())
}

/// The most that any channel is occupied within any window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Worst {
    /// Time on the air within the window, in microseconds.
    pub us: u64,
    /// On this channel.
    pub channel: Channel,
}

/// The most that any channel is occupied within any window of `window_us`, wherever the window
/// starts, if slot after slot is sent on `channels` and each fills its `slot_us` wholly.
///
/// ```
/// use hopwright_core::units::Channel;
/// use hopwright_sim::check::worst_occupancy;
///
/// let c = |n| Channel::new(n).unwrap();
/// // Channel 7 is on the air in 2 of any 3 slots of 10 us, and for half of a fourth.
/// let worst = worst_occupancy(&[c(7), c(8), c(7), c(7), c(9)], 10, 35);
/// assert_eq!((worst.us, worst.channel), (25, c(7)));
/// ```
#[must_use]
pub fn worst_occupancy(channels: &[Channel], slot_us: u64, window_us: u64) -> Worst {
    let (whole, part) = match slot_us {
        0 => return Worst::default(),
        slot => (window_us / slot, window_us % slot),
    };
    let mut visits: Vec<(Channel, u64)> = channels.iter().copied().zip(0..).collect();
    visits.sort_unstable();
    let mut worst = Worst::default();
    for visits in visits.chunk_by(|a, b| a.0 == b.0) {
        // The fullest window begins where a visit begins (or ends where one ends, which with
        // slots of one length comes to the same sum), so only those have to be tried.
        let mut inside = 0;
        for (i, (channel, first)) in visits.iter().enumerate() {
            while visits.get(inside).is_some_and(|(_, at)| *at < first + whole) {
                inside += 1;
            }
            let next = visits.get(inside).map(|(_, at)| *at);
            let cut = if next == Some(first + whole) { part } else { 0 };
            let us = (inside - i) as u64 * slot_us + cut;
            if us > worst.us {
                worst = Worst { us, channel: *channel };
            }
        }
    }
    worst
}

impl LaneSurvey {
    /// The worst case over `slots` slots of unbroken traffic.
    #[must_use]
    pub fn worst_of_traffic(&self, slots: usize, slot_us: u64, window_us: u64) -> Worst {
        worst_occupancy(&self.traffic(Slot::ZERO, slots), slot_us, window_us)
    }

    /// The worst case over an announce of `run` slots followed by traffic, for announces that
    /// start at many places of the first `slots` slots. With `before`, unbroken traffic comes
    /// before the announce as well.
    #[must_use]
    pub fn worst_of_announce(
        &self,
        run: u32,
        slots: usize,
        before: bool,
        slot_us: u64,
        window_us: u64,
    ) -> Worst {
        self.worst_of_run(Timeline::Home, run, slots, (before, true), (slot_us, window_us))
    }

    /// The worst case over a cut-in's run of `run` slots followed by its talk, as
    /// [`LaneSurvey::worst_of_announce`]. Nothing comes before: who cuts in has heard nobody.
    #[must_use]
    pub fn worst_of_cut_in(&self, run: u32, slots: usize, slot_us: u64, window_us: u64) -> Worst {
        self.worst_of_run(Timeline::CutIn, run, slots, (false, true), (slot_us, window_us))
    }

    /// The worst case over the same runs without their talk.
    #[must_use]
    pub fn worst_of_cut_in_alone(
        &self,
        run: u32,
        slots: usize,
        slot_us: u64,
        window_us: u64,
    ) -> Worst {
        self.worst_of_run(Timeline::CutIn, run, slots, (false, false), (slot_us, window_us))
    }

    fn worst_of_run(
        &self,
        timeline: Timeline,
        run: u32,
        slots: usize,
        (before, behind): (bool, bool),
        (slot_us, window_us): (u64, u64),
    ) -> Worst {
        let window = usize::try_from(window_us.div_ceil(slot_us.max(1))).unwrap_or(slots);
        let traffic = |there: bool| if there { window } else { 0 };
        let (lead, talk) = (traffic(before), traffic(behind));
        let mut cursor = Cursor::new(&self.sequence, timeline);
        // An odd step, so that all places of a frame and a cycle have their turn.
        let step = (slots / announces(window)) | 1;
        let places = (0..announces(window)).map(|i| step * i);
        let of_one = |start: usize| {
            let slot = |n: usize| Slot::new(u32::try_from(n).unwrap_or(u32::MAX));
            let mut channels = self.traffic_on(timeline, slot(start), lead);
            let first = slot(start + lead);
            channels
                .extend((0..run).map(|i| cursor.run_hop(&self.sequence, first.plus(i)).channel));
            channels.extend(self.traffic_on(timeline, first.plus(run), talk));
            worst_occupancy(&channels, slot_us, window_us)
        };
        places.map(of_one).max_by_key(|worst| worst.us).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn channels(numbers: &[u16]) -> Vec<Channel> {
        numbers.iter().map(|n| Channel::new(*n).unwrap()).collect()
    }

    /// Tries every start of the window in steps of a microsecond.
    fn by_sliding(numbers: &[u16], slot_us: u64, window_us: u64) -> u64 {
        let end = numbers.len() as u64 * slot_us;
        let of = |start: u64, channel: u16| {
            let inside = |t: &u64| numbers[usize::try_from(t / slot_us).unwrap()] == channel;
            (start..(start + window_us).min(end)).filter(inside).count() as u64
        };
        (0..end).flat_map(|start| (0..4).map(move |c| of(start, c))).max().unwrap_or(0)
    }

    proptest! {
        #[test]
        fn no_window_is_fuller(
            numbers in prop::collection::vec(0_u16..4, 1..12),
            slot_us in 1_u64..5,
            window_us in 1_u64..30,
        ) {
            let worst = worst_occupancy(&channels(&numbers), slot_us, window_us);
            prop_assert_eq!(worst.us, by_sliding(&numbers, slot_us, window_us));
        }
    }

    #[test]
    fn fifty_channels_in_turn_stay_exactly_on_the_limit() {
        // 50 channels in a fixed order, 20 ms slots: 20 visits in any 20 s, 0.4 s: the
        // limit of 47 CFR 15.247(a)(1)(i) (arithmetic). With 49, a window holds 21.
        let turn =
            |n: u16| -> Vec<Channel> { (0..5_000).map(|i| Channel::new(i % n).unwrap()).collect() };
        assert_eq!(worst_occupancy(&turn(50), 20_000, 20_000_000).us, 400_000);
        assert_eq!(worst_occupancy(&turn(49), 20_000, 20_000_000).us, 420_000);
    }
}
