//! A continuous stream of bits over traffic slots, with marks where bits are missing
//! (specification section 11).
//!
//! ```text
//!  source, constant rate ─► Sender ─► number, bits ─► traffic slot ··· Receiver ─► Played, one a slot
//! ```
//!
//! A voice coder gives bits at a constant rate; one slot of each frame is a sync slot and carries
//! none of them. So a traffic slot carries `B = rate * slot * m / (m - 1)` bits, which is seldom
//! whole: slot `n` of the stream carries the bits from `floor(n B)` up to `floor((n + 1) B)`. The
//! number `n` goes before the bits, as a u16; bits fill bytes from the most significant on, and
//! the last byte is filled up with zeros. When the number wraps, at most one bit is lost to
//! rounding: less than a bit in twenty minutes.
//!
//! Nothing is sent again. The [`Receiver`] gives each slot of the stream a constant delay after
//! its time, in order, and exactly one [`Mark`]: its bits, lost, or late. Late means that the
//! stream itself is behind, so that a longer delay would help; lost means that it would not.

use heapless::{Deque, Vec};

/// Bytes before the bits of a slot: its number.
pub const NUMBER_BYTES: usize = 2;
/// Slots in a row that must agree on another place in the stream before the receiver goes there.
/// Numbers are not authenticated: a garbled one must not move anything.
pub const AGREE: u8 = 3;
/// The most slots of a frame.
const MAX_FRAME: u8 = 64;

/// How many bits of a stream each traffic slot carries.
///
/// ```
/// # use hopwright_core::{stream::Share, units::Micros};
/// // 16 kbit/s, frames of 8 slots of 20 ms: 2560 bits over 7 slots, 365 5/7 each.
/// let share = Share::new(16_000, Micros::new(20_000), 8, 106).unwrap();
/// assert_eq!([0, 1, 2, 3, 4, 5, 6].map(|n| share.bits(n)).iter().sum::<u32>(), 2_560);
/// assert_eq!((share.bits(0), share.longest()), (365, 366));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Share {
    /// `B = whole + rest / unit`, `rest < unit`.
    whole: u32,
    rest: u32,
    unit: u32,
}

/// Why a stream does not fit traffic slots.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ShareError {
    /// A frame has 2 to 64 slots.
    Frame(u8),
    /// Less than a bit a slot.
    TooSlow,
    /// More than a slot carries.
    TooFast {
        /// Bits that a slot would have to carry; `u32::MAX` stands for all larger ones.
        needed: u32,
        /// Bits that it can carry behind the number.
        room: u32,
    },
}

impl core::fmt::Display for ShareError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Frame(m) => write!(f, "a frame has 2 to {MAX_FRAME} slots, not {m}"),
            Self::TooSlow => f.write_str("the stream has less than a bit for each slot"),
            Self::TooFast { needed, room } => {
                write!(f, "a slot has room for {room} bits of a stream that needs {needed}")
            }
        }
    }
}

impl core::error::Error for ShareError {}

impl Share {
    /// The share of a stream of `bps` bit/s in slots of length `slot`, `frame` to a frame, that
    /// carry up to `capacity` bytes of payload
    /// ([`Station::payload_capacity`](crate::station::Station::payload_capacity)).
    ///
    /// # Errors
    /// [`ShareError`] if the stream does not fit.
    pub const fn new(
        bps: u32,
        slot: crate::units::Micros,
        frame: u8,
        capacity: usize,
    ) -> Result<Self, ShareError> {
        if frame < 2 || frame > MAX_FRAME {
            return Err(ShareError::Frame(frame));
        }
        // At most 63 * 10^6.
        let unit = (frame as u32).wrapping_sub(1).wrapping_mul(1_000_000);
        let scaled = (bps as u64).saturating_mul(frame as u64).saturating_mul(slot.us());
        let (whole, rest) = match (scaled.checked_div(unit as u64), scaled.checked_rem(unit as u64))
        {
            (Some(whole), Some(rest)) => (whole, rest),
            (None, _) | (_, None) => return Err(ShareError::Frame(frame)),
        };
        let longest = if rest == 0 { whole } else { whole.saturating_add(1) };
        if longest == 0 || whole == 0 {
            return Err(ShareError::TooSlow);
        }
        let room = (capacity.saturating_sub(NUMBER_BYTES) as u64).saturating_mul(8);
        if longest > room || longest > 4_096 {
            let most = u32::MAX as u64;
            let room = if room > 4_096 { 4_096 } else { room };
            #[expect(clippy::cast_possible_truncation, reason = "limited to 32 bits")]
            return Err(ShareError::TooFast {
                needed: if longest > most { u32::MAX } else { longest as u32 },
                room: room as u32,
            });
        }
        #[expect(clippy::cast_possible_truncation, reason = "at most 4096, and less than unit")]
        Ok(Self { whole: whole as u32, rest: rest as u32, unit })
    }

