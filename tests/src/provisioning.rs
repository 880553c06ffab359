//! Configurations and a storage that loses its power, for the tests of provisioning and loading.

use crate::plans::{clock_plan, key, raster, timing};
use hopwright_core::address::{Address, Target};
use hopwright_core::band::{ChannelSet, Hopset, Pick, Raster};
use hopwright_core::loader::{Bank, Storage, StorageFault};
use hopwright_core::provision::{Configuration, MessageCode, PlanDigest};
use hopwright_core::sequence::Structure;
use hopwright_core::station::{FixedChannels, Role};
use hopwright_core::tree::{Secret, Share};
use hopwright_core::units::{Channel, Dbm, Lane};
use std::collections::BTreeSet;

/// A share of a key tree that never grew: each of its secrets is `byte` sixteen times, and so is
/// its generation once. Its directory has `entries` addresses.
///
/// # Panics
/// If there are more entries than a directory holds.
#[must_use]
pub fn share(byte: u8, entries: u8) -> Share {
    let secret = || Secret::new([byte; 16]);
    let (path, co_path) = (std::array::from_fn(|_| secret()), std::array::from_fn(|_| secret()));
    let mut share = Share::new(path, co_path, byte, secret());
    for address in 0..entries {
        share.add(Target::one(Address::new(address)), secret()).expect("room");
    }
    share
}

/// A configuration of station `address` under key number `secret`.
///
/// # Panics
/// Never: the parts fit.
#[must_use]
pub fn configuration(secret: u8, address: u8, share: Option<Share>) -> Configuration<'static, 128> {
    let raster = raster(400);
    let (key, lane) = (key(secret), Lane::ZERO);
    let hopset = Hopset::derive(&key, &raster, &below_399(&raster), Pick::Keyed(128), None, lane);
    Configuration {
        address: Address::new(address),
        role: if address == 0x10 { Role::Timekeeper } else { Role::Member },
        name: "larkfell",
        plan: PlanDigest::new([secret; 16]),
        key,
        hopset: hopset.expect("128 channels"),
        structure: Structure::default(),
        lane,
        draw_lane: lane,
        timing: timing(),
        clock: clock_plan(1_000),
        announce_slots: 176,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels { watch: Channel::new(399), ..FixedChannels::NONE },
        code: MessageCode { n: 64, k: 24 },
        share,
    }
}

/// The channels of a raster but the watch channel's.
#[must_use]
pub fn below_399(raster: &Raster) -> ChannelSet {
    raster.all().iter().filter(|channel| channel.number() < 399).collect()
}

/// A configuration's encoding.
#[must_use]
pub fn encoded<const N: usize>(configuration: &Configuration<'_, N>) -> Vec<u8> {
    let mut bytes = Vec::new();
    configuration.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// CRC-32/ISO-HDLC, bit by bit, so that the check value does not come from the code under test.
/// Parameters and check value: catalogue of parametrised CRC algorithms (RevEng).
#[must_use]
pub fn crc_32(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = crc >> 1 ^ if crc & 1 == 1 { 0xEDB8_8320 } else { 0 };
        }
    }
    !crc
}

/// Gives a changed configuration its check value again.
///
/// # Panics
/// If it is shorter than that.
#[must_use]
pub fn checked(mut body: Vec<u8>) -> Vec<u8> {
    let at = body.len() - 4;
    let check = crc_32(&body[..at]).to_be_bytes();
    body[at..].copy_from_slice(&check);
    body
}

/// In which order an interrupted write or erasure has touched its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wear {
    /// From the first on.
    Forwards,
    /// From the last on.
    Backwards,
    /// From the first on; the bytes not reached are left random by an erasure.
    Ragged,
    /// From the first on. The memory corrects errors, sixteen bytes at a time: what was interrupted cannot be read
    /// until it has been erased.
    Unreadable,
}

/// Bytes that are written, and corrected, together.
const UNIT: usize = 16;

