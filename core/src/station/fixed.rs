//! The calling channel and the watch channel: when they are sampled, and what raises an alert
//! (specification section 9).
//!
//! | channel | while | sampled |
//! |---|---|---|
//! | watch | the radio listens at all: searching, watching, coasting, following an over | one slot a second |
//! | calling | the net is silent | half a frame a second, of the rendezvous half (coasting: mid-second) |
//!
//! An alert takes energy in [`SAMPLES`] samples, one each second, in a row, and is not raised
//! again within the plan's lockout. Neither depends on what anyone sends: a flood on either
//! channel costs no slot more than silence does.

use super::poll::Place;
use super::{Action, Current, Event, Radio, Station};
use crate::sequence::SlotKind;
use crate::units::{Channel, Micros, Slot, Tick, quotient};

/// Samples with energy, in a row, that raise an alert.
pub const SAMPLES: u8 = 3;
/// One sample in so long.
const PERIOD: Micros = Micros::new(PERIOD_US as u64);
const PERIOD_US: u32 = 1_000_000;
/// Energy sooner than this after the last belongs to the same sample.
const SAME: Micros = Micros::from_millis(700);
/// Energy later than this after the last is no longer in a row with it.
const BROKEN: Micros = Micros::from_millis(1_500);

/// What one fixed channel has shown lately.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Attention {
    /// When the last sample with energy began to show it.
    last: Option<Tick>,
    /// Samples with energy in a row.
    in_a_row: u8,
    /// When the last alert was raised.
    alerted: Option<Tick>,
}

impl Attention {
    /// Takes a report of energy; whether it raises an alert.
    #[inline(never)]
    fn energy(&mut self, now: Tick, lockout: Micros) -> bool {
        let since = |at: Option<Tick>| at.and_then(|at| now.since(at));
        let gap = since(self.last);
        if gap.is_some_and(|gap| gap < SAME) {
            return false;
        }
        let follows = gap.is_some_and(|gap| gap <= BROKEN);
        self.in_a_row = if follows { self.in_a_row.saturating_add(1) } else { 1 };
        self.last = Some(now);
        let open = since(self.alerted).is_none_or(|gap| gap >= lockout);
        let alert = self.in_a_row >= SAMPLES && open;
        if alert {
            self.alerted = Some(now);
        }
        alert
    }
}

impl<const N: usize> Station<N> {
    /// Takes a report of energy on a fixed channel; whether the channel is one.
    #[inline(never)]
    pub(super) fn energy_on_fixed(&mut self, now: Tick, channel: Channel) -> bool {
        let lockout = self.fixed.lockout;
        if self.fixed.watch == Some(channel) {
            if self.watch_attention.energy(now, lockout) {
                self.report(Event::WatchTraffic);
            }
        } else if self.fixed.calling == Some(channel) {
            if self.calling_attention.energy(now, lockout) {
                self.report(Event::CallWaiting);
            }
        } else {
            return false;
        }
        true
    }

    /// The slots of a second.
    #[inline(never)]
    fn period_slots(&self) -> u32 {
        let (slots, _) = self.timing.slots_in(PERIOD);
        u32::try_from(slots).unwrap_or(u32::MAX).max(2)
    }

    /// The sample of the watch channel that is due in the slot under way, if one is.
    pub(super) fn watch_sample(&mut self, place: &Place<'_>) -> Option<Current> {
        let channel = self.fixed.watch?;
        let position = place.slot.number().checked_rem(self.period_slots())?;
        let due = match position {
            0 => !self.headers_in(place.slot),
            // Sync slots are not given away: the next slot is taken instead.
            1 => {
                let before = Slot::new(place.slot.number().wrapping_sub(1));
                self.headers_in(before) && !self.headers_in(place.slot)
            }
            _ => false,
        };
        let end = place.slot.plus(1);
        due.then(|| self.stay(place, place.slot, end).with(self.sync_radio(channel), None))
    }

    /// The start of the next second, by slots: no listening may last beyond it where the watch
    /// channel is due.
    pub(super) fn next_watch_sample(&self, place: &Place<'_>) -> Option<Tick> {
        self.fixed.watch?;
        let position = place.slot.number().checked_rem(self.period_slots())?;
        let ahead = self.period_slots().saturating_sub(position);
        // After a sync slot at the start of a second the sample is one slot late.
        let ahead = if position == 0 { 1 } else { ahead };
        Some(place.clock.start_of(&self.timing, place.slot.plus(ahead)))
    }

