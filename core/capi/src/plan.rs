//! What a board has to know of a configuration: its slots, channels and codes.

use crate::memory::Memory;
use crate::pointers::{Span, bytes, check_apart, get, held, put};
use crate::types::channel;
use crate::{CHANNELS, CONFIGURATION, NONE, RANGE, status};
use hopwright_core::band;
use hopwright_core::message::Layout;
use hopwright_core::provision::Configuration;
use hopwright_core::station::Role;
use hopwright_core::units::{Channel, Hertz};

/// Neither timekeeper nor deputy.
pub const ROLE_MEMBER: u8 = 0;
/// May start the net's timeline.
pub const ROLE_TIMEKEEPER: u8 = 1;
/// May take over from the timekeeper.
pub const ROLE_DEPUTY: u8 = 2;
/// No channel.
pub const NO_CHANNEL: u16 = 65_535;

/// What a configuration says of a station and its plan. Nothing of it is secret.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Plan {
    /// The silence of announces after which a deputy may take over; 0 for others.
    pub deputy_after_us: u64,
    /// The length of a slot.
    pub slot_us: u32,
    /// The time in which a receiver must listen and which ends with ramp and preamble of a transmitter: a
    /// receiver has it less both.
    pub settle_us: u32,
    /// The time by which clocks may differ. The unique word starts after settling and one guard.
    pub guard_us: u32,
    /// The bit rate on the air.
    pub link_bps: u32,
    /// The bits that a slot carries after its unique word of 32.
    pub bits: u32,
    /// The bytes of payload that a traffic slot carries.
    pub payload_bytes: u32,
    /// The bytes of the longest message that the plan allows.
    pub longest_message: u32,
    /// By how much the stamp of a word may differ from when it should have started.
    pub jitter_us: u32,
    /// By how much the station's clock may be fast or slow, parts in 10^9, in sleep as well.
    pub own_tolerance_ppb: u32,
    /// The first 16 bytes of the plan's digest: two stations of one plan have the same.
    pub digest: [u8; 16],
    /// A name of the net key, which may be shown: to store with a watermark, which belongs to the key.
    pub key_name: [u8; 4],
    /// The channels of the hopset: `hw_hopset` gives each.
    pub channels: u16,
    /// The calling channel, or `NO_CHANNEL`.
    pub calling: u16,
    /// The watch channel, or `NO_CHANNEL`.
    pub watch: u16,
    /// Received power from which a channel without a unique word is to be reported.
    pub energy_threshold_dbm: i16,
    /// Slots of an announce.
    pub announce_slots: u16,
    /// The station's address.
    pub address: u8,
    /// One of `ROLE_`.
    pub role: u8,
    /// The lane.
    pub lane: u8,
    /// Columns of a block of a message,
    pub code_n: u8,
    /// and how many of them suffice.
    pub code_k: u8,
    /// Whether the station has a share of the key tree: calls are then told apart by keys.
    pub has_share: u8,
    /// How many changes of the net key the share has seen.
    pub generation: u8,
    /// Nothing.
    pub unused: [u8; 7],
}

impl Plan {
    fn of(configuration: &Configuration<'_, CHANNELS>) -> Option<Self> {
        let layout = configuration.layout().ok()?;
        let timing = &configuration.timing;
        let micros = |us: u64| u32::try_from(us).unwrap_or(u32::MAX);
        let number = |channel: Option<Channel>| channel.map_or(NO_CHANNEL, Channel::number);
        let (role, deputy_after_us) = match configuration.role {
            Role::Timekeeper => (ROLE_TIMEKEEPER, 0),
            Role::Deputy { after } => (ROLE_DEPUTY, after.us()),
            _ => (ROLE_MEMBER, 0),
        };
        let share = configuration.share.as_ref();
        Some(Self {
            deputy_after_us,
            slot_us: micros(timing.slot().us()),
            jitter_us: micros(configuration.clock.jitter.us()),
            own_tolerance_ppb: configuration.clock.own_tolerance.ppb(),
            settle_us: micros(timing.settle().us()),
            guard_us: micros(timing.guard().us()),
            link_bps: timing.link_bps(),
            bits: timing.bits(),
            payload_bytes: u32::try_from(timing.payload_bytes()).unwrap_or(u32::MAX),
            longest_message: layout.longest().into(),
            digest: *configuration.plan.bytes(),
            channels: configuration.hopset.len(),
            calling: number(configuration.fixed.calling),
            watch: number(configuration.fixed.watch),
            energy_threshold_dbm: configuration.energy_threshold.dbm(),
            announce_slots: configuration.announce_slots,
            address: configuration.address.number(),
            role,
            lane: configuration.lane.number(),
            code_n: configuration.code.n,
            code_k: configuration.code.k,
            has_share: u8::from(share.is_some()),
            generation: share.map_or(0, |share| share.generation()),
            key_name: configuration.key.fingerprint(),
            unused: [0; 7],
        })
    }

