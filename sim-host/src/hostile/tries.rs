//! What is tried: receptions that nobody of the net made for this moment.

use super::subject::{OWN, Pair, STORED, State};
use hopwright_core::address::{Address, Target};
use hopwright_core::clock::Grip;
use hopwright_core::coding::interleave::{self, HEADER_BITS};
use hopwright_core::header::{self, Header, Kind, Quality};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Dropped, Reception};
use hopwright_core::units::{Channel, Lane, Micros, Slot, Tick};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What is tried.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Sort {
    /// Random bits, of any length, behind the right word.
    Random,
    /// A header for this very moment with one to eight bits turned behind the code.
    Mutated,
    /// The body of one genuine header with the tag of another.
    Spliced,
    /// A header for this very moment, sealed under a key that differs in one bit.
    WrongKey,
    /// A header for this very moment, sealed for another lane.
    OtherLane,
    /// A genuine header of an earlier slot.
    Replayed,
    /// A genuine header of an earlier slot with up to sixty bits turned on the air.
    ReplayedNoisy,
    /// A genuine header with a word or on a channel that is not waited for.
    Elsewhere,
    /// A header of this net and lane, but of the timeline by which the station does not listen:
    /// at home one of a cut-in that must not be followed, in a cut-in any one of home.
    OtherTimeline,
    /// The traffic word of the slot, at a time that is not its own.
    Word,
}

impl Sort {
    /// All of them.
    pub const ALL: [Self; 10] = [
        Self::Random,
        Self::Mutated,
        Self::Spliced,
        Self::WrongKey,
        Self::OtherLane,
        Self::Replayed,
        Self::ReplayedNoisy,
        Self::Elsewhere,
        Self::OtherTimeline,
        Self::Word,
    ];

    /// What the account calls it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Random => "random bits",
            Self::Mutated => "mutated header",
            Self::Spliced => "spliced header",
            Self::WrongKey => "header under a wrong key",
            Self::OtherLane => "header of another lane",
            Self::Replayed => "replayed header",
            Self::ReplayedNoisy => "replayed header, bits turned",
            Self::Elsewhere => "header elsewhere",
            Self::OtherTimeline => "header of the other timeline",
            Self::Word => "traffic word out of place",
        }
    }
}

/// A reception that was made up.
#[derive(Debug, Clone)]
pub(super) struct MadeUp {
    pub(super) sort: Sort,
    pub(super) channel: Channel,
    pub(super) word: u32,
    pub(super) at: Tick,
    pub(super) bits: Vec<u8>,
    /// Why it must be dropped, where there is only one reason.
    pub(super) why: Option<Dropped>,
}

impl MadeUp {
    /// The reception as a station takes it.
    pub(super) fn reception(&self) -> Reception<'_> {
        let Self { channel, word, at, bits, .. } = self;
        Reception { channel: *channel, word: *word, at: *at, bits }
    }
}

/// A number from 0 to `n - 1`.
fn below(rng: &mut ChaCha8Rng, n: u64) -> u64 {
    ((u128::from(rng.next_u64()) * u128::from(n)) >> 64) as u64
}

fn small(rng: &mut ChaCha8Rng, n: u8) -> u8 {
    u8::try_from(below(rng, u64::from(n))).unwrap_or_default()
}

