//! Withdrawal: a new net key for everyone but the withdrawn.

use super::{KeyTree, cover};
use hopwright_core::address::Address;
use hopwright_core::keys::{Label, NetKey};
use hopwright_core::tree::{Node, Order, OrderError, Secret};
use hopwright_core::units::Slot;
use std::collections::BTreeSet;
use std::fmt;
use zeroize::Zeroizing;

/// What is drawn afresh for one order: new net key, salt and inner key.
pub struct Drawn(Zeroizing<[u8; 64]>);

impl fmt::Debug for Drawn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Drawn(..)")
    }
}

impl Drawn {
    /// Takes 64 bytes that have never been used before.
    #[must_use]
    pub const fn new(bytes: Zeroizing<[u8; 64]>) -> Self {
        Self(bytes)
    }

    /// The bytes of the new net key.
    #[must_use]
    pub fn key_bytes(&self) -> Zeroizing<[u8; 32]> {
        Zeroizing::new(self.part(0))
    }

    /// The new net key.
    #[must_use]
    pub fn key(&self) -> NetKey {
        NetKey::new(*self.key_bytes())
    }

    fn part<const LEN: usize>(&self, at: usize) -> [u8; LEN] {
        self.0.get(at..).and_then(|rest| rest.first_chunk()).copied().unwrap_or([0; LEN])
    }
}

/// A change of the net key, ready to be sent.
#[derive(Debug)]
pub struct Withdrawal {
    /// The order: public but for what it wraps.
    pub order: Vec<u8>,
    /// The nodes whose stations can open it.
    pub cover: Vec<Node>,
}

/// Makes the order that gives everyone but `withdrawn` the new net key of `drawn` from `slot` on.
/// `present` is the net key until then, `generation` the order's: one more than the last.
///
/// # Errors
/// [`OrderError`] if everyone is withdrawn, or the generations have come to their end.
pub fn withdraw(
    tree: &KeyTree,
    present: &NetKey,
    generation: u8,
    slot: Slot,
    withdrawn: &BTreeSet<Address>,
    drawn: &Drawn,
) -> Result<Withdrawal, OrderError> {
    let numbers = withdrawn.iter().map(|address| u16::from(address.number())).collect();
    let cover: Vec<Node> = cover(8, &numbers).into_iter().filter_map(Node::new).collect();
    let secrets: Vec<(Node, Secret)> = cover.iter().map(|node| (*node, tree.node(*node))).collect();
    let order = Order {
        generation,
        slot,
        token: &tree.token(generation),
        key: &drawn.key(),
        salt: drawn.part(32),
        inner: &Secret::new(drawn.part(48)),
    };
    let bytes = order.to_bytes(&present.subkey(Label::Tree), &secrets)?;
    Ok(Withdrawal { order: bytes.to_vec(), cover })
}
