//! What the on-target binaries share: recordings, the digest, and an exact instruction counter.

#![no_std]

pub mod counter;
pub mod digest;
mod panic;
pub mod random;
pub mod recordings;
