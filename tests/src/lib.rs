//! The statistics with which the conformance tests judge the core, and small plans for them.
//!
//! The tests proper are in `tests/tests/`, one file a published source or promise. What is here
//! is itself tested there, against published examples, before anything is judged by it.
//!
//! * [`chi_square`]: goodness of fit with *both* tails: data that fit too well are as wrong as
//!   data that do not fit.
//! * [`binomial`]: exact probabilities and bands of counts.
//! * [`correlation`]: serial correlation; Hamming correlation of hop sequences and its bounds.
//! * [`sp800_22`]: the tests of NIST SP 800-22 that are used.
//! * [`air`]: stations that hear each other on a clean channel.
//! * [`plans`]: hop sequences and stations made from a few numbers.
//! * [`provisioning`]: configurations, and a storage that loses its power.
//! * [`bench`](mod@bench): random plans, and random but well-informed treatment of a station.
//!
//! # Levels
//!
//! Keys are fixed, so a test either passes always or fails always. Levels are chosen as if keys
//! were drawn afresh: each file says how likely a false alarm would then have been.

pub mod air;
pub mod bench;
pub mod binomial;
pub mod chi_square;
pub mod correlation;
pub mod plans;
pub mod provisioning;
pub mod radio;
pub mod sp800_22;

/// A count as a real number.
///
/// # Panics
/// If the count cannot be represented exactly.
#[must_use]
pub fn real(count: u64) -> f64 {
    assert!(count < 1 << 53, "{count} is too large for an exact real number");
    count as f64
}

/// A length as a real number.
///
/// # Panics
/// If the length cannot be represented exactly.
#[must_use]
pub fn real_len(count: usize) -> f64 {
    real(count as u64)
}
