//! The same digest as the host's: SipHash-1-3 with 128 bits and a zero key.

use core::hash::Hasher;
use hopwright_core::record::Sink;
use siphasher::sip128::{Hasher128, SipHasher13};

/// A digest in the making.
#[derive(Default)]
pub struct Digest(SipHasher13);

impl Digest {
    /// The digest so far; the host prints it as 32 hexadecimal digits.
    #[must_use]
    pub fn value(&self) -> u128 {
        self.0.finish128().into()
    }
}

impl Sink for Digest {
    fn write(&mut self, bytes: &[u8]) {
        self.0.write(bytes);
    }
}
