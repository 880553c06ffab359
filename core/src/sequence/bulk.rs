//! Many slots at once, for machines with wide registers: the same sequence, drawn from long
//! stretches of keystream instead of block by block.

use super::{Cursor, Draw, MAX_FRAME, MAX_RENDEZVOUS, Sequence, Timeline};
use crate::append::append;
use crate::keys::{Subkey, uniform};
use crate::units::{Channel, Slot};
use heapless::Vec;

/// Frames drawn at a time, at most.
const FRAMES: usize = 256;
/// Traffic slots drawn at a time, at most.
const HOPS: usize = 2048;
const _: () = assert!(HOPS >= MAX_FRAME as usize, "a frame must fit");

impl<const N: usize> Sequence<N> {
    /// The channels of as many slots as `out` holds, from slot `from` on.
    ///
    /// The answers are those of [`Cursor::hop`], slot by slot. Uses about `4 N + 12000` bytes of
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
        let tail = rest.len().checked_rem(m as usize).unwrap_or_default();
        let (whole, tail) = rest.split_at_mut(rest.len().saturating_sub(tail));
        frames.fill(self, whole);
        slot = slot.plus(u32::try_from(whole.len()).unwrap_or(u32::MAX));
        for channel in tail {
            *channel = cursor.hop(self, slot).channel;
            slot = slot.plus(1);
        }
    }
}

/// Whole frames in order.
struct Frames<const N: usize> {
    /// The next frame.
    frame: u32,
    when: Ahead<{ 4 * FRAMES + 64 }>,
    turn: Ahead<{ 4 * (FRAMES + MAX_RENDEZVOUS as usize) + 64 }>,
    hop: Ahead<{ 4 * HOPS + 64 }>,
    /// The rendezvous channels in the order of visits.
    visits: Visits,
    window: Visits,
    traffic: Traffic<N>,
}

type Visits = Vec<Channel, { MAX_RENDEZVOUS as usize }>;

/// The traffic set, and how far it has been drawn.
struct Traffic<const N: usize> {
    /// Ordinal of the next traffic slot.
    ordinal: u32,
    /// The set, ascending.
    set: Vec<Channel, N>,
    /// What the balanced draw takes from: below `drawn`, spent.
    cycle: Vec<Channel, N>,
    drawn: usize,
}

impl<const N: usize> Frames<N> {
    fn new(sequence: &Sequence<N>, timeline: Timeline, first: Slot) -> Self {
        let stream = u32::from(sequence.draw_lane.number()) | timeline.bit();
        let m = u32::from(sequence.structure.frame);
        let frame = first.number().checked_div(m).unwrap_or_default();
        let mut ranks: Vec<u16, N> = Vec::new();
        sequence.write_traffic_ranks(&mut ranks);
        let mut set: Vec<Channel, N> = Vec::new();
        append(&mut set, ranks.iter().map(|rank| sequence.hopset.turned(*rank)));
        let mut visits = Vec::new();
        append(&mut visits, sequence.visits.iter().map(|place| sequence.visited(*place)));
        let ordinal = first.number().wrapping_sub(frame);
        let mut this = Self {
            frame,
            when: Ahead::new(stream),
            turn: Ahead::new(stream),
            hop: Ahead::new(stream),
            visits,
            window: Vec::new(),
            traffic: Traffic { ordinal, cycle: set.clone(), set, drawn: 0 },
        };
        this.catch_up(sequence);
        this
    }

    /// Brings a window and a balanced cycle that began before the first frame to their place.
    fn catch_up(&mut self, sequence: &Sequence<N>) {
        let w = u32::from(sequence.structure.window);
        let into_window = self.frame.checked_rem(w).unwrap_or_default();
        if into_window > 0 {
            let start = self.frame.wrapping_sub(into_window);
            let words = self.turn.load(&sequence.turn, start, w as usize);
            open_window(w, start, words, &self.visits, &mut self.window);
        }
        if sequence.structure.draw == Draw::Balanced {
            let count = u32::from(sequence.traffic_count());
            let into_cycle = self.traffic.ordinal.checked_rem(count).unwrap_or_default();
            let start = self.traffic.ordinal.wrapping_sub(into_cycle);
            let mut done = 0;
            while done < into_cycle {
                let some = into_cycle.wrapping_sub(done).min(64);
                let first = start.wrapping_add(done);
                let words = self.hop.load(&sequence.hop, first, some as usize);
                let mut discard = [Channel::default(); 64];
                self.traffic.balanced(&mut discard, usize::MAX, words);
                done = done.wrapping_add(some);
            }
        }
    }

