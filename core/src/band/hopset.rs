//! The hopset: the channels that a net hops over, ascending.

use super::{ChannelSet, Lanes, Raster};
use crate::append::append;
use crate::keys::{Label, NetKey, Words, uniform};
use crate::units::{Channel, Lane};
use core::fmt;
use heapless::Vec;

/// The smallest hopset. Practice sets of 4 or 16 channels are legitimate.
pub const MIN_HOPSET: u16 = 4;

/// How a hopset is picked from the allowed channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Pick<'a> {
    /// Every allowed channel.
    All,
    /// One channel, drawn by the key, from each of `n` equal strata of the allowed channels:
    /// secret, and always spread over the band.
    Keyed(u16),
    /// The first channel of each of `n` equal strata: for teaching, not secret.
    Even(u16),
    /// These channels.
    Listed(&'a [Channel]),
}

/// Why there is no hopset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum HopsetError {
    /// The lane does not exist in this plan.
    Lane {
        /// The lane asked for.
        lane: Lane,
        /// How many there are.
        count: u8,
    },
    /// Fewer channels than the least.
    TooFew {
        /// Channels found.
        found: u16,
        /// Channels needed.
        needed: u16,
    },
    /// More channels than this station has room for.
    TooMany {
        /// Channels found.
        found: u16,
        /// Channels that fit.
        room: usize,
    },
    /// A listed channel is excluded, off the raster, or another lane's.
    NotAllowed(Channel),
    /// A channel is listed twice, or out of order.
    Twice(Channel),
}

impl fmt::Display for HopsetError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lane { lane, count } => {
                write!(f, "there is no lane {lane}: the plan has {count}, counted from 0")
            }
            Self::TooFew { found, needed } => {
                write!(f, "{found} channels are left and {needed} are needed")
            }
            Self::TooMany { found, room } => {
                write!(f, "the hopset has {found} channels and there is room for {room}")
            }
            Self::NotAllowed(c) => write!(f, "channel {c} is listed but not allowed"),
            Self::Twice(c) => write!(f, "channel {c} is listed twice"),
        }
    }
}

impl core::error::Error for HopsetError {}

/// The channels that a net hops over: 4 to `N`, ascending, without repeats.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Hopset<const N: usize> {
    channels: Vec<Channel, N>,
    /// By how many ranks a spaced lane is turned against lane 0.
    rotation: u16,
}

impl<const N: usize> Hopset<N> {
    /// Derives the hopset of one lane (specification section 2).
    /// At most 4096 steps with two keyed words each.
    ///
    /// # Errors
    /// [`HopsetError`] if fewer than 4 channels or more than `N` would be in it, a listed channel
    /// may not be used, or the lane does not exist.
    pub fn derive(
        key: &NetKey,
        raster: &Raster,
        allowed: &ChannelSet,
        pick: Pick<'_>,
        lanes: Option<&Lanes>,
        lane: Lane,
    ) -> Result<Self, HopsetError> {
        let count = lanes.map_or(1, Lanes::count);
        if lane.number() >= count {
            return Err(HopsetError::Lane { lane, count });
        }
        let share = match lanes {
            Some(lanes) => lanes.share(key, raster, allowed, lane),
            None => allowed.clone(),
        };
        let draw_lane = if lanes.is_some_and(Lanes::spaced) { Lane::ZERO } else { lane };
        let picked = pick_from(key, &share, pick, draw_lane)?;
        let found = picked.len();
        if found < MIN_HOPSET {
            return Err(HopsetError::TooFew { found, needed: MIN_HOPSET });
        }
        if usize::from(found) > N {
            return Err(HopsetError::TooMany { found, room: N });
        }
        let rotation = match lanes {
            Some(lanes) if lanes.spaced() => {
                let turned = u32::from(lane.number()).wrapping_mul(u32::from(found));
                let ranks = turned.checked_div(u32::from(count)).unwrap_or_default();
                u16::try_from(ranks).unwrap_or_default()
            }
            Some(_) | None => 0,
        };
        let mut channels = Vec::new();
        append(&mut channels, picked.iter());
        Ok(Self { channels, rotation })
    }

