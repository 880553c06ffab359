//! Two banks of storage, of which one holds the configuration in use: power may go at any byte.
//!
//! A bank is a row of cells that are written once between two erasures. An offer starts it, chunks
//! follow, a commit record makes it valid. A cell carries its own check, so one that was being
//! written when power went is dead, is skipped, and its content goes into the next. The bank with
//! the commit record of the higher generation is in use, if its content is whole; the other bank
//! is where the next configuration is built. So there is no moment at which a byte of the new one
//! can be taken for the old one's.
//!
//! ```text
//! cell: kind | 0 | index, 2 | length, 2 | 0, 2 | digest's low half, 4 | CRC-32, 4 | 128 bytes
//! ```

use super::{CHUNK_BYTES, MAX_CARRIED, Offer};
use crate::provision::CRC_32;
use core::fmt;
use zeroize::Zeroize;

/// The bytes of a cell. Writes begin at multiples of 16 bytes and are multiples of 16 bytes long,
/// as the program widths of most flash memories ask for. For wider ones let the storage put each cell at a multiple of
/// its own width: cells are written and read whole.
pub const CELL_BYTES: usize = CHUNK_BYTES + HEAD;
const HEAD: usize = 16;
/// What erased storage reads as.
const BLANK: u8 = 0xFF;

/// The cells that a content of `bytes` bytes needs: offer, chunks, commit. A bank should have a few
/// more: each loss of power while a cell is written costs one.
#[must_use]
pub const fn cells_needed(bytes: usize) -> usize {
    bytes.div_ceil(CHUNK_BYTES).saturating_add(2)
}

/// One of the two banks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Bank {
    /// The first.
    A,
    /// The second.
    B,
}

impl Bank {
    /// The other one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

/// The storage did not do what it was asked to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StorageFault;

impl fmt::Display for StorageFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the storage failed")
    }
}

impl core::error::Error for StorageFault {}

/// Storage in two banks, erased as a whole, then written once: flash memory, or a file that
/// behaves like it.
pub trait Storage {
    /// The bytes of one bank.
    fn capacity(&self) -> usize;

    /// Reads from a bank. What power has interrupted may read as anything, or not at all where the memory
    /// corrects errors; that cell counts as dead.
    ///
    /// # Errors
    /// [`StorageFault`] if it cannot be read.
    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault>;

    /// Writes bytes that have not been written since the bank was erased. When it returns, they
    /// survive a loss of power; until then any of them may or may not have been written.
    ///
    /// # Errors
    /// [`StorageFault`] if they could not be written.
    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault>;

    /// Makes every byte of a bank FF. Until it returns, any of them may or may not be. Where it is done in steps, the
    /// beginning of the bank goes first: the offer is there. If power goes between, and the offer is still there,
    /// what is left looks like a configuration that is being built. Another offer erases it; the same one
    /// again goes on with it, and writes into cells whose erasure has never ended.
    ///
    /// # Errors
    /// [`StorageFault`] if it could not be erased.
    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault>;
}

const OFFER: u8 = 0x4F;
const CHUNK: u8 = 0x43;
const COMMIT: u8 = 0x56;

/// What a walk over a bank finds.
#[derive(Debug, Clone, Copy, Default)]
struct Found {
    offer: Option<Offer>,
    /// The chunks that are there without a gap.
    chunks: u16,
    /// The generation of the commit record.
    generation: Option<u32>,
    /// There is a commit record, whosever it is.
    committed: bool,
    /// The first cell after all that have been written.
    free: usize,
    /// What cannot be read.
    unread: Unread,
}

/// What of a bank cannot be read.
#[derive(Debug, Clone, Copy, Default)]
struct Unread {
    /// Some of it.
    any: bool,
    /// The first cell, where an offer stands.
    start: bool,
    /// The cells behind the chunks without a gap that may be what is missing: later chunks, and what cannot be read.
    behind: usize,
}

impl Found {
    /// Whether a whole configuration may be here that cannot be read. Cells are written in their order: what cannot
    /// be read before the last good chunk is a cell that power has interrupted, and nothing is missing for it.
    fn may_be_whole(&self) -> bool {
        let Some(offer) = self.offer else {
            // An offer, a chunk and a commit record at the least.
            return self.unread.start && self.free > 2;
        };
        let chunks = usize::from(offer.chunks().saturating_sub(self.chunks));
        let missing = chunks.saturating_add(usize::from(self.generation.is_none()));
        self.unread.any && self.unread.behind >= missing
    }
}

