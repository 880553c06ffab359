//! Quantities that could be mistaken for one another, each with a type of its own.
//!
//! No operator of this module can panic: sums saturate, differences are `Option`s or signed.

use core::fmt;

/// A frequency in hertz, 0 to 2^64 - 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Hertz(u64);

impl Hertz {
    /// A frequency of `hz` hertz.
    #[must_use]
    pub const fn new(hz: u64) -> Self {
        Self(hz)
    }

    /// The frequency in hertz.
    #[must_use]
    pub const fn hz(self) -> u64 {
        self.0
    }
}

impl fmt::Display for Hertz {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} Hz", self.0)
    }
}

/// A span of time in microseconds, 0 to 2^64 - 1 (half a million years).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Micros(u64);

impl Micros {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// A span of `us` microseconds.
    #[must_use]
    pub const fn new(us: u64) -> Self {
        Self(us)
    }

    /// A span of `ms` milliseconds.
    ///
    /// ```
    /// # use hopwright_core::units::Micros;
    /// assert_eq!(Micros::from_millis(20), Micros::new(20_000));
    /// ```
    #[must_use]
    pub const fn from_millis(ms: u64) -> Self {
        Self(ms.saturating_mul(1_000))
    }

    /// The span in microseconds.
    #[must_use]
    pub const fn us(self) -> u64 {
        self.0
    }

    /// The sum, at most the largest span.
    #[must_use]
    #[inline(never)]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// `n` times the span, at most the largest span.
    #[must_use]
    pub const fn times(self, n: u64) -> Self {
        Self(self.0.saturating_mul(n))
    }
}

impl fmt::Display for Micros {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} us", self.0)
    }
}

/// An instant of the station's own clock: microseconds since an epoch that the caller chooses
/// (power-up, as a rule), below 2^63 for a station. The clock may be off by the plan's tolerance; it must
/// not run backwards, stop or be set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tick(u64);

impl Tick {
    /// The epoch.
    pub const ZERO: Self = Self(0);
    /// The end of the clock's range, never reached in practice.
    pub const MAX: Self = Self(u64::MAX);

    /// The instant `us` microseconds after the epoch.
    #[must_use]
    pub const fn new(us: u64) -> Self {
        Self(us)
    }

    /// Microseconds since the epoch.
    #[must_use]
    pub const fn us(self) -> u64 {
        self.0
    }

    /// The instant `span` later, at most the end of the clock's range.
    ///
    /// ```
    /// # use hopwright_core::units::{Micros, Tick};
    /// assert_eq!(Tick::new(7).plus(Micros::new(5)), Tick::new(12));
    /// assert_eq!(Tick::MAX.plus(Micros::new(5)), Tick::MAX);
    /// ```
    #[must_use]
    #[inline(never)]
    pub const fn plus(self, span: Micros) -> Self {
        Self(self.0.saturating_add(span.0))
    }

    /// The instant `span` earlier, at least the epoch.
    #[must_use]
    pub const fn minus(self, span: Micros) -> Self {
        Self(self.0.saturating_sub(span.0))
    }

    /// The span from `earlier` to this instant; `None` if `earlier` is later.
    ///
    /// ```
    /// # use hopwright_core::units::{Micros, Tick};
    /// assert_eq!(Tick::new(12).since(Tick::new(7)), Some(Micros::new(5)));
    /// assert_eq!(Tick::new(7).since(Tick::new(12)), None);
    /// ```
    #[must_use]
    pub const fn since(self, earlier: Self) -> Option<Micros> {
        match self.0.checked_sub(earlier.0) {
            Some(us) => Some(Micros(us)),
            None => None,
        }
    }
}

/// The number of a slot of a net's timeline, 0 to 2^32 - 1 (2.7 years at 20 ms a slot).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Slot(u32);

impl Slot {
    /// The first slot of a timeline.
    pub const ZERO: Self = Self(0);
    /// The last slot; a net must have a new plan before it gets here.
    pub const MAX: Self = Self(u32::MAX);

    /// Slot number `h`.
    #[must_use]
    pub const fn new(h: u32) -> Self {
        Self(h)
    }

