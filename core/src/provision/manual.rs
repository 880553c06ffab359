//! Entry by hand, in need: what a station lacks that holds the plan's public part, as groups of
//! five characters to read out and type.
//!
//! 17 groups carry 68 symbols of 5 bits: version, role, lane, a spare, and then as bits address,
//! first four bytes of the plan's digest, net key, and a CRC-24 over all of these. The fifth
//! character of a group checks it. A share of the key tree is not among them: it would take 116
//! groups more at least.
//!
//! # The check character
//!
//! Over GF(32) with `a` a root of `x^5 + x^2 + 1`, group number `g` (from 0) and its characters
//! `c1 .. c5` satisfy `g a^5 + c1 a^4 + c2 a^3 + c3 a^2 + c4 a + c5 = 0`: one parity symbol of a
//! shortened Reed–Solomon code (I. S. Reed, G. Solomon, J. SIAM 8, 1960, 300–304). All weights are
//! different and none is zero, so a group shows
//!
//! * every single wrong character;
//! * every exchange of any two of its characters, neighbours or not;
//! * that it stands in another group's place;
//!
//! and an exchange across the border of two groups is a single wrong character in each. (The
//! check systems of ISO/IEC 7064 are for alphabets of 10, 26 and 36 characters; its hybrid
//! systems need one more than the alphabet's size to be prime, which 33 is not.) What several
//! errors may hide from a group the CRC-24 finds, but for one in 16 million.

use super::PlanDigest;
use crate::address::Address;
use crate::keys::NetKey;
use crate::station::Role;
use crate::units::{Lane, Micros};
use core::fmt;
use crc::{CRC_24_OPENPGP, Crc, NoTable};
use zeroize::Zeroize;

/// The characters, by value: digits and capitals without 0, 1, I and O.
pub const ALPHABET: &[u8; 32] = b"23456789ABCDEFGHJKLMNPQRSTUVWXYZ";
/// The number of groups.
pub const GROUPS: usize = 17;
/// The characters of a group, its check character last.
pub const GROUP_CHARACTERS: usize = 5;
/// The symbols of a group that carry something.
const CARRIED: usize = GROUP_CHARACTERS - 1;
/// The bytes that follow the first group: address, digest, key, check.
const BODY_BYTES: usize = 40;
const VERSION: u8 = 1;
/// CRC-24/OPENPGP of the catalogue of parametrised CRC algorithms (RFC 9580 section 6.1.1).
const CRC_24: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_24_OPENPGP);

/// What a station may do for its net; after which silence a deputy does it stands in the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Rank {
    /// May start the net's timeline.
    Timekeeper,
    /// Everyone else.
    Member,
    /// May take over from the timekeeper.
    Deputy,
}

impl Rank {
    /// The rank of a role.
    #[must_use]
    pub const fn of(role: Role) -> Self {
        match role {
            Role::Timekeeper => Self::Timekeeper,
            Role::Member => Self::Member,
            Role::Deputy { .. } => Self::Deputy,
        }
    }

    /// The role in a plan whose deputies wait for `after`.
    #[must_use]
    pub const fn role(self, after: Micros) -> Role {
        match self {
            Self::Timekeeper => Role::Timekeeper,
            Self::Member => Role::Member,
            Self::Deputy => Role::Deputy { after },
        }
    }

    /// Its number.
    pub(super) const fn code(self) -> u8 {
        match self {
            Self::Timekeeper => 1,
            Self::Member => 2,
            Self::Deputy => 3,
        }
    }

    /// The rank of a number.
    pub(super) const fn of_code(code: u64) -> Option<Self> {
        match code {
            1 => Some(Self::Timekeeper),
            2 => Some(Self::Member),
            3 => Some(Self::Deputy),
            _ => None,
        }
    }
}

/// What is typed: everything secret or personal.
#[derive(Debug)]
pub struct Entry {
    /// The station's address.
    pub address: Address,
    /// What it may do.
    pub rank: Rank,
    /// Its lane.
    pub lane: Lane,
    /// The first bytes of the digest of the plan that belongs to it.
    pub plan: [u8; 4],
    /// The net key.
    pub key: NetKey,
}

