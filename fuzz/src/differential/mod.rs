//! The core against second readings of what it has to do.

mod clock;
mod sequence;
mod tree;

pub use clock::differential_clock;
pub use sequence::differential_sequence;
pub use tree::differential_tree;
