//! What a station's configuration takes: reading it, typed groups, the station's end of the loader, opening a
//! seal; the features say which.

#[cfg(any(
    feature = "configuration",
    feature = "manual",
    feature = "loader",
    feature = "opening"
))]
use core::hint::black_box;
#[cfg(feature = "configuration")]
use hopwright_core::provision::Configuration;
#[cfg(feature = "opening")]
use hopwright_core::provision::TransferKey;
#[cfg(feature = "manual")]
use hopwright_core::provision::manual;
#[cfg(feature = "loader")]
use hopwright_core::{
    address::Address,
    loader::{Bank, Judge, Refusal, StationEnd, Storage, StorageFault, Store},
};

/// Once each.
pub(crate) fn provisioning() {
    #[cfg(feature = "configuration")]
    black_box(&Configuration::<128>::decode(black_box(&[])));
    #[cfg(feature = "manual")]
    {
        let mut reader = manual::Reader::new();
        while black_box(true) {
            let _ = black_box(reader.group(black_box(&[])));
        }
        black_box(&reader.finish());
    }
    #[cfg(feature = "loader")]
    {
        let mut work = black_box([0; 900]);
        if let Ok(store) = Store::open(Anything) {
            let mut end = StationEnd::new(store, Anything, &mut work);
            while black_box(true) {
                black_box(end.byte(black_box(0)));
            }
            black_box(end.verdict());
        }
    }
    #[cfg(feature = "opening")]
    {
        let mut sealed = black_box([0; 900]);
        let key = TransferKey::new(black_box([0; 32]));
        black_box(&key.open(black_box(&mut sealed)));
    }
}

#[cfg(feature = "loader")]
struct Anything;

#[cfg(feature = "loader")]
impl Storage for Anything {
    fn capacity(&self) -> usize {
        black_box(0)
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        black_box((bank, at, into));
        black_box(Ok(()))
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        black_box((bank, at, bytes));
        black_box(Ok(()))
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        black_box(bank);
        black_box(Ok(()))
    }
}

#[cfg(feature = "loader")]
impl Judge for Anything {
    fn address(&self) -> Option<Address> {
        black_box(None)
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        black_box((content, address));
        black_box(Ok(()))
    }
}