    /// How messages are cut.
    pub(crate) fn layout(&self) -> Option<Layout> {
        Layout::new(self.code_n, self.code_k, usize::try_from(self.payload_bytes).ok()?).ok()
    }
}

/// Equally spaced channels. A configuration does not say where its channels lie: the plan's raster is
/// the board's to know.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Raster {
    /// The centre of channel 0.
    pub base_hz: u64,
    /// The distance between neighbours.
    pub spacing_hz: u64,
    /// How many there are, 1 to 4096.
    pub channels: u16,
    /// Nothing.
    pub unused: [u8; 6],
}

/// Reads what a board has to know of a configuration. `CONFIGURATION` if it is none, or its code of
/// messages is impossible.
///
/// # Safety
/// `configuration` points to `length` bytes, `plan` to room for an `hw_plan`. What is said of all
/// functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_read_plan(
    configuration: *const u8,
    length: usize,
    plan: *mut Plan,
) -> i32 {
    if let Err(failed) = check_apart(&[Span::read(configuration, length), Span::of(plan)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let configuration = unsafe { bytes(configuration, length) };
    // SAFETY: as promised by the caller.
    let plan = unsafe { put(plan) };
    status((|| {
        let (configuration, plan) = (configuration?, plan?);
        let read = Configuration::decode(configuration).map_err(|_| CONFIGURATION)?;
        plan.write(Plan::of(&read).ok_or(CONFIGURATION)?);
        Ok(())
    })())
}

/// Gives the channel of a station's hopset at a rank, from 0 on: those that a board tunes to. `NONE`
/// beyond the last.
///
/// # Safety
/// `memory` points to an `hw_memory`, `channel` to an `uint16_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_hopset(memory: *mut Memory, rank: u16, channel: *mut u16) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(memory), Span::of(channel)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let channel = unsafe { put(channel) };
    status((|| {
        let (station, channel) = (station?, channel?);
        let channels = station.sequence().hopset().channels();
        channel.write(channels.get(usize::from(rank)).ok_or(NONE)?.number());
        Ok(())
    })())
}

/// The centre frequency of a channel of a raster. `RANGE` if the raster is impossible or does not reach
/// it.
///
/// # Safety
/// `raster` points to an `hw_raster`, `frequency_hz` to an `uint64_t`. What is said of all functions
/// holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_frequency(
    raster: *const Raster,
    number: u16,
    frequency_hz: *mut u64,
) -> i32 {
    // SAFETY: as promised by the caller.
    let raster = unsafe { get(raster) };
    // SAFETY: as promised by the caller.
    let frequency_hz = unsafe { put(frequency_hz) };
    status((|| {
        let (raster, frequency_hz) = (raster?, frequency_hz?);
        let (base, spacing) = (Hertz::new(raster.base_hz), Hertz::new(raster.spacing_hz));
        let raster = band::Raster::new(base, spacing, spacing, raster.channels);
        let frequency = raster.map_err(|_| RANGE)?.frequency(channel(number).ok_or(RANGE)?);
        frequency_hz.write(frequency.ok_or(RANGE)?.hz());
        Ok(())
    })())
}
