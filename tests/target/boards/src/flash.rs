//! Two banks of memory that stand for a board's flash, and what a planner and a carrier do: they are
//! elsewhere as a rule.

use crate::net;
use heapless::Vec;
use hopwright_core::address::Address;
use hopwright_core::loader::{Bank, CELL_BYTES, CarrierEnd, Outcome, StationEnd, Storage};
use hopwright_core::loader::{Judge, StorageFault, cells_needed};
use hopwright_core::provision::TransferKey;
use hopwright_core::station::Role;
use hopwright_core::units::Tick;

/// The longest configuration that the example's boards take, bytes: one with a full directory.
pub const LONGEST: usize = 800;
/// A few cells more than needed: each loss of power while one is written takes one.
const BANK: usize = (cells_needed(LONGEST) + 4) * CELL_BYTES;

/// What flash memory keeps while a board is off.
#[derive(Debug, Clone)]
pub struct Flash([[u8; BANK]; 2]);

impl Flash {
    /// Two erased banks.
    #[must_use]
    pub const fn erased() -> Self {
        Self([[0xFF; BANK]; 2])
    }

    fn bank(&mut self, bank: Bank) -> &mut [u8; BANK] {
        let [a, b] = &mut self.0;
        if bank == Bank::A { a } else { b }
    }

    fn part(&mut self, bank: Bank, at: usize, count: usize) -> Result<&mut [u8], StorageFault> {
        self.bank(bank).get_mut(at..).and_then(|rest| rest.get_mut(..count)).ok_or(StorageFault)
    }
}

impl Storage for Flash {
    fn capacity(&self) -> usize {
        BANK
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        into.copy_from_slice(self.part(bank, at, into.len())?);
        Ok(())
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        self.part(bank, at, bytes.len())?.copy_from_slice(bytes);
        Ok(())
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        self.bank(bank).fill(0xFF);
        Ok(())
    }
}

/// The planner's part: a sealed configuration of the net of the example, for a member.
///
/// # Panics
/// Never: the numbers fit.
#[must_use]
pub fn sealed(address: Address, transfer_key: &TransferKey) -> Vec<u8, LONGEST> {
    let configuration = net::configuration(address, Role::Member, 40);
    let mut open: Vec<u8, LONGEST> = Vec::new();
    configuration.encode(&mut |part: &[u8]| open.extend_from_slice(part).expect("room"));
    let mut sealed = Vec::new();
    sealed.resize_default(LONGEST).expect("room");
    // A real planner draws the nonce.
    let length = transfer_key.seal(address, [7; 12], &open, &mut sealed).expect("room").len();
    sealed.truncate(length);
    sealed
}

/// The carrier's part: brings a configuration to a station over a line that loses nothing. Whether it
/// was accepted.
pub fn carry<S: Storage, J: Judge>(
    station: &mut StationEnd<'_, S, J>,
    address: Address,
    content: &[u8],
) -> bool {
    let mut carrier = CarrierEnd::new(address, content);
    let mut line: Vec<u8, 512> = Vec::new();
    loop {
        line.clear();
        if let Some(said) = carrier.poll(Tick::ZERO) {
            line.extend_from_slice(said).expect("a frame");
        }
        if let Some(outcome) = carrier.outcome() {
            return matches!(outcome, Outcome::Accepted { .. });
        }
        for byte in &line {
            let Some(answer) = station.byte(*byte) else { continue };
            answer.iter().for_each(|byte| carrier.byte(*byte));
        }
    }
}
