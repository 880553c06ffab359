//! The planner's part of the key tree (specification section 10): who holds the root can make every
//! station's share, every sender's key and every change of the net key.
//!
//! How stations use what they are given is in [`hopwright_core::tree`].

mod cover;
mod withdraw;

pub use cover::{bound, cover};
pub use withdraw::{Drawn, Withdrawal, withdraw};

use chacha20::{R20, hchacha};
use hopwright_core::address::{Address, Target};
use hopwright_core::tree::{DirectoryFull, Node, Secret, Share};
use std::fmt;
use zeroize::{Zeroize, Zeroizing};

/// What a node's secret is drawn from the root with; its number follows in two bytes.
const NODE: &[u8; 14] = b"hopwright/node";
/// The seed of the co-path tree.
const CO_PATH: &[u8; 16] = b"hopwright/copath";
/// The last token of the chain.
const ORDERS: &[u8; 16] = b"hopwright/orders";

/// The root of a net's key tree. Wiped when it is dropped; its `Debug` shows nothing.
pub struct KeyTree(Zeroizing<[u8; 32]>);

impl fmt::Debug for KeyTree {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("KeyTree(..)")
    }
}

impl KeyTree {
    /// The tree that grows from a root.
    #[must_use]
    pub const fn new(root: Zeroizing<[u8; 32]>) -> Self {
        Self(root)
    }

    /// The secret of a node: `N(i)`.
    #[must_use]
    pub fn node(&self, node: Node) -> Secret {
        let mut input = [0; 16];
        input[..NODE.len()].copy_from_slice(NODE);
        input[NODE.len()..].copy_from_slice(&node.number().to_le_bytes());
        self.draw(&input)
    }

    /// The seed of a node of the co-path tree: `S(i)`.
    #[must_use]
    pub fn seed(&self, node: Node) -> Secret {
        let down = (1..=node.depth()).map(|depth| node.at(depth).is_right());
        down.fold(self.draw(CO_PATH), |seed, right| seed.child(right))
    }

    /// The token of a generation: `T(g)`.
    #[must_use]
    pub fn token(&self, generation: u8) -> Secret {
        (generation..u8::MAX).fold(self.draw(ORDERS), |token, _| token.child(false))
    }

    /// What those whom a target calls have in common: a node's secret, or for everyone but one,
    /// the seed of that one's leaf.
    #[must_use]
    pub fn called(&self, target: Target) -> Secret {
        match Node::of(target) {
            Some(node) => self.node(node),
            None => self.seed(Node::leaf(target.address())),
        }
    }

    /// The secret with which `source` calls `target`.
    #[must_use]
    pub fn sender(&self, source: Address, target: Target) -> Secret {
        self.called(target).sender(source)
    }

    /// The secrets of a station's path, from the root to its leaf.
    #[must_use]
    pub fn path(&self, own: Address) -> [Secret; 9] {
        let mut depths = 0..;
        std::array::from_fn(|_| self.node(Node::leaf(own).at(depths.next().unwrap_or_default())))
    }

    /// The co-path seeds of a station: of the siblings along its path, from depth 1 to 8.
    #[must_use]
    pub fn co_path(&self, own: Address) -> [Secret; 8] {
        let mut depths = 1..;
        std::array::from_fn(|_| {
            self.seed(Node::leaf(own).at(depths.next().unwrap_or_default()).sibling())
        })
    }

    /// A station's share, with a directory of targets to which it does not belong. Targets to
    /// which it does need no entry and get none.
    ///
    /// # Errors
    /// [`DirectoryFull`] if there are too many.
    pub fn share(
        &self,
        own: Address,
        generation: u8,
        directory: &[Target],
    ) -> Result<Share, DirectoryFull> {
        let (path, co_path) = (self.path(own), self.co_path(own));
        let mut share = Share::new(path, co_path, generation, self.token(generation));
        for target in directory.iter().filter(|target| !target.covers(own)) {
            share.add(*target, self.sender(own, *target))?;
        }
        Ok(share)
    }

    /// The first half of `HChaCha20(root, input)`.
    fn draw(&self, input: &[u8; 16]) -> Secret {
        let mut whole: [u8; 32] = hchacha::<R20>((&*self.0).into(), input.into()).into();
        let half = whole.first_chunk().copied().map_or(Secret::new([0; 16]), Secret::new);
        whole.zeroize();
        half
    }
}
