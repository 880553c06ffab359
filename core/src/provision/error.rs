//! Why bytes are no configuration.

use crate::band::HopsetError;
use crate::timing::TimingError;
use core::fmt;

/// Why bytes were refused, and where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DecodeError {
    /// The byte at which it was noticed, counted from 0.
    pub at: usize,
    /// What is wrong there.
    pub fault: Fault,
}

/// What is wrong with the bytes. None of these tells a key, or any part of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Fault {
    /// A version that this core does not know: a later one made it.
    Version(u64),
    /// The bytes end before the item does.
    CutShort,
    /// Bytes follow after the end.
    Trailing,
    /// More bytes than the largest.
    TooLong {
        /// The bytes there are.
        bytes: usize,
        /// The bytes there may be.
        limit: usize,
    },
    /// The check value does not fit: some bytes are not those that were written.
    Damaged,
    /// A number or length in more bytes than it needs (RFC 8949 section 4.2.1).
    NotShortest,
    /// An item of indefinite length (RFC 8949 section 4.2.1).
    Indefinite,
    /// An item that cannot be: a reserved length, text that is not UTF-8.
    Malformed,
    /// An item of another type than belongs here.
    Type,
    /// Items within items beyond the depth that is read.
    Depth,
    /// A map key that should have come earlier.
    KeyOrder,
    /// A map key that has been there already.
    KeyTwice,
    /// A map key that this version does not have.
    UnknownKey(u64),
    /// A map key that is missing.
    MissingKey(u64),
    /// The value of this map key is out of range.
    Value(u64),
    /// The slots cannot be divided like that.
    Timing(TimingError),
    /// The channels make no hopset, or one that this station has no room for.
    Hopset(HopsetError),
}

impl Fault {
    /// The fault, noticed at a byte.
    pub(crate) const fn at(self, at: usize) -> DecodeError {
        DecodeError { at, fault: self }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Version(n) => write!(f, "version {n} is none that this reader knows"),
            Self::CutShort => f.write_str("the end is missing"),
            Self::Trailing => f.write_str("something follows after the end"),
            Self::TooLong { bytes, limit } => {
                write!(f, "{bytes} bytes are too many; {limit} are allowed")
            }
            Self::Damaged => f.write_str("damaged: the check value does not fit"),
            Self::NotShortest => f.write_str("a number is not in its shortest form"),
            Self::Indefinite => f.write_str("an item has no definite length"),
            Self::Malformed => f.write_str("an item is malformed"),
            Self::Type => f.write_str("an item is of the wrong type"),
            Self::Depth => f.write_str("items are nested too deep"),
            Self::KeyOrder => f.write_str("a map key is out of order"),
            Self::KeyTwice => f.write_str("a map key stands twice"),
            Self::UnknownKey(key) => write!(f, "this version has no map key {key}"),
            Self::MissingKey(key) => write!(f, "map key {key} is missing"),
            Self::Value(key) => write!(f, "the value of map key {key} is out of range"),
            Self::Timing(error) => error.fmt(f),
            Self::Hopset(error) => error.fmt(f),
        }
    }
}

impl fmt::Display for DecodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} (byte {})", self.fault, self.at)
    }
}

impl core::error::Error for DecodeError {}
