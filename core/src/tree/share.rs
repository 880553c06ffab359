//! What one station is given of the tree.

use super::{Node, Secret};
use crate::address::{Address, Target};
use crate::keys::{Subkey, redacted};
use core::fmt;
use heapless::Vec;

/// Targets in the directory of a station: those that it may call without belonging to them.
pub const DIRECTORY: usize = 16;

/// The directory has no room: it holds [`DIRECTORY`] targets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DirectoryFull;

impl fmt::Display for DirectoryFull {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "a directory holds {DIRECTORY} targets")
    }
}

impl core::error::Error for DirectoryFull {}

/// A station's share of the key tree. Wiped when it is dropped; its `Debug` shows nothing.
pub struct Share {
    /// The secrets of the nodes from the root to the own leaf.
    path: [Secret; 9],
    /// The co-path seeds of the siblings of these, from depth 1 to 8.
    co_path: [Secret; 8],
    /// The sender secrets for targets to which the station does not belong.
    directory: Vec<(Target, Secret), DIRECTORY>,
    /// How many changes of the net key there have been, and the token of the last.
    pub(super) generation: u8,
    pub(super) token: Secret,
}

redacted!(Share);

impl Share {
    /// A share, as the planner makes it: `path[d]` is the secret of the node at depth `d` above
    /// the own leaf, `co_path[d]` the seed of the sibling of the node at depth `d + 1`, `token` the
    /// one of `generation` (0 for a new plan).
    #[must_use]
    pub const fn new(
        path: [Secret; 9],
        co_path: [Secret; 8],
        generation: u8,
        token: Secret,
    ) -> Self {
        Self { path, co_path, directory: Vec::new(), generation, token }
    }

    /// Adds a target to which the station does not belong, and the secret with which it calls it.
    ///
    /// # Errors
    /// [`DirectoryFull`] if there are [`DIRECTORY`] already.
    pub fn add(&mut self, target: Target, secret: Secret) -> Result<(), DirectoryFull> {
        self.directory.push((target, secret)).map_err(|_| DirectoryFull)
    }

    /// The targets of the directory.
    pub fn directory(&self) -> impl Iterator<Item = Target> + '_ {
        self.directory.iter().map(|(target, _)| *target)
    }

    /// How many changes of the net key this share has seen.
    #[must_use]
    pub const fn generation(&self) -> u8 {
        self.generation
    }

    /// The key of what `source` says to `target`, for the station with address `own`; `tree` is
    /// the subkey [`Label::Tree`](crate::keys::Label::Tree) of the present net key.
    ///
    /// `None` if the station is not called and, as the source, has no such target in its
    /// directory. What takes how long depends on the addresses alone, which the net knows.
    /// At most eleven permutations.
    #[must_use]
    pub fn traffic_key(
        &self,
        tree: &Subkey,
        own: Address,
        source: Address,
        target: Target,
    ) -> Option<Subkey> {
        if target.covers(own) {
            return Some(self.called(own, target)?.sender(source).traffic_key(tree));
        }
        if source != own {
            return None;
        }
        let (_, secret) = self.directory.iter().find(|(known, _)| *known == target)?;
        Some(secret.traffic_key(tree))
    }

    /// The secret that those whom `target` calls have in common; the station is one of them.
    fn called(&self, own: Address, target: Target) -> Option<Secret> {
        if let Some(length) = target.prefix_length() {
            return self.path_secret(u32::from(length)).cloned();
        }
        // Down the co-path tree to the leaf of the one who is left out: from the sibling where
        // its path leaves ours. All permutations but two are spent here, at most seven.
        let leaf = Node::leaf(target.address());
        let apart = Node::leaf(own).number() ^ leaf.number();
        let mut depth = apart.leading_zeros().saturating_sub(7);
        let mut seed = self.co_path.get(depth.checked_sub(1)? as usize)?.clone();
        while depth < 8 {
            depth = depth.wrapping_add(1);
            seed = seed.child(leaf.at(depth).is_right());
        }
        Some(seed)
    }

    /// The secret of the own node at a depth.
    pub(super) fn path_secret(&self, depth: u32) -> Option<&Secret> {
        self.path.get(depth as usize)
    }
}
