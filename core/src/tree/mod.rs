//! Addressing enforced by keys, and withdrawal (specification section 10).
//!
//! The 256 addresses are the leaves of a binary tree whose root secret only the planner has. A
//! station is given a [`Share`] of it: 17 secrets, those that its callers' keys hang on, and the
//! keys with which it may call others.
//!
//! ```text
//!                    1                     path of station 55: nodes 1, 2, 5, .. 341: 9 secrets;
//!            2 ─────┴───── 3               a call to 50/4 is open to whoever has node 21's
//!        4 ──┴── 5      6 ─┴─ 7
//!              ⋰   ⋱                       co-path: the siblings 3, 4, 11, .. 340: 8 seeds, from
//!          leaves 256 to 511               which every leaf's seed follows but its own
//! ```
//!
//! * A call to one address or a prefix hangs on the secret of that node, which the stations below
//!   it have, and the planner.
//! * A call to everyone but one hangs on that one's leaf of a second tree, the co-path tree, in
//!   which each station has been given everything but its own leaf (A. Fiat and M. Naor, Broadcast
//!   encryption, CRYPTO 1993: 1-resilient, so two captured stations together have it all).
//! * A change of the net key is wrapped for the nodes of a cover that leaves the withdrawn out
//!   ([`Rekey`]; D. Naor, M. Naor and J. Lotspiech, CRYPTO 2001: complete subtrees).
//!
//! What this does not stop is in `docs/threats.md`.

mod node;
mod order;
mod secret;
mod share;

pub use node::Node;
pub use order::{MAX_ENTRIES, MAX_ORDER_BYTES, Order, OrderError, Rekey};
pub use secret::Secret;
pub use share::{DIRECTORY, DirectoryFull, MAX_SHARE_BYTES, Share};
