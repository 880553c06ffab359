//! What a plan says of its key tree and of the stations that have been withdrawn.

use super::{Key, Plan};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::keytree::KeyTree;
use hopwright_core::address::Address;
use hopwright_core::keys::NetKey;
use std::collections::BTreeSet;
use std::path::Path;
use zeroize::Zeroizing;

/// The keys of the `[net]` table that this module reads.
pub(super) const KEYS: [&str; 6] =
    ["tree_key", "tree_key_file", "band_key", "band_key_file", "generation", "withdrawn"];

/// Root, band key, and what has happened since the plan was new.
#[derive(Debug)]
pub(super) struct Tree {
    root: Option<Key>,
    band_key: Option<Key>,
    generation: u8,
    withdrawn: BTreeSet<Address>,
}

/// Reads the tree's part of the `[net]` table. Of the root only the planner has need: where the
/// plan is wanted without its secrets, it is not looked at. The band key is: without it, nobody
/// knows the hopset of a plan whose net key has been changed.
pub(super) fn read(
    net: &Section<'_>,
    base_dir: &Path,
    with_root: bool,
) -> Result<Tree, Diagnostic> {
    let mut withdrawn = BTreeSet::new();
    if let Some(list) = net.text("withdrawn")? {
        for word in list.value.split_whitespace() {
            let Some(address) = parse_address(word) else {
                let what = format!("`withdrawn` lists \"{word}\", which is no address");
                return Err(net.error("withdrawn", what, "an address is two hexadecimal digits"));
            };
            withdrawn.insert(address);
        }
    }
    Ok(Tree {
        root: match with_root {
            true => Key::read_named(net, ["tree_key", "tree_key_file"], base_dir)?,
            false => None,
        },
        band_key: Key::read_named(net, ["band_key", "band_key_file"], base_dir)?,
        generation: net.integer_or("generation", 0..=u8::MAX, 0)?,
        withdrawn,
    })
}

/// An address as it is written: two hexadecimal digits.
#[must_use]
pub fn parse_address(text: &str) -> Option<Address> {
    let valid = text.len() == 2 && text.bytes().all(|b| b.is_ascii_hexdigit());
    valid.then(|| u8::from_str_radix(text, 16).ok().map(Address::new)).flatten()
}

/// Whether an order of so many bytes is one of the messages that a net carries.
///
/// # Errors
/// [`Diagnostic`] if the longest of them has fewer.
pub(crate) fn order_fits(bytes: usize, longest: u16) -> Result<(), Diagnostic> {
    if bytes <= usize::from(longest) {
        return Ok(());
    }
    let what = format!(
        "the order has {bytes} bytes, and a message of this plan has up to {longest}: nobody would \
         ever get it"
    );
    let help = "raise `k` in [message], or lengthen slots or raise `link_bps` in [slots], in the plan \
                that all stations have; else load every station afresh under a new plan";
    Err(Diagnostic::new(what, help))
}

impl Plan {
    /// The root of the key tree: the plan's, or for a plan with a training key and no root of its
    /// own, the training root 80 81 .. 9f (the key of RFC 8439 section 2.8.2).
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan has no root and its key is not a published one.
    pub fn key_tree(&self) -> Result<KeyTree, Diagnostic> {
        self.tree_root().map(KeyTree::new)
    }

    /// Whether an order of so many bytes goes over the air: it is sent as a message.
    ///
    /// # Errors
    /// [`Diagnostic`] if the messages of the net are shorter.
    pub fn carries_order(&self, bytes: usize) -> Result<(), Diagnostic> {
        order_fits(bytes, self.message().longest())
    }

    /// Whether there is a key tree: a root in the plan, or a training key.
    #[must_use]
    pub fn has_key_tree(&self) -> bool {
        self.tree.root.is_some() || self.training_key()
    }

    /// The root's bytes, as [`Plan::key_tree`] uses them.
    ///
    /// # Errors
    /// As [`Plan::key_tree`].
    pub(crate) fn tree_root(&self) -> Result<Zeroizing<[u8; 32]>, Diagnostic> {
        match &self.tree.root {
            Some(root) => Ok(root.bytes()),
            None if self.training_key() => {
                let mut bytes = Zeroizing::new([0; 32]);
                for (byte, value) in bytes.iter_mut().zip(0x80..) {
                    *byte = value;
                }
                Ok(bytes)
            }
            None => Err(Diagnostic::new(
                "the plan has no root for its key tree",
                "make one with `hopwright keygen --tree --out tree.key` and add `tree_key_file = \
                 \"tree.key\"` to [net]; only the planner has it",
            )),
        }
    }

    /// Whether the root is a published one: fit for simulation only.
    #[must_use]
    pub fn training_root(&self) -> bool {
        self.tree.root.as_ref().map_or_else(|| self.training_key(), Key::published)
    }

    /// The key that hopset and lanes are drawn with: the net key of the plan when it was new.
    /// Stations hold the hopset only, so a change of the net key leaves it as it is.
    #[must_use]
    pub fn band_key(&self) -> NetKey {
        self.tree.band_key.as_ref().unwrap_or(&self.key).net_key()
    }

    /// The band key that the plan names beside its net key: if that has been changed.
    #[must_use]
    pub fn named_band_key(&self) -> Option<NetKey> {
        self.tree.band_key.as_ref().map(Key::net_key)
    }

    /// The bytes of [`Plan::band_key`], for a key file.
    pub(crate) fn band_key_bytes(&self) -> Zeroizing<[u8; 32]> {
        self.tree.band_key.as_ref().unwrap_or(&self.key).bytes()
    }

    /// How many changes of the net key there have been, 0 to 255.
    #[must_use]
    pub const fn generation(&self) -> u8 {
        self.tree.generation
    }

    /// The stations that have been withdrawn.
    #[must_use]
    pub const fn withdrawn(&self) -> &BTreeSet<Address> {
        &self.tree.withdrawn
    }
}
