//! Which channel, in which slot: frames, sync slots, rendezvous, traffic draws
//! (specification section 4).
//!
//! A [`Sequence`] is what a plan and a key determine once for all. A [`Cursor`] is a reader of
//! one of its timelines: it remembers where it is, so that reading on costs about an eighth of a
//! cipher block a slot, and it may jump to any slot in a bounded number of steps.
//!
//! ```text
//!            frame f                frame f + 1
//! ┌───┬───┬───┬───┬───┬───┬───┬───┐┌───┬───
//! │ t │ t │ S │ t │ t │ t │ t │ t ││ t │ S    S: sync slot, on a rendezvous channel
//! └───┴───┴───┴───┴───┴───┴───┴───┘└───┴───   t: traffic slot, drawn from the traffic set
//!           ▲ place drawn afresh in each frame
//! ```

mod bulk;
mod cursor;

pub use cursor::Cursor;

use crate::append::append;
use crate::band::Hopset;
use crate::keys::{Label, NetKey, Subkey, Words, shuffle_with, uniform};
use crate::units::{Channel, Lane, Slot};
use core::fmt;
use heapless::Vec;

/// The largest number of rendezvous channels.
pub const MAX_RENDEZVOUS: u8 = 64;
/// The largest number of slots in a frame.
pub const MAX_FRAME: u8 = 64;

/// How traffic hops are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Draw {
    /// Without replacement: every traffic channel exactly once in each cycle.
    Balanced,
    /// With replacement: each hop on its own.
    Independent,
}

/// The shape of a net's timeline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Structure {
    /// Slots in a frame, `m`: 2 to 64. One of them is a sync slot.
    pub frame: u8,
    /// Rendezvous channels, `r`: 1 to 64, no more than the hopset has.
    pub rendezvous: u8,
    /// Frames in a rendezvous window, `w`: a divisor of `r`.
    pub window: u8,
    /// How traffic hops are drawn.
    pub draw: Draw,
    /// Keep traffic off the rendezvous channels, so that every channel is used equally often.
    /// With a balanced draw, each channel is used exactly once in every aligned block of
    /// `r * m` slots, which must be the size of the hopset.
    pub equal_use: bool,
}

impl Default for Structure {
    /// Frames of 8, 16 rendezvous channels, windows of 4, balanced, no equal use.
    fn default() -> Self {
        Self { frame: 8, rendezvous: 16, window: 4, draw: Draw::Balanced, equal_use: false }
    }
}

/// Why a structure does not fit a hopset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StructureError {
    /// A frame has 2 to 64 slots.
    Frame(u8),
    /// There are 1 to 64 rendezvous channels.
    Rendezvous(u8),
    /// More rendezvous channels than the hopset has.
    RendezvousExceedHopset {
        /// Rendezvous channels asked for.
        rendezvous: u8,
        /// Channels of the hopset.
        hopset: u16,
    },
    /// The window does not divide the number of rendezvous channels.
    Window {
        /// Frames in a window.
        window: u8,
        /// Rendezvous channels.
        rendezvous: u8,
    },
    /// Equal use needs a hopset of exactly `r * m` channels.
    EqualUse {
        /// Channels of the hopset.
        hopset: u16,
        /// Channels needed.
        needed: u16,
    },
}

impl fmt::Display for StructureError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Frame(m) => write!(f, "a frame has 2 to {MAX_FRAME} slots, not {m}"),
            Self::Rendezvous(r) => {
                write!(f, "there are 1 to {MAX_RENDEZVOUS} rendezvous channels, not {r}")
            }
            Self::RendezvousExceedHopset { rendezvous, hopset } => write!(
                f,
                "{rendezvous} rendezvous channels do not fit in a hopset of {hopset} channels"
            ),
            Self::Window { window, rendezvous } => {
                write!(f, "a window of {window} does not divide {rendezvous} rendezvous channels")
            }
            Self::EqualUse { hopset, needed } => write!(
                f,
                "equal use needs rendezvous * frame = {needed} channels; the hopset has {hopset}"
            ),
        }
    }
}

impl core::error::Error for StructureError {}

/// Which of a net's timelines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Timeline {
    /// The net's own.
    Home,
    /// The provisional one of a station that speaks without time.
    CutIn,
    /// The provisional one of an over on a single channel.
    Single,
}