/// The configuration in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Active {
    /// Where it is.
    pub bank: Bank,
    /// How many have been committed before it, and it.
    pub generation: u32,
    /// What it was offered as.
    pub offer: Offer,
}

/// The configurations of a station.
pub struct Store<S> {
    storage: S,
    active: Option<Active>,
    /// What is being built in the other bank.
    building: Option<Found>,
    /// The other bank should have been erased, and may not be.
    owed: bool,
    /// What was built there may have been committed: the storage failed at it, and has not been erased since.
    in_doubt: bool,
    /// The highest generation of any commit record that has been seen: the next one is higher, so that one that could
    /// not be read for a while does not come back before it.
    highest: u32,
}

/// (What is derived for more than five fields compares their number, and may panic as far as a compiler can tell.)
impl<S: fmt::Debug> fmt::Debug for Store<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut shown = f.debug_struct("Store");
        shown.field("storage", &self.storage).field("active", &self.active);
        shown.field("building", &self.building).field("owed", &self.owed);
        shown.field("in_doubt", &self.in_doubt).field("highest", &self.highest).finish()
    }
}

impl<S: Storage> Store<S> {
    /// Looks at the storage after a start. Reads every byte of both banks at most three times.
    ///
    /// If power went after a commit and before the bank of the configuration before it was erased,
    /// that is made up for: keys that are out of use do not stay. So it is if power went during that
    /// erasure, provided that the storage erases the offer first ([`Storage::erase`]). Where something cannot be read, or
    /// no configuration is whole, nothing is erased before the next offer: it may be readable the next time, and what
    /// is rotten may be wanted for looking at it.
    ///
    /// # Errors
    /// [`StorageFault`] if no configuration is whole, and one may be where the storage cannot be read. Where
    /// there has never been one, power has interrupted an erasure or a commit: erase both banks, and open again.
    pub fn open(storage: S) -> Result<Self, StorageFault> {
        let mut store = Self {
            storage,
            active: None,
            building: None,
            owed: false,
            in_doubt: false,
            highest: 0,
        };
        let mut banks = [Bank::A, Bank::B].map(|bank| (bank, store.walk(bank)));
        for (bank, found) in &mut banks {
            let (Some(offer), Some(generation)) = (found.offer, found.generation) else {
                continue;
            };
            store.highest = store.highest.max(generation);
            let newest = store.active.is_none_or(|active| active.generation < generation);
            if !newest {
                continue;
            }
            let (whole, all_read) = store.whole(*bank, &offer);
            if whole {
                store.active = Some(Active { bank: *bank, generation, offer });
            } else {
                // It could be read a moment ago, and may be the next time.
                found.unread.any |= !all_read;
            }
        }
        let unread = banks.iter().any(|(_, found)| found.unread.any);
        if store.active.is_none() && banks.iter().any(|(_, found)| found.may_be_whole()) {
            return Err(StorageFault);
        }
        let other = store.spare();
        for (bank, found) in banks {
            if bank != other {
                continue;
            }
            // Cells without an offer are what an erasure has left that power interrupted.
            if found.generation.is_some() || (found.offer.is_none() && found.free > 0) {
                store.owed = true;
                // Where nothing is in use, a rotten configuration may be all that there is: it waits for an offer. What
                // has not been committed is none.
                if (store.active.is_some() || !found.committed) && !unread {
                    // A fault here does no harm: the next offer erases it first.
                    store.tidy();
                }
            } else if found.offer.is_some() {
                store.building = Some(found);
            }
        }
        Ok(store)
    }

    /// The configuration in use, if there is one.
    #[must_use]
    pub const fn active(&self) -> Option<Active> {
        self.active
    }

    /// The most bytes that a configuration may have.
    #[must_use]
    pub fn room(&self) -> usize {
        let cells = self.storage.capacity() / CELL_BYTES;
        cells.saturating_sub(2).saturating_mul(CHUNK_BYTES)
    }

