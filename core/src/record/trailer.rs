//! The end of a recording, so that one that was cut short cannot pass for a shorter one.
//!
//! A trailer is 25 bytes: a zero byte, which is the tag of no input, the number of inputs (u64),
//! and a digest of everything before the zero byte (16 bytes). What makes the digest is for the
//! writer and the reader to agree on; the core carries no hash for it.

use super::{Sink, byte, take};

/// What a trailer begins with.
const TAG: u8 = 0;
/// Bytes of a trailer.
const LENGTH: usize = 25;

/// The end of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trailer {
    /// Inputs in the recording.
    pub inputs: u64,
    /// The digest of everything before the trailer.
    pub digest: [u8; 16],
}

impl Trailer {
    /// Writes the trailer.
    pub fn write(&self, sink: &mut impl Sink) {
        sink.write(&[TAG]);
        sink.write(&self.inputs.to_le_bytes());
        sink.write(&self.digest);
    }

    /// Takes the trailer off the end of a recording: what comes before it, and it; `None` if the
    /// recording does not end in one. A random end passes for one in one of 256 cases, so count
    /// and digest must be compared.
    #[must_use]
    pub fn split(recording: &[u8]) -> Option<(&[u8], Self)> {
        let at = recording.len().checked_sub(LENGTH)?;
        let (body, mut rest) = recording.split_at_checked(at)?;
        if byte(&mut rest)? != TAG {
            return None;
        }
        let inputs = u64::from_le_bytes(take(&mut rest)?);
        Some((body, Self { inputs, digest: take(&mut rest)? }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::vec::Vec;

    #[test]
    fn a_trailer_comes_off_again() {
        let trailer = Trailer { inputs: 0x0102_0304_0506, digest: [7; 16] };
        let mut bytes: Vec<u8> = b"inputs".to_vec();
        trailer.write(&mut |part: &[u8]| bytes.extend_from_slice(part));
        assert_eq!(bytes.len(), 6 + LENGTH);
        assert_eq!(Trailer::split(&bytes), Some((&b"inputs"[..], trailer)));
        assert_eq!(Trailer::split(&bytes[..bytes.len() - 1]), None, "cut short");
        assert_eq!(Trailer::split(&bytes[7..]), None, "nothing but a part of it");
        bytes[6] = 1;
        assert_eq!(Trailer::split(&bytes), None, "an input where the trailer should be");
    }
}
