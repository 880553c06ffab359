//! A reader of one timeline of a sequence.

use super::{Draw, Hop, RUN, Sequence, SlotKind, Timeline};
use crate::append::append;
use crate::keys::{Words, draw_forward, shuffle_with, uniform};
use crate::units::{Channel, Slot};
use heapless::Vec;

/// A reader of one timeline. It belongs to the sequence that it is used with first; another
/// gives wrong channels (of that other hopset), nothing worse.
///
/// Reading the next slot costs, averaged, an eighth of a cipher block; reading any slot at all
/// costs at most four blocks, and with the balanced draw one more for every 16 traffic channels.
#[derive(Debug)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct Cursor<const N: usize> {
    when: Words,
    turn: Words,
    /// The stream of a run's windows. (Its words are read four at a time and not kept: memory is
    /// dear.)
    run_stream: u32,
    hop: Words,
    word: Words,
    window: Window,
    run_window: Window,
    cycle: Cycle<N>,
}

/// The visits of one rendezvous window, in their drawn order.
#[derive(Debug, Default)]
#[cfg_attr(feature = "_model", derive(Clone))]
struct Window {
    /// First index of the window; `None` before the first use.
    start: Option<u32>,
    /// Places in the rendezvous set.
    places: Vec<u8, { super::MAX_RENDEZVOUS as usize }>,
}

/// One cycle of the balanced draw.
#[derive(Debug, Default)]
#[cfg_attr(feature = "_model", derive(Clone))]
struct Cycle<const N: usize> {
    /// The number of the cycle; `None` before the first use.
    number: Option<u32>,
    /// The traffic set: below `drawn` in drawn order, above still to be drawn.
    ranks: Vec<u16, N>,
    drawn: u32,
}

/// A slot's place among the sync and traffic slots.
enum Place {
    /// The sync slot of a frame.
    Sync { frame: u32 },
    /// The traffic slot with this ordinal.
    Traffic { ordinal: u32 },
}

impl<const N: usize> Cursor<N> {
    /// The steps of the balanced draw that the words of one cipher block are enough for.
    pub const STRIDE: u32 = 16;

    /// A reader of `timeline`.
    #[must_use]
    pub fn new(sequence: &Sequence<N>, timeline: Timeline) -> Self {
        let draw = u32::from(sequence.draw_lane.number()) | timeline.bit();
        let own = u32::from(sequence.lane.number()) | timeline.bit();
        Self {
            when: Words::new(draw),
            turn: Words::new(draw),
            run_stream: draw | RUN,
            hop: Words::new(draw),
            word: Words::new(own),
            window: Window::default(),
            run_window: Window::default(),
            cycle: Cycle::default(),
        }
    }

    /// Slot `slot` of the timeline.
    pub fn hop(&mut self, sequence: &Sequence<N>, slot: Slot) -> Hop {
        match self.place(sequence, slot) {
            Place::Sync { frame } => {
                let channel = self.window.channel(sequence, &mut self.turn, frame);
                Hop { slot, kind: SlotKind::Sync, channel, word: sequence.sync_word }
            }
            Place::Traffic { ordinal } => {
                let rank = match sequence.structure.draw {
                    Draw::Balanced => self.cycle.rank(sequence, &mut self.hop, ordinal),
                    Draw::Independent => self.independent(sequence, ordinal),
                };
                let channel = sequence.hopset.turned(rank);
                let word = self.word.word(&sequence.word, u64::from(slot.number()));
                Hop { slot, kind: SlotKind::Traffic, channel, word }
            }
        }
    }

    /// What slot `slot` of the timeline is for. At most one block.
    pub fn kind(&mut self, sequence: &Sequence<N>, slot: Slot) -> SlotKind {
        match self.place_seldom(sequence, slot) {
            Place::Sync { .. } => SlotKind::Sync,
            Place::Traffic { .. } => SlotKind::Traffic,
        }
    }

    /// Slot `slot` of a run of consecutive sync slots (announce, cut-in, lead-in).
    pub fn run_hop(&mut self, sequence: &Sequence<N>, slot: Slot) -> Hop {
        let mut words = Words::new(self.run_stream);
        let channel = self.run_window.channel(sequence, &mut words, slot.number());
        Hop { slot, kind: SlotKind::Sync, channel, word: sequence.sync_word }
    }

    /// Works ahead towards slot `slot`, so that reading it, or the next traffic slot behind it, is short
    /// when its time comes: `steps` of the balanced draw, each of which costs a sixteenth of a cipher
    /// block; [`STRIDE`](Self::STRIDE) steps cost at most two, and all that are left as many as reading a
    /// far slot. Every slot reads the same with and without.
    pub fn approach(&mut self, sequence: &Sequence<N>, slot: Slot, steps: u32) {
        if let Draw::Balanced = sequence.structure.draw {
            let ordinal = match self.place_seldom(sequence, slot) {
                // Of the slots before it, one a frame is a sync slot.
                Place::Sync { frame } => slot.number().wrapping_sub(frame),
                Place::Traffic { ordinal } => ordinal,
            };
            self.cycle.approach(sequence, &mut self.hop, ordinal, steps);
        }
    }

