//! A net of three stations that are addressed by keys, and orders of a change for it.

use hopwright_core::address::{Address, Target};
use hopwright_core::keys::NetKey;
use hopwright_core::station::{FixedChannels, Station};
use hopwright_core::tree::Share;
use hopwright_core::units::{Channel, Slot};
use hopwright_keytree::{Drawn, KeyTree, withdraw};
use hopwright_tests::air::{Flight, World};
use hopwright_tests::plans::{Make, key};
use std::collections::BTreeSet;
use zeroize::Zeroizing;

pub(super) const POST: usize = 0;
pub(super) const BOAT: usize = 1;
pub(super) const OTHER: usize = 2;
pub(super) const ADDRESSES: [u8; 3] = [0x10, 0x4B, 0x51];
pub(super) const CALLING: u16 = 200;

pub(super) fn tree() -> KeyTree {
    KeyTree::new(Zeroizing::new([0xA7; 32]))
}

pub(super) fn one(address: u8) -> Target {
    Target::one(Address::new(address))
}

/// What every station of the test may call beyond the targets that it belongs to.
pub(super) fn directory() -> Vec<Target> {
    let boats = Target::prefix(Address::new(0x40), 4).expect("a prefix");
    let mut targets = vec![boats, Target::all_but(Address::new(0x51))];
    targets.extend(ADDRESSES.map(one));
    targets
}

pub(super) fn share(address: u8) -> Option<Share> {
    Some(tree().share(Address::new(address), 0, &directory()).expect("it fits"))
}

pub(super) fn fixed() -> FixedChannels {
    FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE }
}

pub(super) fn station(number: usize) -> Station<128> {
    let address = ADDRESSES[number];
    let make = if number == POST { Make::timekeeper(address) } else { Make::member(address) };
    Make { fixed: fixed(), ..make }.station_with(&key(1), share(address))
}

/// A post 10, a boat 4B and a team 51, in step and idle after an announce.
pub(super) fn net() -> World {
    let mut world = World::of((0..3).map(station).collect());
    world.bring_into_step();
    world
}

/// The payload slots of the log: what is on the air and no header, with its slot.
pub(super) fn payloads(world: &World) -> Vec<Flight> {
    let is_payload = |flight: &&Flight| world.header(flight).is_none() && flight.bits.len() > 33;
    world.log.iter().filter(is_payload).cloned().collect()
}

/// The order that withdraws `out` from `slot` on, made by the planner.
pub(super) fn order(out: &[u8], present: &NetKey, generation: u8, slot: Slot) -> Vec<u8> {
    let drawn = Drawn::new(Zeroizing::new(std::array::from_fn(|i| {
        u8::try_from(i).expect("64 bytes").wrapping_mul(7).wrapping_add(generation)
    })));
    let withdrawn: BTreeSet<Address> = out.iter().map(|a| Address::new(*a)).collect();
    withdraw(&tree(), present, generation, slot, &withdrawn, &drawn).expect("an order").order
}

pub(super) fn has_key(world: &World, node: usize, key: &NetKey) -> bool {
    world.nodes[node].station.keys().0.same(key)
}
