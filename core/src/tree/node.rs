//! Nodes of the address tree, by number.

use crate::address::{Address, Target};

/// A node of the address tree, 1 to 511: 1 is the root, the children of `i` are `2 i` and
/// `2 i + 1`, and the leaf of address `a` is `256 + a`.
///
/// ```
/// # use hopwright_core::{address::{Address, Target}, tree::Node};
/// let boats = Target::prefix(Address::new(0x40), 4).unwrap();
/// let node = Node::of(boats).unwrap();
/// assert_eq!((node.number(), node.depth()), (0x14, 4));
/// assert!(node.covers(Address::new(0x4B)) && !node.covers(Address::new(0x51)));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Node(u16);

impl Node {
    /// The root, which covers every address.
    pub const ROOT: Self = Self(1);

    /// Node number `i`; `None` unless it is 1 to 511.
    #[must_use]
    pub const fn new(i: u16) -> Option<Self> {
        if 1 <= i && i <= 511 { Some(Self(i)) } else { None }
    }

    /// The leaf of an address.
    #[must_use]
    pub const fn leaf(address: Address) -> Self {
        Self(256 | address.number() as u16)
    }

    /// The node whose leaves a target calls; `None` for everyone but one, which no node covers.
    #[must_use]
    pub const fn of(target: Target) -> Option<Self> {
        match target.prefix_length() {
            Some(length) => Some(Self::leaf(target.address()).at(length as u32)),
            None => None,
        }
    }

    /// The node's number.
    #[must_use]
    #[inline(never)]
    pub const fn number(self) -> u16 {
        self.0
    }

    /// How many steps the node is from the root, 0 to 8: the length of its prefix.
    #[must_use]
    pub const fn depth(self) -> u32 {
        15_u32.saturating_sub(self.0.leading_zeros())
    }

    /// The ancestor at a depth, from 0 to the node's own; the node itself for more.
    #[must_use]
    pub const fn at(self, depth: u32) -> Self {
        let up = self.depth().saturating_sub(depth);
        // No node is deeper than 8.
        Self(self.0 >> (up & 15))
    }

    /// The other child of the same parent; for the root, itself.
    #[must_use]
    pub const fn sibling(self) -> Self {
        if self.0 == 1 { self } else { Self(self.0 ^ 1) }
    }

    /// Whether the node is the right child of its parent.
    #[must_use]
    pub const fn is_right(self) -> bool {
        self.0 > 1 && self.0 & 1 == 1
    }

    /// Whether an address lies below the node.
    #[must_use]
    pub const fn covers(self, address: Address) -> bool {
        Self::leaf(address).at(self.depth()).0 == self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_node_covers_what_its_prefix_covers() {
        for length in 0..=8_u8 {
            for a in 0..=255_u8 {
                let Some(target) = Target::prefix(Address::new(a), length) else { continue };
                let node = Node::of(target).unwrap();
                assert_eq!(node.depth(), u32::from(length));
                for station in (0..=255).step_by(crate::sparse(7)).map(Address::new) {
                    assert_eq!(node.covers(station), target.covers(station), "{node:?} {station}");
                }
            }
        }
        assert_eq!(Node::of(Target::all_but(Address::new(9))), None);
        assert_eq!((Node::new(0), Node::new(512)), (None, None));
    }

    #[test]
    fn siblings_share_a_parent() {
        for i in 2..512 {
            let node = Node::new(i).unwrap();
            assert_eq!(node.sibling().at(node.depth() - 1), node.at(node.depth() - 1));
            assert_ne!(node.sibling().is_right(), node.is_right());
        }
        assert_eq!(Node::ROOT.sibling(), Node::ROOT);
    }
}
