//! Many slots at once, for machines with wide registers: the same sequence, drawn from long
//! stretches of keystream instead of block by block.

use super::{Cursor, Draw, MAX_FRAME, MAX_RENDEZVOUS, Sequence, Timeline};
use crate::keys::{Subkey, Words, uniform};
use crate::units::{Channel, Slot};
use heapless::Vec;

/// Bytes of keystream held at a time; at least four for each slot of a frame, and a block.
const AHEAD: usize = 4096;
const _: () = assert!(AHEAD >= 4 * MAX_FRAME as usize + 64);

impl<const N: usize> Sequence<N> {
    /// The channels of as many slots as `out` holds, from slot `from` on.
    ///
    /// The answers are those of [`Cursor::hop`], slot by slot. Uses about `6 N + 9000` bytes of
    /// stack: meant for hosts.
    pub fn fill(&self, timeline: Timeline, from: Slot, out: &mut [Channel]) {
        let m = u32::from(self.structure.frame);
        let mut cursor = Cursor::new(self, timeline);
        let mut slot = from;
        let past_frame_start = slot.number().checked_rem(m).unwrap_or_default();
        let head = m.wrapping_sub(past_frame_start).checked_rem(m).unwrap_or_default();
        let (head, rest) = out.split_at_mut((head as usize).min(out.len()));
        for channel in head {
            *channel = cursor.hop(self, slot).channel;
            slot = slot.plus(1);
        }
        let mut frames = Frames::new(self, timeline, slot);
        let mut whole = rest.chunks_exact_mut(m as usize);
        for frame in whole.by_ref() {
            frames.fill(self, frame);
            slot = slot.plus(m);
        }
        for channel in whole.into_remainder() {
            *channel = cursor.hop(self, slot).channel;
            slot = slot.plus(1);
        }
    }
}

/// Whole frames in order.
struct Frames<const N: usize> {
    /// The next frame.
    frame: u32,
    when: Ahead,
    turn: Words,
    window: Vec<Channel, { MAX_RENDEZVOUS as usize }>,
    hop: Ahead,
    /// Ordinal of the next traffic slot.
    ordinal: u32,
    /// The traffic set, ascending.
    traffic: Vec<Channel, N>,
    /// What the balanced draw takes from: below `drawn`, spent.
    cycle: Vec<Channel, N>,
    drawn: u32,
}

impl<const N: usize> Frames<N> {
    fn new(sequence: &Sequence<N>, timeline: Timeline, first: Slot) -> Self {
        let stream = u32::from(sequence.draw_lane.number()) | timeline.bit();
        let m = u32::from(sequence.structure.frame);
        let frame = first.number().checked_div(m).unwrap_or_default();
        let traffic: Vec<Channel, N> =
            sequence.traffic_ranks().map(|rank| sequence.hopset.turned(rank)).collect();
        let mut this = Self {
            frame,
            when: Ahead::new(stream),
            turn: Words::new(stream),
            window: Vec::new(),
            hop: Ahead::new(stream),
            ordinal: first.number().wrapping_sub(frame),
            cycle: traffic.clone(),
            traffic,
            drawn: 0,
        };
        this.catch_up(sequence);
        this
    }

    /// Brings a balanced cycle that began before the first frame, and the window, to their place.
    fn catch_up(&mut self, sequence: &Sequence<N>) {
        let count = u32::from(sequence.traffic_count());
        let into_cycle = self.ordinal.checked_rem(count).unwrap_or_default();
        if sequence.structure.draw == Draw::Balanced {
            self.ordinal = self.ordinal.wrapping_sub(into_cycle);
            for _ in 0..into_cycle {
                let mut discard = [Channel::default()];
                self.balanced(sequence, &mut discard);
            }
        }
        self.prepare_window(sequence);
    }

