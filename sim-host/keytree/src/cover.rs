//! The complete-subtree cover (D. Naor, M. Naor, J. Lotspiech, Revocation and tracing schemes for
//! stateless receivers, CRYPTO 2001; IACR ePrint 2001/059).

use std::collections::BTreeSet;

/// The fewest whole subtrees of a binary tree with `2^depth` leaves that hold all leaves but the
/// withdrawn ones, as node numbers, ascending: 1 is the root, the children of `i` are `2 i` and
/// `2 i + 1`, leaf `a` is `2^depth + a`. Nobody withdrawn: the root. Everybody: nothing.
///
/// They hang off the tree of the paths from the root to the withdrawn leaves (the Steiner tree).
/// `depth` is at most 15; leaves that do not exist count for nothing.
///
/// ```
/// # use hopwright_keytree::cover;
/// assert_eq!(cover(8, &[9].into()), [3, 5, 9, 17, 32, 67, 133, 264]);
/// ```
#[must_use]
pub fn cover(depth: u32, withdrawn: &BTreeSet<u16>) -> Vec<u16> {
    let depth = depth.min(15);
    let leaves = 1_u32 << depth;
    let there = withdrawn.iter().map(|a| u32::from(*a)).filter(|a| *a < leaves);
    let paths: BTreeSet<u32> =
        there.flat_map(|a| (0..=depth).map(move |up| (leaves + a) >> up)).collect();
    if paths.is_empty() {
        return vec![1];
    }
    let inner = paths.iter().filter(|node| **node < leaves);
    let hanging = inner.flat_map(|node| [2 * node, 2 * node + 1]);
    let mut cover: Vec<u16> = hanging
        .filter(|child| !paths.contains(child))
        .filter_map(|child| u16::try_from(child).ok())
        .collect();
    cover.sort_unstable();
    cover
}

/// The most subtrees that a cover of `2^depth` leaves without `r` of them can need: 1 for none,
/// else `r log2(N / r)` (the same paper, complete-subtree method), rounded down.
///
/// ```
/// # use hopwright_keytree::bound;
/// assert_eq!([bound(8, 0), bound(8, 1), bound(8, 3), bound(8, 256)], [1, 8, 19, 0]);
/// ```
#[must_use]
pub fn bound(depth: u32, r: usize) -> usize {
    if r == 0 {
        return 1;
    }
    // r log2(N / r) >= k is (N / r)^r >= 2^k: found without rounding errors of logarithms at
    // powers of two, which are exact.
    let r = r as f64;
    let exact = r * (f64::from(depth) - libm::log2(r));
    let most = libm::floor(exact + 1e-9);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of nodes; a saturating cast is harmless"
    )]
    let most = most.max(0.0) as usize;
    most
}