    /// The cycle that is being drawn, and how far.
    #[cfg(test)]
    pub(super) const fn drawn(&self) -> (Option<u32>, u32) {
        (self.cycle.number, self.cycle.drawn)
    }

    #[inline(always)]
    fn place(&mut self, sequence: &Sequence<N>, slot: Slot) -> Place {
        let h = slot.number();
        let m = u32::from(sequence.structure.frame);
        let frame = h.checked_div(m).unwrap_or_default();
        let position = h.wrapping_sub(frame.wrapping_mul(m));
        let sync = uniform(self.when.word(&sequence.when, u64::from(frame)), m);
        if position == sync {
            Place::Sync { frame }
        } else {
            let passed = u32::from(position > sync);
            Place::Traffic { ordinal: h.wrapping_sub(frame).wrapping_sub(passed) }
        }
    }

    /// [`place`](Self::place) where it need not be quick.
    #[inline(never)]
    fn place_seldom(&mut self, sequence: &Sequence<N>, slot: Slot) -> Place {
        self.place(sequence, slot)
    }

    fn independent(&mut self, sequence: &Sequence<N>, ordinal: u32) -> u16 {
        let count = u32::from(sequence.traffic_count());
        let drawn = uniform(self.hop.word(&sequence.hop, u64::from(ordinal)), count);
        self.cycle.prepare(sequence, 0);
        self.cycle.ranks.get(drawn as usize).copied().unwrap_or_default()
    }
}

impl Window {
    /// The channel that visit number `index` goes to.
    fn channel<const N: usize>(
        &mut self,
        sequence: &Sequence<N>,
        words: &mut Words,
        index: u32,
    ) -> Channel {
        let w = u32::from(sequence.structure.window);
        let r = u32::from(sequence.structure.rendezvous);
        let entry = index.checked_rem(w).unwrap_or_default();
        let start = index.wrapping_sub(entry);
        if self.start != Some(start) {
            self.start = Some(start);
            self.places.clear();
            let from = start.checked_rem(r).unwrap_or_default() as usize;
            let visits = sequence.visits.iter().skip(from).take(w as usize);
            append(&mut self.places, visits.copied());
            shuffle_with(&sequence.turn, words, u64::from(start), &mut self.places);
        }
        sequence.visited(self.places.get(entry as usize).copied().unwrap_or_default())
    }
}

impl<const N: usize> Cycle<N> {
    /// The rank that traffic slot `ordinal` goes to.
    fn rank(&mut self, sequence: &Sequence<N>, words: &mut Words, ordinal: u32) -> u16 {
        let (start, position) = self.turn_to(sequence, ordinal);
        self.draw(sequence, words, start, position.saturating_add(1));
        self.ranks.get(position as usize).copied().unwrap_or_default()
    }

    /// Draws on towards traffic slot `ordinal`, so many steps at most.
    fn approach(&mut self, sequence: &Sequence<N>, words: &mut Words, ordinal: u32, steps: u32) {
        let (start, position) = self.turn_to(sequence, ordinal);
        let most = self.drawn.saturating_add(steps);
        self.draw(sequence, words, start, position.saturating_add(1).min(most));
    }

    /// Turns to the cycle of traffic slot `ordinal`; gives the cycle's first, and how far from it that is.
    #[inline(never)]
    fn turn_to(&mut self, sequence: &Sequence<N>, ordinal: u32) -> (u32, u32) {
        let count = u32::from(sequence.traffic_count());
        let number = ordinal.checked_div(count).unwrap_or_default();
        let start = number.wrapping_mul(count);
        self.prepare(sequence, number);
        (start, ordinal.wrapping_sub(start))
    }

    /// Draws the present cycle, which begins at `start`, as far as `wanted` positions.
    #[inline(always)]
    fn draw(&mut self, sequence: &Sequence<N>, words: &mut Words, start: u32, wanted: u32) {
        if wanted > self.drawn {
            draw_forward(&sequence.hop, words, start, &mut self.ranks, self.drawn, wanted);
            self.drawn = wanted;
        }
    }

    /// Starts cycle `number` unless it is the present one.
    fn prepare(&mut self, sequence: &Sequence<N>, number: u32) {
        if self.number != Some(number) {
            self.number = Some(number);
            self.drawn = 0;
            self.ranks.clear();
            sequence.write_traffic_ranks(&mut self.ranks);
        }
    }
}

impl<const N: usize> Sequence<N> {
    /// The channel of one slot, for one who wants no more of the sequence than that.
    #[must_use]
    pub fn channel(&self, timeline: Timeline, slot: Slot) -> Channel {
        Cursor::new(self, timeline).hop(self, slot).channel
    }
}
