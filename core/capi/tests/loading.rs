//! A carrier brings a configuration, and a station that starts finds it in its storage.

#![expect(unsafe_code, reason = "the interface is called as from C")]
#![expect(
    clippy::multiple_unsafe_ops_per_block,
    reason = "one reason holds for all of a test's calls"
)]

mod net;

use hopwright_capi::*;
use hopwright_core::loader::{Frame, Wire, write_frame};
use net::{GAUGE, HUT};
use std::ffi::c_void;

/// The bytes in which a loader judges.
const WORK: usize = 700;

/// Flash memory of two banks.
struct Banks {
    bytes: [[u8; 2_048]; 2],
    /// So many more writes succeed.
    writes: usize,
    /// Called back by the storage: what it says of a loader that is in use.
    loader: *mut Loader,
    nested: Vec<i32>,
    /// Where the loader's work is done, for one that is made within the making of it.
    work: *mut u8,
}

impl Banks {
    fn blank() -> Self {
        Self {
            bytes: [[0xFF; 2_048]; 2],
            writes: usize::MAX,
            loader: std::ptr::null_mut(),
            nested: Vec::new(),
            work: std::ptr::null_mut(),
        }
    }
}

fn storage(banks: *mut Banks) -> Storage {
    Storage {
        context: banks.cast(),
        capacity: 2_048,
        read: Some(read),
        write: Some(write),
        erase: Some(erase),
    }
}

unsafe extern "C" fn read(
    context: *mut c_void,
    bank: u32,
    at: usize,
    into: *mut u8,
    length: usize,
) -> i32 {
    // SAFETY: the context is what was handed over; so many bytes are to be written.
    unsafe {
        let all = context.cast::<Banks>();
        let (loader, work) = ((*all).loader, (*all).work);
        if !work.is_null() {
            // Once: where it were not told that it is in use, it would look at the storage as well.
            (*all).work = std::ptr::null_mut();
            let (storage, judge) = (storage(all), Judge::default());
            let made = hw_loader_init(loader, &raw const storage, &raw const judge, work, WORK);
            (*all).nested.push(made);
            (*all).nested.push(hw_loader_end(loader));
        }
        let banks = &*all;
        let from = &banks.bytes[bank as usize][at..at + length];
        std::slice::from_raw_parts_mut(into, length).copy_from_slice(from);
    }
    0
}

unsafe extern "C" fn write(
    context: *mut c_void,
    bank: u32,
    at: usize,
    bytes: *const u8,
    length: usize,
) -> i32 {
    // SAFETY: the context is what was handed over; so many bytes are to be read.
    unsafe {
        let banks = &mut *context.cast::<Banks>();
        if !banks.loader.is_null() {
            let mut verdict = Verdict::default();
            banks.nested.push(hw_loader_verdict(banks.loader, &raw mut verdict));
            banks.nested.push(hw_loader_end(banks.loader));
        }
        if banks.writes == 0 {
            return 1;
        }
        banks.writes -= 1;
        let bytes = std::slice::from_raw_parts(bytes, length);
        let place = &mut banks.bytes[bank as usize][at..at + length];
        assert!(place.iter().all(|byte| *byte == 0xFF), "written once");
        place.copy_from_slice(bytes);
    }
    0
}

unsafe extern "C" fn erase(context: *mut c_void, bank: u32) -> i32 {
    // SAFETY: the context is what was handed over.
    unsafe {
        (*context.cast::<Banks>()).bytes[bank as usize].fill(0xFF);
    }
    0
}

/// Brings a line of bytes to a station; gives the loader's verdict.
fn load(banks: *mut Banks, judge: &Judge, line: &[u8]) -> Verdict {
    let mut loader = Box::new(Loader { words: [0; LOADER_BYTES / 8] });
    let (loader, mut work) = (&raw mut *loader, [0_u8; WORK]);
    let storage = storage(banks);
    let mut verdict = Verdict { unused: [7; 2], ..Verdict::default() };
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        let (work, room) = (work.as_mut_ptr(), work.len());
        ((*banks).loader, (*banks).work) = (loader, work);
        assert_eq!(hw_loader_init(loader, &raw const storage, judge, work, room), OK);
        assert_eq!(hw_loader_init(loader, &raw const storage, judge, work, room), READY);
        assert_eq!(hw_loader_verdict(loader, &raw mut verdict), NONE);
        let (mut at, mut answers) = (0, 0);
        while at < line.len() {
            let (mut used, mut answer, mut length) = (0, [0_u8; ANSWER_BYTES], 0);
            let rest = &line[at..];
            let status = hw_loader_take(
                loader,
                rest.as_ptr(),
                rest.len(),
                &raw mut used,
                answer.as_mut_ptr(),
                ANSWER_BYTES,
                &raw mut length,
            );
            assert_eq!(status, OK);
            assert!(used > 0);
            answers += usize::from(length > 0);
            at += used;
        }
        assert!(answers > 0);
        assert_eq!(hw_loader_verdict(loader, &raw mut verdict), OK);
        assert_eq!(hw_loader_end(loader), OK);
        (*banks).loader = std::ptr::null_mut();
        assert!((*loader).words.iter().all(|word| *word == 0), "wiped");
    }
    verdict
}

