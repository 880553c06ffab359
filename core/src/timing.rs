//! The anatomy of a slot on the air: settle, guard, unique word, bits, guard
//! (specification section 4).

use crate::coding::interleave::HEADER_BITS;
use crate::units::{Micros, Slot, quotient};
use core::fmt;

/// Bits of a unique word.
pub const WORD_BITS: u32 = 32;
/// The most bytes that a slot can carry after its unique word.
pub const MAX_SLOT_BYTES: usize = 512;
const MAX_BITS: u32 = 4096;

/// How a slot is divided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Timing {
    slot_us: u32,
    settle_us: u32,
    guard_us: u32,
    link_bps: u32,
    bits: u32,
}

/// Why a slot cannot be divided like that.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum TimingError {
    /// A slot lasts 1 000 to 1 000 000 us.
    Slot(u32),
    /// Settling and two guards leave nothing of the slot.
    Nothing {
        /// Settling time and both guards.
        lost_us: u32,
        /// The slot.
        slot_us: u32,
    },
    /// The guard must not be zero: clocks are never equal.
    Guard,
    /// The unique word and a header do not fit.
    HeaderTooLong {
        /// Bits that fit, unique word included.
        room: u32,
        /// Bits needed.
        needed: u32,
    },
    /// More than 4096 bits: this core buffers no more.
    TooManyBits(u32),
}

impl fmt::Display for TimingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Slot(us) => write!(f, "a slot lasts 1000 to 1000000 us, not {us}"),
            Self::Nothing { lost_us, slot_us } => {
                write!(f, "settling and two guards take {lost_us} us of a slot of {slot_us} us")
            }
            Self::Guard => f.write_str("the guard time must not be zero"),
            Self::HeaderTooLong { room, needed } => write!(
                f,
                "a slot has room for {room} bits; a unique word and a header need {needed}"
            ),
            Self::TooManyBits(bits) => {
                write!(f, "a slot of {bits} bits is longer than the largest, 4096")
            }
        }
    }
}

impl core::error::Error for TimingError {}

impl Timing {
    /// Divides a slot.
    ///
    /// # Errors
    /// [`TimingError`] if a span is out of range, or the header does not fit.
    pub const fn new(
        slot_us: u32,
        settle_us: u32,
        guard_us: u32,
        link_bps: u32,
    ) -> Result<Self, TimingError> {
        if slot_us < 1_000 || slot_us > 1_000_000 {
            return Err(TimingError::Slot(slot_us));
        }
        if guard_us == 0 {
            return Err(TimingError::Guard);
        }
        let lost_us = settle_us.saturating_add(guard_us.saturating_mul(2));
        if lost_us >= slot_us {
            return Err(TimingError::Nothing { lost_us, slot_us });
        }
        let on_air_us = slot_us.wrapping_sub(lost_us) as u64;
        // At most 10^6 us at 2^32 bit/s: below 2^32 after the division.
        #[expect(clippy::cast_possible_truncation, reason = "at most 2^32 - 1")]
        let room = quotient(on_air_us.wrapping_mul(link_bps as u64), 1_000_000).0 as u32;
        let needed = WORD_BITS.wrapping_add(HEADER_BITS);
        if room < needed {
            return Err(TimingError::HeaderTooLong { room, needed });
        }
        let bits = room.wrapping_sub(WORD_BITS);
        if bits > MAX_BITS {
            return Err(TimingError::TooManyBits(bits));
        }
        Ok(Self { slot_us, settle_us, guard_us, link_bps, bits })
    }

    /// The length of a slot.
    #[must_use]
    pub const fn slot(&self) -> Micros {
        Micros::new(self.slot_us as u64)
    }

    /// The time that a synthesiser has to reach a channel, and behind it ramp and preamble of a transmitter.
    #[must_use]
    pub const fn settle(&self) -> Micros {
        Micros::new(self.settle_us as u64)
    }

    /// The time by which clocks may differ before a slot is missed.
    #[must_use]
    pub const fn guard(&self) -> Micros {
        Micros::new(self.guard_us as u64)
    }