    /// A hopset that has been derived elsewhere: its channels, and by how many ranks a spaced
    /// lane is turned.
    ///
    /// # Errors
    /// [`HopsetError`] if there are fewer than 4 channels or more than `N`, or one is listed
    /// twice or out of order.
    pub fn from_derived(
        channels: impl IntoIterator<Item = Channel>,
        rotation: u16,
    ) -> Result<Self, HopsetError> {
        let mut list: Vec<Channel, N> = Vec::new();
        for channel in channels {
            if list.last().is_some_and(|last| *last >= channel) {
                return Err(HopsetError::Twice(channel));
            }
            if list.push(channel).is_err() {
                let found = u16::try_from(N).unwrap_or(u16::MAX).saturating_add(1);
                return Err(HopsetError::TooMany { found, room: N });
            }
        }
        let found = u16::try_from(list.len()).unwrap_or(u16::MAX);
        if found < MIN_HOPSET {
            return Err(HopsetError::TooFew { found, needed: MIN_HOPSET });
        }
        // Ranks count round the hopset.
        let rotation = rotation.checked_rem(found).unwrap_or_default();
        Ok(Self { channels: list, rotation })
    }

    /// By how many ranks a spaced lane is turned against lane 0; 0 for others.
    #[must_use]
    pub const fn rotation(&self) -> u16 {
        self.rotation
    }

    /// The channels, ascending.
    #[must_use]
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// The number of channels, 4 to 4096.
    #[must_use]
    pub fn len(&self) -> u16 {
        u16::try_from(self.channels.len()).unwrap_or(u16::MAX)
    }

    /// Never: a hopset has at least four channels.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.channels.is_empty()
    }

    /// Whether the channel belongs to the hopset. Logarithmic.
    #[must_use]
    pub fn contains(&self, channel: Channel) -> bool {
        self.channels.binary_search(&channel).is_ok()
    }

    /// The channel of rank `rank`, turned as the lane asks; ranks count round the hopset.
    #[must_use]
    #[inline]
    pub(crate) fn turned(&self, rank: u16) -> Channel {
        let len = self.len();
        let turned = rank.wrapping_add(self.rotation);
        let turned = if turned >= len { turned.wrapping_sub(len) } else { turned };
        // Ranks come from draws below `len`; the first channel is the harmless answer to others.
        self.channels
            .get(usize::from(turned))
            .or_else(|| self.channels.first())
            .copied()
            .unwrap_or_default()
    }
}

fn pick_from(
    key: &NetKey,
    share: &ChannelSet,
    pick: Pick<'_>,
    lane: Lane,
) -> Result<ChannelSet, HopsetError> {
    let found = share.len();
    let mut picked = ChannelSet::new();
    match pick {
        Pick::All => return Ok(share.clone()),
        Pick::Listed(list) => {
            for channel in list {
                if !share.contains(*channel) {
                    return Err(HopsetError::NotAllowed(*channel));
                }
                if picked.contains(*channel) {
                    return Err(HopsetError::Twice(*channel));
                }
                picked.insert(*channel);
            }
        }
        Pick::Keyed(n) | Pick::Even(n) => {
            if found < n || n == 0 {
                return Err(HopsetError::TooFew { found, needed: n.max(MIN_HOPSET) });
            }
            let subkey = key.subkey(Label::Pick);
            let mut words = Words::new(u32::from(lane.number()));
            let mut ranked = share.iter().enumerate();
            for k in 0..n {
                let (lo, hi) = stratum(found, n, k);
                let rank = match pick {
                    Pick::Keyed(_) => {
                        let word = words.seldom(&subkey, u64::from(k));
                        lo.saturating_add(uniform(word, hi.saturating_sub(lo)))
                    }
                    Pick::Even(_) | Pick::All | Pick::Listed(_) => lo,
                };
                // Strata ascend and do not overlap, so one walk over the channels serves all.
                let channel = ranked.find(|(i, _)| *i == rank as usize);
                if let Some((_, channel)) = channel {
                    picked.insert(channel);
                }
            }
        }
    }
    Ok(picked)
}

/// The ranks `lo..hi` of stratum `k` of `n` over `count`.
pub(crate) fn stratum(count: u16, n: u16, k: u16) -> (u32, u32) {
    let edge = |k: u32| {
        let scaled = k.wrapping_mul(u32::from(count));
        scaled.checked_div(u32::from(n)).unwrap_or_default()
    };
    (edge(u32::from(k)), edge(u32::from(k).wrapping_add(1)))
}
