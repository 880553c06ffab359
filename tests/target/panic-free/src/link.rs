//! Coding and headers.

use core::hint::black_box;
use hopwright_core::address::Target;
use hopwright_core::coding::{golay, interleave};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality, stream};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::Timeline;
use hopwright_core::units::{Lane, Micros, Slot};

pub(crate) fn all(key: &NetKey) {
    black_box(golay::decode(black_box(golay::encode(black_box(0)))));
    let decoded = interleave::decode(&black_box(interleave::encode(&black_box([0; 16]))));
    black_box((decoded.corrected(), decoded));
    let keys = HeaderKeys::new(key);
    let header = Header {
        slot: Slot::new(black_box(0)),
        source: black_box(hopwright_core::address::Address::new(0)),
        target: black_box(Target::ALL),
        kind: black_box(Kind::Over),
        quality: Quality::of(Micros::new(black_box(0))),
        countdown: black_box(Header::countdown_of(black_box(Kind::Over), black_box(0))),
    };
    black_box((header.quality.nibble(), Quality::half_width(header.quality)));
    let stream = stream(black_box(Lane::ZERO), black_box(Timeline::CutIn));
    let sealed = black_box(HeaderKeys::seal(&keys, header, stream));
    black_box(HeaderKeys::open(&keys, &sealed, stream));
    black_box(keys.from_bits(&black_box(keys.to_bits(header, stream)), stream));
}
