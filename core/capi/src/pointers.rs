//! From pointers to references: what this crate believes of a pointer, in one place.
//!
//! A call first looks whether what it is given overlaps ([`check_apart`]), and only then makes
//! references of it. What is only read, and as a whole, is copied at once ([`get`]) and may lie
//! anywhere.

use crate::memory::{InUse, Place, Room};
use crate::{MISALIGNED, NULL, RANGE};
use core::mem::{MaybeUninit, size_of};

/// No buffer of this interface is longer: 64 KiB.
const LONGEST: usize = 1 << 16;

/// Checks what can be checked of a pointer.
fn check<T>(pointer: *const T) -> Result<(), i32> {
    if pointer.is_null() {
        Err(NULL)
    } else if !pointer.is_aligned() {
        Err(MISALIGNED)
    } else {
        Ok(())
    }
}

/// The place in memory.
///
/// # Safety
/// `memory` is null, or misaligned, or points to an `R` that was zeroed at first and that only this
/// crate has written since.
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn slot<'a, R: Room>(memory: *mut R) -> Result<Place<'a, R>, i32> {
    check(memory)?;
    // SAFETY: aligned, not null, and an `R` as promised.
    Ok(unsafe { Place::new(memory) })
}

/// What is in memory, for the length of a call.
///
/// # Safety
/// That of [`slot`].
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn held<'a, R: Room>(memory: *mut R) -> Result<InUse<'a, R>, i32> {
    // SAFETY: as promised by the caller.
    unsafe { slot(memory) }?.enter()
}

/// Bytes to read. No bytes may be anywhere, null included.
///
/// # Safety
/// `pointer` is null or points to `length` bytes that nobody writes meanwhile.
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn bytes<'a>(pointer: *const u8, length: usize) -> Result<&'a [u8], i32> {
    if length == 0 {
        return Ok(&[]);
    }
    check(pointer)?;
    if length > LONGEST {
        return Err(RANGE);
    }
    // SAFETY: not null; so many bytes as promised, and no more than a slice may have.
    Ok(unsafe { core::slice::from_raw_parts(pointer, length) })
}

/// Bytes to write.
///
/// # Safety
/// `pointer` is null or points to `length` bytes that have been written before, and that nobody else
/// uses meanwhile.
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn bytes_mut<'a>(pointer: *mut u8, length: usize) -> Result<&'a mut [u8], i32> {
    if length == 0 {
        return Ok(&mut []);
    }
    check(pointer)?;
    if length > LONGEST {
        return Err(RANGE);
    }
    // SAFETY: not null; so many bytes as promised, and no more than a slice may have.
    Ok(unsafe { core::slice::from_raw_parts_mut(pointer, length) })
}

/// One value to read.
///
/// # Safety
/// `pointer` is null, or misaligned, or points to a `T`.
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn get<T: Copy>(pointer: *const T) -> Result<T, i32> {
    check(pointer)?;
    // SAFETY: aligned, not null, and a `T` as promised.
    Ok(unsafe { pointer.read() })
}

/// Room for one value to write.
///
/// # Safety
/// `pointer` is null, or misaligned, or points to room for a `T` that nobody else uses meanwhile.
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn put<'a, T>(pointer: *mut T) -> Result<&'a mut MaybeUninit<T>, i32> {
    check(pointer)?;
    // SAFETY: aligned, not null, and any bytes at all are room.
    Ok(unsafe { &mut *pointer.cast::<MaybeUninit<T>>() })
}

/// Where something is that a call is given.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Span {
    at: usize,
    length: usize,
    written: bool,
}

impl Span {
    /// Bytes that are only read.
    pub(crate) fn read(pointer: *const u8, length: usize) -> Self {
        Self { at: pointer.addr(), length, written: false }
    }

    /// Bytes that are written.
    pub(crate) fn written(pointer: *const u8, length: usize) -> Self {
        Self { at: pointer.addr(), length, written: true }
    }

    /// A value that is written, or memory that is used.
    pub(crate) fn of<T>(pointer: *const T) -> Self {
        Self::written(pointer.cast(), size_of::<T>())
    }

    /// Whether the two share a byte that one of them writes. Null and no bytes are nowhere.
    const fn overlaps(self, other: Self) -> bool {
        let somewhere = self.at != 0 && other.at != 0 && self.length != 0 && other.length != 0;
        somewhere
            && (self.written || other.written)
            && self.at < other.at.saturating_add(other.length)
            && other.at < self.at.saturating_add(self.length)
    }
}

/// Whether no two of these overlap.
#[inline(never)]
pub(crate) fn check_apart(spans: &[Span]) -> Result<(), i32> {
    let mut rest = spans;
    while let Some((one, others)) = rest.split_first() {
        if others.iter().any(|other| one.overlaps(*other)) {
            return Err(RANGE);
        }
        rest = others;
    }
    Ok(())
}