    /// Fills whole frames.
    fn fill(&mut self, sequence: &Sequence<N>, out: &mut [Channel]) {
        let m = usize::from(sequence.structure.frame);
        let w = u32::from(sequence.structure.window);
        let hops_a_frame = m.saturating_sub(1).max(1);
        let at_a_time = HOPS.checked_div(hops_a_frame).unwrap_or(1).min(FRAMES);
        let mut entry = self.frame.checked_rem(w).unwrap_or_default();
        for chunk in out.chunks_mut(at_a_time.saturating_mul(m).max(1)) {
            let frames = chunk.len().checked_div(m).unwrap_or_default();
            let when = self.when.load(&sequence.when, self.frame, frames);
            // To the end of the window that the last frame is in.
            let end = u32::try_from(frames).unwrap_or_default().wrapping_add(entry);
            let into = end.checked_rem(w).unwrap_or_default();
            let rest = w.wrapping_sub(into).checked_rem(w).unwrap_or_default() as usize;
            let turn = self.turn.load(&sequence.turn, self.frame, frames.saturating_add(rest));
            let hops = frames.saturating_mul(hops_a_frame);
            let hop = self.hop.load(&sequence.hop, self.traffic.ordinal, hops);
            let hops_of_frames = hop.chunks_exact(hops_a_frame);
            let frames = chunk.chunks_exact_mut(m.max(1)).zip(when).zip(hops_of_frames).enumerate();
            for (i, ((frame, when), hop)) in frames {
                if entry == 0 {
                    let words = turn.get(i..).unwrap_or_default();
                    let start = self.frame;
                    open_window(w, start, words, &self.visits, &mut self.window);
                }
                let sync = uniform(u32::from_le_bytes(*when), u32::from(sequence.structure.frame));
                let sync = sync as usize;
                match sequence.structure.draw {
                    Draw::Balanced => self.traffic.balanced(frame, sync, hop),
                    Draw::Independent => match (frame.try_into(), hop.try_into()) {
                        (Ok(frame), Ok(hop)) => self.traffic.independent_of_eight(frame, sync, hop),
                        _ => self.traffic.independent(frame, sync, hop),
                    },
                }
                if let Some(at_sync) = frame.get_mut(sync) {
                    *at_sync = self.window.get(entry as usize).copied().unwrap_or_default();
                }
                entry = entry.wrapping_add(1);
                if entry == w {
                    entry = 0;
                }
                self.frame = self.frame.wrapping_add(1);
            }
            let hops = u32::try_from(hops).unwrap_or_default();
            self.traffic.ordinal = self.traffic.ordinal.wrapping_add(hops);
        }
    }
}

/// Puts the window that starts at frame `start` in its drawn order.
#[inline]
fn open_window(w: u32, start: u32, words: &[[u8; 4]], visits: &Visits, window: &mut Visits) {
    let r = u32::try_from(visits.len()).unwrap_or_default();
    let from = start.checked_rem(r).unwrap_or_default() as usize;
    window.clear();
    // A window never reaches beyond the last visit: it divides their number.
    let visits = visits.get(from..from.saturating_add(w as usize)).unwrap_or_default();
    append(window, visits.iter().copied());
    let mut rest = window.as_mut_slice();
    let mut left = w;
    let mut words = words.iter();
    while let ([first, others @ ..], Some(word)) = (rest, words.next()) {
        let drawn = uniform(u32::from_le_bytes(*word), left) as usize;
        if let Some(other) = others.get_mut(drawn.wrapping_sub(1)) {
            core::mem::swap(first, other);
        }
        left = left.wrapping_sub(1);
        rest = others;
    }
}

