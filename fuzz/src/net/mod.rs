//! A net of four stations, and an adversary who owns the air between them.
//!
//! Operations are read from the front of the input, what becomes of each reception from its end:
//! there, as in a quiet world, zero means that it arrives as it was sent. What is judged after each
//! step is in [`seat`].

mod air;
mod seat;

use crate::naive;
use air::Air;
use hopwright_core::address::Target;
use hopwright_core::band::Hopset;
use hopwright_core::keys::{Label, NetKey};
use hopwright_core::sequence::{Draw, Structure};
use hopwright_core::station::{Command, Watermark};
use hopwright_core::tree::{Node, Order, Secret, Share};
use hopwright_core::units::{Channel, Dbm, Slot};
use hopwright_keytree::{KeyTree, cover};
use seat::{ADDRESSES, Seat};
use std::collections::BTreeSet;
use std::sync::LazyLock;
use zeroize::Zeroizing;

/// The channels of the net are those below; this one is its calling channel.
const CHANNELS: u16 = 6;
/// A slot, in microseconds.
const SLOT_US: u64 = 20_000;
/// The most slots of a case.
const LONGEST: u64 = 1_200;

static TREE: LazyLock<KeyTree> = LazyLock::new(|| KeyTree::new(Zeroizing::new([0x5A; 32])));
/// What each station's share is written as at first.
static SHARES: LazyLock<[Vec<u8>; 4]> = LazyLock::new(|| {
    ADDRESSES.map(|own| {
        let others = ADDRESSES.iter().filter(|other| **other != own);
        let directory: Vec<Target> =
            others.flat_map(|other| [Target::one(*other), Target::all_but(*other)]).collect();
        written(&TREE.share(own, 0, &directory).expect("room"))
    })
});

fn written(share: &Share) -> Vec<u8> {
    let mut bytes = Vec::new();
    share.write(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// A net key, and what follows from it by the second reading.
struct Keyed {
    bytes: [u8; 32],
    net: naive::Net,
}

/// An order of a change of the net key.
struct Withdrawal {
    bytes: Vec<u8>,
    generation: u8,
    /// The key in use until then, and from then on, by number.
    from: usize,
    to: usize,
    /// Who shall not open it.
    withdrawn: BTreeSet<usize>,
}

/// What happened in a case, for those who ask whether a seed does what its name says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Met {
    /// Stations that came into step.
    pub in_step: u32,
    /// Payloads read by those they were for.
    pub payloads: u32,
    /// Payloads that nobody else could read, tried with what others hold.
    pub kept: u32,
    /// Receptions that were altered, or out of their time.
    pub hostile: u32,
    /// Of these, taken for headers in spite of it.
    pub taken: u32,
    /// Changes of the net key.
    pub changes: u32,
    /// Cut-ins that were followed.
    pub cut_ins: u32,
    /// Losses of power.
    pub power: u32,
}

/// The bytes of the input: operations from the front, fates from the end.
struct Input<'a>(&'a [u8]);

impl Input<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn fate(&mut self) -> u8 {
        let Some((last, rest)) = self.0.split_last() else { return 0 };
        self.0 = rest;
        *last
    }
}

/// Four stations, their keys, and the air.
struct World<'a> {
    input: Input<'a>,
    now: u64,
    seats: Vec<Seat>,
    air: Air,
    keys: Vec<Keyed>,
    orders: Vec<Withdrawal>,
    draw: Draw,
    /// Net time less the world's, of each timeline that was started.
    started: Vec<i64>,
    /// Somebody has taken something for news that was not: what follows need not be true time.
    tainted: bool,
    /// Somebody has taken a recording, slots old, for a header: one without time and watermark may,
    /// and what is a recording to others is in its time to him.
    led: bool,
    met: Met,
}

/// A net under the input's adversary.
///
/// # Panics
/// If an invariant of specification section 12 that can be judged from outside is broken.
#[must_use]
pub fn net(data: &[u8]) -> Met {
    let mut input = Input(data);
    let draw = if input.byte().unwrap_or(0) & 1 == 0 { Draw::Balanced } else { Draw::Independent };
    let mut world = World {
        input,
        now: 1_000_000,
        seats: Vec::new(),
        air: Air::default(),
        keys: Vec::new(),
        orders: Vec::new(),
        draw,
        started: Vec::new(),
        tainted: false,
        led: false,
        met: Met::default(),
    };
    world.add_key([0x11; 32]);
    for number in 0..4 {
        let station = world.station(number, 0, &SHARES[number], Watermark::Fresh, 0);
        world.seats.push(Seat::new(number, station));
    }
    let end = world.now + LONGEST * SLOT_US;
    while world.now < end
        && let Some(operation) = world.input.byte()
    {
        if world.step(operation).is_none() {
            break;
        }
    }
    world.met
}

