//! The station's end of the loader, and the configuration in use after a start.

use crate::memory::{Loader, Place};
use crate::pointers::{Span, bytes, bytes_mut, check_apart, get, held, put, slot};
use crate::storage::{Judge, Judging, Storage};
use crate::{CHANNELS, CONFIGURATION, NONE, STORAGE, TOO_SMALL, status};
use hopwright_core::loader::{
    MAX_WIRE, Refusal, StationEnd, Store, Verdict as Reached, check_configuration,
};
use hopwright_core::provision::Configuration;
use zeroize::Zeroize;

/// The bytes that an answer of the loader needs at most.
pub const ANSWER_BYTES: usize = 306;

const _: () = assert!(ANSWER_BYTES == MAX_WIRE, "as the header says");

/// It was accepted.
pub const REFUSAL_NONE: u8 = 0;
/// It speaks another version of the protocol.
pub const REFUSAL_PROTOCOL: u8 = 1;
/// It is another station than the one offered for.
pub const REFUSAL_OTHER_STATION: u8 = 2;
/// It has no room for that many bytes.
pub const REFUSAL_TOO_LONG: u8 = 3;
/// Its storage failed.
pub const REFUSAL_STORAGE: u8 = 4;
/// What arrived is not what was offered.
pub const REFUSAL_DAMAGED: u8 = 5;
/// It cannot open the seal: another key, or altered.
pub const REFUSAL_SEAL: u8 = 6;
/// A later version of the format than it knows.
pub const REFUSAL_VERSION: u8 = 7;
/// The content is not a configuration.
pub const REFUSAL_CONTENT: u8 = 8;
/// The configuration makes no station.
pub const REFUSAL_NO_STATION: u8 = 9;
/// It takes only what is sealed, and this is not.
pub const REFUSAL_UNSEALED: u8 = 10;

/// What became of an offer.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Verdict {
    /// How many configurations have been committed, this one included; 0 if it was refused.
    pub generation: u32,
    /// Its bytes as it was carried; 0 if it was refused.
    pub size: u32,
    /// Whether the new configuration is what the next start uses; else the old one is, if there was one.
    pub accepted: u8,
    /// Why not: one of `REFUSAL_`.
    pub refusal: u8,
    /// Nothing.
    pub unused: [u8; 2],
}

impl Verdict {
    fn of(verdict: Reached) -> Self {
        match verdict {
            Reached::Accepted(active) => Self {
                generation: active.generation,
                size: active.offer.size,
                accepted: 1,
                refusal: REFUSAL_NONE,
                unused: [0; 2],
            },
            Reached::Refused(refusal) => {
                let place = Refusal::ALL.iter().position(|known| *known == refusal);
                let number = place.and_then(|place| u8::try_from(place).ok());
                let refusal = number.map_or(u8::MAX, |number| number.saturating_add(1));
                Self { refusal, ..Self::default() }
            }
        }
    }
}

/// What is in the memory of a loader.
#[derive(Debug)]
pub(crate) struct Loading {
    end: StationEnd<'static, Storage, Judging>,
    /// Where its work is done.
    work: Span,
}

/// What judges by a pointer. No copy of the key is left beside it, whatever else is wrong.
///
/// # Safety
/// That of [`get`].
#[expect(unsafe_code, reason = "a pointer is believed")]
unsafe fn judging(judge: *const Judge) -> Result<Judging, i32> {
    // SAFETY: as promised by the caller.
    let mut judge = unsafe { get(judge) };
    match &mut judge {
        Ok(judge) => {
            let judging = judge.judging();
            judge.transfer_key.zeroize();
            judging
        }
        Err(failed) => Err(*failed),
    }
}

/// Makes the station's end of the loader, and looks at what the storage holds. A configuration must fit
/// into `work`, where it is judged; `work` belongs to the loader until `hw_loader_end`. `NULL` also if
/// a function of the storage is, `RANGE` if the judge's numbers mean nothing, `STORAGE` if the storage
/// cannot be read.
///
/// The functions of the storage are called from within this call and `hw_loader_take`. They may call
/// nothing with this loader.
///
/// # Safety
/// `loader` points to an `hw_loader`, `storage` to an `hw_storage` whose functions are null or do what it
/// says, `judge` to an `hw_judge`, `work` to `room` bytes that nobody else uses until `hw_loader_end`.
/// What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_loader_init(
    loader: *mut Loader,
    storage: *const Storage,
    judge: *const Judge,
    work: *mut u8,
    room: usize,
) -> i32 {
    let span = Span::written(work, room);
    if let Err(failed) = check_apart(&[Span::of(loader), span]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(loader) };
    // SAFETY: as promised by the caller.
    let storage = unsafe { get(storage) };
    // SAFETY: as promised by the caller.
    let judging = unsafe { judging(judge) };
    // A loader that there is already has the only reference to its work, which may be this. And from here
    // on this one is in use: the storage's functions may make no second one of the same memory.
    let place = match place.and_then(Place::vacant) {
        Ok(place) => place,
        Err(failed) => return failed,
    };
    // SAFETY: as promised by the caller.
    let work = unsafe { bytes_mut(work, room) };
    status((|| {
        let (storage, judging, work) = (storage?.checked()?, judging?, work?);
        let store = Store::open(storage).map_err(|_| STORAGE)?;
        place.fill(Loading { end: StationEnd::new(store, judging, work), work: span });
        Ok(())
    })())
}