    /// The bit rate on the air, bit/s.
    #[must_use]
    pub const fn link_bps(&self) -> u32 {
        self.link_bps
    }

    /// The bits that a slot carries after its unique word, 264 to 4096.
    ///
    /// ```
    /// # use hopwright_core::timing::Timing;
    /// // 20 ms less 1 ms and twice 0.5 ms, at 50 kbit/s: 900 bits, 32 of them the unique word.
    /// assert_eq!(Timing::new(20_000, 1_000, 500, 50_000).unwrap().bits(), 868);
    /// ```
    #[must_use]
    pub const fn bits(&self) -> u32 {
        self.bits
    }

    /// The whole bytes that a slot carries after its unique word.
    #[must_use]
    pub const fn bytes(&self) -> usize {
        (self.bits / 8) as usize
    }

    /// The bytes of payload that a traffic slot carries: two tell its length.
    #[must_use]
    pub const fn payload_bytes(&self) -> usize {
        self.bytes().saturating_sub(2)
    }

    /// From the start of a slot to the start of its unique word.
    #[must_use]
    pub const fn word_offset(&self) -> Micros {
        self.settle().plus(self.guard())
    }

    /// How long `bits` bits last on the air, rounded up.
    #[must_use]
    pub const fn air_time(&self, bits: u32) -> Micros {
        let scaled = (bits as u64).wrapping_mul(1_000_000);
        let (whole, over) = quotient(scaled, self.link_bps);
        Micros::new(whole.wrapping_add((over != 0) as u64))
    }

    /// The net time at which a slot starts, in microseconds since slot 0 began.
    #[must_use]
    pub const fn start_of(&self, slot: Slot) -> i64 {
        (slot.number() as i64).wrapping_mul(self.slot_us as i64)
    }

    /// How long so many slots last.
    pub(crate) const fn span_of(&self, slots: u32) -> Micros {
        Micros::new((self.slot_us as u64).wrapping_mul(slots as u64))
    }

    /// How many whole slots a span lasts, and the microseconds left over.
    pub(crate) const fn slots_in(&self, span: Micros) -> (u64, u32) {
        quotient(span.us(), self.slot_us)
    }

    /// The slot under way at a net time; `None` before slot 0 and after the last.
    #[must_use]
    #[inline(never)]
    pub const fn slot_at(&self, net_us: i64) -> Option<Slot> {
        if net_us < 0 {
            return None;
        }
        let (h, _) = quotient(net_us.unsigned_abs(), self.slot_us);
        #[expect(clippy::cast_possible_truncation, reason = "in range")]
        let slot = if h <= u32::MAX as u64 { Some(Slot::new(h as u32)) } else { None };
        slot
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slots_that_cannot_work_are_refused() {
        assert_eq!(Timing::new(999, 1, 1, 50_000), Err(TimingError::Slot(999)));
        assert_eq!(Timing::new(20_000, 1_000, 0, 50_000), Err(TimingError::Guard));
        assert_eq!(
            Timing::new(2_000, 1_000, 500, 50_000),
            Err(TimingError::Nothing { lost_us: 2_000, slot_us: 2_000 })
        );
        assert_eq!(
            Timing::new(7_900, 1_000, 500, 50_000),
            Err(TimingError::HeaderTooLong { room: 295, needed: 296 })
        );
        assert!(Timing::new(7_920, 1_000, 500, 50_000).is_ok());
        assert_eq!(
            Timing::new(1_000_000, 1_000, 500, 50_000),
            Err(TimingError::TooManyBits(49_868))
        );
    }

    #[test]
    fn slots_begin_where_the_last_one_ends() {
        let timing = Timing::new(20_000, 1_000, 500, 50_000).unwrap();
        assert_eq!(timing.slot_at(-1), None);
        assert_eq!(timing.slot_at(19_999), Some(Slot::ZERO));
        assert_eq!(timing.slot_at(20_000), Some(Slot::new(1)));
        let end = timing.start_of(Slot::MAX);
        assert_eq!(timing.slot_at(end), Some(Slot::MAX));
        assert_eq!(timing.slot_at(end + 20_000), None);
    }
}