impl Timeline {
    /// The bit that tells its streams from the home timeline's.
    #[must_use]
    pub const fn bit(self) -> u32 {
        match self {
            Self::Home => 0,
            Self::CutIn => 0x4000_0000,
            Self::Single => 0x1000_0000,
        }
    }
}

/// What a slot is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum SlotKind {
    /// It carries a sealed header on a rendezvous channel.
    Sync,
    /// It carries payload (or, during a call, a header) on a traffic channel.
    Traffic,
}

/// One slot of a sequence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Hop {
    /// The slot.
    pub slot: Slot,
    /// What it is for.
    pub kind: SlotKind,
    /// Where it is sent.
    pub channel: Channel,
    /// The unique word that opens it.
    pub word: u32,
}

/// The nonce bit of the runs' windows.
const RUN: u32 = 0x2000_0000;
/// The nonce bit of the sync word.
const SYNC_WORD: u32 = 0x8000_0000;

/// A hop sequence: hopset, rendezvous set and the subkeys that draw from them.
#[derive(Debug)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct Sequence<const N: usize> {
    hopset: Hopset<N>,
    structure: Structure,
    /// The lane whose stream draws channels (lane 0 for spaced lanes).
    draw_lane: Lane,
    /// The lane whose stream draws unique words.
    lane: Lane,
    /// Ranks of the rendezvous channels in the hopset, ascending: `R`.
    rendezvous: Vec<u16, { MAX_RENDEZVOUS as usize }>,
    /// The order of visits, as places in `rendezvous`: `beta`. (Bytes: there are four such lists
    /// in a station, and memory is dear.)
    visits: Vec<u8, { MAX_RENDEZVOUS as usize }>,
    sync_word: u32,
    /// The same on a single channel.
    single_word: u32,
    /// The number of channels that traffic uses.
    traffic: u16,
    when: Subkey,
    turn: Subkey,
    hop: Subkey,
    word: Subkey,
}

impl<const N: usize> Sequence<N> {
    /// The sequence of `lane` over `hopset`. `draw_lane` is the lane whose draw it follows: the
    /// lane itself, or lane 0 if the plan's lanes are spaced.
    ///
    /// About ten cipher blocks and 64 steps.
    ///
    /// # Errors
    /// [`StructureError`] if the structure is impossible or does not fit the hopset.
    #[inline(never)]
    pub fn new(
        key: &NetKey,
        hopset: Hopset<N>,
        structure: Structure,
        lane: Lane,
        draw_lane: Lane,
    ) -> Result<Self, StructureError> {
        check(structure, hopset.len())?;
        let mut sequence = Self {
            traffic: traffic_count(structure, hopset.len()),
            hopset,
            structure,
            draw_lane,
            lane,
            rendezvous: Vec::new(),
            visits: Vec::new(),
            sync_word: 0,
            single_word: 0,
            when: key.subkey(Label::When),
            turn: key.subkey(Label::Turn),
            hop: key.subkey(Label::Hop),
            word: key.subkey(Label::Word),
        };
        sequence.draw_sets(key);
        Ok(sequence)
    }

    /// Goes over to another net key; slots are numbered on, and the hopset stays. Readers of the
    /// sequence must be made anew. The work of [`new`](Self::new).
    pub(crate) fn rekey(&mut self, key: &NetKey) {
        self.when = key.subkey(Label::When);
        self.turn = key.subkey(Label::Turn);
        self.hop = key.subkey(Label::Hop);
        self.word = key.subkey(Label::Word);
        self.draw_sets(key);
    }

    /// Draws the rendezvous set, the order of its visits, and the sync words.
    fn draw_sets(&mut self, key: &NetKey) {
        let stream = u32::from(self.draw_lane.number());
        let (r, hopset) = (self.structure.rendezvous, self.hopset.len());
        let meet = key.subkey(Label::Meet);
        let mut words = Words::new(stream);
        self.rendezvous.clear();
        for k in 0..r {
            let (lo, hi) = crate::band::stratum(hopset, u16::from(r), u16::from(k));
            let word = words.seldom(&meet, u64::from(k));
            let rank = lo.saturating_add(uniform(word, hi.saturating_sub(lo)));
            // `check` has seen to it that r ranks fit.
            let _ = self.rendezvous.push(u16::try_from(rank).unwrap_or_default());
        }
        self.visits.clear();
        append(&mut self.visits, 0..r);
        shuffle_with(&meet, &mut words, u64::from(r), &mut self.visits);
        let sync = u32::from(self.lane.number()) | SYNC_WORD;
        let mut words = Words::new(sync);
        self.sync_word = words.seldom(&self.word, 0);
        self.single_word = words.seldom(&self.word, 1);
    }