/// Takes bytes from the carrier, until there is an answer: `used` says how many, `answer_length` how
/// many bytes are to be sent. Call it again with the rest. `TOO_SMALL`, and none is taken, unless
/// `room` is `ANSWER_BYTES` at least.
///
/// # Safety
/// `loader` points to an `hw_loader`, `received` to `length` bytes, `used` to a `size_t`, `answer` to
/// `room` bytes, `answer_length` to a `size_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_loader_take(
    loader: *mut Loader,
    received: *const u8,
    length: usize,
    used: *mut usize,
    answer: *mut u8,
    room: usize,
    answer_length: *mut usize,
) -> i32 {
    let others = [
        Span::read(received, length),
        Span::written(answer, room),
        Span::of(used),
        Span::of(answer_length),
    ];
    let [read, written, of_used, of_length] = others;
    if let Err(failed) = check_apart(&[Span::of(loader), read, written, of_used, of_length]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let loader = unsafe { held(loader) };
    let mut loader = match loader {
        Ok(loader) => loader,
        Err(failed) => return failed,
    };
    if let Err(failed) = check_apart(&[loader.work, read, written, of_used, of_length]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let received = unsafe { bytes(received, length) };
    // SAFETY: as promised by the caller.
    let used = unsafe { put(used) };
    // SAFETY: as promised by the caller.
    let answer = unsafe { bytes_mut(answer, room) };
    // SAFETY: as promised by the caller.
    let answer_length = unsafe { put(answer_length) };
    status((|| {
        let (received, used, answer) = (received?, used?, answer?);
        let answer_length = answer_length?;
        used.write(0);
        answer_length.write(0);
        let answer = answer.get_mut(..ANSWER_BYTES).ok_or(TOO_SMALL)?;
        for (taken, byte) in (1..).zip(received) {
            used.write(taken);
            if let Some(said) = loader.end.byte(*byte) {
                answer.get_mut(..said.len()).ok_or(TOO_SMALL)?.copy_from_slice(said);
                answer_length.write(said.len());
                break;
            }
        }
        Ok(())
    })())
}

/// What became of the last offer. `NONE` while that is open.
///
/// # Safety
/// `loader` points to an `hw_loader`, `verdict` to room for an `hw_verdict`. What is said of all
/// functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_loader_verdict(loader: *mut Loader, verdict: *mut Verdict) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(loader), Span::of(verdict)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let loader = unsafe { held(loader) };
    // SAFETY: as promised by the caller.
    let verdict = unsafe { put(verdict) };
    status((|| {
        let (loader, verdict) = (loader?, verdict?);
        verdict.write(Verdict::of(loader.end.verdict().ok_or(NONE)?));
        Ok(())
    })())
}

/// Ends a loader and wipes its memory. `work` is the caller's again; it has been wiped after every
/// judgement.
///
/// # Safety
/// `loader` points to an `hw_loader`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_loader_end(loader: *mut Loader) -> i32 {
    // SAFETY: as promised by the caller.
    let place = unsafe { slot(loader) };
    status((|| place?.empty())())
}

