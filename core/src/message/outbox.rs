//! The sender's side.

use super::fragment::{HEADER_BYTES, header};
use super::{Layout, Origin, Shape};
use crate::keys::{Subkey, put};
use crate::sequence::Timeline;
use crate::units::Slot;
use core::fmt;
use zeroize::Zeroize;

/// Why a message was not taken; nothing has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum LoadError {
    /// The last message has columns left to send.
    Busy {
        /// How many.
        left: u16,
    },
    /// Longer than eight blocks, or than the outbox.
    TooLong {
        /// The longest text, bytes.
        limit: u16,
    },
    /// A message of this slot or a later one has been sealed before, and a nonce serves once.
    SlotUsed {
        /// The last slot of a message.
        last: Slot,
    },
}

impl fmt::Display for LoadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Busy { left } => write!(f, "the last message has {left} columns left to send"),
            Self::TooLong { limit } => write!(f, "a message has at most {limit} bytes"),
            Self::SlotUsed { last } => {
                write!(f, "a message of slot {} has been sealed already", last.number())
            }
        }
    }
}

impl core::error::Error for LoadError {}

/// A message on its way out: `N` bytes of it, [`Layout::outbox_bytes`] for the longest.
///
/// One for a station, made once and kept as long as that: only it knows which slots have served. A second one, or
/// one made anew while the station goes on, seals two texts under one nonce: both can be read then, and others
/// forged. A further message in one over needs a later slot than the last, and none later than that in which its
/// first column goes out.
///
/// Parity is worked out when its slot comes, so that it needs no room.
pub struct Outbox<const N: usize> {
    layout: Layout,
    under_way: Option<UnderWay>,
    /// The last slot of a message on each timeline.
    last: [Option<Slot>; 3],
    /// Cipher text, tag and zeros, `k` bytes a row.
    sealed: [u8; N],
}

/// What is being sent.
#[derive(Debug, Clone, Copy)]
struct UnderWay {
    first: Slot,
    length: u16,
    shape: Shape,
    block: u8,
    column: u8,
}

impl<const N: usize> Outbox<N> {
    /// An empty outbox.
    #[must_use]
    pub const fn new(layout: Layout) -> Self {
        Self { layout, under_way: None, last: [None; 3], sealed: [0; N] }
    }

    /// Takes a message, and seals it for its first slot: the slot in which its first column can go
    /// out, or an earlier one, but later than that of the message before.
    ///
    /// Constant work but for the sealing: a cipher block for each 64 bytes.
    ///
    /// # Errors
    /// [`LoadError`]; nothing has changed then.
    pub fn load(&mut self, key: &Subkey, first: Origin, text: &[u8]) -> Result<(), LoadError> {
        let left = self.left();
        if left > 0 {
            return Err(LoadError::Busy { left });
        }
        let limit = self.longest();
        let too_long = LoadError::TooLong { limit };
        let length = u16::try_from(text.len()).map_err(|_| too_long)?;
        let shape = self.layout.shape(length).ok_or(too_long)?;
        let bytes = shape.words().wrapping_mul(usize::from(self.layout.code().k()));
        let sealed = self.sealed.get_mut(..bytes).ok_or(too_long)?;
        let [home, cut_in, single] = &mut self.last;
        let last = match first.stream {
            stream if stream & Timeline::CutIn.bit() != 0 => cut_in,
            stream if stream & Timeline::Single.bit() != 0 => single,
            _ => home,
        };
        if let Some(last) = last.filter(|last| first.slot <= *last) {
            return Err(LoadError::SlotUsed { last });
        }
        *last = Some(first.slot);
        sealed.fill(0);
        let (cipher, rest) = sealed.split_at_mut_checked(text.len()).ok_or(too_long)?;
        put(cipher, 0, text);
        let tag = key.seal(&first.nonce(), &[], cipher);
        put(rest, 0, &tag);
        self.under_way = Some(UnderWay { first: first.slot, length, shape, block: 0, column: 0 });
        Ok(())
    }

    /// The layout that it was made for.
    #[must_use]
    pub const fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The bytes of the longest text that the layout allows and the outbox holds.
    #[must_use]
    pub fn longest(&self) -> u16 {
        self.layout.longest_in(N.checked_div(self.layout.code().k().into()).unwrap_or_default())
    }

    /// The columns that are still to be sent.
    #[must_use]
    pub fn left(&self) -> u16 {
        let n = u16::from(self.layout.code().n());
        self.under_way.map_or(0, |at| {
            let blocks = u16::from(at.shape.blocks.saturating_sub(at.block));
            blocks.wrapping_mul(n).saturating_sub(u16::from(at.column))
        })
    }

    /// Writes the payload of the next traffic slot to `out` and gives its length; `None` if there
    /// is none, or no room for it.
    ///
    /// For a column of parity `(n - k)^2 / 2 + k (n - k)` products and `k` more a row.
    #[inline(never)]
    pub fn next(&mut self, out: &mut [u8]) -> Option<usize> {
        let code = self.layout.code();
        let at = self.under_way.as_mut().filter(|at| at.block < at.shape.blocks)?;
        let rows = usize::from(at.shape.rows);
        let length = HEADER_BYTES.wrapping_add(rows);
        let (head, symbols) = out.get_mut(..length)?.split_first_chunk_mut()?;
        *head = header(at.first, at.block, at.column, at.length);
        let bytes = rows.wrapping_mul(usize::from(code.k()));
        let from = bytes.wrapping_mul(usize::from(at.block));
        let data = self.sealed.get(from..from.wrapping_add(bytes))?;
        code.column(data, at.column, symbols);
        at.column = at.column.wrapping_add(1);
        if at.column >= code.n() {
            at.column = 0;
            at.block = at.block.wrapping_add(1);
        }
        Some(length)
    }

    /// Sends the last message again from its first column. Nothing happens without one.
    ///
    /// It stays sealed under the key and for the first slot that it was loaded with: a receiver can
    /// tell that slot for 65 536 slots, and who has changed keys since, or hears of the message
    /// only then, cannot open it. Nor can anybody in an over on another timeline (at home what began in a cut-in), or, with
    /// a key tree, for another target. Load it anew in each of these cases.
    pub fn repeat(&mut self) {
        if let Some(at) = &mut self.under_way {
            at.block = 0;
            at.column = 0;
        }
    }

    /// Whether nothing is left in it of any message.
    #[cfg(test)]
    pub(super) fn is_blank(&self) -> bool {
        self.sealed.iter().all(|byte| *byte == 0)
    }

    /// Gives up what is left of the message.
    pub fn clear(&mut self) {
        self.under_way = None;
        self.sealed.zeroize();
    }
}

impl<const N: usize> fmt::Debug for Outbox<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Outbox").field("under_way", &self.under_way).finish_non_exhaustive()
    }
}
