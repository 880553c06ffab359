//! A station's configuration as bytes, so that a recording can stand alone.
//!
//! It contains the net key in the clear. Recordings are for simulated nets with training keys.

use super::{Sink, byte, read_bytes, take};
use crate::address::Address;
use crate::band::Hopset;
use crate::clock::ClockPlan;
use crate::keys::NetKey;
use crate::sequence::{Draw, Structure};
use crate::station::{Config, FixedChannels, Role, Watermark};
use crate::timing::Timing;
use crate::tree::Share;
use crate::units::{Channel, Dbm, Lane, Micros, Ppb, Slot};

/// What a recording begins with: its kind and version.
pub const MAGIC: &[u8; 8] = b"hopwrec3";

/// Writes a configuration: the head of a recording.
pub fn write_config<const N: usize>(config: &Config<'_, N>, sink: &mut impl Sink) {
    sink.write(MAGIC);
    config.key.expose(|key| sink.write(key));
    sink.write(&config.hopset.len().to_le_bytes());
    for channel in config.hopset.channels() {
        sink.write(&channel.number().to_le_bytes());
    }
    sink.write(&config.hopset.rotation().to_le_bytes());
    let Structure { frame, rendezvous, window, draw, equal_use } = config.structure;
    let independent = u8::from(draw == Draw::Independent);
    sink.write(&[frame, rendezvous, window, independent, u8::from(equal_use)]);
    sink.write(&[config.lane.number(), config.draw_lane.number()]);
    let timing = &config.timing;
    for us in [timing.slot(), timing.settle(), timing.guard()] {
        sink.write(&us.us().to_le_bytes());
    }
    sink.write(&timing.link_bps().to_le_bytes());
    let clock = &config.clock;
    for rate in [clock.tolerance, clock.own_tolerance, clock.steadiness] {
        sink.write(&rate.ppb().to_le_bytes());
    }
    sink.write(&clock.wander.us().to_le_bytes());
    sink.write(&config.clock.jitter.us().to_le_bytes());
    sink.write(&config.clock.longest_delay.us().to_le_bytes());
    sink.write(&config.announce_slots.to_le_bytes());
    sink.write(&config.energy_threshold.dbm().to_le_bytes());
    for channel in [config.fixed.calling, config.fixed.watch] {
        sink.write(&channel.map_or(u16::MAX, Channel::number).to_le_bytes());
    }
    sink.write(&config.fixed.lockout.us().to_le_bytes());
    let (role, after) = match config.role {
        Role::Timekeeper => (1, Micros::ZERO),
        Role::Member => (2, Micros::ZERO),
        Role::Deputy { after } => (3, after),
    };
    let (tag, slot) = match config.watermark {
        Watermark::Fresh => (1, 0),
        Watermark::Stored(slot) => (2, slot.number()),
        Watermark::Lost => (3, 0),
    };
    sink.write(&[config.address.number(), role, tag]);
    sink.write(&after.us().to_le_bytes());
    sink.write(&slot.to_le_bytes());
    sink.write(&config.seed.to_le_bytes());
    let mut length = 0_u16;
    if let Some(share) = &config.share {
        share.write(&mut |bytes: &[u8]| length = length.saturating_add(count(bytes)));
    }
    sink.write(&length.to_le_bytes());
    if let Some(share) = &config.share {
        share.write(sink);
    }
}

/// Bytes of a share are few.
fn count(bytes: &[u8]) -> u16 {
    u16::try_from(bytes.len()).unwrap_or(u16::MAX)
}

/// Reads the key of a recording, which the configuration borrows; `None` if it is no recording.
#[must_use]
pub fn read_key(recording: &[u8]) -> Option<NetKey> {
    let key = recording.strip_prefix(MAGIC)?.first_chunk()?;
    Some(NetKey::new(*key))
}

