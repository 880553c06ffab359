//! One common kind of packet transceiver below 1 GHz, described by numbers.
//!
//! Such a part has byte-wide registers behind a serial bus, a fractional synthesiser, a packet engine
//! that sends preamble, unique word and bits from a first-in-first-out memory, and flags that tell
//! how far it is. Makers' data sheets differ in widths, addresses and bits, not in the arithmetic
//! (common practice, no source):
//!
//! ```text
//!  frequency word = round(f * 2^n / f_crystal)        step f_crystal / 2^n
//!  divider        = round(f_crystal / bit rate)
//! ```
//!
//! The frequency is off by half a step at most; a divider's bit rate by half a divider.

use crate::timing::WORD_BITS;
use crate::units::{Hertz, Micros, quotient};
use core::fmt;
use heapless::Vec;

/// The most bytes of a field.
const FIELD: usize = 4;

/// A part, as its data sheet describes it.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Part {
    /// The reference oscillator, Hz.
    pub crystal_hz: u32,
    /// The synthesiser's resolution: `n` of `f_crystal / 2^n`, 0 to 24.
    pub resolution_bits: u8,
    /// What is set in a register's address to write it.
    pub write: u8,
    /// What is set in a register's address to read it.
    pub read: u8,
    /// Where things are.
    pub registers: Registers,
    /// What is written to the mode register.
    pub modes: Modes,
    /// Flags.
    pub status: Status,
    /// Bytes of the first-in-first-out memory.
    pub memory_bytes: u16,
    /// The flag [`Status::above`] tells that there are more bytes in it than this.
    pub threshold: u16,
    /// Preamble bits before a unique word.
    pub preamble_bits: u16,
    /// From the order to transmit to the first bit of the preamble.
    pub ramp: Micros,
    /// What bus and code take until the part has that order, from the end of the wait before it. A start that takes
    /// longer by more than half of the plan's jitter is switched off: its word would come late.
    pub order: Micros,
    /// From the end of a unique word to the signal that it was recognised.
    pub recognition: Micros,
    /// The level register reads `n` for `offset - n / 2` dBm.
    pub level_offset_dbm: i16,
}

/// Where things are. What takes several registers has its most significant byte first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Registers {
    /// The mode.
    pub mode: u8,
    /// The frequency word: first address, and 1 to 4 bytes.
    pub frequency: (u8, u8),
    /// The bit-rate divider: first address, and 1 to 4 bytes.
    pub divider: (u8, u8),
    /// The four bytes of the unique word.
    pub word: u8,
    /// The four bytes of a second unique word, if the part matches two.
    pub second_word: Option<u8>,
    /// The bytes behind a unique word: first address, and 1 or 2 bytes.
    pub length: (u8, u8),
    /// The first-in-first-out memory.
    pub memory: u8,
    /// The received power.
    pub level: u8,
}

/// What is written to the mode register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Modes {
    /// Nothing but the crystal runs; the memory is emptied.
    pub standby: u8,
    /// The synthesiser runs.
    pub synthesiser: u8,
    /// Receives.
    pub receive: u8,
    /// Transmits.
    pub transmit: u8,
}

/// Flags: the register and the bits of it that are set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status {
    /// The synthesiser has settled.
    pub settled: (u8, u8),
    /// The mode that was last written is in force.
    pub ready: (u8, u8),
    /// All bytes of a reception are in the memory, or have been read from it.
    pub whole: (u8, u8),
    /// All bits have been sent.
    pub sent: (u8, u8),
    /// There are more bytes in the memory than the threshold.
    pub above: (u8, u8),
    /// It was the second unique word that was recognised.
    pub second: (u8, u8),
}

/// Why a part does not fit a plan, or the description contradicts itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PartError {
    /// The frequency word does not hold this frequency.
    Frequency(Hertz),
    /// The divider does not give this bit rate, bit/s: it would be 0, too large, or make of a whole
    /// slot more or fewer bits.
    BitRate(u32),
    /// A field has 1 to 4 bytes, a length 1 or 2.
    Field(u8),
    /// The synthesiser's resolution has at most 24 bits.
    Resolution(u8),
    /// The threshold leaves no room in the memory.
    Threshold {
        /// Bytes of the threshold.
        threshold: u16,
        /// Bytes of the memory.
        memory: u16,
    },
    /// The length field does not hold the bytes of a slot.
    Length(usize),
}

