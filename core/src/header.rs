//! The sealed header: eight bytes of who, whom and when, in sixteen that only a member can read
//! or make (specification section 5).
//!
//! The seal is a synthetic-IV construction (P. Rogaway and T. Shrimpton, 2006; compare RFC 5297):
//! the tag is a keyed function of the body and doubles as the nonce of its encryption, so equal
//! bodies give equal wires and nothing else is revealed, and no counter must be kept.

use crate::address::{Address, Target};
use crate::coding::interleave::{self, HeaderBits};
use crate::keys::{Label, NetKey, Subkey, put};
use crate::units::{Lane, Micros, Slot};
use subtle::{Choice, ConstantTimeEq};

/// What a header announces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Kind {
    /// The timekeeper's run that starts or re-forms a net.
    Announce,
    /// An over.
    Over,
    /// An over on the provisional timeline of a station without time.
    CutIn,
    /// The end of an over.
    Closing,
    /// A change of keys.
    Rekey,
    /// A run before an over, which gives time to stations that lack it.
    LeadIn,
}

impl Kind {
    pub(crate) const fn to_wire(self) -> u8 {
        match self {
            Self::Announce => 1,
            Self::Over => 2,
            Self::CutIn => 3,
            Self::Closing => 4,
            Self::Rekey => 5,
            Self::LeadIn => 6,
        }
    }

    /// The kind of a header, and whether it is one. No branch depends on the nibble, which may be
    /// that of a forgery.
    fn read(nibble: u8) -> (Self, bool) {
        const KINDS: [Kind; 8] = [
            Kind::Announce,
            Kind::Announce,
            Kind::Over,
            Kind::CutIn,
            Kind::Closing,
            Kind::Rekey,
            Kind::LeadIn,
            Kind::Announce,
        ];
        let kind = KINDS.get(usize::from(nibble & 7)).copied().unwrap_or(Self::Announce);
        (kind, (VALID_KINDS >> (nibble & 15)) & 1 == 1)
    }
}

/// A bit for each kind that exists: 1 to 6.
const VALID_KINDS: u16 = 0x007E;

/// How well a sender knows the time: its half-width `u` as `ceil(log2(u / 16 us))`, 0 to 15.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Quality(u8);

impl Quality {
    /// The quality of a half-width, rounded towards uncertainty.
    ///
    /// ```
    /// # use hopwright_core::{header::Quality, units::Micros};
    /// assert_eq!(Quality::of(Micros::new(16)).nibble(), 0);
    /// assert_eq!(Quality::of(Micros::new(17)).nibble(), 1);
    /// assert_eq!(Quality::of(Micros::new(1_000)).half_width(), Some(Micros::new(1_024)));
    /// ```
    #[must_use]
    pub const fn of(half_width: Micros) -> Self {
        let sixteenths = half_width.us().div_ceil(16);
        // The number of bits of (x - 1) is ceil(log2(x)); 0 and 1 give 0.
        let bits = 64_u32.saturating_sub(sixteenths.saturating_sub(1).leading_zeros());
        #[expect(clippy::cast_possible_truncation, reason = "at most 15")]
        let nibble = if bits > 15 { 15 } else { bits as u8 };
        Self(nibble)
    }

    /// The nibble, 0 to 15.
    #[must_use]
    pub const fn nibble(self) -> u8 {
        self.0
    }

    /// A half-width that the sender's does not exceed; `None` for nibble 15, which also stands
    /// for everything wider and so promises nothing.
    #[must_use]
    pub const fn half_width(self) -> Option<Micros> {
        if self.0 >= 15 { None } else { Some(Micros::new(16 << self.0)) }
    }
}

/// The body of a header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Header {
    /// The slot in which it is sent.
    pub slot: Slot,
    /// Who sends it.
    pub source: Address,
    /// Whom it is for.
    pub target: Target,
    /// What it announces.
    pub kind: Kind,
    /// How well the sender knows the time.
    pub quality: Quality,
    /// Slots of the run, or call headers, that follow this one: divided by 16 and rounded up, but
    /// for a lead-in, which is short, in single slots; 0 to 15.
    pub countdown: u8,
}

impl Header {
    /// The countdown by which a header of this kind announces `remaining` further slots.
    #[must_use]
    pub const fn countdown_of(kind: Kind, remaining: u32) -> u8 {
        let sixteens = match kind {
            Kind::LeadIn => remaining,
            Kind::Announce | Kind::Over | Kind::CutIn | Kind::Closing | Kind::Rekey => {
                remaining.div_ceil(16)
            }
        };
        #[expect(clippy::cast_possible_truncation, reason = "at most 15")]
        let nibble = if sixteens > 15 { 15 } else { sixteens as u8 };
        nibble
    }

    fn to_body(self) -> [u8; 8] {
        let [h0, h1, h2, h3] = self.slot.number().to_le_bytes();
        let (target, form) = self.target.to_wire();
        [
            h0,
            h1,
            h2,
            h3,
            self.source.number(),
            target,
            form | (self.kind.to_wire() << 4),
            self.quality.nibble() | (self.countdown << 4),
        ]
    }

    /// The header in a body, and whether it is one. No branch depends on the body, which may be a
    /// forgery's.
    fn from_body(body: [u8; 8]) -> (Self, bool) {
        let [h0, h1, h2, h3, source, target, forms, numbers] = body;
        let (target, called) = Target::read(target, forms & 0xF);
        let (kind, known) = Kind::read(forms >> 4);
        let header = Self {
            slot: Slot::new(u32::from_le_bytes([h0, h1, h2, h3])),
            source: Address::new(source),
            target,
            kind,
            quality: Quality(numbers & 0xF),
            countdown: numbers >> 4,
        };
        (header, called & known)
    }
}

