//! The part of CBOR that configurations use, in its one deterministic form
//! (RFC 8949 sections 3 and 4.2.1).
//!
//! Whole numbers, byte and text strings, arrays, maps, true and false. Numbers and lengths stand
//! in their shortest form, lengths are definite, map keys ascend bytewise by their encodings and
//! none stands twice. Whatever is not so is refused, so that what has been read can be written
//! again to the same bytes.

use super::error::{DecodeError, Fault};
use crate::record::Sink;

/// How deep items may lie within one another.
pub const MAX_DEPTH: u8 = 8;

const UNSIGNED: u8 = 0;
const NEGATIVE: u8 = 1;
const BYTES: u8 = 2;
const TEXT: u8 = 3;
const ARRAY: u8 = 4;
const MAP: u8 = 5;
const SIMPLE: u8 = 7;
const FALSE: u64 = 20;
const TRUE: u64 = 21;

/// Writes items to a sink. Map keys must be written in order; that is the caller's part.
#[derive(Debug)]
pub struct Writer<'s, S> {
    sink: &'s mut S,
}

impl<'s, S: Sink> Writer<'s, S> {
    /// Writes to `sink`.
    pub const fn new(sink: &'s mut S) -> Self {
        Self { sink }
    }

    /// An initial byte and its argument, in the shortest form.
    fn head(&mut self, major: u8, argument: u64) {
        let bytes = argument.to_be_bytes();
        let (info, skip) = match argument {
            0..=23 => {
                let [.., low] = bytes;
                return self.sink.write(&[major << 5 | low]);
            }
            24..=0xFF => (24, 7),
            0x100..=0xFFFF => (25, 6),
            0x1_0000..=0xFFFF_FFFF => (26, 4),
            _ => (27, 0),
        };
        self.sink.write(&[major << 5 | info]);
        self.sink.write(bytes.get(skip..).unwrap_or_default());
    }

    /// A whole number from 0 up.
    pub fn unsigned(&mut self, n: u64) {
        self.head(UNSIGNED, n);
    }

    /// A whole number.
    pub fn signed(&mut self, n: i64) {
        // -1 - n, as the complement gives it.
        let (major, magnitude) = if n < 0 { (NEGATIVE, !n) } else { (UNSIGNED, n) };
        self.head(major, magnitude.cast_unsigned());
    }

    /// A byte string.
    pub fn bytes(&mut self, bytes: &[u8]) {
        self.head(BYTES, bytes.len() as u64);
        self.sink.write(bytes);
    }

    /// The head of a byte string of `length` bytes, which the caller writes to the sink.
    pub fn bytes_head(&mut self, length: u64) {
        self.head(BYTES, length);
    }

    /// A text string.
    pub fn text(&mut self, text: &str) {
        self.head(TEXT, text.len() as u64);
        self.sink.write(text.as_bytes());
    }

    /// The head of an array of `count` items, which follow.
    pub fn array(&mut self, count: u64) {
        self.head(ARRAY, count);
    }

    /// The head of a map of `count` pairs, which follow.
    pub fn map(&mut self, count: u64) {
        self.head(MAP, count);
    }

    /// True or false.
    pub fn flag(&mut self, flag: bool) {
        self.head(SIMPLE, if flag { TRUE } else { FALSE });
    }

    /// Bytes as they are.
    pub fn raw(&mut self, bytes: &[u8]) {
        self.sink.write(bytes);
    }
}