/// Copies the configuration in use from the storage to `configuration`, opened, and its number of bytes
/// to `length`: for `hw_init`, after a start. Not while a loader uses the same storage. `NONE` if there
/// is none, `STORAGE` if the storage cannot be read, `TOO_SMALL` if there is no room for it as it was
/// carried, `CONFIGURATION` if the judge does not open it. What is not the configuration is wiped.
///
/// # Safety
/// `storage` points to an `hw_storage` whose functions are null or do what it says, `judge` to an
/// `hw_judge`, `configuration` to `room` bytes, `length` to a `size_t`. What is said of all functions
/// holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_load_configuration(
    storage: *const Storage,
    judge: *const Judge,
    configuration: *mut u8,
    room: usize,
    length: *mut usize,
) -> i32 {
    let spans = [Span::written(configuration, room), Span::of(length)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let storage = unsafe { get(storage) };
    // SAFETY: as promised by the caller.
    let judging = unsafe { judging(judge) };
    // SAFETY: as promised by the caller.
    let configuration = unsafe { bytes_mut(configuration, room) };
    // SAFETY: as promised by the caller.
    let length = unsafe { put(length) };
    status((|| {
        let (storage, judging) = (storage?.checked()?, judging?);
        let (configuration, length) = (configuration?, length?);
        length.write(0);
        let opened = load(storage, &judging, configuration);
        if let Ok(count) = opened {
            length.write(count);
        } else {
            configuration.zeroize();
        }
        opened.map(|_| ())
    })())
}

/// Copies the configuration in use to the start of a buffer, opened; gives its number of bytes.
fn load(storage: Storage, judging: &Judging, into: &mut [u8]) -> Result<usize, i32> {
    let mut store = Store::open(storage).map_err(|_| STORAGE)?;
    let active = store.active().ok_or(NONE)?;
    let size = usize::try_from(active.offer.size).unwrap_or(usize::MAX);
    if size > into.len() {
        return Err(TOO_SMALL);
    }
    let carried = store.load(into).map_err(|_| STORAGE)?;
    let from = carried.as_ptr().addr();
    let open = judging.open(carried).map_err(|_| CONFIGURATION)?;
    // The text lies somewhere in what was carried: it is moved to the front.
    let (at, count) = (open.as_ptr().addr().saturating_sub(from), open.len());
    // (`copy_within` keeps a path that panics.)
    for place in 0..count {
        let byte = into.get(at.saturating_add(place)).copied();
        if let (Some(byte), Some(to)) = (byte, into.get_mut(place)) {
            *to = byte;
        }
    }
    into.get_mut(count..).unwrap_or_default().zeroize();
    Ok(count)
}

/// Puts a configuration in the place of the one in use, so that a loss of power leaves the one or the
/// other: what `hw_renew` has written, at `EVENT_KEYS_CHANGED`. For a judge that takes what is sealed it
/// is sealed with the transfer key first, in `work`, which is wiped afterwards; `hw_load_configuration`
/// opens it with the same judge. Not while a loader uses the same storage.
///
/// `nonce` is 12 bytes that no content was ever sealed with under this key: draw them at random.
///
/// `NONE` if there is no configuration in use, `CONFIGURATION` if the bytes are not the one in use with the
/// keys of a later change, or the judge does not open that: a carrier has brought another one, of another
/// plan or of the same with other keys, role or directory, which the station has not been made of yet, and
/// which must not be lost. Make it anew then, and drop the order. `TOO_SMALL` if `work` or a bank has no
/// room: it takes 64 bytes more when it is sealed, and in `work` there must be room for the one in use as
/// well, as it was carried. `STORAGE` if the storage fails; the old one is in use then, unless it could not
/// even be erased: then the next start tells which is.
///
/// # Safety
/// `storage` points to an `hw_storage` whose functions are null or do what it says, `judge` to an
/// `hw_judge`, `nonce` to 12 bytes, `configuration` to `length` bytes, `work` to `room` bytes. What is said
/// of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_replace_configuration(
    storage: *const Storage,
    judge: *const Judge,
    nonce: *const u8,
    configuration: *const u8,
    length: usize,
    work: *mut u8,
    room: usize,
) -> i32 {
    let spans = [Span::read(configuration, length), Span::written(work, room)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let storage = unsafe { get(storage) };
    // SAFETY: as promised by the caller.
    let judging = unsafe { judging(judge) };
    // SAFETY: as promised by the caller.
    let nonce = unsafe { get(nonce.cast::<[u8; 12]>()) };
    // SAFETY: as promised by the caller.
    let configuration = unsafe { bytes(configuration, length) };
    // SAFETY: as promised by the caller.
    let work = unsafe { bytes_mut(work, room) };
    status((|| {
        let (storage, judging, nonce) = (storage?.checked()?, judging?, nonce?);
        let (configuration, work) = (configuration?, work?);
        let replaced = replace(storage, &judging, nonce, configuration, work);
        work.zeroize();
        replaced
    })())
}

/// Whether a configuration is another one with the keys of a later change. A function of its own: what it decodes
/// is off the stack again before anything is stored.
#[inline(never)]
fn renews(renewed: &[u8], before: &[u8]) -> Result<bool, i32> {
    let before = Configuration::<CHANNELS>::decode(before).map_err(|_| CONFIGURATION)?;
    let renewed = Configuration::<CHANNELS>::decode(renewed).map_err(|_| CONFIGURATION)?;
    Ok(renewed.renews(&before))
}

fn replace(
    storage: Storage,
    judging: &Judging,
    nonce: [u8; 12],
    configuration: &[u8],
    work: &mut [u8],
) -> Result<(), i32> {
    let mut store = Store::open(storage).map_err(|_| STORAGE)?;
    let offer = store.active().ok_or(NONE)?.offer;
    let address = offer.address;
    check_configuration::<CHANNELS>(configuration, address).map_err(|_| CONFIGURATION)?;
    if usize::try_from(offer.size).map_or(true, |size| size > work.len()) {
        return Err(TOO_SMALL);
    }
    // What was accepted since the station was made has another plan, or later keys: it must not be lost.
    let carried = store.load(work).map_err(|_| STORAGE)?;
    let in_use = judging.open(carried).map_err(|_| CONFIGURATION)?;
    if !renews(configuration, in_use)? {
        return Err(CONFIGURATION);
    }
    work.zeroize();
    let stored = judging.seal(address, nonce, configuration, work).ok_or(TOO_SMALL)?;
    if stored.len() > store.room() {
        return Err(TOO_SMALL);
    }
    store.replace(stored).map_err(|_| STORAGE)?;
    Ok(())
}