    /// The hopset.
    #[must_use]
    pub const fn hopset(&self) -> &Hopset<N> {
        &self.hopset
    }

    /// The shape of the timeline.
    #[must_use]
    pub const fn structure(&self) -> &Structure {
        &self.structure
    }

    /// The lane.
    #[must_use]
    pub const fn lane(&self) -> Lane {
        self.lane
    }

    /// The lane whose draw is followed.
    #[must_use]
    pub const fn draw_lane(&self) -> Lane {
        self.draw_lane
    }

    /// The unique word of sync slots.
    #[must_use]
    pub const fn sync_word(&self) -> u32 {
        self.sync_word
    }

    /// The unique word of sync slots on a single channel. (Another than when hopping: to those
    /// who hop it is energy, which raises an alert.)
    #[must_use]
    pub const fn single_word(&self) -> u32 {
        self.single_word
    }

    /// The rendezvous channels, in ascending rank.
    pub fn rendezvous(&self) -> impl Iterator<Item = Channel> + '_ {
        (0..self.structure.rendezvous).map(|i| self.visited(i))
    }

    /// The rendezvous channel at a place of the ascending set.
    fn visited(&self, place: u8) -> Channel {
        // Places come from draws below the set's size; the first rank is the harmless answer to
        // others.
        self.hopset.turned(self.rendezvous.get(usize::from(place)).copied().unwrap_or_default())
    }

    /// The rendezvous channel of ascending rank `i`, counted round the set.
    #[must_use]
    pub fn rendezvous_channel(&self, i: u32) -> Channel {
        let i = i.checked_rem(u32::from(self.structure.rendezvous)).unwrap_or_default();
        self.visited(u8::try_from(i).unwrap_or_default())
    }

    /// The longest time, in frames, between two visits of running traffic to one rendezvous
    /// channel: `r + w - 1`.
    #[must_use]
    pub const fn longest_gap(&self) -> u32 {
        (self.structure.rendezvous as u32)
            .saturating_add(self.structure.window as u32)
            .saturating_sub(1)
    }

    /// The number of channels that traffic uses.
    #[must_use]
    pub fn traffic_count(&self) -> u16 {
        self.traffic
    }

    /// Appends the ranks of the traffic set `T`, ascending: what lies between those set aside.
    fn write_traffic_ranks(&self, to: &mut Vec<u16, N>) {
        let set_aside: &[u16] = if self.structure.equal_use { &self.rendezvous } else { &[] };
        let mut from = 0;
        for end in set_aside.iter().copied().chain([self.hopset.len()]) {
            append(to, from..end);
            from = end.wrapping_add(1);
        }
    }
}

fn traffic_count(structure: Structure, hopset: u16) -> u16 {
    let set_aside = if structure.equal_use { structure.rendezvous } else { 0 };
    hopset.saturating_sub(u16::from(set_aside))
}

fn check(structure: Structure, hopset: u16) -> Result<(), StructureError> {
    let Structure { frame, rendezvous, window, equal_use, draw: _ } = structure;
    if !(2..=MAX_FRAME).contains(&frame) {
        return Err(StructureError::Frame(frame));
    }
    if !(1..=MAX_RENDEZVOUS).contains(&rendezvous) {
        return Err(StructureError::Rendezvous(rendezvous));
    }
    if u16::from(rendezvous) > hopset {
        return Err(StructureError::RendezvousExceedHopset { rendezvous, hopset });
    }
    if rendezvous.checked_rem(window) != Some(0) {
        return Err(StructureError::Window { window, rendezvous });
    }
    if equal_use {
        let needed = u16::from(rendezvous).saturating_mul(u16::from(frame));
        if hopset != needed {
            return Err(StructureError::EqualUse { hopset, needed });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
