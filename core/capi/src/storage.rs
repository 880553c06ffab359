//! What the loader asks of a program in C: storage for two banks, and whose configurations it takes.

use crate::{CHANNELS, NULL, RANGE};
use core::ffi::c_void;
use core::fmt;
use hopwright_core::address::Address;
use hopwright_core::loader::{self, Bank, KeyedJudge, Refusal, StorageFault, check_configuration};
use hopwright_core::provision::TransferKey;

/// Storage in two banks, erased as a whole to FF, then written once: flash memory. Each function is
/// given `context` and the bank, 0 or 1, and answers 0 if it did what it was asked to. Reads and writes
/// lie within `capacity`; writes begin at multiples of 16 bytes and are multiples of 16 bytes long, and
/// survive a loss of power from their return on.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Storage {
    /// Handed to each function.
    pub context: *mut c_void,
    /// The bytes of one bank.
    pub capacity: usize,
    /// Reads `length` bytes from `at` on.
    pub read: Option<
        unsafe extern "C" fn(
            context: *mut c_void,
            bank: u32,
            at: usize,
            bytes: *mut u8,
            length: usize,
        ) -> i32,
    >,
    /// Writes `length` bytes from `at` on, which have not been written since the bank was erased.
    pub write: Option<
        unsafe extern "C" fn(
            context: *mut c_void,
            bank: u32,
            at: usize,
            bytes: *const u8,
            length: usize,
        ) -> i32,
    >,
    /// Makes every byte of a bank FF; if in steps, the beginning of the bank first. If power goes
    /// between, what begins with an offer looks like a configuration that is being built, and the same
    /// one offered again is written on into what was never wholly erased.
    pub erase: Option<unsafe extern "C" fn(context: *mut c_void, bank: u32) -> i32>,
}

impl Storage {
    /// Refuses storage without a function.
    pub(crate) const fn checked(self) -> Result<Self, i32> {
        match (self.read, self.write, self.erase) {
            (Some(_), Some(_), Some(_)) => Ok(self),
            _ => Err(NULL),
        }
    }
}

const fn number(bank: Bank) -> u32 {
    match bank {
        Bank::A => 0,
        Bank::B => 1,
    }
}

const fn outcome(status: i32) -> Result<(), StorageFault> {
    if status == 0 { Ok(()) } else { Err(StorageFault) }
}

impl loader::Storage for Storage {
    fn capacity(&self) -> usize {
        self.capacity
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        let read = self.read.ok_or(StorageFault)?;
        let (context, length) = (self.context, into.len());
        #[expect(unsafe_code, reason = "the storage is the caller's")]
        // SAFETY: `hw_loader_init` was promised a function of this kind; the bytes are ours to write.
        outcome(unsafe { read(context, number(bank), at, into.as_mut_ptr(), length) })
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        let write = self.write.ok_or(StorageFault)?;
        #[expect(unsafe_code, reason = "the storage is the caller's")]
        // SAFETY: as above; the bytes are only read.
        outcome(unsafe { write(self.context, number(bank), at, bytes.as_ptr(), bytes.len()) })
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        let erase = self.erase.ok_or(StorageFault)?;
        #[expect(unsafe_code, reason = "the storage is the caller's")]
        // SAFETY: as above.
        outcome(unsafe { erase(self.context, number(bank)) })
    }
}

/// Which configurations a station takes.
#[repr(C)]
#[derive(Clone, Copy, Default)]
pub struct Judge {
    /// The transfer key, of a station that has one.
    pub transfer_key: [u8; 32],
    /// 1: only what is sealed with the transfer key. 0: only what is open, of which anybody with a
    /// cable could be the author.
    pub sealed: u8,
    /// 1: only what is for `address`. 0: whatever comes first, of a station without an address.
    pub addressed: u8,
    /// The station's address.
    pub address: u8,
    /// Nothing.
    pub unused: u8,
}

/// Without the key.
impl fmt::Debug for Judge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { sealed, addressed, address, .. } = self;
        let mut shown = f.debug_struct("Judge");
        shown.field("sealed", sealed).field("addressed", addressed).field("address", address);
        shown.finish_non_exhaustive()
    }
}

impl Judge {
    /// What judges by it; `RANGE` for numbers that mean nothing.
    pub(crate) fn judging(&self) -> Result<Judging, i32> {
        let address = match self.addressed {
            0 => None,
            1 => Some(Address::new(self.address)),
            _ => return Err(RANGE),
        };
        match self.sealed {
            0 => Ok(Judging::Open(address)),
            1 => {
                let key = TransferKey::new(self.transfer_key);
                Ok(Judging::Sealed(KeyedJudge::new(key, address)))
            }
            _ => Err(RANGE),
        }
    }
}

/// Judges what a carrier brings.
#[derive(Debug)]
pub(crate) enum Judging {
    /// What is sealed.
    Sealed(KeyedJudge<CHANNELS>),
    /// What is open.
    Open(Option<Address>),
}

impl Judging {
    /// Opens a configuration in place.
    pub(crate) fn open<'b>(&self, content: &'b mut [u8]) -> Result<&'b [u8], Refusal> {
        match self {
            Self::Sealed(judge) => judge.open(content),
            Self::Open(_) => Ok(content),
        }
    }

    /// A configuration as it is stored: sealed in `work`, or as it is. `None` if there is no room.
    pub(crate) fn seal<'b>(
        &self,
        address: Address,
        nonce: [u8; 12],
        content: &'b [u8],
        work: &'b mut [u8],
    ) -> Option<&'b [u8]> {
        match self {
            Self::Sealed(judge) => judge.seal(address, nonce, content, work).map(|sealed| &*sealed),
            Self::Open(_) => Some(content),
        }
    }
}

impl loader::Judge for Judging {
    fn address(&self) -> Option<Address> {
        match self {
            Self::Sealed(judge) => judge.address(),
            Self::Open(address) => *address,
        }
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        match self {
            Self::Sealed(judge) => judge.judge(content, address),
            Self::Open(_) => check_configuration::<CHANNELS>(content, address),
        }
    }
}