/// Reads the configuration off the front of a recording; `None` if it is cut short, does not
/// make sense, is not as [`write_config`] writes it, or has a hopset larger than `N`. `key` is what [`read_key`] gave.
pub fn read_config<'k, const N: usize>(from: &mut &[u8], key: &'k NetKey) -> Option<Config<'k, N>> {
    let mut rest = from.strip_prefix(MAGIC)?.get(32..)?;
    let count = u16::from_le_bytes(take(&mut rest)?);
    let bytes = usize::from(count).checked_mul(2)?;
    let (list, mut rest) = rest.split_at_checked(bytes)?;
    let (pairs, _) = list.as_chunks::<2>();
    let channels = pairs.iter().filter_map(|pair| Channel::new(u16::from_le_bytes(*pair)));
    let rotation = u16::from_le_bytes(take(&mut rest)?);
    let hopset = Hopset::from_derived(channels, rotation).ok()?;
    if hopset.len() != count || hopset.rotation() != rotation {
        return None;
    }
    let [frame, rendezvous, window, independent, equal_use] = take(&mut rest)?;
    let draw = if read_flag(independent)? { Draw::Independent } else { Draw::Balanced };
    let equal_use = read_flag(equal_use)?;
    let structure = Structure { frame, rendezvous, window, draw, equal_use };
    let [lane, draw_lane] = take(&mut rest)?;
    let mut span = || Some(u64::from_le_bytes(take(&mut rest)?));
    let (slot_us, settle_us, guard_us) = (span()?, span()?, span()?);
    let link_bps = u32::from_le_bytes(take(&mut rest)?);
    let timing = Timing::new(
        u32::try_from(slot_us).ok()?,
        u32::try_from(settle_us).ok()?,
        u32::try_from(guard_us).ok()?,
        link_bps,
    )
    .ok()?;
    let mut rate = || Ppb::new(u32::from_le_bytes(take(&mut rest)?));
    let (tolerance, own_tolerance, steadiness) = (rate()?, rate()?, rate()?);
    let wander = Micros::new(u64::from_le_bytes(take(&mut rest)?));
    let jitter = Micros::new(u64::from_le_bytes(take(&mut rest)?));
    let longest_delay = Micros::new(u64::from_le_bytes(take(&mut rest)?));
    let announce_slots = u16::from_le_bytes(take(&mut rest)?);
    let energy_threshold = Dbm::new(i16::from_le_bytes(take(&mut rest)?));
    let fixed = FixedChannels {
        calling: read_fixed(&mut rest)?,
        watch: read_fixed(&mut rest)?,
        lockout: Micros::new(u64::from_le_bytes(take(&mut rest)?)),
    };
    let address = Address::new(byte(&mut rest)?);
    let (role, tag) = (byte(&mut rest)?, byte(&mut rest)?);
    let after = Micros::new(u64::from_le_bytes(take(&mut rest)?));
    // What a role or a watermark does not have is 0.
    let role = match (role, after) {
        (1, Micros::ZERO) => Role::Timekeeper,
        (2, Micros::ZERO) => Role::Member,
        (3, after) => Role::Deputy { after },
        _ => return None,
    };
    let slot = Slot::new(u32::from_le_bytes(take(&mut rest)?));
    let watermark = match (tag, slot) {
        (1, Slot::ZERO) => Watermark::Fresh,
        (2, slot) => Watermark::Stored(slot),
        (3, Slot::ZERO) => Watermark::Lost,
        _ => return None,
    };
    let seed = u64::from_le_bytes(take(&mut rest)?);
    let share = match read_bytes(&mut rest)? {
        [] => None,
        bytes => Some(Share::read(bytes)?),
    };
    *from = rest;
    Some(Config {
        key,
        hopset,
        structure,
        lane: Lane::new(lane)?,
        draw_lane: Lane::new(draw_lane)?,
        timing,
        clock: ClockPlan { tolerance, own_tolerance, steadiness, wander, jitter, longest_delay },
        announce_slots,
        energy_threshold,
        fixed,
        address,
        role,
        share,
        watermark,
        seed,
    })
}

/// A yes or no, in its one encoding.
const fn read_flag(byte: u8) -> Option<bool> {
    match byte {
        0 => Some(false),
        1 => Some(true),
        _ => None,
    }
}

/// A fixed channel, or that there is none; `None` if it is neither.
fn read_fixed(rest: &mut &[u8]) -> Option<Option<Channel>> {
    match u16::from_le_bytes(take(rest)?) {
        u16::MAX => Some(None),
        number => Channel::new(number).map(Some),
    }
}