/// The reception of a try; `None` if the station does not listen now.
pub(super) fn make(pair: &Pair, chance: u64) -> Option<MadeUp> {
    let rng = &mut ChaCha8Rng::seed_from_u64(chance);
    let (channel, word, traffic) = pair.listening()?;
    let stream = header::stream(Lane::ZERO, pair.state.timeline());
    // Mostly when it should come, sometimes at any time near.
    let at = match small(rng, 4) {
        0 => pair.now.minus(Micros::new(below(rng, 20_000))),
        _ => pair.now,
    };
    let header = any_header(rng, pair.slot());
    let made = |sort, bits: Vec<u8>, why| MadeUp { sort, channel, word, at, bits, why };
    let forged = |sort, bits: Vec<u8>| made(sort, bits, Some(Dropped::NotGenuine));
    let coded = |wire: &[u8; 16]| interleave::encode(wire).to_vec();
    Some(match small(rng, 10) {
        0 => {
            let mut bits = vec![0; usize::from(small(rng, 121))];
            rng.fill_bytes(&mut bits);
            forged(Sort::Random, bits)
        }
        1 => {
            let genuine = pair.keys.seal(header, stream);
            let mut wire = genuine;
            while wire == genuine {
                for _ in 0..=small(rng, 8) {
                    wire[usize::from(small(rng, 16))] ^= 1 << small(rng, 8);
                }
            }
            forged(Sort::Mutated, coded(&wire))
        }
        2 => {
            let mut wire = pair.keys.seal(header, stream);
            let other = Header { slot: Slot::new(rng.next_u32()), ..header };
            wire[8..].copy_from_slice(&pair.keys.seal(other, stream)[8..]);
            forged(Sort::Spliced, coded(&wire))
        }
        3 => forged(Sort::WrongKey, pair.strangers.to_bits(header, stream).to_vec()),
        4 => {
            let other = stream ^ (1 << small(rng, 5));
            forged(Sort::OtherLane, pair.keys.to_bits(header, other).to_vec())
        }
        5 => {
            let bits = pair.keys.to_bits(header, stream).to_vec();
            let away = Channel::new(u16::try_from(below(rng, 4_096)).ok()?)?;
            if small(rng, 2) == 0 && away != channel {
                let why = Some(Dropped::NotAwaited);
                MadeUp { channel: away, ..made(Sort::Elsewhere, bits, why) }
            } else {
                let other = word ^ (1 << small(rng, 32));
                MadeUp { word: other, ..made(Sort::Elsewhere, bits, Some(Dropped::NotAwaited)) }
            }
        }
        6 => match (traffic, out_of_place(pair, rng)) {
            (Some(own), Some(at)) => {
                let bits = vec![0x5A; 108];
                let why = Some(Dropped::OutOfPlace);
                MadeUp { word: own, at, ..made(Sort::Word, bits, why) }
            }
            _ => forged(Sort::WrongKey, pair.strangers.to_bits(header, stream).to_vec()),
        },
        7 => {
            let timeline = other(pair.state.timeline());
            let (header, unwanted) = of_the_other(pair, rng, header);
            let stream = header::stream(Lane::ZERO, timeline);
            // Behind the sync word both timelines are tried; in a traffic slot that of the slot.
            let why = if traffic.is_some() { Dropped::NotGenuine } else { unwanted };
            let bits = pair.keys.to_bits(header, stream).to_vec();
            made(Sort::OtherTimeline, bits, Some(why))
        }
        kind => match old_slot(pair, rng) {
            Some(slot) => {
                let mut bits = pair.keys.to_bits(Header { slot, ..header }, stream).to_vec();
                if kind == 8 {
                    made(Sort::Replayed, bits, Some(Dropped::Replayed))
                } else {
                    for _ in 0..=small(rng, 60) {
                        let bit = usize::try_from(below(rng, u64::from(HEADER_BITS))).ok()?;
                        bits[bit / 8] ^= 0x80 >> (bit % 8);
                    }
                    // The code may have corrected it, or not.
                    made(Sort::ReplayedNoisy, bits, None)
                }
            }
            None => {
                let mut bits = vec![0; interleave::HEADER_BYTES];
                rng.fill_bytes(&mut bits);
                forged(Sort::Random, bits)
            }
        },
    })
}