    fn prepare_window(&mut self, sequence: &Sequence<N>) {
        let w = u32::from(sequence.structure.window);
        let r = u32::from(sequence.structure.rendezvous);
        let past = self.frame.checked_rem(w).unwrap_or_default();
        let start = self.frame.wrapping_sub(past);
        let from = start.checked_rem(r).unwrap_or_default() as usize;
        let visits = sequence.visits.iter().skip(from).take(w as usize);
        self.window.clear();
        self.window.extend(visits.map(|rank| sequence.hopset.turned(*rank)));
        crate::keys::shuffle_with(
            &sequence.turn,
            &mut self.turn,
            u64::from(start),
            &mut self.window,
        );
    }

    fn fill(&mut self, sequence: &Sequence<N>, frame: &mut [Channel]) {
        let m = u32::from(sequence.structure.frame);
        let w = u32::from(sequence.structure.window);
        let entry = self.frame.checked_rem(w).unwrap_or_default();
        if entry == 0 {
            self.prepare_window(sequence);
        }
        let word = self.when.words(&sequence.when, self.frame, 1).first().copied();
        let sync = uniform(u32::from_le_bytes(word.unwrap_or_default()), m);
        let (before, rest) = frame.split_at_mut((sync as usize).min(frame.len()));
        let Some((at_sync, after)) = rest.split_first_mut() else { return };
        *at_sync = self.window.get(entry as usize).copied().unwrap_or_default();
        match sequence.structure.draw {
            Draw::Balanced => {
                self.balanced(sequence, before);
                self.balanced(sequence, after);
            }
            Draw::Independent => {
                self.independent(sequence, before);
                self.independent(sequence, after);
            }
        }
        self.frame = self.frame.wrapping_add(1);
    }

    fn balanced(&mut self, sequence: &Sequence<N>, out: &mut [Channel]) {
        let count = u32::from(sequence.traffic_count());
        let words = self.hop.words(&sequence.hop, self.ordinal, out.len());
        for (channel, word) in out.iter_mut().zip(words) {
            if self.drawn == count {
                self.cycle.clone_from(&self.traffic);
                self.drawn = 0;
            }
            let left = count.wrapping_sub(self.drawn);
            let j = uniform(u32::from_le_bytes(*word), left).wrapping_add(self.drawn);
            let next = self.cycle.get(self.drawn as usize).copied().unwrap_or_default();
            if let Some(drawn) = self.cycle.get_mut(j as usize) {
                *channel = core::mem::replace(drawn, next);
            }
            self.drawn = self.drawn.wrapping_add(1);
            self.ordinal = self.ordinal.wrapping_add(1);
        }
    }

    fn independent(&mut self, sequence: &Sequence<N>, out: &mut [Channel]) {
        let count = u32::from(sequence.traffic_count());
        let words = self.hop.words(&sequence.hop, self.ordinal, out.len());
        for (channel, word) in out.iter_mut().zip(words) {
            let drawn = uniform(u32::from_le_bytes(*word), count);
            *channel = self.traffic.get(drawn as usize).copied().unwrap_or_default();
            self.ordinal = self.ordinal.wrapping_add(1);
        }
    }
}

/// A long stretch of one stream's keystream.
struct Ahead {
    stream: u32,
    /// Index of the first word held; `None` before the first read.
    first: Option<u32>,
    bytes: [u8; AHEAD],
}

impl Ahead {
    const fn new(stream: u32) -> Self {
        Self { stream, first: None, bytes: [0; AHEAD] }
    }

    /// `count` words from `index` on, little-endian; `count` is at most a frame's.
    #[inline]
    fn words(&mut self, key: &Subkey, index: u32, count: usize) -> &[[u8; 4]] {
        let held = |first: u32| {
            let from = index.checked_sub(first)? as usize;
            (from.saturating_add(count) <= AHEAD / 4).then_some(from)
        };
        let from = self.first.and_then(held).unwrap_or_else(|| {
            key.fill(self.stream, index / 16, &mut self.bytes);
            self.first = Some(index & !15);
            (index & 15) as usize
        });
        let (words, _) = self.bytes.as_chunks::<4>();
        words.get(from..from.saturating_add(count)).unwrap_or_default()
    }
}

impl Drop for Ahead {
    fn drop(&mut self) {
        zeroize::Zeroize::zeroize(&mut self.bytes);
    }
}
