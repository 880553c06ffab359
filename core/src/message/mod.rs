//! Messages: sealed, cut into columns, put together again from any sufficient part of them
//! (specification section 11).
//!
//! ```text
//!            text ──seal──► cipher text || tag || zeros
//!                           ├─────── row 0 ───────┤├─ row 1 ─┤ …       k bytes each
//!   block ┌ row 0:  d d d … d p p … p ┐
//!         │ row 1:  d d d … d p p … p │   each row a Reed–Solomon code word of n bytes
//!         └ row L:  d d d … d p p … p ┘
//!                   │ └── column 1: one slot
//!                   └──── column 0: one slot
//! ```
//!
//! A lost slot is one erasure in every row. Any `k` columns of a block suffice when none of them
//! is damaged; a damaged one counts as two lost, in those rows only in which it is wrong.
//! Nothing is delivered before the tag of the whole message fits.
//!
//! [`Outbox`] makes the payloads of traffic slots, [`Inbox`] takes them. Neither knows of slots'
//! channels, of time, or of the [`Station`](crate::station::Station) between them.

mod assembly;
mod fragment;
mod inbox;
mod outbox;

pub use inbox::{Inbox, Message, Progress, Taken};
pub use outbox::{LoadError, Outbox};

use crate::address::Address;
use crate::coding::reed_solomon::{CodeError, ReedSolomon};
use crate::keys::put;
use crate::seal::TAG_BYTES;
use crate::units::Slot;
pub use fragment::HEADER_BYTES;

/// The most blocks of a message.
pub const MAX_BLOCKS: u8 = 8;

#[expect(clippy::cast_possible_truncation, reason = "sixteen")]
const TAG: u32 = TAG_BYTES as u32;

/// Where a payload is, or was, on the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Origin {
    /// Who speaks.
    pub source: Address,
    /// The lane and timeline, as in [`header::stream`](crate::header::stream).
    pub stream: u32,
    /// The slot.
    pub slot: Slot,
}

impl Origin {
    /// What makes a message's encryption its own: stream, first slot and source.
    fn nonce(self) -> [u8; 12] {
        let mut nonce = [0; 12];
        put(&mut nonce, 0, &self.stream.to_le_bytes());
        put(&mut nonce, 4, &self.slot.number().to_le_bytes());
        put(&mut nonce, 8, &[self.source.number()]);
        nonce
    }
}

/// How a net cuts messages: its code, and how many rows of it a slot has room for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Layout {
    code: ReedSolomon,
    most_rows: u16,
}

impl Layout {
    /// The layout for an `(n, k)` code and slots that carry `capacity` bytes of payload, as in
    /// [`Station::payload_capacity`](crate::station::Station::payload_capacity).
    ///
    /// # Errors
    /// [`CodeError`] unless `1 <= k < n <= 255`.
    pub fn new(n: u8, k: u8, capacity: usize) -> Result<Self, CodeError> {
        let rows = capacity.saturating_sub(HEADER_BYTES);
        let most_rows = u16::try_from(rows).unwrap_or(u16::MAX);
        Ok(Self { code: ReedSolomon::new(n, k)?, most_rows })
    }

    /// The code.
    #[must_use]
    pub const fn code(&self) -> &ReedSolomon {
        &self.code
    }

    /// The most rows of a block: bytes of a slot behind the fragment header.
    #[must_use]
    pub const fn most_rows(&self) -> u16 {
        self.most_rows
    }

    /// The bytes of the longest text: what eight blocks hold, and at most 65 535.
    #[must_use]
    pub fn longest(&self) -> u16 {
        let rows = u32::from(self.most_rows).wrapping_mul(u32::from(MAX_BLOCKS));
        let bytes = rows.wrapping_mul(u32::from(self.code.k())).saturating_sub(TAG);
        u16::try_from(bytes).unwrap_or(u16::MAX)
    }

    /// The bytes of the longest text that so many code words hold, and the layout allows.
    #[must_use]
    #[inline(never)]
    pub fn longest_in(&self, words: usize) -> u16 {
        let k = usize::from(self.code.k());
        let rows = usize::from(self.most_rows).max(1);
        let words = words.min(rows.saturating_mul(MAX_BLOCKS.into()));
        // Blocks of equal height: the last few words of a small outbox may be of no use, or its
        // last block, if those before it hold more when they are full.
        let blocks = words.div_ceil(rows).max(1);
        let equal = words.saturating_sub(words.checked_rem(blocks).unwrap_or_default());
        let full = rows.saturating_mul(blocks.saturating_sub(1));
        let bytes = equal.max(full).saturating_mul(k).saturating_sub(TAG_BYTES);
        u16::try_from(bytes).unwrap_or(u16::MAX).min(self.longest())
    }

    /// How a text of `length` bytes is cut; `None` if it is longer than the longest.
    ///
    /// ```
    /// # use hopwright_core::message::{Layout, Shape};
    /// let layout = Layout::new(64, 24, 106)?;
    /// // 97 rows of 24 bytes hold 2312 bytes and a tag.
    /// assert_eq!(layout.shape(2_312), Some(Shape { blocks: 1, rows: 97 }));
    /// assert_eq!(layout.shape(2_313), Some(Shape { blocks: 2, rows: 49 }));
    /// assert_eq!(layout.shape(100), Some(Shape { blocks: 1, rows: 5 }));
    /// # Ok::<(), hopwright_core::coding::reed_solomon::CodeError>(())
    /// ```
    #[must_use]
    pub fn shape(&self, length: u16) -> Option<Shape> {
        let sealed = u32::from(length).wrapping_add(TAG);
        let rows = divide_up(sealed, u32::from(self.code.k()))?;
        let blocks = divide_up(rows, u32::from(self.most_rows))?;
        let rows = u16::try_from(divide_up(rows, blocks)?).ok()?;
        let blocks = u8::try_from(blocks).ok().filter(|blocks| *blocks <= MAX_BLOCKS)?;
        Some(Shape { blocks, rows })
    }

    /// The bytes that an [`Outbox`] needs for a text of `length` bytes.
    #[must_use]
    pub fn outbox_bytes(&self, length: u16) -> Option<usize> {
        self.shape(length).map(|shape| shape.words().wrapping_mul(usize::from(self.code.k())))
    }

    /// The bytes that an [`Inbox`] needs for a text of `length` bytes.
    #[must_use]
    pub fn inbox_bytes(&self, length: u16) -> Option<usize> {
        self.shape(length).map(|shape| shape.words().wrapping_mul(usize::from(self.code.n())))
    }
}

/// How a message is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Shape {
    /// Blocks of `n` columns, 1 to 8, sent one after another.
    pub blocks: u8,
    /// Rows of each: the bytes of a column.
    pub rows: u16,
}

impl Shape {
    /// Code words altogether.
    fn words(self) -> usize {
        usize::from(self.blocks).wrapping_mul(usize::from(self.rows))
    }
}

/// `a / b` rounded up; `None` for `b = 0`.
fn divide_up(a: u32, b: u32) -> Option<u32> {
    a.wrapping_add(b.checked_sub(1)?).checked_div(b)
}

#[cfg(test)]
mod tests;