/// Why a group was not taken; nothing has changed, and it may be typed again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum GroupError {
    /// A group has five characters.
    Length(usize),
    /// This character, counted from 1, is none of [`ALPHABET`].
    Character(usize),
    /// The check character does not fit: one character is wrong, or two are exchanged.
    Check,
    /// The group would fit as this one, counted from 1.
    Place(usize),
    /// All groups have been typed.
    TooMany,
}

impl fmt::Display for GroupError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length(n) => write!(f, "a group has {GROUP_CHARACTERS} characters, not {n}"),
            Self::Character(n) => {
                write!(f, "character {n} is none that is used: there is no 0, 1, I or O")
            }
            Self::Check => f.write_str("a character is wrong, or two are exchanged"),
            Self::Place(n) => {
                write!(f, "the check does not fit here; it would as group {n}: was one left out?")
            }
            Self::TooMany => write!(f, "there are only {GROUPS} groups"),
        }
    }
}

impl core::error::Error for GroupError {}

/// Why whole groups are no entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum EntryError {
    /// Groups are missing.
    Missing(usize),
    /// A later version made them.
    Version(u8),
    /// Every group fits by itself and the whole does not: several characters are wrong.
    Check,
    /// There is no such role or lane, or something stands where nothing may.
    Value,
}

impl fmt::Display for EntryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing(n) => write!(f, "{n} groups of {GROUPS} are missing"),
            Self::Version(n) => {
                write!(f, "version {n} of these groups is none that this reader knows")
            }
            Self::Check => f.write_str("every group fits by itself, but the whole does not"),
            Self::Value => f.write_str("the first group makes no sense"),
        }
    }
}

impl core::error::Error for EntryError {}

impl Entry {
    /// The groups, as characters. They are as secret as the key: wipe them.
    #[must_use]
    pub fn groups(&self) -> [[u8; GROUP_CHARACTERS]; GROUPS] {
        let head = [VERSION, self.rank.code(), self.lane.number(), 0];
        let mut body = [0; BODY_BYTES];
        crate::keys::put(&mut body, 0, &[self.address.number()]);
        crate::keys::put(&mut body, 1, &self.plan);
        self.key.expose(|key| crate::keys::put(&mut body, 5, key));
        let [_, check @ ..] = check_of(&head, &body).to_be_bytes();
        crate::keys::put(&mut body, 37, &check);
        let mut groups = [[0; GROUP_CHARACTERS]; GROUPS];
        for (number, group) in (0_u8..).zip(&mut groups) {
            let mut state = number;
            for (place, character) in (0..CARRIED).zip(group.iter_mut()) {
                let symbol = match number.checked_sub(1) {
                    None => head.get(place).copied().unwrap_or_default(),
                    Some(n) => {
                        symbol_of(&body, usize::from(n).wrapping_mul(CARRIED).wrapping_add(place))
                    }
                };
                state = step(state, symbol);
                *character = character_of(symbol);
            }
            // What makes the last step end at 0.
            let [.., last] = group;
            *last = character_of(step(state, 0));
        }
        body.zeroize();
        groups
    }

    /// Whether the groups belong to this plan.
    #[must_use]
    pub fn belongs_to(&self, plan: &PlanDigest) -> bool {
        self.plan == plan.short()
    }
}

/// Takes groups one by one. What it holds is wiped when it is dropped.
pub struct Reader {
    head: [u8; CARRIED],
    body: [u8; BODY_BYTES],
    next: u8,
}

crate::keys::redacted!(Reader, "Reader");

impl Default for Reader {
    fn default() -> Self {
        Self::new()
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.body.zeroize();
    }
}

