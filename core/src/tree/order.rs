//! A change of the net key, for everyone but the withdrawn: complete-subtree broadcast encryption
//! (D. Naor, M. Naor, J. Lotspiech, Revocation and tracing schemes for stateless receivers, CRYPTO
//! 2001, the complete-subtree method; IACR ePrint 2001/059).
//!
//! ```text
//!  0        1            2       3     4       8        24      40            72
//! ┌─────────┬────────────┬───────┬─────┬───────┬────────┬───────┬─────────────┬─ ... ─┬───────┐
//! │version 1│ generation │ count │  0  │ slot  │ token  │ salt  │ the new key │entries│  tag  │
//! └─────────┴────────────┴───────┴─────┴───────┴────────┴───────┴─────────────┴─ ... ─┴───────┘
//!                                                          entry: node (u16), wrapped inner key
//! ```
//!
//! As in the source, the entries give an inner key to the nodes of the cover, and the inner key
//! gives the net key. The tag, under the net key, is over everything, the present net key included.
//! The token is one step of a hash chain (L. Lamport, Password authentication with insecure
//! communication, CACM 24, 1981, citation from memory): only who has the root can make the next one, so a captured
//! station cannot be the first to order a change.

use super::{Node, Secret, Share};
use crate::address::Address;
use crate::keys::{NetKey, Subkey, redacted};
use crate::units::Slot;
use core::fmt;
use heapless::Vec;
use subtle::{Choice, ConstantTimeEq};

/// Entries of an order at most: no cover of 256 addresses is larger.
pub const MAX_ENTRIES: usize = 128;
/// Bytes of an order at most.
pub const MAX_ORDER_BYTES: usize = FIXED + MAX_ENTRIES * ENTRY;

const VERSION: u8 = 1;
const HEAD: usize = 8;
const TAG: usize = 16;
/// Everything but the entries: head, token, salt, the new key, tag.
const FIXED: usize = HEAD + 16 + 16 + 32 + TAG;
const ENTRY: usize = 18;
const WRAP: &[u8; 16] = b"hopwright/wrap\0\0";
const ORDER: &[u8; 16] = b"hopwright/order\0";
const PRESENT: &[u8; 16] = b"hopwright/rekey\0";

/// A change of the net key that a station has opened.
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct Rekey {
    key: NetKey,
    slot: Slot,
    generation: u8,
    token: Secret,
}

redacted!(Rekey);

impl Rekey {
    /// Opens an order with a station's share; `tree` is the subkey
    /// [`Label::Tree`](crate::keys::Label::Tree) of the present net key.
    ///
    /// `None` if the order is not for this net key, not newer than the share's generation, not
    /// whole, or for others: a withdrawn station does the same work as any other and learns
    /// nothing. The work depends on the order's length and generation alone: eight permutations,
    /// one for each generation since the share's, and one for every 16 bytes; 411 at most.
    #[must_use]
    pub fn open(share: &Share, tree: &Subkey, own: Address, order: &[u8]) -> Option<Self> {
        let (signed, tag) = order.split_last_chunk::<TAG>()?;
        let (head, rest) = signed.split_first_chunk::<HEAD>()?;
        let (token, rest) = rest.split_first_chunk::<16>()?;
        let (salt, rest) = rest.split_first_chunk::<16>()?;
        let (body, entries) = rest.split_first_chunk::<32>()?;
        let (entries, loose) = entries.as_chunks::<ENTRY>();
        let [VERSION, generation, count, 0, slot @ ..] = *head else { return None };
        if !loose.is_empty()
            || entries.len() != usize::from(count)
            || !(1..=MAX_ENTRIES).contains(&entries.len())
            || generation <= share.generation
        {
            return None;
        }
        let token = Secret::new(*token);
        let next = share.generation.saturating_add(1);
        let known = (next..=generation).fold(token.clone(), |token, _| token.child(false));
        let (found, node, mut inner) = own_entry(share, own, entries)?;
        mask(inner.bytes_mut(), &pad(node, salt));
        let mut key = *body;
        inner.expand().derive(salt).mask(&mut key);
        // (Taken over at once, so that it is wiped whatever becomes of it.)
        let key = NetKey::taken(&mut key);
        let genuine = mac(tree, &key, signed).ct_eq(tag) & known.bytes().ct_eq(share.token.bytes());
        // One decision, after all the work is done.
        let opened = bool::from(genuine & found);
        let slot = Slot::new(u32::from_le_bytes(slot));
        opened.then_some(Self { key, slot, generation, token })
    }

    /// The new net key.
    #[must_use]
    pub const fn key(&self) -> &NetKey {
        &self.key
    }

    /// The slot of home time from which the new net key is in use.
    #[must_use]
    pub const fn slot(&self) -> Slot {
        self.slot
    }

    /// The order's generation, 1 to 255.
    #[must_use]
    pub const fn generation(&self) -> u8 {
        self.generation
    }
}

