//! A 128-bit digest of what happened: the same on every platform, run and build profile.
//!
//! SipHash-1-3 with a zero key: fast and portable. It tells runs apart; it is no signature.

use core::hash::Hasher;
use hopwright_core::record::Sink;
use siphasher::sip128::{Hasher128, SipHasher13};

/// A digest in the making.
#[derive(Debug, Clone, Default)]
pub struct Digest(SipHasher13);

impl Digest {
    /// The digest so far, as 32 hexadecimal digits.
    #[must_use]
    pub fn hex(&self) -> String {
        format!("{:032x}", u128::from(self.0.finish128()))
    }

    /// The digest so far, as 16 bytes.
    #[must_use]
    pub fn bytes(&self) -> [u8; 16] {
        u128::from(self.0.finish128()).to_be_bytes()
    }
}

impl Sink for Digest {
    fn write(&mut self, bytes: &[u8]) {
        self.0.write(bytes);
    }
}

/// A seed for the part called `name`, from the scenario's seed: adding a part leaves the seeds of
/// the others alone.
#[must_use]
pub fn child_seed(root: u64, name: &str) -> u64 {
    let mut hasher = SipHasher13::new_with_keys(root, 0);
    hasher.write(name.as_bytes());
    hasher.finish()
}

/// Bytes for a key or another secret of a simulation, eight from each of the seeds `what/0`,
/// `what/1` and so on.
#[must_use]
pub fn child_bytes<const BYTES: usize>(seed: u64, what: &str) -> [u8; BYTES] {
    let mut bytes = [0; BYTES];
    for (i, chunk) in bytes.chunks_exact_mut(8).enumerate() {
        chunk.copy_from_slice(&child_seed(seed, &format!("{what}/{i}")).to_le_bytes());
    }
    bytes
}
