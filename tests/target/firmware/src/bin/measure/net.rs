//! A net of 128 channels that all the isolated measurements use.

use core::hint::black_box;
use hopwright_core::address::Address;
use hopwright_core::band::Hopset;
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Draw, Sequence, Structure};
use hopwright_core::station::{Config, FixedChannels, Role, Station, Watermark};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Dbm, Lane, Micros, Ppb};
use hopwright_firmware::recordings::CHANNELS;

/// A key that the optimiser does not know.
pub(crate) fn key() -> NetKey {
    NetKey::new(black_box([7; 32]))
}

fn hopset() -> Hopset<CHANNELS> {
    Hopset::from_derived((0..128).filter_map(Channel::new), 0).expect("128 channels, ascending")
}

/// Equal use: 16 rendezvous channels, frames of 8.
const fn structure(draw: Draw) -> Structure {
    Structure { frame: 8, rendezvous: 16, window: 4, draw, equal_use: true }
}

/// The net's sequence.
pub(crate) fn sequence(draw: Draw) -> Sequence<CHANNELS> {
    Sequence::new(&key(), hopset(), structure(draw), Lane::ZERO, Lane::ZERO).expect("it fits")
}

/// A timekeeper with a perfect oscillator, which never loses its grip on time.
pub(crate) fn timekeeper() -> Station<CHANNELS> {
    let key = key();
    let config = Config {
        key: &key,
        hopset: hopset(),
        structure: structure(Draw::Balanced),
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: Timing::new(20_000, 1_000, 500, 50_000).expect("a slot that works"),
        clock: ClockPlan::new(Ppb::new(0).expect("in range"), Micros::new(20), Micros::new(100)),
        announce_slots: 176,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels::NONE,
        address: Address::new(0x10),
        role: Role::Timekeeper,
        share: None,
        watermark: Watermark::Fresh,
        seed: 1,
    };
    Station::new(config).expect("a configuration that makes a station")
}
