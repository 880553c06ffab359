//! stub
#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::arithmetic_side_effects,
        clippy::expect_used,
        clippy::float_arithmetic,
        clippy::indexing_slicing,
        clippy::panic,
        clippy::todo,
        clippy::unimplemented,
        clippy::unreachable,
        clippy::unwrap_used
    )
)]
#[cfg(test)]
extern crate std;
pub mod address;
pub mod band;
pub mod clock;
pub mod coding;
pub mod header;
pub mod keys;
pub mod sequence;
pub mod timing;
pub mod units;