impl fmt::Display for PartError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Frequency(frequency) => write!(f, "the synthesiser does not reach {frequency}"),
            Self::BitRate(bps) => write!(f, "the divider does not give {bps} bit/s"),
            Self::Field(bytes) => write!(f, "a field of {bytes} bytes is none"),
            Self::Resolution(bits) => write!(f, "a resolution of {bits} bits is beyond 24"),
            Self::Threshold { threshold, memory } => {
                write!(f, "a threshold of {threshold} leaves no room in {memory} bytes")
            }
            Self::Length(bytes) => write!(f, "the length field does not hold {bytes} bytes"),
        }
    }
}

impl core::error::Error for PartError {}

impl Part {
    /// The frequency word of a frequency. At most 32 steps.
    ///
    /// # Errors
    /// [`PartError::Frequency`] if it does not fit its field.
    pub fn frequency_word(&self, frequency: Hertz) -> Result<u32, PartError> {
        let refused = PartError::Frequency(frequency);
        let scale = 1_u64.checked_shl(self.resolution_bits.into()).ok_or(refused)?;
        let scaled = frequency.hz().checked_mul(scale).ok_or(refused)?;
        let rounded = scaled.checked_add(u64::from(self.crystal_hz / 2)).ok_or(refused)?;
        let word = u32::try_from(quotient(rounded, self.crystal_hz).0).map_err(|_| refused)?;
        if fits(word, self.registers.frequency.1) { Ok(word) } else { Err(refused) }
    }

    /// The divider of a bit rate in bit/s.
    ///
    /// # Errors
    /// [`PartError::BitRate`] if it does not fit its field, or the bits of `slot_bits` would be
    /// late or early by half a bit at their end.
    pub fn divider(&self, bps: u32, slot_bits: u32) -> Result<u32, PartError> {
        let refused = PartError::BitRate(bps);
        let rounded = self.crystal_hz.saturating_add(bps / 2);
        let divider = rounded.checked_div(bps).ok_or(refused)?;
        // |slot_bits * (divider * bps - crystal) / crystal| < 1/2.
        let given = u64::from(divider).saturating_mul(bps.into());
        let off = given.abs_diff(self.crystal_hz.into()).saturating_mul(slot_bits.into());
        let exact = off.saturating_mul(2) < u64::from(self.crystal_hz);
        if divider > 0 && exact && fits(divider, self.registers.divider.1) {
            Ok(divider)
        } else {
            Err(refused)
        }
    }

    /// Whether the description makes sense in itself.
    ///
    /// # Errors
    /// [`PartError`] for the first thing that does not.
    pub(super) fn check(&self, slot_bytes: usize) -> Result<(), PartError> {
        if self.resolution_bits > 24 {
            return Err(PartError::Resolution(self.resolution_bits));
        }
        let fields = [self.registers.frequency, self.registers.divider];
        if let Some((_, bytes)) = fields.into_iter().find(|(_, n)| !(1..=4).contains(n)) {
            return Err(PartError::Field(bytes));
        }
        let (_, bytes) = self.registers.length;
        if !(1..=2).contains(&bytes) {
            return Err(PartError::Field(bytes));
        }
        let (threshold, memory) = (self.threshold, self.memory_bytes);
        if threshold == 0 || threshold.saturating_add(1) >= memory {
            return Err(PartError::Threshold { threshold, memory });
        }
        let held = u32::try_from(slot_bytes).is_ok_and(|n| fits(n, bytes));
        if held { Ok(()) } else { Err(PartError::Length(slot_bytes)) }
    }

    /// From the end of the wait before a transmission to the first bit of its unique word.
    pub(super) fn lead(&self, bps: u32) -> Micros {
        self.order.plus(self.ramp).plus(air_time(self.preamble_bits.into(), bps))
    }

    /// From the first bit of a unique word to the signal that it was recognised.
    pub(super) fn word_to_signal(&self, bps: u32) -> Micros {
        air_time(WORD_BITS, bps).plus(self.recognition)
    }
}

/// How long bits last, rounded to the nearest microsecond.
fn air_time(bits: u32, bps: u32) -> Micros {
    let scaled = u64::from(bits).saturating_mul(1_000_000).saturating_add(u64::from(bps / 2));
    Micros::new(quotient(scaled, bps).0)
}

/// Whether a number fits so many bytes.
#[inline(never)]
const fn fits(number: u32, bytes: u8) -> bool {
    match 1_u64.checked_shl((bytes as u32).saturating_mul(8)) {
        Some(limit) => (number as u64) < limit,
        None => false,
    }
}

/// The bytes of a field, most significant first.
#[inline(never)]
pub(super) fn field(number: u32, bytes: u8) -> Vec<u8, FIELD> {
    let all = number.to_be_bytes();
    let skip = FIELD.saturating_sub(bytes.into());
    let mut out = Vec::new();
    crate::append::append(&mut out, all.into_iter().skip(skip));
    out
}