/// Reads items one after the other.
///
/// Its steps are kept out of line: a configuration takes two dozen of them, and copies of each
/// would cost half as much flash again.
#[derive(Debug, Clone)]
pub struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    /// Reads `bytes` from their start.
    #[must_use]
    pub const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// The byte that comes next, counted from 0.
    #[must_use]
    pub const fn at(&self) -> usize {
        self.at
    }

    /// Checks that nothing follows.
    ///
    /// # Errors
    /// [`Fault::Trailing`].
    pub const fn end(&self) -> Result<(), DecodeError> {
        if self.at < self.bytes.len() { Err(Fault::Trailing.at(self.at)) } else { Ok(()) }
    }

    fn take(&mut self, count: usize) -> Result<&'a [u8], DecodeError> {
        let rest = self.bytes.get(self.at..).unwrap_or_default();
        let Some((taken, _)) = rest.split_at_checked(count) else {
            return Err(Fault::CutShort.at(self.bytes.len()));
        };
        self.at = self.at.saturating_add(count);
        Ok(taken)
    }

    /// Major type and argument of the next item.
    #[inline(never)]
    fn head(&mut self) -> Result<(u8, u64), DecodeError> {
        let at = self.at;
        let first = self.take(1)?.first().copied().unwrap_or_default();
        let (major, info) = (first >> 5, first & 31);
        let (width, least) = match info {
            0..=23 => return Ok((major, u64::from(info))),
            // One-byte simple values start at 32 (RFC 8949 section 3.3); none belongs here.
            24..=27 if major == SIMPLE => return Err(Fault::Type.at(at)),
            24 => (1, 24),
            25 => (2, 0x100),
            26 => (4, 0x1_0000),
            27 => (8, 0x1_0000_0000),
            31 => return Err(Fault::Indefinite.at(at)),
            _ => return Err(Fault::Malformed.at(at)),
        };
        let digits = self.take(width)?;
        let argument = digits.iter().fold(0, |n: u64, byte| n << 8 | u64::from(*byte));
        if argument < least {
            return Err(Fault::NotShortest.at(at));
        }
        Ok((major, argument))
    }

    fn expect(&mut self, wanted: u8) -> Result<u64, DecodeError> {
        let at = self.at;
        let (major, argument) = self.head()?;
        if major == wanted { Ok(argument) } else { Err(Fault::Type.at(at)) }
    }

    /// A whole number from 0 up.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else.
    #[inline(never)]
    pub fn unsigned(&mut self) -> Result<u64, DecodeError> {
        self.expect(UNSIGNED)
    }

    /// A whole number.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else, or out of the range of `i64`
    /// ([`Fault::Type`]).
    pub fn signed(&mut self) -> Result<i64, DecodeError> {
        let at = self.at;
        let (major, argument) = self.head()?;
        let magnitude = i64::try_from(argument).map_err(|_| Fault::Type.at(at))?;
        match major {
            UNSIGNED => Ok(magnitude),
            NEGATIVE => Ok(!magnitude),
            _ => Err(Fault::Type.at(at)),
        }
    }

    fn length(&mut self, major: u8) -> Result<usize, DecodeError> {
        // What does not fit an address is certainly not there.
        let length = self.expect(major)?;
        usize::try_from(length).map_err(|_| Fault::CutShort.at(self.bytes.len()))
    }

    /// A byte string, in place.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else.
    #[inline(never)]
    pub fn bytes(&mut self) -> Result<&'a [u8], DecodeError> {
        let length = self.length(BYTES)?;
        self.take(length)
    }

    /// A text string, in place.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else, or not UTF-8.
    pub fn text(&mut self) -> Result<&'a str, DecodeError> {
        let at = self.at;
        let length = self.length(TEXT)?;
        let bytes = self.take(length)?;
        core::str::from_utf8(bytes).map_err(|_| Fault::Malformed.at(at))
    }

    /// The number of items of an array, which follow.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else.
    pub fn array(&mut self) -> Result<u64, DecodeError> {
        self.expect(ARRAY)
    }

    /// The head of an array of exactly `count` items.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else.
    #[inline(never)]
    pub fn array_of(&mut self, count: u64) -> Result<(), DecodeError> {
        let at = self.at;
        if self.array()? == count { Ok(()) } else { Err(Fault::Type.at(at)) }
    }

    /// The number of pairs of a map, which follow. [`Fields`] reads maps with whole numbers for
    /// keys.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else.
    pub fn map(&mut self) -> Result<u64, DecodeError> {
        self.expect(MAP)
    }

    /// True or false.
    ///
    /// # Errors
    /// [`DecodeError`] if the next item is something else.
    pub fn flag(&mut self) -> Result<bool, DecodeError> {
        let at = self.at;
        match self.head()? {
            (SIMPLE, FALSE) => Ok(false),
            (SIMPLE, TRUE) => Ok(true),
            _ => Err(Fault::Type.at(at)),
        }
    }

    /// Walks over one item of any kind and checks that it is in deterministic form.
    ///
    /// # Errors
    /// [`DecodeError`] at the first byte that is not, or at a kind that is not read here.
    pub fn item(&mut self) -> Result<(), DecodeError> {
        self.item_within(MAX_DEPTH)
    }

    fn item_within(&mut self, depth: u8) -> Result<(), DecodeError> {
        let at = self.at;
        let (major, argument) = self.clone().head()?;
        let Some(deeper) = depth.checked_sub(1) else { return Err(Fault::Depth.at(at)) };
        match major {
            BYTES => self.bytes().map(drop),
            TEXT => self.text().map(drop),
            ARRAY => {
                self.head()?;
                // A count beyond the bytes ends with the bytes.
                (0..argument).try_for_each(|_| self.item_within(deeper))
            }
            MAP => {
                self.head()?;
                let mut last: Option<&[u8]> = None;
                for _ in 0..argument {
                    let at = self.at;
                    self.item_within(deeper)?;
                    let key = self.bytes.get(at..self.at).unwrap_or_default();
                    match last.map(|last| last.cmp(key)) {
                        Some(core::cmp::Ordering::Equal) => return Err(Fault::KeyTwice.at(at)),
                        Some(core::cmp::Ordering::Greater) => return Err(Fault::KeyOrder.at(at)),
                        Some(core::cmp::Ordering::Less) | None => last = Some(key),
                    }
                    self.item_within(deeper)?;
                }
                Ok(())
            }
            SIMPLE => self.flag().map(drop),
            UNSIGNED | NEGATIVE => self.head().map(drop),
            // Tags belong to no configuration.
            _ => Err(Fault::Type.at(at)),
        }
    }
}

