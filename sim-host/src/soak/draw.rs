//! The list of happenings that a seed stands for.

use super::happening::{Happening, Storage, What, Whom};
use super::{SECOND, TIMEKEEPER};
use crate::plan::Clock;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

const MINUTE: u64 = 60 * SECOND;
/// The least and the mean time between two groups of happenings.
const LEAST_GAP: u64 = 30 * SECOND;
const MEAN_GAP: u64 = 120 * SECOND;
/// What a reunion may take.
const REUNION: u64 = 12 * MINUTE;

/// Draws what happens to `stations` stations until `end`.
pub(super) fn happenings(seed: u64, stations: u8, clock: Clock, end: u64) -> Vec<Happening> {
    let rng = ChaCha8Rng::seed_from_u64(seed);
    let stations = usize::from(stations);
    let stepped = vec![0; stations];
    let mut draw = Draw { rng, stations, clock, stepped, list: Vec::new() };
    let mut now = MINUTE;
    while now < end {
        now = draw.group(now) + LEAST_GAP + draw.below(2 * (MEAN_GAP - LEAST_GAP));
    }
    draw.list.retain(|happening| happening.at_us < end);
    draw.list.sort_by_key(|happening| happening.at_us);
    draw.list
}

/// How far the rate of an oscillator that changes may be off. No rate may then be further than the
/// steadiness from any average of earlier ones; a tenth is left for the microsecond of rounding
/// that each change may cost.
pub(super) fn restless_ppb(clock: Clock, node: usize) -> u64 {
    let own = if node == TIMEKEEPER { clock.timekeeper_tolerance } else { clock.tolerance };
    u64::from(own.min(clock.steadiness).ppb()) * 9 / 20
}

struct Draw {
    rng: ChaCha8Rng,
    stations: usize,
    clock: Clock,
    /// How far each clock has stepped so far: no further than the plan says that it may wander.
    stepped: Vec<u64>,
    list: Vec<Happening>,
}

impl Draw {
    fn below(&mut self, limit: u64) -> u64 {
        self.rng.next_u64() % limit.max(1)
    }

    fn any(&mut self) -> usize {
        self.rng.next_u32() as usize % self.stations
    }

    /// Any station but the timekeeper.
    fn member(&mut self) -> usize {
        1 + self.rng.next_u32() as usize % (self.stations - 1)
    }

    fn add(&mut self, at_us: u64, what: What) {
        self.list.push(Happening { at_us, what });
    }

    /// Happenings that belong together, from `now` on; gives the time at which they are over.
    fn group(&mut self, now: u64) -> u64 {
        match self.rng.next_u32() % 48 {
            0..=19 => self.over(now),
            20..=22 => {
                self.add(now, What::Announce);
                now + 5 * SECOND
            }
            23..=26 => self.restart(now),
            27..=28 => self.flood(now),
            29..=30 => self.losses(now),
            31..=33 => self.rates(now),
            34..=36 => self.cycle_while_speaking(now),
            37..=39 => self.cut_in(now),
            40..=41 => self.cutter_lost(now),
            42..=43 => self.two_cut_ins(now),
            44..=45 => self.cut_in_and_announce(now),
            46 => self.partition(now),
            _ => self.timekeeper_lost(now),
        }
    }

    fn whom(&mut self) -> Whom {
        let address = self.rng.next_u32().to_le_bytes()[0];
        match self.rng.next_u32() % 4 {
            0 => Whom::All,
            1 => Whom::One(address),
            2 => Whom::Like(address),
            _ => Whom::AllBut(address),
        }
    }

    fn press(&mut self, now: u64, node: usize) -> u64 {
        let to = self.whom();
        let talk_us = SECOND + self.below(8 * SECOND);
        self.add(now, What::Over { node, to, talk_us });
        now + talk_us + 2 * SECOND
    }

    fn over(&mut self, now: u64) -> u64 {
        let node = self.any();
        self.press(now, node)
    }

    fn kept_or_new(&mut self, node: usize) -> Storage {
        // A new timekeeper needs a new plan: with this one it would repeat slots.
        let new = node != TIMEKEEPER && self.rng.next_u32().is_multiple_of(4);
        if new { Storage::New } else { Storage::Kept }
    }

    fn cycle(&mut self, now: u64, node: usize) {
        let storage = self.kept_or_new(node);
        self.add(now, What::PowerCycle { node, storage });
    }

    /// A power cycle of anyone. Some operators press at once.
    fn restart(&mut self, now: u64) -> u64 {
        let node = self.any();
        self.cycle(now, node);
        if self.rng.next_u32().is_multiple_of(3) {
            let at = now + self.below(SECOND);
            return self.press(at, node) + 8 * SECOND;
        }
        now
    }

    fn flood(&mut self, now: u64) -> u64 {
        let (node, seed) = (self.any(), self.rng.next_u64());
        self.add(now, What::Flood { node, seed });
        now + 3 * SECOND
    }

