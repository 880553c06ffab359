//! Configurations and a storage that loses its power, for the tests of provisioning and loading.

use crate::plans::{clock_plan, key, raster, timing};
use hopwright_core::address::Address;
use hopwright_core::band::{ChannelSet, Hopset, Pick, Raster};
use hopwright_core::loader::{Bank, Storage, StorageFault};
use hopwright_core::provision::{Configuration, PlanDigest, Share};
use hopwright_core::sequence::Structure;
use hopwright_core::station::{FixedChannels, Role};
use hopwright_core::units::{Channel, Dbm, Lane};

/// A configuration of station `address` under key number `secret`.
///
/// # Panics
/// Never: the parts fit.
#[must_use]
pub fn configuration(
    secret: u8,
    address: u8,
    share: Option<&'static [u8]>,
) -> Configuration<'static, 128> {
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
        share: share.and_then(Share::new),
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

/// In which order an interrupted write or erasure has touched its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wear {
    /// From the first on.
    Forwards,
    /// From the last on.
    Backwards,
    /// From the first on; the bytes not reached are left random by an erasure.
    Ragged,
}

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
}

impl Flash {
    /// Erased storage of `capacity` bytes a bank.
    #[must_use]
    pub fn new(capacity: usize) -> Self {
        let bank = vec![0xFF; capacity];
        let banks = [bank.clone(), bank];
        Self { banks, power: None, wear: Wear::Forwards, worn: 0, random: 1 }
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
        let bank = self.bank(bank);
        for i in 0..bytes.len() {
            let reached = match wear {
                Wear::Forwards | Wear::Ragged => i < lasting,
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
}

impl Storage for Flash {
    fn capacity(&self) -> usize {
        self.banks[0].len()
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        if self.dark() {
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