/// Reads a map whose keys are whole numbers, key by key in ascending order.
///
/// Asking for the keys in order is all it takes to add one: a key that nobody asks for is unknown
/// and refused.
#[derive(Debug)]
pub struct Fields<'a> {
    reader: Reader<'a>,
    left: u64,
    /// The key last read, and where it stands.
    last: Option<(u64, usize)>,
    /// Whether the value of `last` has not been asked for yet.
    waiting: bool,
}

impl<'a> Fields<'a> {
    /// Opens the map that starts `bytes`.
    ///
    /// # Errors
    /// [`DecodeError`] if there is none.
    pub fn open(bytes: &'a [u8]) -> Result<Self, DecodeError> {
        let mut reader = Reader::new(bytes);
        let left = reader.map()?;
        Ok(Self { reader, left, last: None, waiting: false })
    }

    /// The value of `key`, if the map has it.
    ///
    /// # Errors
    /// [`DecodeError`] if a key before it has not been asked for, or keys do not ascend.
    pub fn optional(&mut self, key: u64) -> Result<Option<&mut Reader<'a>>, DecodeError> {
        if !self.waiting {
            let Some(left) = self.left.checked_sub(1) else { return Ok(None) };
            let at = self.reader.at();
            let next = self.reader.unsigned()?;
            // Whole numbers from 0 up ascend as their encodings do.
            match self.last {
                Some((last, _)) if last == next => return Err(Fault::KeyTwice.at(at)),
                Some((last, _)) if last > next => return Err(Fault::KeyOrder.at(at)),
                Some(_) | None => {}
            }
            self.left = left;
            self.last = Some((next, at));
            self.waiting = true;
        }
        match self.last {
            Some((next, at)) if next < key => Err(Fault::UnknownKey(next).at(at)),
            Some((next, _)) if next == key => {
                self.waiting = false;
                Ok(Some(&mut self.reader))
            }
            Some(_) | None => Ok(None),
        }
    }

    /// The value of `key`.
    ///
    /// # Errors
    /// As [`Fields::optional`], and if the map does not have it.
    #[inline(never)]
    pub fn needed(&mut self, key: u64) -> Result<&mut Reader<'a>, DecodeError> {
        let at = self.reader.at();
        self.optional(key)?.ok_or(Fault::MissingKey(key).at(at))
    }

    /// A whole number from 0 to `most`.
    ///
    /// # Errors
    /// As [`Fields::needed`], and if it is something else or larger.
    pub fn number<T: TryFrom<u64>>(&mut self, key: u64) -> Result<T, DecodeError> {
        let reader = self.needed(key)?;
        let at = reader.at();
        T::try_from(reader.unsigned()?).map_err(|_| Fault::Value(key).at(at))
    }

    /// Checks that neither a pair nor anything else follows.
    ///
    /// # Errors
    /// [`Fault::UnknownKey`] or [`Fault::Trailing`].
    pub fn end(mut self) -> Result<(), DecodeError> {
        self.optional(u64::MAX)?;
        match self.last {
            Some((key, at)) if self.waiting || key == u64::MAX => {
                Err(Fault::UnknownKey(key).at(at))
            }
            Some(_) | None => self.reader.end(),
        }
    }
}
