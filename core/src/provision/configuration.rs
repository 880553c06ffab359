//! A station's configuration as CBOR (`docs/provisioning.cddl`, `configuration`).

use super::CRC_32;
use super::cbor::{Fields, Reader, Writer};
use super::error::{DecodeError, Fault};
use super::manual::{Entry, Rank};
use crate::address::Address;
use crate::band::Hopset;
use crate::clock::ClockPlan;
use crate::coding::reed_solomon::CodeError;
use crate::keys::NetKey;
use crate::message::Layout;
use crate::record::Sink;
use crate::sequence::{Draw, Structure};
use crate::station::{Config, FixedChannels, Role, Watermark};
use crate::timing::Timing;
use crate::tree::Share;
use crate::units::{Channel, Dbm, Lane, MAX_CHANNELS, Micros, Ppb};

/// The version that is written, and the latest that is read.
pub const VERSION: u64 = 1;
/// The most bytes of a configuration.
pub const MAX_CONFIGURATION: usize = 8_192;
/// The most bytes of a net's name (64 characters of four bytes).
pub const MAX_NAME: usize = 256;

/// What tells one plan from another: the first 16 bytes of the SHA-256 of the encoding of its
/// public part ([`PublicPlan::encode`](super::PublicPlan::encode)). The core only compares it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PlanDigest([u8; 16]);

impl PlanDigest {
    /// A digest.
    #[must_use]
    pub const fn new(bytes: [u8; 16]) -> Self {
        Self(bytes)
    }

    /// The digest's bytes.
    #[must_use]
    pub const fn bytes(&self) -> &[u8; 16] {
        &self.0
    }

    /// Its first four bytes, for entry by hand: enough to notice a wrong plan.
    #[must_use]
    pub const fn short(&self) -> [u8; 4] {
        let [a, b, c, d, ..] = self.0;
        [a, b, c, d]
    }
}

/// Everything that a station is given. The name stays where it was read from.
///
/// It numbers channels and has no frequency: where channel 0 lies and how far apart they are is the plan's
/// raster, which belongs to the board ([`Raster`](crate::band::Raster)).
///
/// The watermark and the seed are not in it: they are the station's own.
#[derive(Debug)]
pub struct Configuration<'a, const N: usize> {
    /// The station's address.
    pub address: Address,
    /// What it may do.
    pub role: Role,
    /// The net's name, 1 to 256 bytes.
    pub name: &'a str,
    /// The plan that it was made from.
    pub plan: PlanDigest,
    /// The net key.
    pub key: NetKey,
    /// The channels of the lane.
    pub hopset: Hopset<N>,
    /// The shape of the timeline.
    pub structure: Structure,
    /// The lane.
    pub lane: Lane,
    /// The lane whose draw is followed.
    pub draw_lane: Lane,
    /// The anatomy of a slot.
    pub timing: Timing,
    /// Tolerances and distances.
    pub clock: ClockPlan,
    /// Slots of an announce, 1 to 2000.
    pub announce_slots: u16,
    /// Received power from which a channel without a unique word counts as interfered with.
    pub energy_threshold: Dbm,
    /// Channels outside the hopset on which others are heard.
    pub fixed: FixedChannels,
    /// The code that protects messages.
    pub code: MessageCode,
    /// The station's share of the key tree, if the plan has one. Secret.
    pub share: Option<Share>,
}

/// The `(n, k)` of the code that protects messages (specification section 11), as a plan gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct MessageCode {
    /// Symbols of a word.
    pub n: u8,
    /// Those of them that carry the text, fewer than `n`.
    pub k: u8,
}