    /// The bits of the slots before slot `n` of the stream: `floor(n B)`.
    #[must_use]
    pub const fn before(&self, n: u32) -> u64 {
        let rest = (n as u64).wrapping_mul(self.rest as u64);
        let carried = match rest.checked_div(self.unit as u64) {
            Some(carried) => carried,
            None => 0,
        };
        (n as u64).wrapping_mul(self.whole as u64).wrapping_add(carried)
    }

    /// The bits of slot `number`, 1 to 4096.
    #[must_use]
    pub const fn bits(&self, number: u16) -> u32 {
        let n = number as u32;
        #[expect(clippy::cast_possible_truncation, reason = "at most 4096")]
        let bits = self.before(n.wrapping_add(1)).wrapping_sub(self.before(n)) as u32;
        bits
    }

    /// The most bits of a slot.
    #[must_use]
    pub const fn longest(&self) -> u32 {
        self.whole.wrapping_add((self.rest != 0) as u32)
    }
}

/// The sending side: takes the source's bits and gives each traffic slot its share.
///
/// It holds up to `BYTES` bytes that wait. No call takes more than a few steps for each bit.
#[derive(Debug)]
pub struct Sender<const BYTES: usize> {
    share: Share,
    number: u16,
    waiting: Deque<u8, BYTES>,
    /// Bits of the front byte that are gone.
    used: u8,
    idle: bool,
    short: u32,
}

impl<const BYTES: usize> Sender<BYTES> {
    /// A sender at the start of its stream.
    #[must_use]
    pub const fn new(share: Share) -> Self {
        Self { share, number: 0, waiting: Deque::new(), used: 0, idle: false, short: 0 }
    }

    /// Takes eight bits of the source, the first most significant.
    ///
    /// # Errors
    /// Gives them back if there is no room.
    pub fn push(&mut self, bits: u8) -> Result<(), u8> {
        self.waiting.push_back(bits)
    }

    /// Writes the payload of the next traffic slot and gives its length in bytes; `None`, and
    /// nothing changes, if `out` is too short.
    ///
    /// A source that is behind is made up for with ones and zeros in turn, which a delta
    /// modulator hears as silence; [`short`](Self::short) counts them.
    pub fn slot(&mut self, out: &mut [u8]) -> Option<usize> {
        let bits = self.share.bits(self.number);
        let length = NUMBER_BYTES.saturating_add(bits.div_ceil(8) as usize);
        let (number, body) = out.get_mut(..length)?.split_first_chunk_mut::<NUMBER_BYTES>()?;
        *number = self.number.to_le_bytes();
        body.fill(0);
        let mut left = bits;
        for byte in body {
            for place in 0..left.min(8) {
                *byte |= u8::from(self.pull()) << (7 ^ place);
            }
            left = left.saturating_sub(8);
        }
        self.number = self.number.wrapping_add(1);
        Some(length)
    }

    /// Bits that had to be made up because the source was behind.
    #[must_use]
    pub const fn short(&self) -> u32 {
        self.short
    }

    fn pull(&mut self) -> bool {
        let Some(front) = self.waiting.front() else {
            self.short = self.short.saturating_add(1);
            self.idle = !self.idle;
            return self.idle;
        };
        let bit = front & (0x80 >> self.used) != 0;
        self.used = self.used.wrapping_add(1) & 7;
        if self.used == 0 {
            self.waiting.pop_front();
        }
        bit
    }
}

/// What there is of a slot of the stream when its turn has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Mark<'a> {
    /// Its bits, the first most significant; as many as its [share](Share::bits).
    Heard(&'a [u8]),
    /// It was not heard, and a longer delay would not have helped.
    Lost,
    /// It has not come yet: the stream is behind its time, by more than the delay.
    Late,
}

/// A slot of the stream whose turn has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Played<'a> {
    /// Its number.
    pub number: u16,
    /// What there is of it.
    pub mark: Mark<'a>,
}

/// Why a slot that was heard is not going to be played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Ignored {
    /// Its length is not that of its number.
    Garbled,
    /// It is there already.
    Duplicate,
    /// Its turn is over.
    TooLate,
    /// Its number is far from those that are awaited.
    Stray,
}

/// The receiving side: puts slots in order and plays each a constant delay after its time.
///
/// # The driver's part
///
/// * [`heard`](Self::heard) for each payload of the stream that was read, in any order.
/// * [`play`](Self::play) once for each traffic slot of the timeline that has gone by, whether or
///   not anything was heard in it, after what was heard in it.
/// * For another over, another receiver.
///
/// Up to `DEPTH` slots (a power of two, at most 16 384) of up to `BYTES` bytes are held. Each call
/// is constant work and a copy of a slot, but for the rare one that goes to another place in the
/// stream: that forgets what is held.
#[derive(Debug)]
pub struct Receiver<const DEPTH: usize, const BYTES: usize> {
    share: Share,
    delay: u16,
    held: [Option<Held<BYTES>>; DEPTH],
    playing: Option<Held<BYTES>>,
    /// Where the stream is; `None` before anything was heard.
    place: Option<Place>,
    stray: Option<Stray>,
}