/// The configuration in use after a start.
fn in_use(banks: *mut Banks, judge: &Judge, room: usize) -> Result<Vec<u8>, i32> {
    let storage = storage(banks);
    let (mut bytes, mut length) = (vec![0xEE; 700], 99);
    // SAFETY: all of it is ours, and as long as it says.
    let status = unsafe {
        let out = bytes.as_mut_ptr();
        hw_load_configuration(&raw const storage, judge, out, room, &raw mut length)
    };
    if status != OK {
        assert_eq!(length, 0);
        assert!(bytes[..room].iter().all(|byte| *byte == 0), "nothing is left");
        return Err(status);
    }
    assert!(bytes[length..room].iter().all(|byte| *byte == 0), "nor behind it");
    bytes.truncate(length);
    Ok(bytes)
}

/// What the gauge takes.
fn keyed() -> Judge {
    Judge { transfer_key: net::TRANSFER_KEY, sealed: 1, addressed: 1, address: GAUGE, unused: 0 }
}

#[test]
fn a_carrier_brings_a_configuration() {
    let banks = &mut Banks::blank();
    let banks = &raw mut *banks;
    let judge = keyed();
    let open = Judge { sealed: 0, ..judge };
    let configuration = net::configuration(GAUGE);
    let sealed = net::sealed(GAUGE, &configuration);
    assert_eq!(in_use(banks, &judge, 700), Err(NONE), "nothing yet");
    let refused = |verdict: Verdict, refusal| {
        assert_eq!(verdict, Verdict { refusal, ..Verdict::default() });
    };
    let hut = net::carried(HUT, &net::sealed(HUT, &net::configuration(HUT)));
    refused(load(banks, &judge, &hut), REFUSAL_OTHER_STATION);
    refused(load(banks, &judge, &net::carried(GAUGE, &configuration)), REFUSAL_UNSEALED);
    let other = Judge { transfer_key: [1; 32], ..judge };
    refused(load(banks, &other, &net::carried(GAUGE, &sealed)), REFUSAL_SEAL);
    refused(load(banks, &judge, &net::carried(GAUGE, &[7; 701])), REFUSAL_TOO_LONG);
    refused(load(banks, &open, &net::carried(GAUGE, &[7; 200])), REFUSAL_DAMAGED);
    // SAFETY: the banks are ours.
    unsafe {
        (*banks).writes = 2;
        refused(load(banks, &judge, &net::carried(GAUGE, &sealed)), REFUSAL_STORAGE);
        (*banks).writes = usize::MAX;
    }
    assert_eq!(in_use(banks, &judge, 700), Err(NONE), "still nothing");

    let verdict = load(banks, &judge, &net::carried(GAUGE, &sealed));
    let size = u32::try_from(sealed.len()).unwrap();
    assert_eq!(
        verdict,
        Verdict { generation: 1, size, accepted: 1, refusal: REFUSAL_NONE, unused: [0; 2] }
    );
    assert_eq!(in_use(banks, &judge, 700), Ok(configuration.clone()));
    assert_eq!(in_use(banks, &judge, sealed.len() - 1), Err(TOO_SMALL));
    assert_eq!(in_use(banks, &other, 700), Err(CONFIGURATION));
    assert_eq!(in_use(banks, &open, 700), Ok(sealed), "as it was carried");

    // One that came open, in its place.
    let verdict = load(banks, &open, &net::carried(GAUGE, &configuration));
    assert_eq!((verdict.accepted, verdict.generation), (1, 2));
    assert_eq!(in_use(banks, &open, 700), Ok(configuration));
    // SAFETY: the banks are ours.
    let nested = unsafe { &(*banks).nested };
    assert!(nested.len() > 20 && nested.iter().all(|status| *status == IN_USE), "{nested:?}");
}

/// Puts a configuration in the place of the one in use.
fn replace(banks: *mut Banks, judge: &Judge, content: &[u8], room: usize) -> i32 {
    let (storage, nonce, mut work) = (storage(banks), [23_u8; 12], vec![0xEE; room]);
    // SAFETY: all of it is ours, and as long as it says.
    let status = unsafe {
        let (nonce, bytes, length) = (nonce.as_ptr(), content.as_ptr(), content.len());
        let work = work.as_mut_ptr();
        hw_replace_configuration(&raw const storage, judge, nonce, bytes, length, work, room)
    };
    assert!(work.iter().all(|byte| *byte == 0), "wiped");
    status
}