/// The map's keys. They ascend in the order in which they are written; a new one goes where its
/// number puts it, in `encode` and in `read`, and into the CDDL.
mod key {
    pub(super) const VERSION: u64 = 0;
    pub(super) const ADDRESS: u64 = 1;
    pub(super) const ROLE: u64 = 2;
    pub(super) const NAME: u64 = 3;
    pub(super) const PLAN: u64 = 4;
    pub(super) const NET_KEY: u64 = 5;
    pub(super) const HOPSET: u64 = 6;
    pub(super) const ROTATION: u64 = 7;
    pub(super) const STRUCTURE: u64 = 8;
    pub(super) const LANE: u64 = 9;
    pub(super) const DRAW_LANE: u64 = 10;
    pub(super) const TIMING: u64 = 11;
    pub(super) const CLOCK: u64 = 12;
    pub(super) const ANNOUNCE: u64 = 13;
    pub(super) const ENERGY: u64 = 14;
    pub(super) const FIXED: u64 = 15;
    pub(super) const CODE: u64 = 17;
    pub(super) const SHARE: u64 = 16;
    /// The check value comes last. (23 is the last key of one byte.)
    pub(super) const CHECK: u64 = 23;
}

/// What stands before the four bytes of the check value: its key and the head of a byte string.
const CHECK_HEAD: [u8; 2] = [0x17, 0x44];

impl<'a, const N: usize> Configuration<'a, N> {
    /// Reads a configuration. At most 4096 steps for the hopset, and eight a byte for the check.
    ///
    /// # Errors
    /// [`DecodeError`] if it is not one of this version, in its one encoding, undamaged. Bytes
    /// that are damaged say so, unless they are cut short or name a later version.
    pub fn decode(bytes: &'a [u8]) -> Result<Self, DecodeError> {
        if bytes.len() > MAX_CONFIGURATION {
            let fault = Fault::TooLong { bytes: bytes.len(), limit: MAX_CONFIGURATION };
            return Err(fault.at(MAX_CONFIGURATION));
        }
        let read = Self::read(bytes);
        // A later version may be anything behind its number. Of an earlier one there is none: that is
        // damage, unless the check says otherwise.
        let later = |fault: Fault| matches!(fault, Fault::Version(version) if version > VERSION);
        if let Err(error) = &read
            && (matches!(error.fault, Fault::CutShort) || later(error.fault))
        {
            return read;
        }
        // The check is over everything before it, its own head included.
        let intact = bytes
            .split_last_chunk::<4>()
            .is_some_and(|(body, check)| CRC_32.checksum(body).to_be_bytes() == *check);
        if intact {
            return read;
        }
        let at = read.as_ref().map_or_else(|error| error.at, |_| bytes.len().saturating_sub(4));
        Err(Fault::Damaged.at(at))
    }