    /// Copies the configuration in use to the start of `into` and returns it, as it was carried:
    /// one that was sealed is sealed, and may be opened there.
    ///
    /// # Errors
    /// [`StorageFault`] if there is none, it cannot be read, or `into` is too short.
    pub fn load<'b>(&mut self, into: &'b mut [u8]) -> Result<&'b mut [u8], StorageFault> {
        let active = self.active.ok_or(StorageFault)?;
        self.content(active.bank, &active.offer, into)
    }

    /// Puts a content of this station's own making in the place of the configuration in use: the same
    /// with other keys, say. It is built in the other bank, read back and committed, and the one before
    /// is erased. Whenever power goes, the old one is in use or the new one, whole; done once more with the
    /// same content, it is complete.
    ///
    /// Nobody judges it: what is stored is what a station starts with next time. A carrier may have brought another one
    /// since the station was made: look first whether it [renews](crate::provision::Configuration::renews) the one in
    /// use, or that is lost. One that holds a
    /// transfer key seals it first ([`TransferKey::seal`](crate::provision::TransferKey::seal)). What a
    /// carrier had begun is dropped.
    ///
    /// # Errors
    /// [`StorageFault`] if there is none in use, there is no room, or the storage fails. The old one is
    /// in use then, and of the new one nothing is left, unless the erasure fails too: then the next start tells
    /// which of them is in use. It is the one or the other, whole.
    pub fn replace(&mut self, content: &[u8]) -> Result<Active, StorageFault> {
        let active = self.active.ok_or(StorageFault)?;
        let offer = Offer::of(active.offer.address, content);
        if offer == active.offer {
            self.tidy();
            return if self.in_doubt { Err(StorageFault) } else { Ok(active) };
        }
        if content.is_empty() || content.len() > self.room().min(MAX_CARRIED) {
            return Err(StorageFault);
        }
        let replaced = self.build(offer, content).and_then(|()| self.commit());
        if replaced.is_err() {
            let _ = self.discard();
        }
        replaced
    }

    /// Builds a content in the other bank, from the start.
    fn build(&mut self, offer: Offer, content: &[u8]) -> Result<(), StorageFault> {
        self.building = None;
        self.begin(offer)?;
        for chunk in content.chunks(CHUNK_BYTES) {
            self.chunk(chunk)?;
        }
        let spare = self.spare();
        if self.whole(spare, &offer).0 { Ok(()) } else { Err(StorageFault) }
    }

    /// The storage, for looking at it.
    #[must_use]
    pub const fn storage(&self) -> &S {
        &self.storage
    }

    /// The bank that the next configuration is built in.
    fn spare(&self) -> Bank {
        self.active.map_or(Bank::A, |active| active.bank.other())
    }

    /// Begins a configuration, or goes on with it; returns the chunk that is wanted next.
    pub(super) fn begin(&mut self, offer: Offer) -> Result<u16, StorageFault> {
        if let Some(found) = self.building
            && found.offer == Some(offer)
            && self.fits(&found, &offer)
        {
            return Ok(found.chunks);
        }
        self.discard()?;
        let mut found = Found { offer: Some(offer), ..Found::default() };
        self.write_cell(&mut found, OFFER, 0, &offer.to_bytes())?;
        self.building = Some(found);
        Ok(0)
    }

    /// Whether the cells that are left hold what is still to come.
    fn fits(&self, found: &Found, offer: &Offer) -> bool {
        let left = (self.storage.capacity() / CELL_BYTES).saturating_sub(found.free);
        let needed = offer.chunks().saturating_sub(found.chunks);
        left > usize::from(needed)
    }

    /// Forgets what was being built.
    pub(super) fn discard(&mut self) -> Result<(), StorageFault> {
        self.building = None;
        self.owed = true;
        let spare = self.spare();
        self.storage.erase(spare)?;
        self.owed = false;
        self.in_doubt = false;
        Ok(())
    }

    /// Whether only the next start tells which configuration is in use: the storage failed at a commit, and then could
    /// not erase either. Nobody is answered then, nor a carrier; an offer tries the erasure again.
    #[must_use]
    pub const fn is_in_doubt(&self) -> bool {
        self.in_doubt
    }

    /// Tries once more to erase what an earlier try may have left. Another fault does no harm: nothing
    /// is built there before it has been erased.
    pub(super) fn tidy(&mut self) {
        if self.owed {
            let _ = self.discard();
        }
    }

    /// The chunk that is wanted next, and of which offer.
    pub(super) fn wanted(&self) -> Option<(Offer, u16)> {
        let found = self.building.as_ref()?;
        Some((found.offer?, found.chunks))
    }

    /// Stores the chunk that is wanted next.
    pub(super) fn chunk(&mut self, bytes: &[u8]) -> Result<(), StorageFault> {
        // Taken out: after a fault nobody knows what the cell holds, and the next offer starts
        // from a bank that has been erased.
        let mut found = self.building.take().ok_or(StorageFault)?;
        let index = found.chunks;
        self.write_cell(&mut found, CHUNK, index, bytes)?;
        found.chunks = index.saturating_add(1);
        self.building = Some(found);
        Ok(())
    }

    /// Reads what has been built to the start of `into`; `None` if it is not what was offered.
    pub(super) fn built<'b>(
        &mut self,
        into: &'b mut [u8],
    ) -> Result<Option<&'b mut [u8]>, StorageFault> {
        let spare = self.spare();
        let Some((offer, _)) = self.wanted() else { return Ok(None) };
        let content = self.content(spare, &offer, into)?;
        Ok((super::digest(content) == offer.digest).then_some(content))
    }

    /// Puts what has been built in the place of the configuration in use, and erases that one.
    pub(super) fn commit(&mut self) -> Result<Active, StorageFault> {
        let mut found = self.building.take().ok_or(StorageFault)?;
        let offer = found.offer.ok_or(StorageFault)?;
        let bank = self.spare();
        let generation = self.highest.checked_add(1).ok_or(StorageFault)?;
        self.in_doubt = true;
        self.write_cell(&mut found, COMMIT, 0, &generation.to_le_bytes())?;
        self.in_doubt = false;
        self.highest = generation;
        let active = Active { bank, generation, offer };
        self.active = Some(active);
        // The new one is in use. If this fails, the next start or offer does it.
        let _ = self.discard();
        Ok(active)
    }

    /// Writes the next free cell of the spare bank and reads it back.
    fn write_cell(
        &mut self,
        found: &mut Found,
        kind: u8,
        index: u16,
        content: &[u8],
    ) -> Result<(), StorageFault> {
        let offer = found.offer.ok_or(StorageFault)?;
        let at = found.free.saturating_mul(CELL_BYTES);
        if at.saturating_add(CELL_BYTES) > self.storage.capacity() || content.len() > CHUNK_BYTES {
            return Err(StorageFault);
        }
        let mut cell = [0; CELL_BYTES];
        let length = u16::try_from(content.len()).unwrap_or_default();
        let [i0, i1] = index.to_le_bytes();
        let [l0, l1] = length.to_le_bytes();
        let [d0, d1, d2, d3, ..] = offer.digest.to_le_bytes();
        crate::keys::put(&mut cell, 0, &[kind, 0, i0, i1, l0, l1, 0, 0, d0, d1, d2, d3]);
        crate::keys::put(&mut cell, HEAD, content);
        let check = check_of(&cell).to_le_bytes();
        crate::keys::put(&mut cell, 12, &check);
        let bank = self.spare();
        // Whatever comes of it, the cell has been used.
        found.free = found.free.saturating_add(1);
        let mut back = [0; CELL_BYTES];
        let written = self
            .storage
            .write(bank, at, &cell)
            .and_then(|()| self.storage.read(bank, at, &mut back))
            .and_then(|()| if back == cell { Ok(()) } else { Err(StorageFault) });
        cell.zeroize();
        back.zeroize();
        written
    }

    /// Goes over the cells of a bank; `false` if one cannot be read.
    fn cells(&mut self, bank: Bank, mut see: impl FnMut(usize, Cell<'_>)) -> bool {
        let mut bytes = [0; CELL_BYTES];
        let count = self.storage.capacity() / CELL_BYTES;
        let mut all_read = true;
        for number in 0..count {
            let read = self.storage.read(bank, number.saturating_mul(CELL_BYTES), &mut bytes);
            all_read &= read.is_ok();
            let cell = if read.is_ok() { Cell::of(&bytes) } else { Some(Cell::Unread) };
            if let Some(cell) = cell {
                see(number, cell);
            }
        }
        bytes.zeroize();
        all_read
    }

    fn walk(&mut self, bank: Bank) -> Found {
        let mut found = Found::default();
        let all_read = self.cells(bank, |number, cell| {
            found.free = number.saturating_add(1);
            if matches!(cell, Cell::Unread) {
                found.unread.behind = found.unread.behind.saturating_add(1);
                found.unread.start |= number == 0;
            }
            let Cell::Whole { kind, index, digest, content } = cell else { return };
            found.committed |= kind == COMMIT;
            match (kind, found.offer) {
                (OFFER, None) => found.offer = Offer::from_bytes(content),
                // Only what belongs to the offer counts.
                (_, Some(offer)) if low(offer.digest) != digest => {}
                (CHUNK, Some(_)) if index == found.chunks => {
                    found.chunks = found.chunks.saturating_add(1);
                    found.unread.behind = 0;
                }
                // One before it is missing.
                (CHUNK, Some(_)) if index > found.chunks => {
                    found.unread.behind = found.unread.behind.saturating_add(1);
                }
                (COMMIT, Some(_)) => {
                    found.generation = content.first_chunk().map(|n| u32::from_le_bytes(*n));
                }
                _ => {}
            }
        });
        found.unread.any = !all_read;
        found
    }

    /// Copies an offer's content to the start of `into`.
    fn content<'b>(
        &mut self,
        bank: Bank,
        offer: &Offer,
        into: &'b mut [u8],
    ) -> Result<&'b mut [u8], StorageFault> {
        let size = usize::try_from(offer.size).unwrap_or(usize::MAX);
        let into = into.get_mut(..size).ok_or(StorageFault)?;
        let mut filled = 0_usize;
        let mut next = 0_u16;
        self.cells(bank, |_, cell| {
            let Cell::Whole { kind: CHUNK, index, digest, content } = cell else { return };
            if index == next && digest == low(offer.digest) {
                crate::keys::put(into, filled, content);
                filled = filled.saturating_add(content.len());
                next = next.saturating_add(1);
            }
        });
        if filled == size { Ok(into) } else { Err(StorageFault) }
    }

    /// Whether an offer's content is all there and is what was offered, without a buffer for it; and whether
    /// everything could be read.
    fn whole(&mut self, bank: Bank, offer: &Offer) -> (bool, bool) {
        let mut digest = super::CRC_64.digest();
        let (mut bytes, mut next) = (0_u32, 0_u16);
        let all_read = self.cells(bank, |_, cell| {
            let Cell::Whole { kind: CHUNK, index, digest: of, content } = cell else { return };
            if index == next && of == low(offer.digest) {
                digest.update(content);
                bytes = bytes.saturating_add(u32::try_from(content.len()).unwrap_or(u32::MAX));
                next = next.saturating_add(1);
            }
        });
        (bytes == offer.size && digest.finalize() == offer.digest, all_read)
    }
}