#[test]
fn a_station_puts_new_keys_in_the_place_of_the_old_ones() {
    let banks = &mut Banks::blank();
    let banks = &raw mut *banks;
    let judge = keyed();
    let open = Judge { sealed: 0, ..judge };
    let other = Judge { transfer_key: [1; 32], ..judge };
    let before = net::configuration(GAUGE);
    let after = net::renewed(&before, 1, 0xB1);
    assert_eq!(replace(banks, &judge, &after, WORK), NONE, "there is none in use");
    let verdict = load(banks, &judge, &net::carried(GAUGE, &net::sealed(GAUGE, &before)));
    assert_eq!(verdict.accepted, 1);

    let hut = net::configuration(HUT);
    assert_eq!(replace(banks, &judge, &hut, WORK), CONFIGURATION, "another station's");
    assert_eq!(replace(banks, &judge, &after[1..], WORK), CONFIGURATION);
    assert_eq!(replace(banks, &other, &after, WORK), CONFIGURATION, "another key");
    assert_eq!(replace(banks, &judge, &after, after.len() + 20), TOO_SMALL);
    // SAFETY: the banks are ours.
    unsafe {
        (*banks).writes = 3;
        assert_eq!(replace(banks, &judge, &after, WORK), STORAGE);
        (*banks).writes = usize::MAX;
    }
    assert_eq!(in_use(banks, &judge, 700), Ok(before));

    assert_eq!(replace(banks, &judge, &after, after.len() + 64), OK);
    assert_eq!(in_use(banks, &judge, 700), Ok(after.clone()));
    let stored = in_use(banks, &open, 700).unwrap();
    assert!(stored.len() > after.len() && stored.len() <= after.len() + 64, "it is sealed");
    // SAFETY: the banks are ours.
    let flash = unsafe { (*banks).bytes.concat() };
    assert!(!flash.windows(8).any(|part| part == [0, 1, 2, 3, 4, 5, 6, 7]), "no key is open");

    // A judge that takes what is open stores it as it is, and needs room for what was there.
    let before = net::configuration(GAUGE);
    assert_eq!(load(banks, &open, &net::carried(GAUGE, &before)).accepted, 1);
    assert_eq!(replace(banks, &open, &after, before.len() - 1), TOO_SMALL);
    assert_eq!(replace(banks, &open, &after, before.len()), OK);
    assert_eq!(in_use(banks, &open, 700), Ok(after));
}

/// A carrier has brought another plan, and the station that still runs by the former one follows a change of
/// its keys: what was accepted stays.
#[test]
fn new_keys_of_the_former_plan_do_not_take_an_accepted_ones_place() {
    let banks = &mut Banks::blank();
    let banks = &raw mut *banks;
    let judge = keyed();
    let former = net::configuration(GAUGE);
    let changed = net::renewed(&former, 1, 0xB1);
    let carry = |configuration: &[u8]| {
        let line = net::carried(GAUGE, &net::sealed(GAUGE, configuration));
        assert_eq!(load(banks, &judge, &line).accepted, 1);
    };
    // Another plan; the same behind the next change; the same with another code, as with any other field.
    for accepted in [
        net::configuration_of(GAUGE, net::Size { plan: 4, ..net::Size::FULL }),
        net::renewed(&former, 2, 0xB2),
        net::configuration_of(GAUGE, net::Size::SMALL),
    ] {
        carry(&accepted);
        for mine in [&former, &changed] {
            assert_eq!(replace(banks, &judge, mine, WORK), CONFIGURATION);
        }
        assert_eq!(in_use(banks, &judge, 700), Ok(accepted));
    }
    carry(&former);
    for _ in 0..2 {
        assert_eq!(replace(banks, &judge, &changed, WORK), OK, "and once more");
    }
    assert_eq!(in_use(banks, &judge, 700), Ok(changed));
}

/// What a frame leaves behind when a shorter one takes its place: nothing.
#[test]
#[cfg_attr(miri, ignore = "looks at bytes that are no value's")]
fn a_frame_is_wiped_before_the_next() {
    // SAFETY: an empty vector of bytes is one, and zeros are that.
    let mut wire: Wire = unsafe { std::mem::MaybeUninit::zeroed().assume_init() };
    write_frame(Frame { kind: 2, sequence: 0, payload: &[0x77; 128] }, &mut wire);
    write_frame(Frame { kind: 3, sequence: 1, payload: &[] }, &mut wire);
    assert_eq!(wire.len(), 10);
    // SAFETY: so many bytes are there, all of which have been written.
    let bytes =
        unsafe { std::slice::from_raw_parts((&raw const wire).cast::<u8>(), size_of::<Wire>()) };
    assert!(!bytes.contains(&0x77));
}