    fn read(bytes: &'a [u8]) -> Result<Self, DecodeError> {
        let mut fields = Fields::open(bytes)?;
        let at = 2;
        let version = fields.number(key::VERSION)?;
        if version != VERSION {
            return Err(Fault::Version(version).at(at));
        }
        let address = Address::new(fields.number(key::ADDRESS)?);
        let role = value(&mut fields, key::ROLE, read_role)?;
        let name = value(&mut fields, key::NAME, |r| {
            let name = r.text()?;
            Ok((1..=MAX_NAME).contains(&name.len()).then_some(name))
        })?;
        let plan = value(&mut fields, key::PLAN, |r| Ok(r.bytes()?.try_into().ok()))?;
        let net_key = value(&mut fields, key::NET_KEY, |r| {
            // Built in place: no copy of the key is left behind here.
            Ok(<&[u8; 32]>::try_from(r.bytes()?).ok().map(|key| NetKey::new(*key)))
        })?;
        let reader = fields.needed(key::HOPSET)?;
        let at = reader.at();
        reader.array_of(2)?;
        let first = reader.unsigned()?;
        let map = reader.bytes()?;
        let rotation = match fields.optional(key::ROTATION)? {
            None => 0,
            Some(reader) => {
                let at = reader.at();
                match u16::try_from(reader.unsigned()?) {
                    // Left out when it is 0, and counted round the hopset: one encoding each.
                    Ok(rotation @ 1..) => rotation,
                    Ok(0) | Err(_) => return Err(Fault::Value(key::ROTATION).at(at)),
                }
            }
        };
        let hopset = read_hopset(first, map, rotation, at)?;
        let structure = value(&mut fields, key::STRUCTURE, read_structure)?;
        let mut lane = |key| {
            value(&mut fields, key, |r| Ok(r.unsigned()?.try_into().ok().and_then(Lane::new)))
        };
        let (lane, draw_lane) = (lane(key::LANE)?, lane(key::DRAW_LANE)?);
        let reader = fields.needed(key::TIMING)?;
        let at = reader.at();
        reader.array_of(4)?;
        let [slot_us, settle_us, guard_us, link_bps] = numbers(reader, key::TIMING)?;
        let timing = Timing::new(slot_us, settle_us, guard_us, link_bps)
            .map_err(|error| Fault::Timing(error).at(at))?;
        let clock = value(&mut fields, key::CLOCK, |reader| {
            reader.array_of(6)?;
            let [tolerance, own, steadiness, wander, jitter, delay] = numbers(reader, key::CLOCK)?;
            let micros = |us: u32| Micros::new(us.into());
            let rates = (Ppb::new(tolerance), Ppb::new(own), Ppb::new(steadiness));
            let (Some(tolerance), Some(own_tolerance), Some(steadiness)) = rates else {
                return Ok(None);
            };
            Ok(Some(ClockPlan {
                tolerance,
                own_tolerance,
                steadiness,
                wander: micros(wander),
                jitter: micros(jitter),
                longest_delay: micros(delay),
            }))
        })?;
        let announce_slots = fields.number(key::ANNOUNCE)?;
        let energy = value(&mut fields, key::ENERGY, |r| Ok(r.signed()?.try_into().ok()))?;
        let fixed = value(&mut fields, key::FIXED, |reader| {
            reader.array_of(3)?;
            let (calling, watch) = (read_fixed_channel(reader)?, read_fixed_channel(reader)?);
            let lockout = Micros::new(reader.unsigned()?);
            Ok(Some(FixedChannels { calling, watch, lockout }))
        })?;
        let share = match fields.optional(key::SHARE)? {
            None => None,
            Some(reader) => {
                let at = reader.at();
                let share = Share::read(reader.bytes()?);
                Some(share.ok_or(Fault::Value(key::SHARE).at(at))?)
            }
        };
        let code = value(&mut fields, key::CODE, |reader| {
            reader.array_of(2)?;
            let [n, k] = [u8::try_from(reader.unsigned()?), u8::try_from(reader.unsigned()?)];
            Ok(n.ok().zip(k.ok()).map(|(n, k)| MessageCode { n, k }))
        })?;
        value(&mut fields, key::CHECK, |r| Ok(<&[u8; 4]>::try_from(r.bytes()?).ok()))?;
        fields.end()?;
        Ok(Self {
            address,
            role,
            name,
            plan: PlanDigest(plan),
            key: net_key,
            hopset,
            structure,
            lane,
            draw_lane,
            timing,
            clock,
            announce_slots,
            energy_threshold: Dbm::new(energy),
            fixed,
            code,
            share,
        })
    }

