//! The caller's memory: what is in it, and who uses it at the moment.
//!
//! ```text
//!  zeros ──vacant──► in use ──fill──► ready ──enter──► in use ──(the call ends)──► ready
//!  ready ──empty──► zeros
//! ```
//!
//! The two words that say so are read and written as atomics and lie apart from the rest. So a call
//! that finds another one under way, from an interrupt or from within a callback, touches nothing but
//! them, and says `IN_USE`.

use crate::{
    IN_USE, INBOX_BYTES, LOADER_BYTES, MEMORY_BYTES, Member, NOT_READY, OUTBOX_BYTES, READY, inbox,
    loader, outbox,
};
use core::fmt;
use core::marker::PhantomData;
use core::mem::{MaybeUninit, align_of, size_of};
use core::ops::{Deref, DerefMut};
use core::sync::atomic::{AtomicU32, Ordering, compiler_fence};
use zeroize::Zeroize;

/// The caller's memory for a station.
#[repr(C)]
pub struct Memory {
    /// Words, so that it is aligned.
    pub words: [u64; MEMORY_BYTES / 8],
}

/// The caller's memory for a message on its way out.
#[repr(C)]
pub struct Outbox {
    /// Words, so that it is aligned.
    pub words: [u64; OUTBOX_BYTES / 8],
}

/// The caller's memory for messages on their way in, from two sources at a time.
#[repr(C)]
pub struct Inbox {
    /// Words, so that it is aligned.
    pub words: [u64; INBOX_BYTES / 8],
}

/// The caller's memory for the station's end of the loader.
#[repr(C)]
pub struct Loader {
    /// Words, so that it is aligned.
    pub words: [u64; LOADER_BYTES / 8],
}

/// Without what is in it: keys, as a rule.
macro_rules! shown_by_name {
    ($($name:ident),*) => {$(
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.debug_struct(stringify!($name)).finish_non_exhaustive()
            }
        }
    )*};
}

shown_by_name!(Memory, Outbox, Inbox, Loader);

/// Memory of the caller for one kind of thing.
pub(crate) trait Room: Sized {
    /// What is kept in it.
    type Thing;
    /// Tells one kind from another.
    const KIND: u32;
    /// It fits, wherever in memory it has to begin so that it is aligned.
    const FITS: () = {
        let slack = align_of::<Held<Self::Thing>>().saturating_sub(align_of::<Self>());
        let needed = size_of::<Held<Self::Thing>>().saturating_add(slack);
        assert!(needed <= size_of::<Self>(), "it fits");
    };
}

impl Room for Memory {
    type Thing = Member;
    const KIND: u32 = 0x4857_5354;
}

impl Room for Outbox {
    type Thing = outbox::Out;
    const KIND: u32 = 0x4857_4F42;
}

impl Room for Inbox {
    type Thing = inbox::In;
    const KIND: u32 = 0x4857_4942;
}

impl Room for Loader {
    type Thing = loader::Loading;
    const KIND: u32 = 0x4857_4C44;
}

/// What memory holds.
#[repr(C)]
pub(crate) struct Held<T> {
    kind: AtomicU32,
    state: AtomicU32,
    thing: MaybeUninit<T>,
}

/// There is something, and no call is under way. With the kind, 64 bits that memory which was not
/// zeroed hardly has.
const IS_READY: u32 = 0x5EAD_1E55;
/// A call is under way.
const IS_IN_USE: u32 = !IS_READY;

/// A place in memory, whether or not there is something.
pub(crate) struct Place<'a, R: Room> {
    held: *mut Held<R::Thing>,
    memory: PhantomData<&'a mut R>,
}

impl<'a, R: Room> Place<'a, R> {
    /// The place in `memory`: where it begins, or a little behind that on processors whose wide
    /// registers ask for more than the alignment of a word.
    ///
    /// # Safety
    /// It points to an `R` that was zeroed at first and that only this crate has written since.
    #[expect(unsafe_code, reason = "a pointer is believed")]
    pub(crate) unsafe fn new(memory: *mut R) -> Self {
        const { R::FITS };
        let coarser = align_of::<Held<R::Thing>>().saturating_sub(1);
        let behind = memory.addr().wrapping_neg() & coarser;
        let held = memory.cast::<u8>().wrapping_add(behind).cast();
        Self { held, memory: PhantomData }
    }

    fn kind(&self) -> &AtomicU32 {
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: a `Held` fits into an `R` there; any bytes are a number, and nobody has a reference to
        // these but as atomics.
        unsafe {
            &(*self.held).kind
        }
    }

    fn state(&self) -> &AtomicU32 {
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: as above.
        unsafe {
            &(*self.held).state
        }
    }

    const fn thing(&self) -> *mut R::Thing {
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: a `Held` fits into an `R`. No reference is made, only a pointer.
        let thing = unsafe { &raw mut (*self.held).thing };
        thing.cast()
    }

