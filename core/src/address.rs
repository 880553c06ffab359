//! Who is called: addresses, prefixes, and the four kinds of call target.

use core::fmt;

/// A station's address, 0 to 255, written as two hexadecimal digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Address(u8);

impl Address {
    /// Address `a`.
    #[must_use]
    pub const fn new(a: u8) -> Self {
        Self(a)
    }

    /// The address as a number.
    #[must_use]
    pub const fn number(self) -> u8 {
        self.0
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X}", self.0)
    }
}

/// Whom a call is for.
///
/// ```
/// # use hopwright_core::address::{Address, Target};
/// let boats = Target::prefix(Address::new(0x40), 4).unwrap();
/// assert!(boats.covers(Address::new(0x4B)) && !boats.covers(Address::new(0x51)));
/// assert!(Target::prefix(Address::new(0x41), 4).is_none(), "bits beyond the prefix");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Target {
    address: Address,
    form: u8,
}

/// A bit for each form that exists: prefixes of 0 to 8 bits, and "everyone but".
const VALID_FORMS: u16 = 0x81FF;
/// The form nibble of "everyone but".
const ALL_BUT: u8 = 15;

impl Target {
    /// Everyone.
    pub const ALL: Self = Self { address: Address(0), form: 0 };

    /// One station.
    #[must_use]
    pub const fn one(address: Address) -> Self {
        Self { address, form: 8 }
    }

    /// The stations whose addresses begin with the `length` leading bits of `address`, written
    /// `40/4` (the notation of RFC 4632). `None` if the length exceeds 8 or further bits are set.
    #[must_use]
    pub const fn prefix(address: Address, length: u8) -> Option<Self> {
        if length <= 8 && address.0 & !mask(length) == 0 {
            Some(Self { address, form: length })
        } else {
            None
        }
    }

    /// Everyone but one station.
    #[must_use]
    pub const fn all_but(address: Address) -> Self {
        Self { address, form: ALL_BUT }
    }

    /// The address of the target: of the one who is called or left out, or the prefix's first.
    #[must_use]
    pub const fn address(&self) -> Address {
        self.address
    }

    /// The length of the prefix, 0 to 8; `None` for everyone but one.
    #[must_use]
    pub const fn prefix_length(&self) -> Option<u8> {
        if self.form == ALL_BUT { None } else { Some(self.form) }
    }

    /// Whether a station is called.
    #[must_use]
    #[inline(never)]
    pub const fn covers(&self, station: Address) -> bool {
        if self.form == ALL_BUT {
            self.address.0 != station.0
        } else {
            (self.address.0 ^ station.0) & mask(self.form) == 0
        }
    }

    /// Address byte and form nibble, as a header carries them.
    pub(crate) const fn to_wire(self) -> (u8, u8) {
        (self.address.0, self.form)
    }

    /// The target of an address byte and a form; `None` if there is no such form. Here the form
    /// may come in a byte of its own: what has more than a nibble is none.
    pub(crate) const fn from_wire(address: u8, form: u8) -> Option<Self> {
        let (target, valid) = Self::read(address, form);
        if valid && form <= ALL_BUT { Some(target) } else { None }
    }

    /// The target of a header, and whether it is one. No branch depends on the bytes, which may
    /// be those of a forgery.
    pub(crate) const fn read(address: u8, form: u8) -> (Self, bool) {
        let exists = (VALID_FORMS >> (form & 15)) & 1 == 1;
        let fits = address & !mask(form) == 0;
        (Self { address: Address(address), form }, exists & fits)
    }
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.form {
            0 => f.write_str("all"),
            8 => self.address.fmt(f),
            ALL_BUT => write!(f, "all but {}", self.address),
            length => write!(f, "{}/{length}", self.address),
        }
    }
}

/// The `length` leading bits of a byte; all of them from 8 on, up to 15.
#[expect(clippy::cast_possible_truncation, reason = "at most 255")]
const fn mask(length: u8) -> u8 {
    !((0xFF_u16 >> (length & 15)) as u8)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::string::ToString;

    #[test]
    fn targets_read_as_they_are_written() {
        let boat = Address::new(0x4B);
        assert_eq!(Target::ALL.to_string(), "all");
        assert_eq!(Target::one(boat).to_string(), "4B");
        assert_eq!(Target::prefix(Address::new(0x40), 4).unwrap().to_string(), "40/4");
        assert_eq!(Target::all_but(boat).to_string(), "all but 4B");
    }

    proptest! {
        #[test]
        fn a_prefix_covers_two_to_the_rest(address: u8, length in 0_u8..=8) {
            let address = if length == 0 { 0 } else { address & (0xFF_u8 << (8 - length)) };
            let target = Target::prefix(Address::new(address), length).unwrap();
            let covered = (0..=255).filter(|a| target.covers(Address::new(*a))).count();
            prop_assert_eq!(covered, 1 << (8 - length));
            let (byte, form) = target.to_wire();
            prop_assert_eq!(Target::from_wire(byte, form), Some(target));
        }

        #[test]
        fn everyone_but_one_is_255_stations(address: u8) {
            let target = Target::all_but(Address::new(address));
            prop_assert_eq!((0..=255).filter(|a| target.covers(Address::new(*a))).count(), 255);
        }

        #[test]
        fn nine_to_fourteen_are_no_forms(address: u8, form in 9_u8..15, more in 16_u8..) {
            prop_assert_eq!(Target::from_wire(address, form), None);
            prop_assert_eq!(Target::from_wire(address, more), None);
        }
    }
}