    /// Writes the configuration's one encoding. It holds net key and share in the clear. (A name
    /// of no or too many bytes is written as it is, and refused when it is read.)
    pub fn encode(&self, sink: &mut impl Sink) {
        let mut check = CRC_32.digest();
        let mut both = |bytes: &[u8]| {
            check.update(bytes);
            sink.write(bytes);
        };
        let mut out = Writer::new(&mut both);
        let optional = [self.hopset.rotation() > 0, self.share.is_some()];
        out.map(optional.iter().fold(17, |n: u64, there| n.wrapping_add(u64::from(*there))));
        out.unsigned(key::VERSION);
        out.unsigned(VERSION);
        out.unsigned(key::ADDRESS);
        out.unsigned(self.address.number().into());
        out.unsigned(key::ROLE);
        write_role(&mut out, self.role);
        out.unsigned(key::NAME);
        out.text(self.name);
        out.unsigned(key::PLAN);
        out.bytes(&self.plan.0);
        out.unsigned(key::NET_KEY);
        self.key.expose(|key| out.bytes(key));
        out.unsigned(key::HOPSET);
        out.array(2);
        write_bitmap(&mut out, self.hopset.channels().iter().copied());
        if self.hopset.rotation() > 0 {
            out.unsigned(key::ROTATION);
            out.unsigned(self.hopset.rotation().into());
        }
        out.unsigned(key::STRUCTURE);
        write_structure(&mut out, self.structure);
        out.unsigned(key::LANE);
        out.unsigned(self.lane.number().into());
        out.unsigned(key::DRAW_LANE);
        out.unsigned(self.draw_lane.number().into());
        out.unsigned(key::TIMING);
        write_timing(&mut out, &self.timing);
        out.unsigned(key::CLOCK);
        write_clock(&mut out, self.clock);
        out.unsigned(key::ANNOUNCE);
        out.unsigned(self.announce_slots.into());
        out.unsigned(key::ENERGY);
        out.signed(self.energy_threshold.dbm().into());
        out.unsigned(key::FIXED);
        write_fixed(&mut out, self.fixed);
        if let Some(share) = &self.share {
            out.unsigned(key::SHARE);
            out.bytes_head(share.written_bytes() as u64);
            share.write(&mut |part: &[u8]| out.raw(part));
        }
        out.unsigned(key::CODE);
        write_code(&mut out, self.code);
        out.raw(&CHECK_HEAD);
        sink.write(&check.finalize().to_be_bytes());
    }

    /// How messages are cut, for an [`Outbox`](crate::message::Outbox) and an
    /// [`Inbox`](crate::message::Inbox).
    ///
    /// # Errors
    /// [`CodeError`] unless `1 <= k < n`.
    pub fn layout(&self) -> Result<Layout, CodeError> {
        Layout::new(self.code.n, self.code.k, self.timing.payload_bytes())
    }

    /// Whether this is `before` with the keys of a later change of the net key on the air, or the same with the same
    /// keys. Ask it before a station's own new configuration takes the place of the one in use
    /// ([`Store::replace`](crate::loader::Store::replace)): a carrier may have brought another one since the
    /// station was made, of another plan, or of the same with later keys, another role or directory, and that must
    /// not be lost. Some 600 bytes are compared; with secrets it takes as long whatever they are.
    #[must_use]
    pub fn renews(&self, before: &Self) -> bool {
        // All of them, so that none is forgotten.
        let Self {
            address,
            role,
            name,
            plan,
            key,
            hopset,
            structure,
            lane,
            draw_lane,
            timing,
            clock,
            announce_slots,
            energy_threshold,
            fixed,
            code,
            share,
        } = self;
        let public = *address == before.address
            && *role == before.role
            && *name == before.name
            && *plan == before.plan
            && *hopset == before.hopset
            && *structure == before.structure
            && *lane == before.lane
            && *draw_lane == before.draw_lane
            && *timing == before.timing
            && *clock == before.clock
            && *announce_slots == before.announce_slots
            && *energy_threshold == before.energy_threshold
            && *fixed == before.fixed
            && *code == before.code;
        let same_key = key.same(&before.key);
        let keys = match (share, &before.share) {
            // Only a change brings another key.
            (Some(share), Some(before)) => {
                share.renews(before) && (share.generation() > before.generation() || same_key)
            }
            // Without a share there are no changes on the air.
            (None, None) => same_key,
            (Some(_), None) | (None, Some(_)) => false,
        };
        public && keys
    }

    /// What of it is typed by hand at a station that holds the plan's public part.
    #[must_use]
    pub fn entry(&self) -> Entry {
        let Self { address, lane, .. } = *self;
        let mut key = NetKey::new([0; 32]);
        self.key.expose(|bytes| key = NetKey::new(*bytes));
        Entry { address, rank: Rank::of(self.role), lane, plan: self.plan.short(), key }
    }

