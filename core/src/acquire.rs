//! Finding the net without knowing the time (specification section 7): where to park, how long
//! to stay, and which channels not to try again just now.

use crate::keys::uniform;
use crate::nuisance::Nuisance;
use crate::units::{Micros, Tick, quotient};

/// Slots in a row with energy and no unique word after which a parked station moves on. (A number other than two would
/// take a counter.)
pub const PATIENCE_SLOTS: u8 = 2;
/// Stays that were broken off in a row, after which one is seen through to its end whatever power
/// is met: an interferer that spares every word, and only imitates energy, drives a station from
/// channel to channel otherwise.
pub const HASTE: u8 = 12;
/// An interferer is remembered for at least this long, and less than twice as long.
pub const MEMORY: Micros = Micros::from_millis(4_000);
/// One choice in this many ignores the memory, so that an interferer that only imitates energy
/// cannot keep a station off a channel.
const IGNORE_ONE_IN: u32 = 8;

/// Rendezvous channels on which energy without a unique word was met lately, as a bit map by
/// ascending rank, in two generations.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Interferers {
    epoch: u64,
    fresh: u64,
    old: u64,
}

impl Interferers {
    /// Notes an interferer on the channel of rank `rank`.
    pub(crate) fn note(&mut self, now: Tick, rank: u32) {
        self.age(now);
        self.fresh |= bit(rank);
    }

    /// Forgets the channel of rank `rank`: a unique word was heard there.
    pub(crate) fn clear(&mut self, rank: u32) {
        self.fresh &= !bit(rank);
        self.old &= !bit(rank);
    }

    /// The remembered ranks at `now`, without changing anything.
    pub(crate) fn known(&self, now: Tick) -> u64 {
        let mut aged = *self;
        aged.age(now);
        aged.fresh | aged.old
    }

    #[inline(never)]
    fn age(&mut self, now: Tick) {
        #[expect(clippy::cast_possible_truncation, reason = "four seconds")]
        let epoch = quotient(now.us(), MEMORY.us() as u32).0;
        match epoch.checked_sub(self.epoch) {
            None | Some(0) => return,
            Some(1) => self.old = self.fresh,
            Some(_) => self.old = 0,
        }
        self.fresh = 0;
        self.epoch = epoch;
    }
}

/// Chooses one of `count` ranks with choice number `index`, avoiding those in `known` unless all
/// are known or, one time in eight, regardless. 64 steps at most.
pub(crate) fn choose(nuisance: Nuisance, index: u64, known: u64, count: u8) -> u32 {
    let count = u32::from(count);
    let all = if count >= 64 { u64::MAX } else { bit(count).wrapping_sub(1) };
    let word = nuisance.word(index);
    let regardless = word & (IGNORE_ONE_IN.wrapping_sub(1)) == 0;
    let mut open = all & !known;
    if open == 0 || regardless {
        open = all;
    }
    // The upper bits choose; the lower ones have decided whether to remember.
    let mut skip = uniform(word, open.count_ones());
    while skip > 0 {
        open &= open.wrapping_sub(1);
        skip = skip.wrapping_sub(1);
    }
    open.trailing_zeros()
}

#[inline(never)]
const fn bit(rank: u32) -> u64 {
    match 1_u64.checked_shl(rank) {
        Some(bit) => bit,
        None => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sparse;

    #[test]
    fn interferers_are_remembered_and_forgotten() {
        let mut memory = Interferers::default();
        let noted = Tick::new(MEMORY.us() * 10 + 1);
        memory.note(noted, 3);
        assert_eq!(memory.known(noted), 1 << 3);
        assert_eq!(memory.known(noted.plus(MEMORY)), 1 << 3, "at least this long");
        assert_eq!(memory.known(noted.plus(MEMORY.times(2))), 0, "less than twice as long");
        memory.clear(3);
        assert_eq!(memory.known(noted), 0);
    }

    #[test]
    fn known_interferers_are_avoided_but_never_for_ever() {
        let known = 0b1111_1110;
        let picks = |n: u64| (0..n).map(|i| choose(Nuisance::new(9), i, known, 8));
        let open = picks(8_000).filter(|rank| *rank == 0).count();
        // One choice in eight is among all eight: 7/8 + 1/64 of the choices fall on rank 0.
        assert!((7_000..7_250).contains(&open), "{open}");
        for rank in 0..8 {
            assert!(picks(8_000).any(|pick| pick == rank), "{rank} is never tried");
        }
    }

    #[test]
    fn when_all_are_known_all_are_open() {
        for count in [1_u8, 16, 63, 64] {
            let mut seen = 0_u64;
            for i in (0..20_000).step_by(sparse(20)) {
                seen |= 1 << choose(Nuisance::new(1), i, u64::MAX, count);
            }
            assert_eq!(seen.count_ones(), u32::from(count));
        }
    }
}
