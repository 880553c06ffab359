//! Hop sequences and stations made from a few numbers.

use hopwright_core::address::Address;
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Cursor, Draw, Sequence, SlotKind, Structure, Timeline};
use hopwright_core::station::{Config, FixedChannels, Role, Station, Watermark};
use hopwright_core::timing::Timing;
use hopwright_core::tree::Share;
use hopwright_core::units::{Dbm, Hertz, Lane, Micros, Ppb, Slot};

/// A net key that differs in every byte for different numbers.
#[must_use]
pub fn key(number: u8) -> NetKey {
    NetKey::new(key_bytes(number))
}

/// The bytes of [`key`].
#[must_use]
pub fn key_bytes(number: u8) -> [u8; 32] {
    core::array::from_fn(|i| {
        number.wrapping_mul(37) ^ u8::try_from(i).unwrap_or_default().wrapping_mul(101)
    })
}

/// A raster of `count` channels of 25 kHz from 30 MHz.
///
/// # Panics
/// If there is no such raster.
#[must_use]
pub fn raster(count: u16) -> Raster {
    let step = Hertz::new(25_000);
    Raster::new(Hertz::new(30_000_000), step, step, count).expect("a raster of 1 to 4096 channels")
}

/// A sequence over all of `count` channels.
///
/// # Panics
/// If the structure does not fit.
#[must_use]
pub fn sequence<const N: usize>(key: &NetKey, count: u16, structure: Structure) -> Sequence<N> {
    let raster = raster(count);
    let hopset = Hopset::derive(key, &raster, &raster.all(), Pick::All, None, Lane::ZERO);
    let hopset = hopset.expect("4 to N channels");
    Sequence::new(key, hopset, structure, Lane::ZERO, Lane::ZERO).expect("a structure that fits")
}

/// The standard structure with independent draws.
#[must_use]
pub fn independent() -> Structure {
    Structure { draw: Draw::Independent, ..Structure::default() }
}

/// The channels of `count` traffic slots from slot `from` on.
#[must_use]
pub fn traffic<const N: usize>(sequence: &Sequence<N>, from: u32, count: usize) -> Vec<u16> {
    let mut cursor = Cursor::new(sequence, Timeline::Home);
    let hops = (from..).map(|h| cursor.hop(sequence, Slot::new(h)));
    let traffic = hops.filter(|hop| hop.kind == SlotKind::Traffic);
    traffic.take(count).map(|hop| hop.channel.number()).collect()
}

/// The anatomy of a slot that the specification gives as default.
///
/// # Panics
/// Never: the numbers fit.
#[must_use]
pub fn timing() -> Timing {
    Timing::new(20_000, 1_000, 500, 50_000).expect("the defaults fit")
}

/// What a test decides about a station; the rest is the specification's default.
#[derive(Debug, Clone, Copy)]
pub struct Make {
    /// Its address.
    pub address: u8,
    /// What it may do.
    pub role: Role,
    /// What its storage says.
    pub watermark: Watermark,
    /// Oscillator tolerance.
    pub tolerance_ppb: u32,
    /// Slots of an announce.
    pub announce_slots: u16,
    /// Channels outside the hopset.
    pub fixed: FixedChannels,
    /// Its lane.
    pub lane: Lane,
    /// Slots of a frame.
    pub frame: u8,
}

impl Make {
    /// A timekeeper with new storage.
    #[must_use]
    pub const fn timekeeper(address: u8) -> Self {
        let (role, watermark) = (Role::Timekeeper, Watermark::Fresh);
        let (fixed, lane, frame) = (FixedChannels::NONE, Lane::ZERO, 8);
        let (tolerance_ppb, announce_slots) = (1_000, 200);
        Self { address, role, watermark, tolerance_ppb, announce_slots, fixed, lane, frame }
    }

    /// A member with new storage.
    #[must_use]
    pub const fn member(address: u8) -> Self {
        Self { role: Role::Member, ..Self::timekeeper(address) }
    }

    /// Makes the station, on 128 channels under `key`.
    ///
    /// # Panics
    /// If the parts do not fit each other.
    #[must_use]
    pub fn station(self, key: &NetKey) -> Station<128> {
        self.station_with(key, None)
    }

    /// The same with a share of a key tree.
    ///
    /// # Panics
    /// If the parts do not fit each other.
    #[must_use]
    pub fn station_with(self, key: &NetKey, share: Option<Share>) -> Station<128> {
        self.built(key, share, clock_plan(self.tolerance_ppb))
    }

    /// The same with an oscillator of its own, whatever the tolerance of the make.
    ///
    /// # Panics
    /// If the parts do not fit each other.
    #[must_use]
    pub fn station_by(self, key: &NetKey, clock: ClockPlan) -> Station<128> {
        self.built(key, None, clock)
    }

    fn built(self, key: &NetKey, share: Option<Share>, clock: ClockPlan) -> Station<128> {
        let raster = raster(128);
        let hopset = Hopset::derive(key, &raster, &raster.all(), Pick::All, None, Lane::ZERO);
        Station::new(Config {
            key,
            hopset: hopset.expect("128 channels"),
            structure: Structure { frame: self.frame, ..Structure::default() },
            lane: self.lane,
            draw_lane: self.lane,
            timing: timing(),
            clock,
            announce_slots: self.announce_slots,
            energy_threshold: Dbm::new(-95),
            fixed: self.fixed,
            address: Address::new(self.address),
            role: self.role,
            share,
            watermark: self.watermark,
            seed: u64::from(self.address),
        })
        .expect("parts that fit")
    }
}

/// Jitter and distance as in the core's own documentation, with a tolerance.
///
/// # Panics
/// Above 500 ppm.
#[must_use]
pub fn clock_plan(tolerance_ppb: u32) -> ClockPlan {
    ClockPlan::new(
        Ppb::new(tolerance_ppb).expect("at most 500 ppm"),
        Micros::new(20),
        Micros::new(100),
    )
}
