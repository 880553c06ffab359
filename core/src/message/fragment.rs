//! What stands before the column in a slot's payload.

use super::{Layout, Origin, Shape};
use crate::keys::put;
use crate::units::Slot;
use crc::{CRC_16_IBM_3740, Crc, NoTable};

/// Bytes before the column: kind, low half of the first slot's number, block, column, bytes of
/// text, check.
pub const HEADER_BYTES: usize = 9;
/// Those that the check covers.
const CHECKED: usize = 7;
/// The kind of a message's fragment. Other first bytes are left for other uses of a slot.
const KIND: u8 = 1;

/// How many slots back a fragment can tell its message's first slot.
pub(super) const REACH: i64 = 0xFFFF;

/// Bit by bit, because tables are larger than what they save. The check guards against noise, not
/// against people: the tag does that.
const CHECK: Crc<u16, NoTable> = Crc::<u16, NoTable>::new(&CRC_16_IBM_3740);

/// One column of a message, and where it belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fragment<'a> {
    /// The first slot of the message, which tells it from others of its source.
    pub(super) first: Slot,
    pub(super) block: u8,
    pub(super) column: u8,
    /// Bytes of the whole text.
    pub(super) length: u16,
    pub(super) shape: Shape,
    /// One byte a row.
    pub(super) symbols: &'a [u8],
}

/// The header of a fragment.
pub(super) fn header(first: Slot, block: u8, column: u8, length: u16) -> [u8; HEADER_BYTES] {
    let [low, high, ..] = first.number().to_le_bytes();
    let [length_low, length_high] = length.to_le_bytes();
    let checked = [KIND, low, high, block, column, length_low, length_high];
    let mut header = [0; HEADER_BYTES];
    put(&mut header, 0, &checked);
    put(&mut header, CHECKED, &CHECK.checksum(&checked).to_le_bytes());
    header
}

impl<'a> Fragment<'a> {
    /// Reads a payload that was heard in slot `origin.slot`; `None` if it is no fragment that can
    /// have been sent there.
    pub(super) fn read(layout: &Layout, origin: Origin, payload: &'a [u8]) -> Option<Self> {
        let (checked, rest) = payload.split_first_chunk::<CHECKED>()?;
        let (check, symbols) = rest.split_first_chunk::<2>()?;
        if CHECK.checksum(checked) != u16::from_le_bytes(*check) {
            return None;
        }
        let [kind, low, high, block, column, length_low, length_high] = *checked;
        if kind != KIND {
            return None;
        }
        // The first slot is the latest before this one whose number ends so.
        let number = origin.slot.number();
        let first = number
            .checked_sub(number.wrapping_sub(u32::from_le_bytes([low, high, 0, 0])) & 0xFFFF)?;
        let length = u16::from_le_bytes([length_low, length_high]);
        let shape = layout.shape(length)?;
        let n = layout.code().n();
        // Each column takes a slot of its own, in order.
        let place = u32::from(block).wrapping_mul(u32::from(n)).wrapping_add(u32::from(column));
        let fits = block < shape.blocks
            && column < n
            && symbols.len() == usize::from(shape.rows)
            && place <= number.wrapping_sub(first);
        fits.then_some(Self { first: Slot::new(first), block, column, length, shape, symbols })
    }
}
