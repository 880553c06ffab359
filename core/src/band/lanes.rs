//! Lanes: nets that share a raster and never a channel.

use super::{ChannelSet, Raster};
use crate::append::append;
use crate::keys::{Label, NetKey, shuffle};
use crate::units::{Channel, Lane, MAX_LANES};
use core::fmt;
use heapless::Vec;

/// The largest width of a group of neighbouring channels.
pub const MAX_GROUP: u8 = 64;

/// How nets that share a raster keep apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum LaneKind {
    /// Each group of neighbouring channels is dealt out among the lanes, so that two lanes have
    /// no channel in common, whatever their clocks say.
    Disjoint {
        /// Channels in a group, 1 to 64 (9 serves up to 8 lanes). A lane whose turn comes in a
        /// group with too few allowed channels gets none there.
        width: u8,
    },
    /// All lanes follow one draw, each rotated by its share of the hopset, so that stations that
    /// do share time never come close.
    Spaced,
}

/// Why lanes are impossible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum LaneError {
    /// The number of lanes must be 1 to 32.
    Count(u8),
    /// A group has 1 to 64 channels.
    Width(u8),
}

impl fmt::Display for LaneError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Count(n) => write!(f, "there are 1 to {MAX_LANES} lanes, not {n}"),
            Self::Width(n) => write!(f, "a group has 1 to {MAX_GROUP} channels, not {n}"),
        }
    }
}

impl core::error::Error for LaneError {}

/// A division of the raster into lanes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Lanes {
    kind: LaneKind,
    count: u8,
}

impl Lanes {
    /// `count` lanes, 1 to 32.
    ///
    /// # Errors
    /// [`LaneError`] if the count or the width of a group is out of range.
    pub const fn new(kind: LaneKind, count: u8) -> Result<Self, LaneError> {
        if count == 0 || count > MAX_LANES {
            return Err(LaneError::Count(count));
        }
        if let LaneKind::Disjoint { width } = kind
            && (width == 0 || width > MAX_GROUP)
        {
            return Err(LaneError::Width(width));
        }
        Ok(Self { kind, count })
    }

    /// How the lanes keep apart.
    #[must_use]
    pub const fn kind(&self) -> LaneKind {
        self.kind
    }

    /// The number of lanes.
    #[must_use]
    pub const fn count(&self) -> u8 {
        self.count
    }

    /// Whether all lanes follow the draw of lane 0.
    #[must_use]
    pub const fn spaced(&self) -> bool {
        matches!(self.kind, LaneKind::Spaced)
    }

    /// The channels of `allowed` that belong to `lane`. At most 4096 steps and a keyed word each.
    #[must_use]
    pub fn share(
        &self,
        key: &NetKey,
        raster: &Raster,
        allowed: &ChannelSet,
        lane: Lane,
    ) -> ChannelSet {
        let LaneKind::Disjoint { width } = self.kind else { return allowed.clone() };
        let subkey = key.subkey(Label::Lane);
        let mut share = ChannelSet::new();
        let mut from = 0_u16;
        let mut group = 0_u32;
        while from < raster.count() {
            let to = from.saturating_add(u16::from(width)).min(raster.count());
            // Places in the group: whatever the link shuffles is bytes, so one copy of the shuffle
            // serves all.
            let mut positions: Vec<u8, { MAX_GROUP as usize }> = Vec::new();
            let channel = |place: u8| Channel::new(from.saturating_add(u16::from(place)));
            let may = |place: &u8| {
                channel(*place).is_some_and(|c| c.number() < to && allowed.contains(c))
            };
            append(&mut positions, (0..width).filter(may));
            shuffle(&subkey, group, 0, &mut positions);
            let turn = u32::from(lane.number()).wrapping_add(group);
            let entry = turn.checked_rem(u32::from(self.count)).unwrap_or_default();
            if let Some(channel) = positions.get(entry as usize).copied().and_then(channel) {
                share.insert(channel);
            }
            from = to;
            group = group.wrapping_add(1);
        }
        share
    }
}