impl World<'_> {
    /// Takes a key, and reads the specification for it.
    fn add_key(&mut self, bytes: [u8; 32]) -> usize {
        let structure = structure(self.draw);
        let net = naive::Net {
            key: bytes,
            hopset: (0..CHANNELS).collect(),
            turned: 0,
            frame: structure.frame.into(),
            rendezvous: structure.rendezvous.into(),
            window: structure.window.into(),
            balanced: self.draw == Draw::Balanced,
            equal_use: false,
            lane: 0,
            draw_lane: 0,
        };
        self.keys.push(Keyed { bytes, net });
        self.keys.len() - 1
    }

    fn net_key(&self, number: usize) -> NetKey {
        NetKey::new(self.keys[number].bytes)
    }

    fn step(&mut self, operation: u8) -> Option<()> {
        let who = usize::from(operation >> 4 & 3);
        match operation & 15 {
            slots @ 0..=4 => self.run(1 + u64::from(slots)),
            5 | 6 => {
                let slots = u64::from(self.input.byte()?);
                self.run(slots);
            }
            7 => {
                // Somewhere in a slot.
                let us = u64::from(self.input.byte()?) * 80;
                self.run_until(self.now + us);
            }
            8 => self.command(who, Command::Announce),
            9 => self.command(who, Command::Release),
            10 | 11 => {
                let choice = self.input.byte()?;
                self.command(who, Command::Press(target(choice)));
            }
            12 => {
                let choice = self.input.byte()?;
                self.power_cycle(who, choice);
            }
            13 => {
                let (which, how) = (self.input.byte()?, self.input.byte()?);
                self.again(which, how);
            }
            14 => {
                let choice = self.input.byte()?;
                self.change(who, choice);
            }
            _ => {
                let channel = Channel::new(u16::from(self.input.byte()?) % (CHANNELS + 1));
                let local = self.seats[who].local(self.now);
                self.seats[who].station.energy(local, channel.expect("small"), Dbm::new(-40));
                self.poll(who);
            }
        }
        Some(())
    }

    /// The planner withdraws somebody, or an order is handed to a station by its driver.
    fn change(&mut self, who: usize, choice: u8) {
        if choice & 1 == 0 {
            self.command(who, Command::Order);
            return;
        }
        if choice & 2 == 0 && self.orders.len() < 4 {
            self.withdraw(choice >> 2);
        }
        let Some(last) = self.orders.len().checked_sub(1) else { return };
        let number = last.saturating_sub(usize::from(choice >> 6));
        self.hand(who, number);
    }

    /// Makes an order under the timekeeper's key.
    fn withdraw(&mut self, choice: u8) {
        let from = self.seats[0].key;
        let withdrawn: BTreeSet<usize> = match choice & 3 {
            0 => BTreeSet::new(),
            1 => [3].into(),
            2 => [2, 3].into(),
            _ => [1].into(),
        };
        let addresses = withdrawn.iter().map(|number| ADDRESSES[*number].number().into()).collect();
        let generation = u8::try_from(self.orders.len() + 1).expect("few");
        let local = self.seats[0].local(self.now);
        let now = self.seats[0].station.slot(local).unwrap_or(Slot::ZERO);
        let to = self.add_key([0x20 + generation; 32]);
        let node = |number| {
            let node = Node::new(number).expect("1 to 511");
            (node, TREE.node(node))
        };
        let entries: Vec<_> = cover(8, &addresses).into_iter().map(node).collect();
        let order = Order {
            generation,
            slot: now.plus(u32::from(choice >> 2) * 4),
            token: &TREE.token(generation),
            key: &self.net_key(to),
            salt: [generation; 16],
            inner: &Secret::new([0x40 + generation; 16]),
        };
        let tree = self.net_key(from).subkey(Label::Tree);
        let bytes = order.to_bytes(&tree, &entries).expect("a few entries").to_vec();
        self.orders.push(Withdrawal { bytes, generation, from, to, withdrawn });
    }
}

/// Who is called.
fn target(choice: u8) -> Target {
    let other = ADDRESSES[usize::from(choice & 3)];
    match choice >> 2 & 3 {
        0 => Target::ALL,
        1 => Target::one(other),
        2 => Target::all_but(other),
        _ => Target::prefix(hopwright_core::address::Address::new(0x40), 4).expect("a prefix"),
    }
}

fn structure(draw: Draw) -> Structure {
    Structure { frame: 4, rendezvous: 2, window: 2, draw, equal_use: false }
}

fn hopset() -> Hopset<{ CHANNELS as usize }> {
    let channels = (0..CHANNELS).map(|c| Channel::new(c).expect("small"));
    Hopset::from_derived(channels, 0).expect("six channels")
}
