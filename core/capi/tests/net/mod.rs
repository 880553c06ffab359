//! A net for training, as a planner would make it: a post, a gauge, and a hut that is withdrawn.
//!
//! Its keys are published ones. Real configurations come from `hopwright provision`.

#![allow(dead_code, reason = "every user needs another part")]

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::{Label, NetKey, Subkey};
use hopwright_core::loader::{Bank, CarrierEnd, Outcome, StationEnd, Storage, StorageFault, Store};
use hopwright_core::loader::{Judge, Refusal};
use hopwright_core::provision::{Configuration, Envelope, Header, MessageCode, Method, PlanDigest};
use hopwright_core::sequence::Structure;
use hopwright_core::station::{FixedChannels, Role};
use hopwright_core::timing::Timing;
use hopwright_core::tree::{Node, Order, Secret, Share};
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};

/// The timekeeper.
pub(crate) const POST: u8 = 0x10;
/// A member that is called alone.
pub(crate) const GAUGE: u8 = 0x21;
/// A member that is not, and that is withdrawn.
pub(crate) const HUT: u8 = 0x31;
/// What configurations are sealed with on their way.
pub(crate) const TRANSFER_KEY: [u8; 32] = [0x4C; 32];
/// The plan's calling channel, beside the hopset.
pub(crate) const CALLING: u16 = 130;

fn net_key() -> NetKey {
    NetKey::new(std::array::from_fn(|i| u8::try_from(i).unwrap_or_default()))
}

/// The secret of a node of the key tree.
fn secret(node: Node) -> Secret {
    let [low, high] = node.number().to_le_bytes();
    Secret::new([low, high, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7])
}

/// The seed of a node of the co-path tree.
fn seed(node: Node) -> Secret {
    let down = (1..=node.depth()).map(|depth| node.at(depth).is_right());
    down.fold(Secret::new([9; 16]), |seed, right| seed.child(right))
}

/// The token of the first change of keys.
fn token() -> Secret {
    Secret::new([11; 16])
}

/// A station's share of the key tree; the post may call the gauge alone.
fn share(address: Address) -> Share {
    let mut depths = 0..;
    let mut next = || Node::leaf(address).at(depths.next().unwrap_or_default());
    let path: [Node; 9] = std::array::from_fn(|_| next());
    let co_path = std::array::from_fn(|i| seed(path[i + 1].sibling()));
    let mut share = Share::new(path.map(secret), co_path, 0, token().child(false));
    if address == Address::new(POST) {
        let gauge = Address::new(GAUGE);
        let called = secret(Node::leaf(gauge)).sender(address);
        share.add(Target::one(gauge), called).expect("room for one");
    }
    share
}

/// How much is sent before something is whole, and in which plan.
#[derive(Clone, Copy)]
pub(crate) struct Size {
    /// Each byte of the plan's digest.
    pub(crate) plan: u8,
    /// Slots of an announce.
    pub(crate) announce: u16,
    /// The code of messages.
    pub(crate) code: MessageCode,
}

impl Size {
    /// As plans have it.
    pub(crate) const FULL: Self =
        Self { plan: 3, announce: 60, code: MessageCode { n: 64, k: 24 } };
    /// For an interpreter, in which a header takes a second.
    pub(crate) const SMALL: Self =
        Self { plan: 3, announce: 24, code: MessageCode { n: 16, k: 6 } };
}

/// The bytes of a station's configuration.
pub(crate) fn configuration(address: u8) -> Vec<u8> {
    configuration_of(address, Size::FULL)
}

/// The same of a plan of another size.
pub(crate) fn configuration_of(address: u8, size: Size) -> Vec<u8> {
    configuration_with(address, size, Pick::All)
}

