//! A set of channels as a bit map of 512 bytes.

use crate::units::Channel;
use core::fmt;

const WORDS: usize = 128;

/// A set of channels of a raster. Members come out in ascending order.
#[derive(Clone, PartialEq, Eq)]
pub struct ChannelSet([u32; WORDS]);

impl ChannelSet {
    /// The set without members.
    #[must_use]
    pub const fn new() -> Self {
        Self([0; WORDS])
    }

    /// Adds a channel.
    pub fn insert(&mut self, channel: Channel) {
        if let Some(word) = self.0.get_mut(channel.index() / 32) {
            *word |= bit(channel);
        }
    }

    /// Whether the channel is a member.
    #[must_use]
    pub fn contains(&self, channel: Channel) -> bool {
        self.0.get(channel.index() / 32).is_some_and(|word| word & bit(channel) != 0)
    }

    /// Adds all members of `other`.
    pub fn extend_with(&mut self, other: &Self) {
        for (mine, theirs) in self.0.iter_mut().zip(other.0) {
            *mine |= theirs;
        }
    }

    /// Takes all members of `other` away.
    pub fn remove_all(&mut self, other: &Self) {
        for (mine, theirs) in self.0.iter_mut().zip(other.0) {
            *mine &= !theirs;
        }
    }

    /// The number of members, 0 to 4096.
    #[must_use]
    #[inline(never)]
    pub fn len(&self) -> u16 {
        let ones = self.0.iter().map(|word| word.count_ones()).fold(0, u32::wrapping_add);
        u16::try_from(ones).unwrap_or_default()
    }

    /// Whether there is no member.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.iter().all(|word| *word == 0)
    }

    /// The members, ascending.
    pub fn iter(&self) -> impl Iterator<Item = Channel> + '_ {
        (0..crate::units::MAX_CHANNELS).filter_map(Channel::new).filter(|c| self.contains(*c))
    }
}

/// The channel's bit in its word.
const fn bit(channel: Channel) -> u32 {
    1 << (channel.number() & 31)
}

impl Default for ChannelSet {
    fn default() -> Self {
        Self::new()
    }
}

impl FromIterator<Channel> for ChannelSet {
    fn from_iter<I: IntoIterator<Item = Channel>>(channels: I) -> Self {
        let mut set = Self::new();
        channels.into_iter().for_each(|c| set.insert(c));
        set
    }
}

impl fmt::Debug for ChannelSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.iter().map(Channel::number)).finish()
    }
}

#[cfg(feature = "defmt")]
impl defmt::Format for ChannelSet {
    fn format(&self, f: defmt::Formatter<'_>) {
        defmt::write!(f, "ChannelSet({} channels)", self.len());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sparse;
    use proptest::{collection::btree_set, prelude::*};
    use std::vec::Vec;

    #[test]
    fn debug_lists_the_channels() {
        let set: ChannelSet = [5, 4095].into_iter().filter_map(Channel::new).collect();
        assert_eq!(std::format!("{set:?}"), "{5, 4095}");
    }

    proptest! {
        #[test]
        fn behaves_like_a_set(
            a in btree_set(0_u16..4096, 0..200 / sparse(10)),
            b in btree_set(0_u16..4096, 0..200 / sparse(10)),
        ) {
            let set = |numbers: &std::collections::BTreeSet<u16>| -> ChannelSet {
                numbers.iter().map(|c| Channel::new(*c).unwrap()).collect()
            };
            let list = |set: &ChannelSet| set.iter().map(Channel::number).collect::<Vec<_>>();
            let mut union = set(&a);
            union.extend_with(&set(&b));
            prop_assert_eq!(list(&union), a.union(&b).copied().collect::<Vec<_>>());
            prop_assert_eq!(usize::from(union.len()), a.union(&b).count());
            let mut rest = set(&a);
            rest.remove_all(&set(&b));
            prop_assert_eq!(list(&rest), a.difference(&b).copied().collect::<Vec<_>>());
        }
    }
}
