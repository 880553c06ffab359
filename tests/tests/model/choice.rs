//! Who chooses what, what that draws on, and what waits for it.

use hopwright_core::units::Channel;
use std::ops::BitOr;

/// Stations: the timekeeper and two members.
pub(crate) const STATIONS: usize = 3;

/// What becomes of one transmission at one listener.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Fate {
    /// It arrives.
    Delivered,
    /// It does not.
    Lost,
    /// It is handed over twice.
    Twice,
    /// It arrives with more bits wrong than can be mended.
    Corrupted,
    /// It is lost, and an opponent plays it a slot later, where the listener then listens and
    /// with the word that it then waits for.
    Delayed,
    /// It arrives, and is played again like that.
    Replayed,
}

pub(crate) const FATES: [Fate; 6] =
    [Fate::Delivered, Fate::Lost, Fate::Twice, Fate::Corrupted, Fate::Delayed, Fate::Replayed];

/// A choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Choice {
    /// Nobody does anything.
    Pass,
    /// An operator presses to call everyone.
    Press(usize),
    /// An operator releases.
    Release(usize),
    /// The timekeeper is told to announce.
    Announce,
    /// The power of a station fails, and it finds this in its storage.
    Cycle(usize, Found),
    /// What becomes of the transmission that has just ended, at each listener.
    Fates([Fate; STATIONS]),
}

/// What a station finds in its storage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Found {
    Kept,
    New,
    Lost,
}

/// Things that a case must reach.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub(crate) struct Seen(u16);

impl Seen {
    pub(crate) const ANNOUNCE: Self = Self(1);
    pub(crate) const CALL: Self = Self(2);
    pub(crate) const PAYLOAD: Self = Self(4);
    pub(crate) const CLEAR: Self = Self(8);
    pub(crate) const FOLLOWED: Self = Self(16);
    pub(crate) const RETURNED: Self = Self(32);
    pub(crate) const REFUSED: Self = Self(64);
    pub(crate) const COASTED: Self = Self(128);
    pub(crate) const SECOND: Self = Self(256);

    pub(crate) const fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }
}

impl BitOr for Seen {
    type Output = Self;

    fn bitor(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

/// Something on the air.
#[derive(Debug, Clone, Hash)]
pub(crate) struct Flight {
    pub(crate) from: usize,
    pub(crate) channel: Channel,
    pub(crate) word: u32,
    pub(crate) bits: Vec<u8>,
    pub(crate) starts: u64,
    pub(crate) recognised: u64,
    pub(crate) ends: u64,
    /// Who has recognised the word, once that can be said.
    pub(crate) listeners: Option<Vec<usize>>,
}

/// A recording that an opponent is about to play.
#[derive(Debug, Clone, Hash)]
pub(crate) struct Replay {
    pub(crate) to: usize,
    pub(crate) due: u64,
    /// From the start of the word to the end.
    pub(crate) length: u64,
    pub(crate) header: bool,
    pub(crate) bits: Vec<u8>,
}

/// What is left of the budgets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub(crate) struct Budget {
    pub(crate) faults: u8,
    pub(crate) presses: u8,
    pub(crate) announces: u8,
    pub(crate) cycles: u8,
}

/// What waits for a choice.
#[derive(Debug, Clone, Hash)]
pub(crate) enum Open {
    Operators,
    Transmission(Flight, Vec<usize>),
}
