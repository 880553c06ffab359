//! Filling a vector of fixed capacity without a path that panics.

/// Appends what fits of `items`; the rest is dropped. (`Vec::extend` would panic.)
pub(crate) fn append<T, const N: usize>(
    to: &mut heapless::Vec<T, N>,
    items: impl Iterator<Item = T>,
) {
    for item in items {
        if to.push(item).is_err() {
            return;
        }
    }
}
