//! Frames on the byte stream.
//!
//! ```text
//! END | kind | sequence, 2 | length | payload, 0 to 144 | CRC-32, 4 | END
//! ```
//!
//! Numbers are little-endian. Between the ENDs, bytes are stuffed as in SLIP (RFC 1055: END is
//! C0, written DB DC; DB itself is written DB DD), so whatever was cut or garbled, the next END
//! brings both ends back into step. The CRC is CRC-32/ISO-HDLC over all that precedes it.

use crate::append::append;
use crate::provision::CRC_32;
use core::fmt;
use heapless::Vec;

/// The most bytes of a frame's payload.
pub const MAX_PAYLOAD: usize = 144;
/// Kind, sequence, length and CRC.
const AROUND: usize = 8;
const MAX_FRAME: usize = MAX_PAYLOAD + AROUND;
/// The most bytes of a frame on the wire: every one stuffed, and two ENDs.
pub const MAX_WIRE: usize = 2 * MAX_FRAME + 2;

const END: u8 = 0xC0;
const ESCAPE: u8 = 0xDB;
const ESCAPED_END: u8 = 0xDC;
const ESCAPED_ESCAPE: u8 = 0xDD;

/// A frame as it goes over the wire.
pub type Wire = Vec<u8, MAX_WIRE>;

/// A frame that arrived whole.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Frame<'a> {
    /// What it is.
    pub kind: u8,
    /// Its number: of a chunk, as a rule.
    pub sequence: u16,
    /// What it carries.
    pub payload: &'a [u8],
}

/// Without the payload, which may be part of a key.
impl fmt::Debug for Frame<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { kind, sequence, .. } = self;
        let mut shown = f.debug_struct("Frame");
        shown.field("kind", kind).field("sequence", sequence).finish_non_exhaustive()
    }
}

/// Writes a frame to `wire` in place of what was there, which is wiped. A payload of more than 144
/// bytes is cut.
pub fn write_frame(frame: Frame<'_>, wire: &mut Wire) {
    // The next frame may be shorter: what stands behind its end is out of reach of any later wiping.
    zeroize::Zeroize::zeroize(&mut **wire);
    wire.clear();
    let payload = frame.payload.get(..MAX_PAYLOAD).unwrap_or(frame.payload);
    let [low, high] = frame.sequence.to_le_bytes();
    let head = [frame.kind, low, high, u8::try_from(payload.len()).unwrap_or_default()];
    let mut check = CRC_32.digest();
    check.update(&head);
    check.update(payload);
    let check = check.finalize().to_le_bytes();
    append(wire, core::iter::once(END));
    for byte in head.iter().chain(payload).chain(&check) {
        let (first, second) = match *byte {
            END => (ESCAPE, Some(ESCAPED_END)),
            ESCAPE => (ESCAPE, Some(ESCAPED_ESCAPE)),
            plain => (plain, None),
        };
        append(wire, core::iter::once(first).chain(second));
    }
    append(wire, core::iter::once(END));
}

/// Finds frames in a stream of bytes. What it holds may be part of a key: it is wiped when it is
/// dropped.
pub struct FrameReader {
    bytes: Vec<u8, MAX_FRAME>,
    escaped: bool,
    /// What has been read since the last END cannot become a frame.
    spoilt: bool,
    /// The frame has been handed out: the next byte starts another.
    done: bool,
}

crate::keys::redacted!(FrameReader, "FrameReader");

impl Default for FrameReader {
    fn default() -> Self {
        Self::new()
    }
}

impl Drop for FrameReader {
    fn drop(&mut self) {
        self.restart();
    }
}

impl FrameReader {
    /// Nothing read yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { bytes: Vec::new(), escaped: false, spoilt: false, done: false }
    }

    fn restart(&mut self) {
        zeroize::Zeroize::zeroize(&mut *self.bytes);
        self.bytes.clear();
        (self.escaped, self.spoilt, self.done) = (false, false, false);
    }

    /// Takes a byte. `Some(Ok)` if it completes a frame, `Some(Err)` if it ends what should have
    /// been one. Constant work but for the check of a whole frame.
    pub fn byte(&mut self, byte: u8) -> Option<Result<Frame<'_>, Garbled>> {
        if self.done {
            self.restart();
        }
        if byte == END {
            // Two ENDs in a row, between frames, are nothing.
            if self.bytes.is_empty() && !self.spoilt && !self.escaped {
                return None;
            }
            self.done = true;
            return Some(self.frame().ok_or(Garbled));
        }
        let plain = match (self.escaped, byte) {
            (false, ESCAPE) => {
                self.escaped = true;
                return None;
            }
            (false, plain) => plain,
            (true, ESCAPED_END) => END,
            (true, ESCAPED_ESCAPE) => ESCAPE,
            (true, _) => {
                self.spoilt = true;
                return None;
            }
        };
        self.escaped = false;
        if self.bytes.push(plain).is_err() {
            self.spoilt = true;
        }
        None
    }

    fn frame(&self) -> Option<Frame<'_>> {
        let (body, check) = self.bytes.split_last_chunk::<4>()?;
        let ([kind, low, high, length], payload) = body.split_first_chunk::<4>()?;
        let whole = !self.spoilt
            && !self.escaped
            && payload.len() == usize::from(*length)
            && CRC_32.checksum(body).to_le_bytes() == *check;
        let sequence = u16::from_le_bytes([*low, *high]);
        whole.then_some(Frame { kind: *kind, sequence, payload })
    }
}

/// Bytes that are no frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Garbled;

/// The kinds of frame.
pub(super) mod kind {
    pub(crate) const OFFER: u8 = 1;
    pub(crate) const CHUNK: u8 = 2;
    pub(crate) const COMMIT: u8 = 3;
    pub(crate) const READY: u8 = 0x81;
    pub(crate) const AGAIN: u8 = 0x82;
    pub(crate) const ACCEPTED: u8 = 0x83;
    pub(crate) const REFUSED: u8 = 0x84;
}