/// The same with fewer channels.
pub(crate) fn configuration_with(address: u8, size: Size, pick: Pick<'_>) -> Vec<u8> {
    let key = net_key();
    let step = Hertz::new(200_000);
    let raster = Raster::new(Hertz::new(902_300_000), step, step, 128).expect("a raster");
    let hopset = Hopset::derive(&key, &raster, &raster.all(), pick, None, Lane::ZERO);
    let address = Address::new(address);
    let configuration = Configuration::<128> {
        address,
        role: if address == Address::new(POST) { Role::Timekeeper } else { Role::Member },
        name: "larkfell",
        plan: PlanDigest::new([size.plan; 16]),
        hopset: hopset.expect("a hopset"),
        structure: Structure::default(),
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: Timing::new(20_000, 1_000, 500, 50_000).expect("a slot"),
        clock: ClockPlan::new(
            Ppb::new(1_000).expect("in range"),
            Micros::new(20),
            Micros::new(100),
        ),
        announce_slots: size.announce,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE },
        code: size.code,
        share: Some(share(address)),
        key,
    };
    let mut bytes = Vec::new();
    configuration.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// A configuration with another net key, of which that is the generation, and its token.
pub(crate) fn renewed(configuration: &[u8], generation: u8, key: u8) -> Vec<u8> {
    let mut read = Configuration::<128>::decode(configuration).expect("a configuration");
    let mut share = Vec::new();
    read.share.as_ref().expect("a share").write(&mut |part: &[u8]| share.extend_from_slice(part));
    share[0] = generation;
    share[1..17].fill(key);
    read.share = Share::read(&share);
    read.key = NetKey::new([key; 32]);
    let mut bytes = Vec::new();
    read.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// The order of a change of keys in a slot, for everyone but the hut.
pub(crate) fn order(slot: u32) -> Vec<u8> {
    let leaf = Node::leaf(Address::new(HUT));
    let cover = (1..=8).map(|depth| leaf.at(depth).sibling());
    let cover: Vec<_> = cover.map(|node| (node, secret(node))).collect();
    let order = Order {
        generation: 1,
        slot: Slot::new(slot),
        token: &token(),
        key: &NetKey::new([0x5B; 32]),
        salt: [13; 16],
        inner: &Secret::new([17; 16]),
    };
    order.to_bytes(&net_key().subkey(Label::Tree), &cover).expect("an order").to_vec()
}

/// A configuration as it travels: sealed with the transfer key.
pub(crate) fn sealed(address: u8, configuration: &[u8]) -> Vec<u8> {
    let header =
        Header { address: Address::new(address), method: Method::TransferKey, nonce: [19; 12] };
    let mut head = Vec::new();
    header.encode(&mut |part: &[u8]| head.extend_from_slice(part));
    let mut text = configuration.to_vec();
    let tag = Subkey::new(TRANSFER_KEY).seal(&header.nonce, &head, &mut text);
    text.extend_from_slice(&tag);
    let mut bytes = Vec::new();
    Envelope::encode(&head, &text, &mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// Everything that a carrier sends to a station that takes what it is offered.
pub(crate) fn carried(address: u8, content: &[u8]) -> Vec<u8> {
    let mut work = vec![0; 4_096];
    let store = Store::open(Cabinet([vec![0xFF; 8_192], vec![0xFF; 8_192]])).expect("it reads");
    let mut station = StationEnd::new(store, Taking, &mut work);
    let mut carrier = CarrierEnd::new(Address::new(address), content);
    let mut line = Vec::new();
    while let Some(bytes) = carrier.poll(Tick::ZERO) {
        let sent = bytes.to_vec();
        line.extend_from_slice(&sent);
        for byte in sent {
            for answer in station.byte(byte).unwrap_or_default().to_vec() {
                carrier.byte(answer);
            }
        }
    }
    assert!(matches!(carrier.outcome(), Some(Outcome::Accepted { generation: 1 })));
    line
}

struct Taking;

impl Judge for Taking {
    fn address(&self) -> Option<Address> {
        None
    }

    fn judge(&mut self, _: &mut [u8], _: Address) -> Result<(), Refusal> {
        Ok(())
    }
}

/// Two banks in memory.
struct Cabinet([Vec<u8>; 2]);

impl Cabinet {
    fn bank(&mut self, bank: Bank) -> &mut [u8] {
        &mut self.0[usize::from(bank == Bank::B)]
    }
}

impl Storage for Cabinet {
    fn capacity(&self) -> usize {
        self.0[0].len()
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        into.copy_from_slice(&self.bank(bank)[at..at + into.len()]);
        Ok(())
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        self.bank(bank)[at..at + bytes.len()].copy_from_slice(bytes);
        Ok(())
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        self.bank(bank).fill(0xFF);
        Ok(())
    }
}