    /// The end of the last sample of the watch channel, if it was in the second under way: the
    /// radio has been elsewhere until then.
    pub(super) fn after_watch_sample(&mut self, place: &Place<'_>) -> Option<Tick> {
        self.fixed.watch?;
        let position = place.slot.number().checked_rem(self.period_slots())?;
        let first = Slot::new(place.slot.number().wrapping_sub(position));
        let end = first.plus(if self.headers_in(first) { 2 } else { 1 });
        (end <= place.slot).then(|| place.clock.start_of(&self.timing, end))
    }

    /// Whether somebody who speaks sends a header in `slot`, which is not one of a run.
    fn headers_in(&mut self, slot: Slot) -> bool {
        if self.activity.run_end().is_some_and(|end| slot < end) {
            // Of a run one header is as good as another.
            return false;
        }
        let timeline = self.activity.timeline();
        self.read(timeline);
        self.cursor.kind(&self.sequence, slot) == SlotKind::Sync
    }

    /// The calling channel, if frame `frame` of the idle watch is the one of its second.
    pub(super) fn calling_frame(&self, frame: u32) -> Option<Channel> {
        let channel = self.fixed.calling?;
        let frames = self.period_slots().checked_div(self.frame_slots())?.max(2);
        (frame.checked_rem(frames)? == 1).then_some(channel)
    }

    /// The stay of a coasting station on the calling channel, in the second of `slot`: the channel, the
    /// first slot and the end.
    pub(super) fn calling_stay(&self, slot: Slot) -> Option<(Channel, Slot, Slot)> {
        let channel = self.fixed.calling?;
        let second = self.period_slots();
        let position = slot.number().checked_rem(second)?;
        let start = Slot::new(slot.number().wrapping_sub(position)).plus(second / 2);
        Some((channel, start, start.plus(self.frame_slots() / 2)))
    }

    /// The sample of the watch channel for a station without time: the first slot's length of
    /// each second of its own clock. Gives the sample that is due, and when the next one is.
    pub(super) fn watch_sample_without_time(&self, now: Tick) -> (Option<Current>, Option<Tick>) {
        let Some(channel) = self.fixed.watch else { return (None, None) };
        let (_, into) = quotient(now.us(), PERIOD_US);
        let from = now.minus(Micros::new(u64::from(into)));
        // A report needs a whole slot's time, and the radio has to get there first.
        let until = from.plus(self.timing.slot()).plus(self.timing.settle());
        let radio = self.sync_radio(channel);
        let action = Action { radio, from, until, poll_by: until };
        let due = (now < until).then_some(Current { action, hop: None });
        (due, Some(from.plus(PERIOD)))
    }

    /// Listens for the sync word: on a rendezvous channel, or on a fixed one, where it is as good as any,
    /// because nobody of the net sends there.
    pub(super) const fn sync_radio(&self, channel: Channel) -> Radio {
        Radio::Listen { channel, word: self.sequence.sync_word(), complement: false }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOCKOUT: Micros = Micros::from_millis(40_000);

    fn alerts(times_ms: impl IntoIterator<Item = u64>) -> std::vec::Vec<u64> {
        let mut attention = Attention::default();
        let raised = |ms: &u64| attention.energy(Tick::new(ms * 1_000), LOCKOUT);
        times_ms.into_iter().filter(raised).collect()
    }

    #[test]
    fn three_samples_in_a_row_raise_one_alert() {
        assert_eq!(alerts([1_000, 2_000, 3_000, 4_000]), [3_000]);
        // Several reports within one sample are one.
        assert_eq!(alerts([1_000, 1_020, 1_040, 2_000, 2_020, 2_040]), []);
        // A second without energy breaks the row.
        assert_eq!(alerts([1_000, 2_000, 4_000, 5_000]), []);
        // One sample and a half is the most that lies between two in a row: with a second without energy
        // between them power that begins late and ends early is farther apart.
        assert_eq!(alerts([1_000, 2_500, 4_000, 5_500]), [4_000]);
        assert_eq!(alerts([1_000, 2_501, 4_002, 5_503]), []);
    }

    #[test]
    fn a_flood_raises_one_alert_in_each_lockout() {
        // An hour of energy in every slot.
        let raised = alerts((0..180_000).map(|slot| slot * 20));
        assert!(raised.windows(2).all(|pair| pair[1] - pair[0] >= LOCKOUT.us() / 1_000));
        assert!(raised.len() <= 90, "{}", raised.len());
        assert!(raised.len() >= 85, "and not none: {}", raised.len());
    }
}
