//! What the on-target binaries share: recordings, the digest, and exact counters of instructions and
//! of stack.

#![no_std]

pub mod counter;
pub mod digest;
mod panic;
pub mod random;
pub mod recordings;
pub mod stack;