/// A cell that has been written.
enum Cell<'a> {
    /// Its check does not fit: power went while it was written, or erased.
    Dead,
    /// It cannot be read: for the same reason, or for the moment.
    Unread,
    /// Its check fits.
    Whole { kind: u8, index: u16, digest: u32, content: &'a [u8] },
}

impl<'a> Cell<'a> {
    /// `None` if the cell is blank.
    fn of(bytes: &'a [u8; CELL_BYTES]) -> Option<Self> {
        if bytes.iter().all(|byte| *byte == BLANK) {
            return None;
        }
        let (head, content) = bytes.split_first_chunk::<HEAD>()?;
        let [kind, _, i0, i1, l0, l1, _, _, d0, d1, d2, d3, c0, c1, c2, c3] = *head;
        let content = content.get(..usize::from(u16::from_le_bytes([l0, l1])));
        let fits = check_of(bytes) == u32::from_le_bytes([c0, c1, c2, c3]);
        let (true, Some(content)) = (fits, content) else { return Some(Self::Dead) };
        let digest = u32::from_le_bytes([d0, d1, d2, d3]);
        Some(Self::Whole { kind, index: u16::from_le_bytes([i0, i1]), digest, content })
    }
}

/// The check of a cell: over all of it but the check.
fn check_of(cell: &[u8; CELL_BYTES]) -> u32 {
    let mut check = CRC_32.digest();
    check.update(cell.get(..12).unwrap_or_default());
    check.update(cell.get(HEAD..).unwrap_or_default());
    check.finalize()
}

const fn low(digest: u64) -> u32 {
    let [a, b, c, d, ..] = digest.to_le_bytes();
    u32::from_le_bytes([a, b, c, d])
}
