//! What one station is given of the tree.

use super::{Node, Secret};
use crate::address::{Address, Target};
use crate::keys::{Subkey, redacted};
use crate::record::Sink;
use core::fmt;
use heapless::Vec;

/// Targets in the directory of a station: those that it may call without belonging to them.
pub const DIRECTORY: usize = 16;

/// Bytes of a share without a directory.
const FIXED_BYTES: usize = 1 + 16 + 9 * 16 + 8 * 16 + 1;
/// Bytes of a target and its secret.
const ENTRY_BYTES: usize = 2 + 16;
/// Bytes of a share at most.
pub const MAX_SHARE_BYTES: usize = FIXED_BYTES + DIRECTORY * ENTRY_BYTES;

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
#[cfg_attr(feature = "_model", derive(Clone))]
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

    /// The share once more, for the station that a configuration makes: a station takes its share
    /// with it, and the configuration keeps its own. There is no `Clone`, so that no copy of the
    /// secrets is made without somebody having meant it.
    pub(crate) fn copy(&self) -> Self {
        Self {
            path: self.path.clone(),
            co_path: self.co_path.clone(),
            directory: self.directory.clone(),
            generation: self.generation,
            token: self.token.clone(),
        }
    }

    /// The bytes that [`write`](Self::write) writes, at most [`MAX_SHARE_BYTES`].
    #[must_use]
    pub fn written_bytes(&self) -> usize {
        FIXED_BYTES.saturating_add(self.directory.len().saturating_mul(ENTRY_BYTES))
    }

    /// Writes the share out, for a configuration that is about to be sealed: generation, token,
    /// path from the root, co-path from depth 1, and the directory behind its length; a target as
    /// address and form. The same share gives the same bytes.
    pub fn write(&self, sink: &mut impl Sink) {
        sink.write(&[self.generation]);
        for secret in [&self.token].into_iter().chain(&self.path).chain(&self.co_path) {
            sink.write(secret.bytes());
        }
        sink.write(&[u8::try_from(self.directory.len()).unwrap_or(u8::MAX)]);
        for (target, secret) in &self.directory {
            let (address, form) = target.to_wire();
            sink.write(&[address, form]);
            sink.write(secret.bytes());
        }
    }

    /// Reads what [`write`](Self::write) wrote; `None` if it is nothing that it writes. Bounded by
    /// the length, at most 578 bytes.
    #[must_use]
    pub fn read(bytes: &[u8]) -> Option<Self> {
        let ([generation], rest) = bytes.split_first_chunk()?;
        let (secrets, rest) = rest.split_first_chunk::<{ 18 * 16 }>()?;
        let (secrets, _) = secrets.as_chunks::<16>();
        let secret = |i: usize| secrets.get(i).copied().map_or(Secret::new([0; 16]), Secret::new);
        let path = core::array::from_fn(|i| secret(i.wrapping_add(1)));
        let co_path = core::array::from_fn(|i| secret(i.wrapping_add(10)));
        let mut share = Self::new(path, co_path, *generation, secret(0));
        let ([count], entries) = rest.split_first_chunk()?;
        let (entries, loose) = entries.as_chunks::<ENTRY_BYTES>();
        if !loose.is_empty() || entries.len() != usize::from(*count) {
            return None;
        }
        for [address, form, bytes @ ..] in entries {
            let target = Target::from_wire(*address, *form)?;
            share.add(target, Secret::new(*bytes)).ok()?;
        }
        Some(share)
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

    /// Whether this is what `before` has become by changes of the net key, one or more, or none: the same secrets
    /// and directory. In constant time for shares whose directories have the same targets.
    pub(crate) fn renews(&self, before: &Self) -> bool {
        let Self { path, co_path, directory, generation, token } = self;
        let secrets = path.iter().chain(co_path).zip(before.path.iter().chain(&before.co_path));
        let same_secrets = secrets.fold(true, |same, (a, b)| same & a.same(b));
        let entries = directory.iter().zip(&before.directory);
        let same_directory = directory.len() == before.directory.len()
            && entries.fold(true, |same, (a, b)| same & (a.0 == b.0) & a.1.same(&b.1));
        let same_change = *generation == before.generation && token.same(&before.token);
        same_secrets && same_directory && (*generation > before.generation || same_change)
    }

    /// The key of what `source` says to `target`, for the station with address `own`; `tree` is
    /// the subkey [`Label::Tree`](crate::keys::Label::Tree) of the present net key.
    ///
    /// `None` if the station is not called and, as the source, has no such target in its
    /// directory. What takes how long depends on the addresses alone, which the net knows.
    /// At most eleven permutations; none if there is no key.
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

    /// Whether the station with address `own` can say something to `target`.
    #[must_use]
    pub fn reaches(&self, own: Address, target: Target) -> bool {
        target.covers(own) || self.directory.iter().any(|(known, _)| *known == target)
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn written(share: &Share) -> std::vec::Vec<u8> {
        let mut bytes = std::vec::Vec::new();
        share.write(&mut |part: &[u8]| bytes.extend_from_slice(part));
        bytes
    }

    fn secret(byte: u8) -> Secret {
        Secret::new([byte; 16])
    }

    proptest! {
        /// What reads writes back, byte for byte; cut short or with a byte too many it does not read.
        #[test]
        fn a_share_reads_back(bytes in proptest::collection::vec(any::<u8>(), 289), generation: u8,
                              targets in proptest::collection::vec(any::<u8>(), 0..=DIRECTORY)) {
            let mut whole = bytes;
            whole[0] = generation;
            whole.push(u8::try_from(targets.len()).unwrap());
            for target in &targets {
                whole.extend_from_slice(&[*target, 8]);
                whole.extend_from_slice(&[!target; 16]);
            }
            let share = Share::read(&whole).unwrap();
            prop_assert_eq!(written(&share), whole.clone());
            prop_assert!(share.directory().eq(targets.iter().map(|a| Target::one(Address::new(*a)))));
            for cut in 0..whole.len() {
                prop_assert!(Share::read(&whole[..cut]).is_none());
            }
            whole.push(0);
            prop_assert!(Share::read(&whole).is_none());
        }
    }

    #[test]
    fn a_full_share_has_the_bytes_that_are_promised() {
        let mut share = Share::new(
            [const { Secret::new([1; 16]) }; 9],
            [const { Secret::new([2; 16]) }; 8],
            3,
            secret(4),
        );
        for address in 0..16 {
            share.add(Target::one(Address::new(address)), secret(address)).unwrap();
        }
        let mut bytes = written(&share);
        assert_eq!(bytes.len(), MAX_SHARE_BYTES);
        assert_eq!(share.written_bytes(), MAX_SHARE_BYTES);
        assert_eq!(written(&share.copy()), bytes);
        // Forms that do not exist: no target, and more than the four bits of a header.
        for form in [9, 14, 16, 0x18, 0xFF] {
            bytes[FIXED_BYTES + 1] = form;
            assert!(Share::read(&bytes).is_none(), "form {form}");
        }
    }
}