impl Share {
    /// Takes note of a change of the net key: from now on no older order opens, nor this one
    /// again. The generation and the new key belong into the station's storage.
    pub fn accept(&mut self, rekey: &Rekey) {
        if rekey.generation > self.generation {
            self.generation = rekey.generation;
            self.token = rekey.token.clone();
        }
    }
}

/// Whether an entry is the station's, the secret of its node, and what is wrapped for it. Without
/// one, the root's secret and zeros: they open nothing, and cost the same.
fn own_entry<'s>(
    share: &'s Share,
    own: Address,
    entries: &[[u8; ENTRY]],
) -> Option<(Choice, &'s Secret, Secret)> {
    let (mut found, mut depth, mut inner) = (0, 0, [0; 16]);
    for [low, high, wrapped @ ..] in entries {
        let node = Node::new(u16::from_le_bytes([*low, *high]));
        if let Some(node) = node.filter(|node| node.covers(own)) {
            (found, depth, inner) = (1, node.depth(), *wrapped);
        }
    }
    Some((Choice::from(found), share.path_secret(depth)?, Secret::new(inner)))
}

/// What wraps the inner key for a node.
fn pad(node: &Secret, salt: &[u8; 16]) -> Secret {
    node.expand().derive(WRAP).derive(salt).half(false)
}

fn mask(bytes: &mut [u8; 16], pad: &Secret) {
    for (byte, pad) in bytes.iter_mut().zip(pad.bytes()) {
        *byte ^= pad;
    }
}

/// The tag of an order: a cascade of HChaCha20 over its blocks of 16 bytes, the last one filled
/// with zeros, under the new net key. (M. Bellare, R. Canetti, H. Krawczyk, Pseudorandom functions
/// revisited: the cascade construction, FOCS 1996, citation from memory. The number of entries stands in the first block,
/// so that no order is the beginning of another.)
fn mac(tree: &Subkey, key: &NetKey, signed: &[u8]) -> [u8; TAG] {
    let (head, rest) = signed.split_at_checked(HEAD).unwrap_or_default();
    let mut block = [0; 16];
    crate::keys::put(&mut block, 0, &tree.tag(PRESENT));
    crate::keys::put(&mut block, HEAD, head);
    let mut state = key.derive(ORDER).derive(&block);
    for chunk in rest.chunks(16) {
        let mut block = [0; 16];
        crate::keys::put(&mut block, 0, chunk);
        state = state.derive(&block);
    }
    *state.half(false).bytes()
}

/// A change of the net key as the planner makes it.
#[derive(Debug)]
pub struct Order<'a> {
    /// One more than that of the last order of the plan, 1 to 255.
    pub generation: u8,
    /// The slot of home time from which the new net key is in use.
    pub slot: Slot,
    /// The token of this generation.
    pub token: &'a Secret,
    /// The new net key.
    pub key: &'a NetKey,
    /// Drawn afresh for each order, public.
    pub salt: [u8; 16],
    /// The inner key, drawn afresh for each order.
    pub inner: &'a Secret,
}

/// Why there is no order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum OrderError {
    /// An order has 1 to [`MAX_ENTRIES`] entries.
    Entries(usize),
    /// An order's generation is 1 to 255.
    Generation,
}

impl fmt::Display for OrderError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Entries(n) => write!(f, "an order has 1 to {MAX_ENTRIES} entries, not {n}"),
            Self::Generation => f.write_str("an order's generation is 1 to 255"),
        }
    }
}

impl core::error::Error for OrderError {}

impl Order<'_> {
    /// The bytes of the order for the nodes of a cover and their secrets; `tree` is the subkey
    /// [`Label::Tree`](crate::keys::Label::Tree) of the net key that is in use until then. Three
    /// permutations a node.
    ///
    /// # Errors
    /// [`OrderError`] if there are too many nodes or none, or the generation is 0.
    pub fn to_bytes(
        &self,
        tree: &Subkey,
        cover: &[(Node, Secret)],
    ) -> Result<Vec<u8, MAX_ORDER_BYTES>, OrderError> {
        let count = u8::try_from(cover.len()).unwrap_or(u8::MAX);
        if !(1..=MAX_ENTRIES).contains(&cover.len()) {
            return Err(OrderError::Entries(cover.len()));
        }
        if self.generation == 0 {
            return Err(OrderError::Generation);
        }
        let mut bytes = Vec::new();
        // Nothing below can be cut short: the vector holds the largest order.
        let mut write = |part: &[u8]| {
            let _ = bytes.extend_from_slice(part);
        };
        write(&[VERSION, self.generation, count, 0]);
        write(&self.slot.number().to_le_bytes());
        write(self.token.bytes());
        write(&self.salt);
        let mut body = [0; 32];
        self.key.expose(|key| body = *key);
        self.inner.expand().derive(&self.salt).mask(&mut body);
        write(&body);
        for (node, secret) in cover {
            let mut wrapped = pad(secret, &self.salt);
            mask(wrapped.bytes_mut(), self.inner);
            write(&node.number().to_le_bytes());
            write(wrapped.bytes());
        }
        let tag = mac(tree, self.key, &bytes);
        let _ = bytes.extend_from_slice(&tag);
        Ok(bytes)
    }
}
