//! Sealing headers, and opening what may or may not be one. What it costs must not tell.

use crate::net;
use crate::stats::Stats;
use core::hint::black_box;
use hopwright_core::address::{Address, Target};
use hopwright_core::coding::interleave::{self, HeaderBits};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::units::{Micros, Slot};
use hopwright_firmware::counter::Counter;
use hopwright_firmware::random::Random;

const SAMPLES: u32 = 128;

/// What may come in, as bits of a slot. Only the first two should open.
const OPENED: [&str; 5] = [
    "header_open_valid",
    "header_open_corrected",
    "header_open_forged",
    "header_open_beyond_golay",
    "header_open_random",
];

pub(crate) fn measure(counter: &Counter) {
    let keys = HeaderKeys::new(&net::key());
    let mut random = Random::new(0x5EA1);
    let mut seal = Stats::new();
    let mut to_bits = Stats::new();
    let mut open = [Stats::new(); 5];
    let mut wire = [Stats::new(); 2];
    for _ in 0..SAMPLES {
        let header = black_box(any_header(&mut random));
        let (sealed, cost) = counter.count(|| keys.seal(header, black_box(0)));
        seal.add(cost);
        let (valid, cost) = counter.count(|| keys.to_bits(header, black_box(0)));
        to_bits.add(cost);
        let forged = interleave::encode(&forge(sealed, &mut random));
        let corrected = smear(valid, 4, &mut random);
        let noisy = smear(valid, 8, &mut random);
        assert!(keys.from_bits(&corrected, 0).is_some_and(|opened| opened == header));
        let noise: HeaderBits = random.bytes();
        for (stats, bits) in open.iter_mut().zip([valid, corrected, forged, noisy, noise]) {
            let bits = black_box(bits);
            stats.add(counter.count(|| keys.from_bits(&bits, black_box(0))).1);
        }
        for (stats, bytes) in wire.iter_mut().zip([sealed, forge(sealed, &mut random)]) {
            let bytes = black_box(bytes);
            stats.add(counter.count(|| keys.open(&bytes, black_box(0))).1);
        }
    }
    seal.print("header_seal");
    to_bits.print("header_seal_and_code");
    for (stats, name) in open.iter().zip(OPENED) {
        stats.print(name);
    }
    wire[0].print("header_open_sealed_valid");
    wire[1].print("header_open_sealed_forged");
}

fn any_header(random: &mut Random) -> Header {
    let [a, kind, form, quality, countdown] = random.bytes();
    let address = Address::new(a);
    Header {
        slot: Slot::new(random.word()),
        source: address,
        target: match form & 3 {
            0 => Target::ALL,
            1 => Target::one(address),
            2 => Target::all_but(address),
            _ => Target::prefix(Address::new(a & 0xF0), 4).expect("four bits"),
        },
        kind: match kind & 3 {
            0 => Kind::Announce,
            1 => Kind::Over,
            2 => Kind::Closing,
            _ => Kind::LeadIn,
        },
        quality: Quality::of(Micros::new(16 << (quality & 15))),
        countdown: countdown & 15,
    }
}

/// One wrong bit anywhere, perfectly coded: only the tag can tell.
fn forge(mut sealed: [u8; 16], random: &mut Random) -> [u8; 16] {
    let bit = random.word() >> 25;
    if let Some(byte) = sealed.get_mut((bit / 8) as usize) {
        *byte ^= 1 << (bit % 8);
    }
    sealed
}

/// A burst of wrong bits, eight a byte: of 64 bits about six in each of the eleven code words, of 32 three
/// at most, and Golay corrects three.
fn smear(mut bits: HeaderBits, bytes: usize, random: &mut Random) -> HeaderBits {
    let from = (random.word() >> 28) as usize;
    bits.iter_mut().skip(from).take(bytes).for_each(|byte| *byte ^= 0xFF);
    bits
}