    /// Begins a call that puts something there. Refuses memory in which there is something already.
    pub(crate) fn vacant(self) -> Result<Vacant<'a, R>, i32> {
        self.vacant_by(claim)
    }

    /// The same, with how a word is changed.
    fn vacant_by(
        self,
        claim: impl FnOnce(&AtomicU32, u32, u32) -> bool,
    ) -> Result<Vacant<'a, R>, i32> {
        let (kind, state) = (self.kind(), self.state());
        let found = kind.load(Ordering::Acquire);
        let before = state.load(Ordering::Acquire);
        if found == R::KIND {
            // Of our kind and not ready: a call is under way, or one is about to say so.
            return Err(if before == IS_READY { READY } else { IN_USE });
        }
        // An interrupt may have put something there since.
        let claimed = claim(kind, found, R::KIND);
        compiler_fence(Ordering::SeqCst);
        if !claimed || (before != IS_READY && state.load(Ordering::Acquire) == IS_READY) {
            return Err(READY);
        }
        state.store(IS_IN_USE, Ordering::Release);
        Ok(Vacant(self))
    }

    /// Begins a call that uses what is there.
    pub(crate) fn enter(self) -> Result<InUse<'a, R>, i32> {
        self.enter_by(claim)
    }

    /// The same, with how a word is changed.
    fn enter_by(
        self,
        claim: impl FnOnce(&AtomicU32, u32, u32) -> bool,
    ) -> Result<InUse<'a, R>, i32> {
        let (kind, state) = (self.kind(), self.state());
        if kind.load(Ordering::Acquire) != R::KIND {
            return Err(NOT_READY);
        }
        match state.load(Ordering::Acquire) {
            IS_READY => {}
            IS_IN_USE => return Err(IN_USE),
            _ => return Err(NOT_READY),
        }
        let claimed = claim(state, IS_READY, IS_IN_USE);
        // What the call does with the thing stays behind the mark, for an interrupt too.
        compiler_fence(Ordering::SeqCst);
        // From the mark on nobody ends what is there; between the look and the mark an interrupt may have.
        match (kind.load(Ordering::Acquire), state.load(Ordering::Acquire)) {
            (kind, IS_IN_USE) if claimed && kind == R::KIND => Ok(InUse(self)),
            (1.., IS_IN_USE) if claimed => {
                // Something of another kind has come, and is as it was.
                state.store(IS_READY, Ordering::Release);
                Err(NOT_READY)
            }
            // Nothing is there any more: a mark on nothing says nothing.
            _ => Err(NOT_READY),
        }
    }

    /// Ends what is there, and wipes it.
    pub(crate) fn empty(self) -> Result<(), i32> {
        let place = core::mem::ManuallyDrop::new(self.enter()?);
        let thing = place.0.thing();
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: there is a thing, and from now on nobody says so.
        unsafe {
            thing.drop_in_place();
        }
        let bytes = core::ptr::slice_from_raw_parts_mut(
            thing.cast::<MaybeUninit<u8>>(),
            size_of::<R::Thing>(),
        );
        #[expect(unsafe_code, reason = "zeros between the fields as well")]
        // SAFETY: so many bytes are what it took, any bytes at all are these, and nobody else refers
        // to them.
        let bytes = unsafe { &mut *bytes };
        bytes.zeroize();
        place.0.vacate();
        Ok(())
    }

    /// Says that there is nothing. The kind last: from then on another call may put something there.
    fn vacate(&self) {
        self.state().store(0, Ordering::Release);
        self.kind().store(0, Ordering::Release);
    }
}

/// Changes a word that is still as it was found, in one step.
#[cfg(target_has_atomic = "32")]
fn claim(word: &AtomicU32, found: u32, becomes: u32) -> bool {
    word.compare_exchange(found, becomes, Ordering::AcqRel, Ordering::Acquire).is_ok()
}

/// Changes a word, on processors without such a step: whoever does so looks again afterwards. (They have
/// one core as a rule, and an interrupt has ended before the call goes on.)
#[cfg(not(target_has_atomic = "32"))]
fn claim(word: &AtomicU32, _found: u32, becomes: u32) -> bool {
    word.store(becomes, Ordering::Release);
    true
}

/// Memory in which a call is putting something: whoever comes meanwhile is told that it is used.
pub(crate) struct Vacant<'a, R: Room>(Place<'a, R>);

impl<R: Room> Vacant<'_, R> {
    /// Puts a thing there.
    pub(crate) fn fill(self, thing: R::Thing) {
        let place = core::mem::ManuallyDrop::new(self);
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: room enough, and nobody refers to it: there was nothing there.
        unsafe {
            place.0.thing().write(thing);
        }
        place.0.state().store(IS_READY, Ordering::Release);
    }
}