impl<const N: usize> Traffic<N> {
    /// Fills the slots of a frame before and after place `sync`.
    #[inline]
    fn balanced(&mut self, frame: &mut [Channel], sync: usize, words: &[[u8; 4]]) {
        for (i, word) in words.iter().enumerate() {
            if self.drawn == self.cycle.len() {
                self.cycle.iter_mut().zip(&self.set).for_each(|(place, channel)| *place = *channel);
                self.drawn = 0;
            }
            // Those below `drawn` are spent: drawing from the rest needs no swap, only that the
            // first of the rest takes the place of the one drawn.
            let left = self.cycle.len().wrapping_sub(self.drawn);
            let left = u32::try_from(left).unwrap_or(u32::MAX);
            let offset = uniform(u32::from_le_bytes(*word), left) as usize;
            let first = self.cycle.get(self.drawn).copied().unwrap_or_default();
            if let Some(drawn) = self.cycle.get_mut(self.drawn.wrapping_add(offset)) {
                put(frame, i, sync, core::mem::replace(drawn, first));
            }
            self.drawn = self.drawn.wrapping_add(1);
        }
    }

    /// As [`Self::balanced`], with replacement.
    #[inline]
    fn independent(&self, frame: &mut [Channel], sync: usize, words: &[[u8; 4]]) {
        for (i, word) in words.iter().enumerate() {
            put(frame, i, sync, self.any(*word));
        }
    }

    /// [`Self::independent`] for frames of the usual length: seven draws, and then eight slots with
    /// no branch among them.
    #[inline]
    fn independent_of_eight(&self, frame: &mut [Channel; 8], sync: usize, words: &[[u8; 4]; 7]) {
        let [a, b, c, d, e, f, g] = words.map(|word| self.any(word));
        // Before the sync slot each is in its place, behind it one further on.
        let at = |i: usize, own: Channel, former: Channel| if i < sync { own } else { former };
        let [b1, c2, d3] = [at(1, b, a), at(2, c, b), at(3, d, c)];
        let [e4, f5, g6] = [at(4, e, d), at(5, f, e), at(6, g, f)];
        *frame = [a, b1, c2, d3, e4, f5, g6, g];
    }

    /// The channel that a word draws from the whole set.
    #[inline]
    fn any(&self, word: [u8; 4]) -> Channel {
        let count = u32::try_from(self.set.len()).unwrap_or(u32::MAX);
        let drawn = uniform(u32::from_le_bytes(word), count);
        self.set.get(drawn as usize).copied().unwrap_or_default()
    }
}

/// Puts a channel into the `i`-th traffic slot of a frame. The loops around this run as often in
/// every frame, whatever the place of the sync slot: no branch for the processor to guess wrong.
#[inline]
fn put(frame: &mut [Channel], i: usize, sync: usize, channel: Channel) {
    if let Some(slot) = frame.get_mut(i.wrapping_add(usize::from(i >= sync))) {
        *slot = channel;
    }
}

/// A stretch of one stream's keystream.
struct Ahead<const BYTES: usize> {
    stream: u32,
    bytes: [u8; BYTES],
}

impl<const BYTES: usize> Ahead<BYTES> {
    const fn new(stream: u32) -> Self {
        Self { stream, bytes: [0; BYTES] }
    }

    /// `count` words from `index` on, little-endian; no more than fit.
    fn load(&mut self, key: &Subkey, index: u32, count: usize) -> &[[u8; 4]] {
        let skip = (index & 15) as usize;
        let end = skip.saturating_add(count);
        // Whole blocks, so that the cipher can work on several at a time.
        let bytes = end.div_ceil(16).saturating_mul(64).min(BYTES);
        if let Some(bytes) = self.bytes.get_mut(..bytes) {
            key.fill(self.stream, index / 16, bytes);
        }
        let (words, _) = self.bytes.as_chunks::<4>();
        words.get(skip..end.min(words.len())).unwrap_or_default()
    }
}

impl<const BYTES: usize> Drop for Ahead<BYTES> {
    fn drop(&mut self) {
        zeroize::Zeroize::zeroize(&mut self.bytes);
    }
}

#[cfg(test)]
mod tests {
    use super::Ahead;

    /// Whether it has a drop at all. That this wipes cannot be looked at from outside, nor in here without `unsafe`:
    /// keystream is read ahead on the stack alone.
    #[test]
    fn keystream_that_was_read_ahead_has_a_drop_to_wipe_it() {
        assert!(core::mem::needs_drop::<Ahead<64>>());
    }
}
