//! The deepest stack of what a station does, over all recordings, and of headers alone.

use crate::net;
use core::hint::black_box;
use hopwright_core::header::HeaderKeys;
use hopwright_core::record::{Input, apply};
use hopwright_core::station::{Heard, Station};
use hopwright_firmware::recordings::{self, CHANNELS};
use hopwright_firmware::stack::depth;
use semihosting::println;

pub(crate) fn measure() {
    println!("stack_empty {}", depth(|| ()).1);
    println!("stack_of_512_bytes {}", depth(|| black_box(&mut [0_u8; 512]).fill(1)).1);
    let keys = HeaderKeys::new(&net::key());
    println!("stack_header_open {}", depth(|| keys.from_bits(&black_box([0; 33]), 0)).1);
    // Of each kind of call the deepest; the station itself is the caller's.
    let (mut new, mut calls) = (0, 0);
    for (_, bytes) in recordings::all() {
        let mut rest = bytes;
        let key = recordings::key(bytes);
        let (mut station, used) = depth(|| recordings::station(&mut rest, &key));
        new = new.max(used);
        calls = calls.max(depth(|| replay(&mut station, rest)).1);
    }
    println!("stack_station_new {new}");
    println!("stack_station_calls {calls}");
}

/// Every input of a recording, as a driver would hand it over.
fn replay(station: &mut Station<CHANNELS>, mut rest: &[u8]) {
    while let Some(input) = recordings::next(&mut rest) {
        call(station, input);
        while station.next_event().is_some() {}
    }
}

/// One call, and the reading of a payload into the caller's buffer, which counts as well.
#[inline(never)]
fn call(station: &mut Station<CHANNELS>, input: Input<'_>) {
    if let Input::Heard(now, reception) = input {
        if let Heard::Payload(payload) = station.heard(now, reception) {
            let mut text = [0; 512];
            let _ = black_box(station.open_payload(&payload, reception.bits, &mut text));
        }
    } else {
        apply(station, input, &mut |_: &[u8]| ());
    }
}