    /// The slot's number.
    #[must_use]
    pub const fn number(self) -> u32 {
        self.0
    }

    /// The slot `n` later, at most the last slot.
    #[must_use]
    pub const fn plus(self, n: u32) -> Self {
        Self(self.0.saturating_add(n))
    }

    /// How many slots this one is after `earlier`; negative if it is before it.
    ///
    /// ```
    /// # use hopwright_core::units::Slot;
    /// assert_eq!(Slot::new(7).after(Slot::new(9)), -2);
    /// ```
    #[must_use]
    pub const fn after(self, earlier: Self) -> i64 {
        (self.0 as i64).wrapping_sub(earlier.0 as i64)
    }
}

impl fmt::Display for Slot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// The largest number of channels of a raster.
pub const MAX_CHANNELS: u16 = 4096;

/// The number of a channel of the raster, 0 to 4095.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Channel(u16);

impl Channel {
    /// Channel number `c`; `None` at 4096 and above.
    #[must_use]
    pub const fn new(c: u16) -> Option<Self> {
        if c < MAX_CHANNELS { Some(Self(c)) } else { None }
    }

    /// The channel's number.
    #[must_use]
    pub const fn number(self) -> u16 {
        self.0
    }

    /// The channel's number, for looking things up.
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// The largest number of lanes of a raster.
pub const MAX_LANES: u8 = 32;

/// One of the nets that share a raster without sharing a channel, 0 to 31.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Lane(u8);

impl Lane {
    /// The only lane of a plan without lanes.
    pub const ZERO: Self = Self(0);

    /// Lane number `l`; `None` at 32 and above.
    #[must_use]
    pub const fn new(l: u8) -> Option<Self> {
        if l < MAX_LANES { Some(Self(l)) } else { None }
    }

    /// The lane's number.
    #[must_use]
    pub const fn number(self) -> u8 {
        self.0
    }
}

impl fmt::Display for Lane {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// Clock tolerance in parts per thousand million (1 ppm = 1000 ppb), 0 to 500 000.
///
/// ```
/// # use hopwright_core::units::{Micros, Ppb};
/// // 1 ppm for four hours is 14.4 ms (elementary).
/// let four_hours = Micros::new(4 * 3_600 * 1_000_000);
/// assert_eq!(Ppb::new(1_000).unwrap().of(four_hours), Micros::new(14_400));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ppb(u32);

impl Ppb {
    /// The largest tolerance that a plan may ask for: 500 ppm.
    pub const MAX: Self = Self(500_000);

    /// A tolerance of `ppb` parts per thousand million; `None` above 500 000.
    #[must_use]
    pub const fn new(ppb: u32) -> Option<Self> {
        if ppb <= Self::MAX.0 { Some(Self(ppb)) } else { None }
    }

    /// A growth rate computed from tolerances; it may exceed what a plan may ask for.
    #[must_use]
    pub(crate) const fn beyond(ppb: u32) -> Self {
        Self(ppb)
    }

    /// The tolerance in parts per thousand million.
    #[must_use]
    pub const fn ppb(self) -> u32 {
        self.0
    }

    /// The largest error that such a clock gathers over `span`, rounded up.
    #[must_use]
    pub const fn of(self, span: Micros) -> Micros {
        // Split so that no product exceeds 64 bits: span = q * 10^9 + r.
        let (q, r) = quotient(span.0, 1_000_000_000);
        let whole = q.saturating_mul(self.0 as u64);
        let (rest, over) = quotient((r as u64).wrapping_mul(self.0 as u64), 1_000_000_000);
        Micros(whole.saturating_add(rest).saturating_add((over != 0) as u64))
    }
}

/// A received power in whole dBm, -32 768 to 32 767.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Dbm(i16);

impl Dbm {
    /// A power of `dbm` dBm.
    #[must_use]
    pub const fn new(dbm: i16) -> Self {
        Self(dbm)
    }

