//! A change of keys: an order that comes, and what is stored afterwards.

use crate::memory::Memory;
use crate::pointers::{Span, bytes, bytes_mut, check_apart, held, put};
use crate::{CHANNELS, CONFIGURATION, TOO_SMALL, refusal, status};
use hopwright_core::keys::NetKey;
use hopwright_core::provision::Configuration;
use hopwright_core::tree::{MAX_SHARE_BYTES, Share};
use hopwright_core::units::Tick;
use zeroize::Zeroize;

/// Takes the order of a change of keys, as the planner made it or a message brought it. The station
/// goes over at the order's slot by itself. `REFUSED_NOT_FOR_US` if it does not open here;
/// `REFUSED_FULL` while `EVENT_KEYS_CHANGED` of the change before waits for room: drain the events.
///
/// Store the order at `EVENT_ORDERED`, and hand it over again after a restart, until
/// `EVENT_KEYS_CHANGED`. If it is refused with `REFUSED_NOT_FOR_US` then, the stored keys are those
/// behind the change already: drop it.
///
/// # Safety
/// `memory` points to an `hw_memory`, `order` to `length` bytes. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_take_order(
    memory: *mut Memory,
    now_us: u64,
    order: *const u8,
    length: usize,
) -> i32 {
    if let Err(failed) = check_apart(&[Span::of(memory), Span::read(order, length)]) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let order = unsafe { bytes(order, length) };
    status((|| {
        let (mut station, order) = (station?, order?);
        station.take_order(Tick::new(now_us), order).map_err(refusal)
    })())
}

/// Writes a configuration again, with the keys that the station has now: what to store in its place
/// at `EVENT_KEYS_CHANGED`. Its number of bytes goes to `renewed_length`. `TOO_SMALL` if there is no
/// room; `renewed_length` then says how much is needed, and `renewed` is zeros. `CONFIGURATION` if the
/// bytes are no configuration, or one of another address or another hopset: hand over the one that the
/// station was made of. Nothing else in it is compared, and all of it but the keys is written as it is.
///
/// It holds the keys in the clear. `hw_replace_configuration` stores it, sealed if need be.
///
/// # Safety
/// `memory` points to an `hw_memory`, `configuration` to `length` bytes, `renewed` to `room` bytes,
/// `renewed_length` to a `size_t`. What is said of all functions holds.
#[unsafe(no_mangle)]
#[expect(unsafe_code, reason = "called from C")]
pub unsafe extern "C" fn hw_renew(
    memory: *mut Memory,
    configuration: *const u8,
    length: usize,
    renewed: *mut u8,
    room: usize,
    renewed_length: *mut usize,
) -> i32 {
    let (read, written) = (Span::read(configuration, length), Span::written(renewed, room));
    let spans = [Span::of(memory), read, written, Span::of(renewed_length)];
    if let Err(failed) = check_apart(&spans) {
        return failed;
    }
    // SAFETY: as promised by the caller.
    let station = unsafe { held(memory) };
    // SAFETY: as promised by the caller.
    let configuration = unsafe { bytes(configuration, length) };
    // SAFETY: as promised by the caller.
    let renewed = unsafe { bytes_mut(renewed, room) };
    // SAFETY: as promised by the caller.
    let renewed_length = unsafe { put(renewed_length) };
    status((|| {
        let (station, configuration, renewed) = (station?, configuration?, renewed?);
        let renewed_length = renewed_length?;
        renewed_length.write(0);
        let mut read =
            Configuration::<CHANNELS>::decode(configuration).map_err(|_| CONFIGURATION)?;
        // The keys are another's as a rule; the hopset outlives every change of them.
        if read.address != station.address() || read.hopset != *station.sequence().hopset() {
            return Err(CONFIGURATION);
        }
        let (key, share) = station.keys();
        key.expose(|key| read.key = NetKey::new(*key));
        read.share = match share {
            Some(share) => Some(again(share).ok_or(CONFIGURATION)?),
            None => None,
        };
        let mut out = Out { bytes: renewed, length: 0 };
        read.encode(&mut |part: &[u8]| out.write(part));
        renewed_length.write(out.length);
        if out.length > out.bytes.len() {
            out.bytes.zeroize();
            return Err(TOO_SMALL);
        }
        Ok(())
    })())
}

/// A share once more, by way of its bytes.
fn again(share: &Share) -> Option<Share> {
    let mut bytes = [0; MAX_SHARE_BYTES];
    let mut out = Out { bytes: &mut bytes, length: 0 };
    share.write(&mut |part: &[u8]| out.write(part));
    let length = out.length;
    let read = bytes.get(..length).and_then(Share::read);
    bytes.zeroize();
    read
}

/// Bytes that are written one after another; those for which there is no room are only counted.
struct Out<'a> {
    bytes: &'a mut [u8],
    length: usize,
}

impl Out<'_> {
    fn write(&mut self, part: &[u8]) {
        let rest = self.bytes.get_mut(self.length..);
        if let Some(place) = rest.and_then(|rest| rest.get_mut(..part.len())) {
            place.copy_from_slice(part);
        }
        self.length = self.length.saturating_add(part.len());
    }
}