#[derive(Debug)]
struct Held<const BYTES: usize> {
    number: u16,
    bits: Vec<u8, BYTES>,
}

#[derive(Debug, Clone, Copy)]
struct Place {
    /// The number whose turn is next.
    next: u16,
    /// The furthest number heard, and by how many slots it was behind its time.
    newest: u16,
    lag: u16,
    /// Turns before the first slot that was heard; there is nothing to play in them.
    filling: u16,
}

#[derive(Debug, Clone, Copy)]
struct Stray {
    number: u16,
    /// How far it is from the number that is sent now, if the place is right.
    offset: u16,
    count: u8,
}

impl<const DEPTH: usize, const BYTES: usize> Receiver<DEPTH, BYTES> {
    /// A receiver that plays each slot `delay` traffic slots after its own. `None` unless `delay`
    /// is less than `DEPTH` and a slot fits in `BYTES`.
    #[must_use]
    pub fn new(share: Share, delay: u16) -> Option<Self> {
        const { assert!(DEPTH.is_power_of_two() && DEPTH <= 16_384, "numbers wrap at 2^16") };
        let fits = usize::from(delay) < DEPTH && share.longest().div_ceil(8) as usize <= BYTES;
        let held = [const { None }; DEPTH];
        fits.then_some(Self { share, delay, held, playing: None, place: None, stray: None })
    }

    /// Takes a payload of the stream.
    ///
    /// # Errors
    /// [`Ignored`]: it is not going to be played.
    pub fn heard(&mut self, payload: &[u8]) -> Result<(), Ignored> {
        let (number, bits) = payload.split_first_chunk().ok_or(Ignored::Garbled)?;
        let number = u16::from_le_bytes(*number);
        if bits.len() != self.share.bits(number).div_ceil(8) as usize {
            return Err(Ignored::Garbled);
        }
        let Some(place) = &mut self.place else {
            let next = number.wrapping_sub(self.delay);
            self.place = Some(Place { next, newest: number, lag: 0, filling: self.delay });
            return self.hold(number, bits);
        };
        let sent_now = place.next.wrapping_add(self.delay);
        let ahead = number.wrapping_sub(place.next).cast_signed();
        // What is ahead of what is sent now cannot have been sent.
        let may_be = ahead <= self.delay.cast_signed();
        let near = usize::from(ahead.unsigned_abs()) < DEPTH && may_be;
        if near && number.wrapping_sub(place.newest).cast_signed() > 0 {
            place.newest = number;
            let lag = sent_now.wrapping_sub(number).cast_signed();
            place.lag = lag.max(0).unsigned_abs();
        }
        if near && ahead >= 0 {
            self.stray = None;
            return self.hold(number, bits);
        }
        let offset = number.wrapping_sub(sent_now);
        let count = match self.stray {
            // Heard twice is not said twice.
            Some(stray) if stray.number == number => return Err(Ignored::Duplicate),
            Some(stray) if stray.offset == offset => stray.count.saturating_add(1),
            Some(_) | None => 1,
        };
        if count < AGREE {
            self.stray = Some(Stray { number, offset, count });
            return Err(if near { Ignored::TooLate } else { Ignored::Stray });
        }
        self.stray = None;
        self.held.fill_with(|| None);
        let next = number.wrapping_sub(self.delay);
        self.place = Some(Place { next, newest: number, lag: 0, filling: 0 });
        self.hold(number, bits)
    }

    /// A traffic slot has gone by: what is to be played now. `None` until the first slot that was
    /// heard has its turn.
    pub fn play(&mut self) -> Option<Played<'_>> {
        let place = self.place.as_mut()?;
        let number = place.next;
        place.next = number.wrapping_add(1);
        let filling = place.filling > 0;
        place.filling = place.filling.saturating_sub(1);
        let behind = place.newest.wrapping_sub(number).cast_signed() < 0;
        let late = behind && place.lag > self.delay;
        let held = self.held.get_mut(Self::index(number));
        self.playing = held.and_then(|held| held.take_if(|held| held.number == number));
        if self.playing.is_some() {
            // From here on each slot has its mark.
            place.filling = 0;
        }
        let mark = match &self.playing {
            Some(held) => Mark::Heard(&held.bits),
            None if filling => return None,
            None if late => Mark::Late,
            None => Mark::Lost,
        };
        Some(Played { number, mark })
    }

    const fn index(number: u16) -> usize {
        number as usize & DEPTH.wrapping_sub(1)
    }

    fn hold(&mut self, number: u16, bits: &[u8]) -> Result<(), Ignored> {
        let Some(place) = self.held.get_mut(Self::index(number)) else {
            return Err(Ignored::Stray);
        };
        if place.as_ref().is_some_and(|held| held.number == number) {
            return Err(Ignored::Duplicate);
        }
        let bits = Vec::from_slice(bits).map_err(|_| Ignored::Garbled)?;
        *place = Some(Held { number, bits });
        Ok(())
    }
}

#[cfg(test)]
mod tests;