    /// The power in dBm.
    #[must_use]
    pub const fn dbm(self) -> i16 {
        self.0
    }
}

/// `n / d` and `n mod d`, rounded down; zeros for `d = 0`.
///
/// A processor of 32 bits has no such instruction, and what the compiler brings along for all
/// widths takes a kilobyte; every divisor of this crate fits 32 bits.
pub(crate) const fn quotient(n: u64, d: u32) -> (u64, u32) {
    if cfg!(target_pointer_width = "64") {
        #[expect(clippy::cast_possible_truncation, reason = "less than d")]
        match (n.checked_div(d as u64), n.checked_rem(d as u64)) {
            (Some(q), Some(r)) => (q, r as u32),
            _ => (0, 0),
        }
    } else {
        by_halves(n, d)
    }
}

/// [`quotient`] on a processor of 32 bits, by its own division: the upper word, then the lower one in two
/// halves (D. E. Knuth, The Art of Computer Programming 2, 4.3.1, algorithm D).
#[inline(never)]
#[expect(clippy::cast_possible_truncation, reason = "halves of a 64-bit word")]
const fn by_halves(n: u64, d: u32) -> (u64, u32) {
    let (high, low) = ((n >> 32) as u32, n as u32);
    let (Some(upper), Some(rest)) = (high.checked_div(d), high.checked_rem(d)) else {
        return (0, 0);
    };
    if rest == 0 {
        // As a rule: spans below 71 minutes have no upper word.
        let (Some(q), Some(r)) = (low.checked_div(d), low.checked_rem(d)) else { return (0, 0) };
        return ((upper as u64) << 32 | q as u64, r);
    }
    // With its highest bit set, the divisor's upper half gives a half of the quotient to within two.
    let shift = d.leading_zeros();
    let d = d << shift;
    let pair = ((rest as u64) << 32 | low as u64) << shift;
    let (rest, low) = ((pair >> 32) as u32, pair as u32);
    let (first, rest) = half(rest, low >> 16, d);
    let (second, rest) = half(rest, low & 0xFFFF, d);
    ((upper as u64) << 32 | (first << 16 | second) as u64, rest >> shift)
}

/// `(rest 2^16 + next) / d` and what is left, for `rest < d`, `next < 2^16` and `d` of 32 bits.
const fn half(rest: u32, next: u32, d: u32) -> (u32, u32) {
    let (upper, lower) = (d >> 16, d & 0xFFFF);
    let (Some(mut q), Some(left)) = (rest.checked_div(upper), rest.checked_rem(upper)) else {
        return (0, 0);
    };
    let mut left = left as u64;
    // Twice at most.
    while (q as u64).wrapping_mul(lower as u64) > (left << 16 | next as u64) {
        q = q.wrapping_sub(1);
        left = left.wrapping_add(upper as u64);
    }
    // Less than `d`, so that the lower word is all of it.
    let rest = (rest << 16 | next).wrapping_sub(q.wrapping_mul(d));
    (q, rest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ranges_end_where_they_say() {
        assert!(Channel::new(4095).is_some() && Channel::new(4096).is_none());
        assert!(Lane::new(31).is_some() && Lane::new(32).is_none());
        assert!(Ppb::new(500_000).is_some() && Ppb::new(500_001).is_none());
        assert_eq!(Slot::MAX.plus(1), Slot::MAX);
    }

    proptest! {
        #[test]
        fn division_by_halves_is_division(n: u64, shift in 0_u32..64, d: u32, less in 0_u32..32) {
            let (n, d) = (n >> shift, (d >> less).max(1));
            let expected = (n / u64::from(d), u32::try_from(n % u64::from(d)).unwrap());
            prop_assert_eq!(by_halves(n, d), expected);
            prop_assert_eq!(quotient(n, d), expected);
            prop_assert_eq!((by_halves(n, 0), quotient(n, 0)), ((0, 0), (0, 0)));
        }

        #[test]
        fn drift_is_never_rounded_down(ppb in 0u32..=500_000, us: u64) {
            let exact = (u128::from(us) * u128::from(ppb)).div_ceil(1_000_000_000);
            let exact = u64::try_from(exact).unwrap_or(u64::MAX);
            prop_assert_eq!(Ppb::new(ppb).unwrap().of(Micros::new(us)).us(), exact);
        }
    }
}
