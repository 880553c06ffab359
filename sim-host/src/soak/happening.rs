//! What happens to a net: a list, drawn from the seed before anything runs, so that any part of
//! it can be left out and the rest happens as before.

use hopwright_core::address::{Address, Target};
use serde::{Deserialize, Serialize};

/// One thing that happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Happening {
    /// True time in microseconds. One that lies in the past happens at once.
    pub at_us: u64,
    /// What.
    pub what: What,
}

/// What happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum What {
    /// An operator presses, and speaks for so long once told to go ahead.
    Over {
        /// Whose.
        node: usize,
        /// Whom for.
        to: Whom,
        /// In microseconds.
        talk_us: u64,
    },
    /// The timekeeper announces: on the timeline that it has, or a new one beyond its watermark.
    Announce,
    /// The power of a station fails for an instant, or comes back.
    PowerCycle {
        /// Whose.
        node: usize,
        /// What it finds in its storage.
        storage: Storage,
    },
    /// The power of a station fails, until a power cycle.
    PowerFails {
        /// Whose.
        node: usize,
    },
    /// Twenty commands within a second, most of which must be refused.
    Flood {
        /// Whose.
        node: usize,
        /// What the commands are drawn from.
        seed: u64,
    },
    /// A share of all receptions is lost for a while.
    Loss {
        /// In thousandths.
        per_mille: u16,
        /// In microseconds.
        length_us: u64,
    },
    /// The net falls into groups that do not hear each other.
    Part {
        /// How many.
        groups: u8,
        /// What membership is drawn from.
        seed: u64,
        /// In microseconds.
        length_us: u64,
    },
    /// A station's oscillator changes its rate, and its clock steps ahead.
    Clock {
        /// Whose.
        node: usize,
        /// Its new error, in parts in 10^9.
        ppb: i64,
        /// How far it steps, in microseconds.
        step_us: u64,
    },
    /// The timekeeper announces and stations on the latest timeline speak, until all are together
    /// again. A net that has not parted must come together.
    Reunion {
        /// What the speakers are drawn from.
        seed: u64,
    },
}

/// Whom a call is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Whom {
    /// Everyone.
    All,
    /// One address.
    One(u8),
    /// Everyone whose address begins with the upper four bits of this one.
    Like(u8),
    /// Everyone but one address.
    AllBut(u8),
}

impl Whom {
    /// The call target.
    #[must_use]
    pub fn target(self) -> Target {
        match self {
            Self::All => Target::ALL,
            Self::One(address) => Target::one(Address::new(address)),
            Self::Like(address) => {
                Target::prefix(Address::new(address & 0xF0), 4).unwrap_or(Target::ALL)
            }
            Self::AllBut(address) => Target::all_but(Address::new(address)),
        }
    }
}

/// What a station finds in its storage when its power comes back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Storage {
    /// What it has stored.
    Kept,
    /// Nothing: the set was exchanged for a new one.
    New,
    /// Something that cannot be read any more.
    Lost,
}

impl What {
    /// The kind, for a table.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Over { .. } => "over",
            Self::Announce => "announce",
            Self::PowerCycle { storage: Storage::Kept, .. } => "power cycle, storage kept",
            Self::PowerCycle { storage: Storage::New, .. } => "power cycle, new set",
            Self::PowerCycle { storage: Storage::Lost, .. } => "power cycle, storage lost",
            Self::PowerFails { .. } => "power fails",
            Self::Flood { .. } => "flood of commands",
            Self::Loss { .. } => "burst of losses",
            Self::Part { .. } => "partition",
            Self::Clock { step_us: 0, .. } => "oscillator changes its rate",
            Self::Clock { .. } => "oscillator changes its rate, clock steps",
            Self::Reunion { .. } => "reunion",
        }
    }
}
