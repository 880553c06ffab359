//! Forward error correction: what the link adds so that a few wrong bits do not matter.

pub mod golay;
pub mod interleave;
pub mod reed_solomon;