impl Reader {
    /// Nothing typed yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { head: [0; CARRIED], body: [0; BODY_BYTES], next: 0 }
    }

    /// The group that is awaited, counted from 1; one more than [`GROUPS`] when there is none.
    #[must_use]
    pub const fn awaited(&self) -> usize {
        (self.next as usize).wrapping_add(1)
    }

    /// Takes the next group. Small letters count as capitals.
    ///
    /// # Errors
    /// [`GroupError`]; the same group is then still awaited.
    pub fn group(&mut self, text: &[u8]) -> Result<(), GroupError> {
        if usize::from(self.next) >= GROUPS {
            return Err(GroupError::TooMany);
        }
        let Ok(characters) = <&[u8; GROUP_CHARACTERS]>::try_from(text) else {
            return Err(GroupError::Length(text.len()));
        };
        let mut symbols = [0; GROUP_CHARACTERS];
        for ((n, character), symbol) in (1..).zip(characters).zip(&mut symbols) {
            let capital = character.to_ascii_uppercase();
            let value = (0_u8..).zip(ALPHABET).find(|(_, known)| **known == capital);
            let Some((value, _)) = value else {
                symbols.zeroize();
                return Err(GroupError::Character(n));
            };
            *symbol = value;
        }
        let fits = |number: u8| symbols.iter().fold(number, |state, c| step(state, *c)) == 0;
        if !fits(self.next) {
            let elsewhere = (0_u8..).take(GROUPS).find(|number| fits(*number));
            symbols.zeroize();
            return Err(elsewhere
                .map_or(GroupError::Check, |n| GroupError::Place(usize::from(n).wrapping_add(1))));
        }
        match self.next.checked_sub(1) {
            None => self.head.copy_from_slice(symbols.first_chunk::<CARRIED>().unwrap_or(&[0; 4])),
            Some(n) => {
                for (symbol, at) in
                    symbols.iter().take(CARRIED).zip(usize::from(n).wrapping_mul(CARRIED)..)
                {
                    place(&mut self.body, at, *symbol);
                }
            }
        }
        symbols.zeroize();
        self.next = self.next.saturating_add(1);
        Ok(())
    }

    /// What has been typed, once it is all there.
    ///
    /// # Errors
    /// [`EntryError`] if it is not, or makes no sense.
    pub fn finish(self) -> Result<Entry, EntryError> {
        let missing = GROUPS.saturating_sub(self.next.into());
        if missing > 0 {
            return Err(EntryError::Missing(missing));
        }
        let [version, rank, lane, spare] = self.head;
        if version != VERSION {
            return Err(EntryError::Version(version));
        }
        let [.., a, b, c] = self.body;
        if check_of(&self.head, &self.body).to_be_bytes() != [0, a, b, c] {
            return Err(EntryError::Check);
        }
        let (Some(rank), Some(lane), 0) = (Rank::of_code(rank.into()), Lane::new(lane), spare)
        else {
            return Err(EntryError::Value);
        };
        let [address, p0, p1, p2, p3, rest @ ..] = &self.body;
        let key = NetKey::new(*rest.first_chunk().unwrap_or(&[0; 32]));
        let address = Address::new(*address);
        Ok(Entry { address, rank, lane, plan: [*p0, *p1, *p2, *p3], key })
    }
}

/// The CRC over the first group's symbols and the body without its last three bytes.
fn check_of(head: &[u8; CARRIED], body: &[u8; BODY_BYTES]) -> u32 {
    let mut check = CRC_24.digest();
    check.update(head);
    check.update(body.split_last_chunk::<3>().map_or(&[], |(body, _)| body));
    check.finalize()
}

/// Multiplies by the root and adds a symbol.
const fn step(state: u8, symbol: u8) -> u8 {
    let shifted = state << 1;
    let reduced = if shifted & 0x20 == 0 { shifted } else { shifted ^ 0x25 };
    reduced ^ symbol
}

fn character_of(symbol: u8) -> u8 {
    ALPHABET.get(usize::from(symbol & 31)).copied().unwrap_or_default()
}

/// Symbol `n` of the body: its bits `5 n` to `5 n + 4`, the most significant first.
fn symbol_of(body: &[u8; BODY_BYTES], n: usize) -> u8 {
    let (byte, shift) = window(n);
    let pair = |at: usize| u16::from(body.get(at).copied().unwrap_or_default());
    let both = pair(byte) << 8 | pair(byte.wrapping_add(1));
    let [_, symbol] = (both >> shift & 31).to_be_bytes();
    symbol
}

/// Puts symbol `n` into a body that has zeros there.
fn place(body: &mut [u8; BODY_BYTES], n: usize, symbol: u8) {
    let (byte, shift) = window(n);
    let [high, low] = (u16::from(symbol) << shift).to_be_bytes();
    for (to, bits) in body.iter_mut().skip(byte).zip([high, low]) {
        *to |= bits;
    }
}

/// Where symbol `n` stands: its first byte, and how far the two bytes from there are shifted.
#[expect(clippy::cast_possible_truncation, reason = "at most 11")]
const fn window(n: usize) -> (usize, u32) {
    let bit = n.wrapping_mul(5);
    (bit / 8, 11_u32.wrapping_sub((bit % 8) as u32))
}