impl<R: Room> Drop for Vacant<'_, R> {
    /// Nothing has come of it.
    fn drop(&mut self) {
        self.0.vacate();
    }
}

/// What is in memory, for the length of a call.
pub(crate) struct InUse<'a, R: Room>(Place<'a, R>);

impl<R: Room> Deref for InUse<'_, R> {
    type Target = R::Thing;

    fn deref(&self) -> &R::Thing {
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: `enter` has found a thing, which only `fill` puts there, and marked it as used.
        unsafe {
            &*self.0.thing()
        }
    }
}

impl<R: Room> DerefMut for InUse<'_, R> {
    fn deref_mut(&mut self) -> &mut R::Thing {
        #[expect(unsafe_code, reason = "the memory is the caller's")]
        // SAFETY: as above, and whoever comes meanwhile is told that it is used.
        unsafe {
            &mut *self.0.thing()
        }
    }
}

impl<R: Room> Drop for InUse<'_, R> {
    fn drop(&mut self) {
        self.0.state().store(IS_READY, Ordering::Release);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thing_is_aligned_wherever_its_memory_begins() {
        let mut words = [0_u64; INBOX_BYTES / 8 + 8];
        for word in 0..8 {
            let memory = words.as_mut_ptr().wrapping_add(word).cast::<Inbox>();
            #[expect(unsafe_code, reason = "a pointer is believed")]
            // SAFETY: it points to so many words, which are zeros.
            let place = unsafe { Place::new(memory) };
            assert!(place.held.is_aligned(), "word {word}");
            assert!(place.held.addr() >= memory.addr());
            assert!(place.held.wrapping_add(1).addr() <= memory.wrapping_add(1).addr(), "inside");
        }
    }

    const EMPTY: Outbox = Outbox { words: [0; OUTBOX_BYTES / 8] };

    fn place(memory: *mut Outbox) -> Place<'static, Outbox> {
        #[expect(unsafe_code, reason = "a pointer is believed")]
        // SAFETY: each test has one, which was zeros, and outlives what is made of it.
        unsafe {
            Place::new(memory)
        }
    }

    fn make(memory: *mut Outbox) -> Result<(), i32> {
        let layout = hopwright_core::message::Layout::new(64, 24, 106).map_err(|_| NOT_READY)?;
        place(memory).vacant()?.fill(outbox::Out::new(layout));
        Ok(())
    }

    /// As on a processor that changes no word in one step.
    fn store(word: &AtomicU32, _: u32, becomes: u32) -> bool {
        word.store(becomes, Ordering::Release);
        true
    }

    /// An interrupt ends what a call has just found, before it has said that it uses it.
    #[test]
    fn what_is_ended_between_look_and_mark_is_not_entered() {
        for claim in [claim, store] {
            let mut memory = EMPTY;
            let memory = &raw mut memory;
            assert_eq!(make(memory), Ok(()));
            let entered = place(memory).enter_by(|word, found, becomes| {
                assert_eq!(place(memory).empty(), Ok(()));
                claim(word, found, becomes)
            });
            assert_eq!(entered.err(), Some(NOT_READY));
            assert_eq!(place(memory).enter().err(), Some(NOT_READY));
            // And there is room for another.
            assert_eq!(make(memory), Ok(()));
            // Ended and made anew: it is entered, and marked.
            let entered = place(memory).enter_by(|word, found, becomes| {
                assert_eq!((place(memory).empty(), make(memory)), (Ok(()), Ok(())));
                claim(word, found, becomes)
            });
            assert_eq!(place(memory).enter().err(), Some(IN_USE));
            drop(entered.ok());
            assert_eq!(place(memory).empty(), Ok(()));
        }
    }

    /// An interrupt makes something where a call has just found nothing.
    #[test]
    fn what_is_made_between_look_and_mark_is_not_made_again() {
        for claim in [claim, store] {
            let mut memory = EMPTY;
            let memory = &raw mut memory;
            let vacant = place(memory).vacant_by(|word, found, becomes| {
                assert_eq!(make(memory), Ok(()));
                claim(word, found, becomes)
            });
            assert_eq!(vacant.err(), Some(READY));
            assert_eq!(place(memory).empty(), Ok(()), "it is still there");
        }
    }

    #[test]
    fn while_something_is_made_it_is_in_use() {
        let mut memory = EMPTY;
        let memory = &raw mut memory;
        let vacant = place(memory).vacant();
        assert_eq!((make(memory), place(memory).empty()), (Err(IN_USE), Err(IN_USE)));
        assert_eq!(place(memory).enter().err(), Some(IN_USE));
        // Nothing has come of it.
        drop(vacant.ok());
        assert_eq!(place(memory).enter().err(), Some(NOT_READY));
        assert_eq!(make(memory), Ok(()));
        assert_eq!(make(memory), Err(READY));
    }
}