    /// Most of everything is lost for a while, in which somebody speaks.
    fn losses(&mut self, now: u64) -> u64 {
        let per_mille = u16::try_from(300 + self.below(701)).unwrap_or(1_000);
        let length_us = 5 * SECOND + self.below(2 * MINUTE);
        self.add(now, What::Loss { per_mille, length_us });
        let at = now + self.below(length_us);
        self.over(at).max(now + length_us)
    }

    /// Oscillators change their rates, and clocks step, within what the plan says of them.
    fn rates(&mut self, now: u64) -> u64 {
        for _ in 0..1 + self.below(4) {
            // The others keep theirs, which may be as far off as the tolerance allows.
            let node = self.any() & !1;
            let most = restless_ppb(self.clock, node);
            let ppb = self.below(2 * most + 1).cast_signed() - most.cast_signed();
            let left = self.clock.wander.us().saturating_sub(self.stepped[node]);
            let step_us = self.below(left + 1);
            self.stepped[node] += step_us;
            let at = now + self.below(10 * SECOND);
            self.add(at, What::Clock { node, ppb, step_us });
        }
        now + 10 * SECOND
    }

    /// The power of a station fails while it speaks, in any slot of its over.
    fn cycle_while_speaking(&mut self, now: u64) -> u64 {
        let node = self.any();
        let end = self.press(now, node);
        let at = now + self.below(end - now);
        self.cycle(at, node);
        end
    }

    /// A station with a new set has no time and presses at once.
    fn new_set_presses(&mut self, now: u64, node: usize) -> u64 {
        self.add(now, What::PowerCycle { node, storage: Storage::New });
        let at = now + self.below(SECOND / 2);
        self.press(at, node) + 8 * SECOND
    }

    fn cut_in(&mut self, now: u64) -> u64 {
        let node = self.member();
        self.new_set_presses(now, node)
    }

    /// The power of a cutter fails, in any slot from its press on.
    fn cutter_lost(&mut self, now: u64) -> u64 {
        let node = self.member();
        let end = self.new_set_presses(now, node);
        let at = now + SECOND + self.below(end - now - SECOND);
        self.cycle(at, node);
        end
    }

    fn two_cut_ins(&mut self, now: u64) -> u64 {
        let (one, other) = (self.member(), self.member());
        let first = self.new_set_presses(now, one);
        let later = now + self.below(8 * SECOND);
        first.max(self.new_set_presses(later, other))
    }

    /// A cut-in and an announce, in any order.
    fn cut_in_and_announce(&mut self, now: u64) -> u64 {
        let end = self.cut_in(now + 4 * SECOND);
        let at = now + self.below(12 * SECOND);
        self.add(at, What::Announce);
        end
    }

    /// Halves, or thirds, out of each other's range for up to an hour, and then in range again.
    fn partition(&mut self, now: u64) -> u64 {
        let length_us = 5 * MINUTE + self.below(55 * MINUTE);
        let groups = if self.rng.next_u32().is_multiple_of(3) { 3 } else { 2 };
        let seed = self.rng.next_u64();
        self.add(now, What::Part { groups, seed, length_us });
        let mut at = now + SECOND;
        while at < now + length_us {
            let quiet = self.below(4 * MINUTE);
            at = match self.rng.next_u32() % 8 {
                0..=4 => self.over(at),
                5 => self.cut_in(at),
                6 => self.cycle_while_speaking(at),
                _ => self.restart(at),
            } + quiet;
        }
        self.reunion(at.max(now + length_us) + SECOND)
    }

    /// The timekeeper's power fails for up to half an hour. It comes back with its watermark and
    /// starts another timeline, or finds its storage lost and must not.
    fn timekeeper_lost(&mut self, now: u64) -> u64 {
        let off_us = self.below(30 * MINUTE);
        self.add(now, What::PowerFails { node: TIMEKEEPER });
        let mut at = now + SECOND;
        while at < now + off_us {
            at = self.over(at) + self.below(4 * MINUTE);
        }
        let lost = self.rng.next_u32().is_multiple_of(2);
        let storage = if lost { Storage::Lost } else { Storage::Kept };
        let back = at.max(now + off_us) + SECOND;
        self.add(back, What::PowerCycle { node: TIMEKEEPER, storage });
        // Sometimes it hears the others first.
        let waits = self.rng.next_u32().is_multiple_of(2);
        let at = if waits { self.over(back + 5 * SECOND) } else { back + self.below(SECOND) };
        self.add(at, What::Announce);
        let at = self.over(at + 6 * SECOND);
        self.reunion(at)
    }

    fn reunion(&mut self, now: u64) -> u64 {
        let seed = self.rng.next_u64();
        self.add(now, What::Reunion { seed });
        now + REUNION
    }
}