fn any_header(rng: &mut ChaCha8Rng, slot: Slot) -> Header {
    let kinds = [Kind::Announce, Kind::Over, Kind::Closing, Kind::LeadIn, Kind::Rekey, Kind::CutIn];
    let somebody = Address::new(small(rng, 255));
    let target = match small(rng, 3) {
        0 => Target::ALL,
        1 => Target::one(somebody),
        _ => Target::all_but(somebody),
    };
    Header {
        slot,
        source: Address::new(small(rng, 255)),
        target,
        kind: kinds[usize::from(small(rng, 6))],
        quality: Quality::of(Micros::new(16 << small(rng, 16))),
        countdown: small(rng, 16),
    }
}

/// The other of the two timelines that a hopping station may listen by.
const fn other(timeline: Timeline) -> Timeline {
    match timeline {
        Timeline::Home => Timeline::CutIn,
        _ => Timeline::Home,
    }
}

/// A genuine header of the timeline by which the station does not listen, of this moment or of
/// another, and why it must be dropped. (What begins a cut-in that an idle station has not followed
/// is followed, and that is as it must be.)
fn of_the_other(pair: &Pair, rng: &mut ChaCha8Rng, header: Header) -> (Header, Dropped) {
    let now = pair.slot_on(other(pair.state.timeline())).number();
    let slot = match small(rng, 3) {
        0 => now,
        // A time of which a watermark may tell.
        1 => u32::try_from(below(rng, u64::from(STORED) * 2)).unwrap_or_default(),
        _ => rng.next_u32(),
    };
    let header = Header { slot: Slot::new(slot), ..header };
    match pair.state {
        // Home waits until the cut-in is over, whatever is said there.
        State::CutIn => (header, Dropped::NotAwaited),
        State::CutInWithoutTime => {
            let past = pair.stored.is_some_and(|stored| header.slot <= stored);
            (header, if past { Dropped::Replayed } else { Dropped::NotAwaited })
        }
        // Whoever is busy is not called away.
        State::Verifying | State::Following | State::Doubting => (header, Dropped::NotAwaited),
        State::Searching | State::SearchingStored | State::Watching | State::Coasting => {
            let header = match (header.kind, pair.followed) {
                (Kind::CutIn, Some(last)) if small(rng, 2) == 0 => {
                    // Half as far back as the station remembers.
                    let size = 1 << small(rng, 14);
                    let back = u32::try_from(below(rng, size)).unwrap_or_default();
                    Header { slot: Slot::new(last.number().saturating_sub(back)), ..header }
                }
                (Kind::CutIn, _) => Header { source: OWN, ..header },
                // None of these begins a cut-in.
                _ => header,
            };
            (header, Dropped::Replayed)
        }
    }
}

/// A slot that the station can know to be past.
fn old_slot(pair: &Pair, rng: &mut ChaCha8Rng) -> Option<Slot> {
    let least = pair.old()?;
    let size = 1 << small(rng, 31);
    let further = u32::try_from(below(rng, size)).unwrap_or(u32::MAX);
    pair.slot().number().checked_sub(least.saturating_add(further)).map(Slot::new)
}

/// A time at which the traffic word of the slot is out of its place: later than guard, jitter and
/// propagation allow. A coasting station waits for the word all through its spread and takes
/// nothing from it but where to listen (specification section 6), so it is left out, and so is one
/// that has met a word like that. One in search waits for no traffic word.
fn out_of_place(pair: &Pair, rng: &mut ChaCha8Rng) -> Option<Tick> {
    let locked = match pair.state {
        State::Watching | State::Following | State::Verifying => {
            pair.attacked.clock()?.grip(&pair.timing, pair.now) == Grip::Locked
        }
        // The clock of a cut-in is not shown, and is locked: once it is not, the cut-in is left.
        State::CutIn | State::CutInWithoutTime => true,
        State::Searching | State::SearchingStored | State::Coasting | State::Doubting => false,
    };
    if !locked {
        return None;
    }
    let late = pair.timing.guard().times(6).plus(Micros::new(below(rng, 5_000)));
    Some(pair.action.from.plus(pair.timing.word_offset()).plus(late))
}