    /// What makes a station of it: with what its storage says of the net's past, and a seed that
    /// spreads the choices that no key decides.
    #[must_use]
    pub fn config(&self, watermark: Watermark, seed: u64) -> Config<'_, N> {
        Config {
            key: &self.key,
            hopset: self.hopset.clone(),
            structure: self.structure,
            lane: self.lane,
            draw_lane: self.draw_lane,
            timing: self.timing,
            clock: self.clock,
            announce_slots: self.announce_slots,
            energy_threshold: self.energy_threshold,
            fixed: self.fixed,
            address: self.address,
            role: self.role,
            share: self.share.as_ref().map(Share::copy),
            watermark,
            seed,
        }
    }
}

fn read_role(reader: &mut Reader<'_>) -> Result<Option<Role>, DecodeError> {
    let items = reader.array()?;
    let rank = Rank::of_code(reader.unsigned()?);
    Ok(match (rank, items) {
        (Some(Rank::Deputy), 2) => Some(Role::Deputy { after: Micros::new(reader.unsigned()?) }),
        (Some(rank @ (Rank::Timekeeper | Rank::Member)), 1) => Some(rank.role(Micros::ZERO)),
        _ => None,
    })
}

fn write_role<S: Sink>(out: &mut Writer<'_, S>, role: Role) {
    let after = match role {
        Role::Deputy { after } => Some(after),
        Role::Timekeeper | Role::Member => None,
    };
    out.array(if after.is_some() { 2 } else { 1 });
    out.unsigned(Rank::of(role).code().into());
    if let Some(after) = after {
        out.unsigned(after.us());
    }
}

/// A channel of [`FixedChannels`]: -1 stands for none.
fn read_fixed_channel(reader: &mut Reader<'_>) -> Result<Option<Channel>, DecodeError> {
    let at = reader.at();
    match reader.signed()? {
        -1 => Ok(None),
        number => {
            let channel = u16::try_from(number).ok().and_then(Channel::new);
            channel.map(Some).ok_or(Fault::Value(key::FIXED).at(at))
        }
    }
}

pub(super) fn write_code<S: Sink>(out: &mut Writer<'_, S>, code: MessageCode) {
    out.array(2);
    out.unsigned(code.n.into());
    out.unsigned(code.k.into());
}

pub(super) fn write_fixed<S: Sink>(out: &mut Writer<'_, S>, fixed: FixedChannels) {
    let FixedChannels { calling, watch, lockout } = fixed;
    out.array(3);
    for channel in [calling, watch] {
        out.signed(channel.map_or(-1, |channel| channel.number().into()));
    }
    out.unsigned(lockout.us());
}

/// Reads the value of a key; `None` of `read` means that it is out of range.
fn value<'a, T>(
    fields: &mut Fields<'a>,
    key: u64,
    read: impl FnOnce(&mut Reader<'a>) -> Result<Option<T>, DecodeError>,
) -> Result<T, DecodeError> {
    let reader = fields.needed(key)?;
    let at = reader.at();
    read(reader)?.ok_or(Fault::Value(key).at(at))
}

/// The numbers of an array, each below 2^32.
fn numbers<const COUNT: usize>(
    reader: &mut Reader<'_>,
    key: u64,
) -> Result<[u32; COUNT], DecodeError> {
    let mut numbers = [0; COUNT];
    for number in &mut numbers {
        let at = reader.at();
        *number = u32::try_from(reader.unsigned()?).map_err(|_| Fault::Value(key).at(at))?;
    }
    Ok(numbers)
}

fn read_structure(reader: &mut Reader<'_>) -> Result<Option<Structure>, DecodeError> {
    reader.array_of(5)?;
    let [frame, rendezvous, window, draw] = numbers(reader, key::STRUCTURE)?;
    let equal_use = reader.flag()?;
    let draw = match draw {
        1 => Draw::Balanced,
        2 => Draw::Independent,
        _ => return Ok(None),
    };
    let (Ok(frame), Ok(rendezvous), Ok(window)) =
        (frame.try_into(), rendezvous.try_into(), window.try_into())
    else {
        return Ok(None);
    };
    Ok(Some(Structure { frame, rendezvous, window, draw, equal_use }))
}