/// The stream that a header belongs to: its lane, and whether it was sent on the cut-in timeline.
#[must_use]
#[inline(never)]
pub const fn stream(lane: Lane, timeline: crate::sequence::Timeline) -> u32 {
    lane.number() as u32 | timeline.bit()
}

/// The keys that seal and open headers.
#[derive(Debug)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct HeaderKeys {
    tag: Subkey,
    seal: Subkey,
}

impl HeaderKeys {
    /// The header keys of a net.
    #[must_use]
    #[inline(never)]
    pub fn new(key: &NetKey) -> Self {
        Self { tag: key.subkey(Label::Tag), seal: key.subkey(Label::Seal) }
    }

    /// Seals a header into sixteen bytes. Two permutations.
    #[must_use]
    pub fn seal(&self, header: Header, stream: u32) -> [u8; 16] {
        let body = header.to_body();
        let tag = self.tag_of(body, stream);
        let mut wire = [0; 16];
        put(&mut wire, 0, &self.crypt(body, tag, stream));
        put(&mut wire, 8, &tag);
        wire
    }

    /// Opens sixteen bytes; `None` if no member of the net made them for this stream, or they
    /// carry a kind or a target form that does not exist.
    ///
    /// Two permutations and a comparison in constant time, for valid and forged headers alike.
    #[must_use]
    pub fn open(&self, wire: &[u8; 16], stream: u32) -> Option<Header> {
        let (sealed, tag) = wire.split_at(8);
        let sealed: [u8; 8] = sealed.try_into().ok()?;
        let tag: [u8; 8] = tag.try_into().ok()?;
        let body = self.crypt(sealed, tag, stream);
        let genuine = self.tag_of(body, stream).ct_eq(&tag);
        let (header, valid) = Header::from_body(body);
        // One decision, after all the work is done.
        let mut opened = Some(header);
        if !bool::from(genuine & Choice::from(u8::from(valid))) {
            opened = None;
        }
        opened
    }

    /// Seals and codes a header into the bits of a slot.
    #[must_use]
    pub fn to_bits(&self, header: Header, stream: u32) -> HeaderBits {
        interleave::encode(&self.seal(header, stream))
    }

    /// Decodes and opens the bits of a slot.
    #[must_use]
    pub fn from_bits(&self, bits: &HeaderBits, stream: u32) -> Option<Header> {
        self.open(&interleave::decode(bits).sealed, stream)
    }

    fn tag_of(&self, body: [u8; 8], stream: u32) -> [u8; 8] {
        let [a, b, c, d, e, f, g, h] = body;
        let [s, t, u, v] = stream.to_le_bytes();
        self.tag.tag(&[a, b, c, d, e, f, g, h, s, t, u, v, 0, 0, 0, 0])
    }

    fn crypt(&self, text: [u8; 8], tag: [u8; 8], stream: u32) -> [u8; 8] {
        let [a, b, c, d, e, f, g, h] = tag;
        let [s, t, u, v] = stream.to_le_bytes();
        let nonce = [a, b, c, d, e, f, g, h, s, t, u, v];
        (u64::from_le_bytes(text) ^ u64::from_le_bytes(self.seal.pad(&nonce))).to_le_bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn keys() -> HeaderKeys {
        HeaderKeys::new(&NetKey::new([7; 32]))
    }

    pub(crate) fn any_header() -> impl Strategy<Value = Header> {
        let target = prop_oneof![
            Just(Target::ALL),
            any::<u8>().prop_map(|a| Target::one(Address::new(a))),
            any::<u8>().prop_map(|a| Target::prefix(Address::new(a & 0xF0), 4).unwrap()),
            any::<u8>().prop_map(|a| Target::all_but(Address::new(a))),
        ];
        let kind = (1_u8..=6).prop_map(|k| Kind::read(k).0);
        (any::<u32>(), any::<u8>(), target, kind, 0_u8..16, 0_u8..16).prop_map(
            |(h, source, target, kind, quality, countdown)| Header {
                slot: Slot::new(h),
                source: Address::new(source),
                target,
                kind,
                quality: Quality(quality),
                countdown,
            },
        )
    }

    proptest! {
        #[test]
        fn sealed_headers_open(header in any_header(), stream: u32) {
            let wire = keys().seal(header, stream);
            prop_assert_eq!(keys().open(&wire, stream), Some(header));
            prop_assert_eq!(keys().from_bits(&keys().to_bits(header, stream), stream), Some(header));
        }

        /// Tag, text and stream are bound together (P. Rogaway and T. Shrimpton, 2006; RFC 5297).
        #[test]
        fn one_flipped_bit_closes_a_header(header in any_header(), stream: u32, bit in 0_usize..128) {
            let mut wire = keys().seal(header, stream);
            wire[bit / 8] ^= 1 << (bit % 8);
            prop_assert_eq!(keys().open(&wire, stream), None);
            let wire = keys().seal(header, stream);
            prop_assert_eq!(keys().open(&wire, stream ^ (1 << (bit % 32))), None);
        }

        #[test]
        fn arbitrary_bytes_do_not_open(wire: [u8; 16], stream: u32) {
            prop_assert_eq!(keys().open(&wire, stream), None);
        }

        #[test]
        fn quality_never_promises_too_much(us in 0_u64..10_000_000) {
            if let Some(promised) = Quality::of(Micros::new(us)).half_width() {
                prop_assert!(promised.us() >= us);
                prop_assert!(promised.us() <= 16 || promised.us() < 2 * us);
            } else {
                prop_assert!(us > 16 << 14);
            }
        }
    }
}
