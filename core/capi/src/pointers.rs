//! From pointers to references: all that this crate believes, in one place.

use crate::{MEMORY_BYTES, MISALIGNED, Member, NOT_READY, NULL, RANGE};
use core::mem::{MaybeUninit, align_of, size_of};
use zeroize::Zeroize;

/// No buffer of this interface is longer: 64 KiB.
const LONGEST: usize = 1 << 16;

/// The caller's memory for a station.
#[repr(C)]
#[derive(Debug)]
pub struct Memory {
    /// Words, so that it is aligned.
    pub words: [u64; MEMORY_BYTES / 8],
}

/// What is in it.
#[repr(C)]
struct Held {
    tag: u64,
    station: MaybeUninit<Member>,
}

/// The words that it takes, what lies between its fields included.
const HELD_WORDS: usize = size_of::<Held>() / size_of::<u64>();

const _: () = assert!(size_of::<Held>() == HELD_WORDS * size_of::<u64>(), "whole words");

/// Says that there is a station. Zeroed memory does not, and other memory hardly.
const TAG: u64 = 0x4857_5354_4154_494F;

const _: () = assert!(size_of::<Held>() <= size_of::<Memory>(), "a station fits");
const _: () = assert!(align_of::<Held>() <= align_of::<Memory>(), "and is aligned");

/// The place of a station in memory.
pub(crate) struct Place<'a>(&'a mut Held);

impl<'a> Place<'a> {
    pub(crate) const fn is_ready(&self) -> bool {
        self.0.tag == TAG
    }

    pub(crate) fn fill(self, station: Member) {
        self.0.station.write(station);
        self.0.tag = TAG;
    }

    /// Ends the station; `false` if there is none.
    pub(crate) fn empty(self) -> bool {
        if !self.is_ready() {
            return false;
        }
        self.0.tag = 0;
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: the tag said that there is a station, and says so no more.
        unsafe {
            self.0.station.assume_init_drop();
        }
        let words = core::ptr::from_mut(self.0).cast::<[MaybeUninit<u64>; HELD_WORDS]>();
        #[expect(unsafe_code, reason = "zeros between the fields as well")]
        // SAFETY: so many words are what a `Held` takes, and any bytes at all are these.
        let words = unsafe { &mut *words };
        words.as_mut_slice().zeroize();
        true
    }

    fn station(self) -> Result<&'a mut Member, i32> {
        if !self.is_ready() {
            return Err(NOT_READY);
        }
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: the tag says that there is a station, and only `fill` sets it.
        Ok(unsafe { self.0.station.assume_init_mut() })
    }
}

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
/// `memory` is null, or misaligned, or points to a `Memory` that was zeroed at first, that only this
/// crate has written since, and that nobody else uses meanwhile.
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn slot<'a>(memory: *mut Memory) -> Result<Place<'a>, i32> {
    check(memory)?;
    // SAFETY: aligned and not null; `Held` is no larger and no more strictly aligned than `Memory`, and
    // any bytes at all are one, since nothing in it but the tag has to mean anything.
    Ok(Place(unsafe { &mut *memory.cast::<Held>() }))
}

/// The station in memory.
///
/// # Safety
/// That of [`slot`].
#[expect(unsafe_code, reason = "a pointer is believed")]
pub(crate) unsafe fn held<'a>(memory: *mut Memory) -> Result<&'a mut Member, i32> {
    // SAFETY: as promised by the caller.
    unsafe { slot(memory) }?.station()
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

/// Two buffers that must not overlap.
pub(crate) fn check_apart(
    one: *const u8,
    one_length: usize,
    other: *const u8,
    other_length: usize,
) -> Result<(), i32> {
    let (one, other) = (one.addr(), other.addr());
    let apart = one.saturating_add(one_length) <= other
        || other.saturating_add(other_length) <= one
        || one_length == 0
        || other_length == 0;
    if apart { Ok(()) } else { Err(RANGE) }
}

/// One value to read.
///
/// # Safety
/// `pointer` is null, or misaligned, or points to a `T` for which any bytes will do.
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