/// Two banks of flash memory in which power may fail at any byte.
#[derive(Debug, Clone)]
pub struct Flash {
    banks: [Vec<u8>; 2],
    /// Bytes that are still written or erased before power fails; `None` for as many as wanted.
    pub power: Option<usize>,
    /// What an interruption leaves behind.
    pub wear: Wear,
    /// Bytes written and erased since the start.
    pub worn: usize,
    random: u64,
    /// The units of each bank that cannot be read.
    unreadable: [BTreeSet<usize>; 2],
}

impl Flash {
    /// Erased storage of `capacity` bytes a bank.
    #[must_use]
    pub fn new(capacity: usize) -> Self {
        let bank = vec![0xFF; capacity];
        let banks = [bank.clone(), bank];
        let unreadable = [BTreeSet::new(), BTreeSet::new()];
        Self { banks, power: None, wear: Wear::Forwards, worn: 0, random: 1, unreadable }
    }

    /// Whether power has failed.
    #[must_use]
    pub fn dark(&self) -> bool {
        self.power == Some(0)
    }

    /// All of both banks.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        self.banks.concat()
    }

    fn bank(&mut self, bank: Bank) -> &mut Vec<u8> {
        let [a, b] = &mut self.banks;
        if bank == Bank::A { a } else { b }
    }

    fn unreadable(&mut self, bank: Bank) -> &mut BTreeSet<usize> {
        let [a, b] = &mut self.unreadable;
        if bank == Bank::A { a } else { b }
    }

    fn put(
        &mut self,
        bank: Bank,
        at: usize,
        bytes: &[u8],
        erase: bool,
    ) -> Result<(), StorageFault> {
        let lasting = self.power.map_or(bytes.len(), |power| power.min(bytes.len()));
        self.power = self.power.map(|power| power - lasting);
        self.worn += lasting;
        let (wear, mut random) = (self.wear, self.random);
        self.corrects(bank, at, bytes.len(), lasting, erase);
        let bank = self.bank(bank);
        for i in 0..bytes.len() {
            let reached = match wear {
                Wear::Forwards | Wear::Ragged | Wear::Unreadable => i < lasting,
                Wear::Backwards => i >= bytes.len() - lasting,
            };
            if reached {
                bank[at + i] = bytes[i];
            } else if erase && wear == Wear::Ragged && lasting > 0 {
                // Steele and Vigna's multiplier of a linear congruential generator: any will do.
                random = random.wrapping_mul(0xd134_2543_de82_ef95).wrapping_add(1);
                bank[at + i] = random.to_be_bytes()[0];
            }
        }
        self.random = random;
        if lasting == bytes.len() { Ok(()) } else { Err(StorageFault) }
    }

    /// Whole units can be read again; those that power left half-way cannot. An erasure is half-way in all
    /// that it has not reached.
    fn corrects(&mut self, bank: Bank, at: usize, length: usize, lasting: usize, erase: bool) {
        let whole = (at + lasting) / UNIT;
        let unreadable = self.unreadable(bank);
        unreadable.retain(|unit| !(at / UNIT..whole).contains(unit));
        if self.wear != Wear::Unreadable || lasting == 0 || lasting == length {
            return;
        }
        let end = if erase { length / UNIT } else { (at + lasting).div_ceil(UNIT) };
        self.unreadable(bank).extend(whole..end);
    }
}

impl Storage for Flash {
    fn capacity(&self) -> usize {
        self.banks[0].len()
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        let mut units = at / UNIT..(at + into.len()).div_ceil(UNIT);
        if self.dark() || units.any(|unit| self.unreadable(bank).contains(&unit)) {
            return Err(StorageFault);
        }
        into.copy_from_slice(&self.bank(bank)[at..at + into.len()]);
        Ok(())
    }

    /// # Panics
    /// If bytes are written that have been written since the last erasure, or not by sixteens.
    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        assert!(at.is_multiple_of(16) && bytes.len().is_multiple_of(16), "{at}, {}", bytes.len());
        let blank = self.bank(bank)[at..at + bytes.len()].iter().all(|byte| *byte == 0xFF);
        assert!(blank, "written twice at {at}");
        self.put(bank, at, bytes, false)
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        let blank = vec![0xFF; self.capacity()];
        self.put(bank, 0, &blank, true)
    }
}