pub(super) fn write_structure<S: Sink>(out: &mut Writer<'_, S>, structure: Structure) {
    let Structure { frame, rendezvous, window, draw, equal_use } = structure;
    out.array(5);
    out.unsigned(frame.into());
    out.unsigned(rendezvous.into());
    out.unsigned(window.into());
    out.unsigned(match draw {
        Draw::Balanced => 1,
        Draw::Independent => 2,
    });
    out.flag(equal_use);
}

pub(super) fn write_timing<S: Sink>(out: &mut Writer<'_, S>, timing: &Timing) {
    out.array(4);
    out.unsigned(timing.slot().us());
    out.unsigned(timing.settle().us());
    out.unsigned(timing.guard().us());
    out.unsigned(timing.link_bps().into());
}

pub(super) fn write_clock<S: Sink>(out: &mut Writer<'_, S>, clock: ClockPlan) {
    out.array(6);
    for rate in [clock.tolerance, clock.own_tolerance, clock.steadiness] {
        out.unsigned(rate.ppb().into());
    }
    out.unsigned(clock.wander.us());
    out.unsigned(clock.jitter.us());
    out.unsigned(clock.longest_delay.us());
}

/// The hopset of a bit map. Its first channel is in it and so is one of its last eight: anything
/// else would be a second encoding.
fn read_hopset<const N: usize>(
    first: u64,
    map: &[u8],
    rotation: u16,
    at: usize,
) -> Result<Hopset<N>, DecodeError> {
    let refused = Fault::Value(key::HOPSET).at(at);
    let Ok(first) = u16::try_from(first) else { return Err(refused) };
    let tidy = map.first().is_some_and(|byte| byte & 1 == 1) && map.last() != Some(&0);
    if !tidy || map.len() > usize::from(MAX_CHANNELS / 8) {
        return Err(refused);
    }
    let bits = (0_u16..).zip(map).flat_map(|(i, byte)| {
        (0..8).filter(move |bit| byte >> bit & 1 == 1).map(move |bit| i.wrapping_mul(8) | bit)
    });
    // A channel beyond the last stops the walk and leaves the count short.
    let channels = bits.map_while(|bit| Channel::new(first.checked_add(bit)?));
    let hopset =
        Hopset::from_derived(channels, rotation).map_err(|error| Fault::Hopset(error).at(at))?;
    let ones = map.iter().fold(0, |n: u32, byte| n.wrapping_add(byte.count_ones()));
    if u32::from(hopset.len()) != ones || hopset.rotation() != rotation {
        return Err(refused);
    }
    Ok(hopset)
}

/// The two items of a set of ascending channels: the first, and a bit map from there on (bit `i`
/// of byte `j`, counted from the lowest, is channel `first + 8 j + i`).
pub(super) fn write_bitmap<S: Sink>(
    out: &mut Writer<'_, S>,
    channels: impl Iterator<Item = Channel> + Clone,
) {
    let number = |channel: Option<Channel>| channel.map_or(0, Channel::number);
    let (first, last) = (number(channels.clone().next()), number(channels.clone().last()));
    out.unsigned(first.into());
    let bytes = if channels.clone().next().is_none() {
        0
    } else {
        (last.wrapping_sub(first) / 8).wrapping_add(1)
    };
    out.bytes_head(bytes.into());
    let mut rest = channels.map(|c| c.number().wrapping_sub(first)).peekable();
    for byte in 0..bytes {
        let mut bits = 0_u8;
        while let Some(offset) = rest.next_if(|offset| offset / 8 == byte) {
            bits |= 1 << (offset & 7);
        }
        out.raw(&[bits]);
    }
}
