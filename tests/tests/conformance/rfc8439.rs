//! Proves that the core's keyed words, subkeys and sealed headers are what specification sections
//! 3 and 5 build from ChaCha20 and HChaCha20, and that the primitives underneath are the
//! published ones.
//!
//! Sources: RFC 8439 section 2.3.2 and appendix A.1 (block function); draft-irtf-cfrg-xchacha-03
//! section 2.2.1 (HChaCha20); P. Rogaway and T. Shrimpton, 2006 (ePrint 2006/221) and RFC 5297
//! for the properties of a synthetic-IV construction. Of the vectors those whose nonce is zeros are the core's
//! own words under a subkey that is given; beyond that the primitive is checked with the vectors and the core
//! against the primitive.
//!
//! Of the usual list of properties, string boundaries, order and empty inputs (a header has one
//! text and one stream, both of fixed length) have nothing to say here.

use chacha20::cipher::{KeyIvInit, StreamCipherCore};
use chacha20::{ChaChaCore, R20, variants::Ietf};
use hex_literal::hex;
use hopwright_core::address::{Address, Target};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::{Label, NetKey, Subkey};
use hopwright_core::message::Origin;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Command, Event, FixedChannels, Mode, Payload, Radio};
use hopwright_core::units::{Channel, Lane, Micros, Slot, Tick};
use hopwright_tests::binomial;
use hopwright_tests::plans::{Make, key_bytes, timing};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

fn block(key: &[u8; 32], nonce: &[u8; 12], counter: u32) -> [u8; 64] {
    let mut cipher = ChaChaCore::<R20, Ietf>::new(key.into(), nonce.into());
    cipher.set_block_pos(counter);
    let mut out = [0; 64];
    cipher.write_keystream_block((&mut out).into());
    out
}

fn hchacha20(key: &[u8; 32], input: &[u8; 16]) -> [u8; 32] {
    chacha20::hchacha::<R20>(key.into(), input.into()).into()
}

/// RFC 8439 section 2.3.2.
#[test]
fn block_function_is_the_published_one() {
    let key = hex!("000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f");
    assert_eq!(
        block(&key, &hex!("000000090000004a00000000"), 1),
        hex!(
            "10f1e7e4d13b5915500fdd1fa32071c4c7d1f4c733c068030422aa9ac3d46c4e"
            "d2826446079faa0914c2d705d98b02a2b5129cd1de164eb9cbd083e8a2503c4e"
        )
    );
}

/// Key, counter, nonce, block.
type Vector = ([u8; 32], u32, [u8; 12], [u8; 64]);

/// RFC 8439 appendix A.1, test vectors 1 to 5.
#[test]
fn appendix_a_1_blocks() {
    let mut last_one = [0; 32];
    last_one[31] = 1;
    let mut second_ff = [0; 32];
    second_ff[1] = 0xFF;
    let mut nonce_two = [0; 12];
    nonce_two[11] = 2;
    let vectors: [Vector; 5] = [
        (
            [0; 32],
            0,
            [0; 12],
            hex!(
                "76b8e0ada0f13d90405d6ae55386bd28bdd219b8a08ded1aa836efcc8b770dc7"
                "da41597c5157488d7724e03fb8d84a376a43b8f41518a11cc387b669b2ee6586"
            ),
        ),
        (
            [0; 32],
            1,
            [0; 12],
            hex!(
                "9f07e7be5551387a98ba977c732d080dcb0f29a048e3656912c6533e32ee7aed"
                "29b721769ce64e43d57133b074d839d531ed1f28510afb45ace10a1f4b794d6f"
            ),
        ),
        (
            last_one,
            1,
            [0; 12],
            hex!(
                "3aeb5224ecf849929b9d828db1ced4dd832025e8018b8160b82284f3c949aa5a"
                "8eca00bbb4a73bdad192b5c42f73f2fd4e273644c8b36125a64addeb006c13a0"
            ),
        ),
        (
            second_ff,
            2,
            [0; 12],
            hex!(
                "72d54dfbf12ec44b362692df94137f328fea8da73990265ec1bbbea1ae9af0ca"
                "13b25aa26cb4a648cb9b9d1be65b2c0924a66c54d545ec1b7374f4872e99f096"
            ),
        ),
        (
            [0; 32],
            0,
            nonce_two,
            hex!(
                "c2c64d378cd536374ae204b9ef933fcd1a8b2288b3dfa49672ab765b54ee27c7"
                "8a970e0e955c14f3a88e741b97c286f75f8fc299e8148362fa198a39531bed6d"
            ),
        ),
    ];
    for (number, (key, counter, nonce, expected)) in (1..).zip(vectors) {
        assert_eq!(block(&key, &nonce, counter), expected, "vector {number}");
        if nonce == [0; 12] {
            // The core's own words: of stream 0, whose nonce is zeros.
            let words = (0..16).map(|i| Subkey::new(key).word(0, 16 * u64::from(counter) + i));
            let bytes: Vec<u8> = words.flat_map(u32::to_le_bytes).collect();
            assert_eq!(bytes, expected, "vector {number}");
        }
    }
}

/// draft-irtf-cfrg-xchacha-03 section 2.2.1.
#[test]
fn hchacha20_is_the_published_one() {
    let key = hex!("000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f");
    assert_eq!(
        hchacha20(&key, &hex!("000000090000004a0000000031415927")),
        hex!("82413b4227b27bfed30e42508a877d73a0f9e4d58a74a853c12ec41326d3ecdc")
    );
}

/// The labels of specification section 3, spelt out a second time.
const LABELS: [(Label, &str); 12] = [
    (Label::Pick, "hopwright/pick"),
    (Label::Lane, "hopwright/lane"),
    (Label::Meet, "hopwright/meet"),
    (Label::Turn, "hopwright/turn"),
    (Label::When, "hopwright/when"),
    (Label::Hop, "hopwright/hop"),
    (Label::Word, "hopwright/word"),
    (Label::Tag, "hopwright/tag"),
    (Label::Seal, "hopwright/seal"),
    (Label::Data, "hopwright/data"),
    (Label::Tree, "hopwright/tree"),
    (Label::Text, "hopwright/text"),
];

fn subkey_by_hand(key: &[u8; 32], label: &str) -> [u8; 32] {
    let mut input = [0; 16];
    input[..label.len()].copy_from_slice(label.as_bytes());
    hchacha20(key, &input)
}

/// Specification section 3, at both ends of the index and in between.
#[test]
fn keyed_words_are_the_words_of_the_cipher() {
    let last = (1_u64 << 36) - 1;
    let streams = [0, 7, 31, 0x4000_0005, 0x8000_0003, 0x6000_001F, u32::MAX];
    let indices = [0, 1, 15, 16, 17, 1 << 20, (1 << 32) - 1, 1 << 32, last - 16, last - 1, last];
    let key = key_bytes(3);
    for (label, name) in LABELS {
        let by_hand = subkey_by_hand(&key, name);
        for stream in streams {
            let mut nonce = [0; 12];
            nonce[..4].copy_from_slice(&stream.to_le_bytes());
            for i in indices {
                let counter = u32::try_from(i / 16).expect("below 2^36");
                let block = block(&by_hand, &nonce, counter);
                let at = usize::try_from(i % 16).expect("small") * 4;
                let expected = u32::from_le_bytes(block[at..at + 4].try_into().expect("four"));
                let ours = NetKey::new(key).subkey(label).word(stream, i);
                assert_eq!(ours, expected, "W({name}, {stream:#x}, {i})");
            }
        }
    }
}

fn random_header(rng: &mut ChaCha8Rng) -> Header {
    let [target, source, form, kind] = rng.next_u32().to_le_bytes();
    let [quality, countdown, ..] = rng.next_u32().to_le_bytes();
    Header {
        slot: Slot::new(rng.next_u32()),
        source: Address::new(source),
        target: match form % 3 {
            0 => Target::ALL,
            1 => Target::one(Address::new(target)),
            _ => Target::all_but(Address::new(target)),
        },
        kind: [Kind::Announce, Kind::Over, Kind::CutIn, Kind::Closing, Kind::Rekey, Kind::LeadIn]
            [usize::from(kind) % 6],
        quality: Quality::of(Micros::new(16 << (quality % 16))),
        countdown: countdown % 16,
    }
}

/// The eight bytes of specification section 5, written down a second time.
fn body(header: Header) -> [u8; 8] {
    let [a, b, c, d] = header.slot.number().to_le_bytes();
    let all_but = (0..=255).map(Address::new).find(|a| !header.target.covers(*a));
    let covered = (0..=255).map(Address::new).filter(|a| header.target.covers(*a));
    let (target, form) = match covered.collect::<Vec<_>>()[..] {
        [one] => (one.number(), 8),
        ref many if many.len() == 256 => (0, 0),
        ref many if many.len() == 255 => (all_but.expect("one is left out").number(), 15),
        ref others => panic!("{} stations", others.len()),
    };
    let kind = match header.kind {
        Kind::Announce => 1,
        Kind::Over => 2,
        Kind::CutIn => 3,
        Kind::Closing => 4,
        Kind::Rekey => 5,
        Kind::LeadIn => 6,
        other => panic!("{other:?} is not in section 5"),
    };
    let numbers = header.quality.nibble() + 16 * header.countdown;
    [a, b, c, d, header.source.number(), target, form + 16 * kind, numbers]
}

fn seal_by_hand(key: &[u8; 32], header: Header, stream: u32) -> [u8; 16] {
    let text = body(header);
    let mut input = [0; 16];
    input[..8].copy_from_slice(&text);
    input[8..12].copy_from_slice(&stream.to_le_bytes());
    let tag = &hchacha20(&subkey_by_hand(key, "hopwright/tag"), &input)[..8];
    let mut nonce = [0; 12];
    nonce[..8].copy_from_slice(tag);
    nonce[8..].copy_from_slice(&stream.to_le_bytes());
    let pad = block(&subkey_by_hand(key, "hopwright/seal"), &nonce, 0);
    std::array::from_fn(|i| if i < 8 { text[i] ^ pad[i] } else { tag[i - 8] })
}

/// Specification section 5, from the primitives.
#[test]
fn sealed_headers_are_the_construction_of_section_5() {
    let mut rng = ChaCha8Rng::seed_from_u64(0x5EA1);
    for number in 0..=255 {
        let key = key_bytes(number);
        let keys = HeaderKeys::new(&NetKey::new(key));
        let (header, stream) = (random_header(&mut rng), rng.next_u32());
        let wire = seal_by_hand(&key, header, stream);
        assert_eq!(keys.seal(header, stream), wire, "{header:?}, stream {stream:#x}");
        assert_eq!(keys.open(&wire, stream), Some(header));
    }
}

/// Rogaway and Shrimpton 2006: deterministic; reveals equality and nothing else.
#[test]
fn equal_headers_give_equal_wires_and_different_ones_unrelated_ones() {
    let keys = HeaderKeys::new(&NetKey::new(key_bytes(9)));
    let mut rng = ChaCha8Rng::seed_from_u64(0xD1FF);
    for _ in 0..1_000 {
        let (one, other, stream) =
            (random_header(&mut rng), random_header(&mut rng), rng.next_u32());
        assert_eq!(keys.seal(one, stream), keys.seal(one, stream));
        if one == other {
            continue;
        }
        let (a, b) = (keys.seal(one, stream), keys.seal(other, stream));
        assert_ne!(a[8..], b[8..], "tags of different bodies");
        let texts = u64::from_le_bytes(body(one)) ^ u64::from_le_bytes(body(other));
        let half = |wire: [u8; 16]| u64::from_le_bytes(wire[..8].try_into().expect("eight"));
        assert_ne!(half(a) ^ half(b), texts, "the pads were equal");
    }
}

/// The stream is bound (associated data), and so is every bit on the wire; nothing is released
/// when the tag does not fit. One byte more or less is not a wire at all: `open` takes sixteen,
/// and that a shorter reception is dropped is tested at the station.
#[test]
fn every_bit_of_stream_text_and_tag_is_bound() {
    let keys = HeaderKeys::new(&NetKey::new(key_bytes(1)));
    let mut rng = ChaCha8Rng::seed_from_u64(0xB17);
    for _ in 0..64 {
        let (header, stream) = (random_header(&mut rng), rng.next_u32());
        let wire = keys.seal(header, stream);
        for bit in 0..32 {
            let other = stream ^ (1 << bit);
            assert_eq!(keys.open(&wire, other), None, "stream bit {bit}");
            let again = keys.seal(header, other);
            assert!(again[..8] != wire[..8] && again[8..] != wire[8..], "stream bit {bit}");
        }
        for bit in 0..128 {
            let mut turned = wire;
            turned[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(keys.open(&turned, stream), None, "wire bit {bit}");
        }
    }
}

/// One bit of the body turned turns half of the 128 bits on the wire. Band: fair flips are
/// binomial, n/2 with standard deviation sqrt(n)/2 (elementary; 128 ± 26 of 256 bits at 99.9 %).
/// All flips together must lie in their 99.9 % band, and no single wire outside the band that
/// chance leaves once in 10^9.
#[test]
fn one_bit_of_the_body_turns_half_of_the_wire() {
    assert_eq!(binomial::band(256, 0.5, 0.001), (128 - 26, 128 + 26), "the published example");
    let keys = HeaderKeys::new(&NetKey::new(key_bytes(4)));
    let mut rng = ChaCha8Rng::seed_from_u64(0xA7A);
    let (few, many) = binomial::band(128, 0.5, 1e-9);
    let (mut turned, mut wires) = (0_u64, 0_u64);
    for _ in 0..500 {
        let stream = rng.next_u32();
        let target = Address::new(rng.next_u32().to_le_bytes()[0]);
        let header = Header { target: Target::one(target), ..random_header(&mut rng) };
        let wire = u128::from_le_bytes(keys.seal(header, stream));
        let slots =
            (0..32).map(|i| Header { slot: Slot::new(header.slot.number() ^ 1 << i), ..header });
        let sources = (0..8)
            .map(|i| Header { source: Address::new(header.source.number() ^ 1 << i), ..header });
        let targets = (0..8).map(|i| Header {
            target: Target::one(Address::new(target.number() ^ 1 << i)),
            ..header
        });
        let countdowns = (0..4).map(|i| Header { countdown: header.countdown ^ 1 << i, ..header });
        for changed in slots.chain(sources).chain(targets).chain(countdowns) {
            let ones = (u128::from_le_bytes(keys.seal(changed, stream)) ^ wire).count_ones();
            assert!((few..=many).contains(&u64::from(ones)), "{ones} of 128: {changed:?}");
            turned += u64::from(ones);
            wires += 1;
        }
    }
    // Too many trials for exact sums; the normal band of 3.29 standard deviations.
    let (mean, sd) = (64.0 * wires as f64, (32.0 * wires as f64).sqrt());
    assert!((turned as f64 - mean).abs() < 3.29 * sd, "{turned} bits of {wires} wires");
}

/// Specification section 11: what a traffic slot carries, and the nonce that it is under, on a lane other
/// than 0 and on each timeline. Two nets of one key would share a keystream otherwise.
#[test]
fn payload_is_under_the_keystream_of_its_lane_timeline_slot_and_source() {
    let key = key_bytes(3);
    let keys = HeaderKeys::new(&NetKey::new(key));
    let data = subkey_by_hand(&key, "hopwright/data");
    let fixed = FixedChannels { calling: Channel::new(130), ..FixedChannels::NONE };
    let (lane, address) = (Lane::new(3).expect("a lane"), 0x4B);
    let make = Make { lane, fixed, announce_slots: 20, ..Make::timekeeper(address) };
    for (timeline, stream) in
        [(Timeline::Home, 3), (Timeline::CutIn, 0x4000_0003), (Timeline::Single, 0x1000_0003_u32)]
    {
        let mut station = make.station(&NetKey::new(key));
        let mut now = Tick::new(5_000_000);
        if timeline == Timeline::Single {
            station.command(now, Command::Mode(Mode::SingleSealed)).expect("a channel");
        } else if timeline == Timeline::Home {
            station.command(now, Command::Announce).expect("a timekeeper");
            while station.holds_floor() {
                now = station.poll(now).until.max(now.plus(Micros::new(1)));
            }
        }
        station.command(now, Command::Press(Target::ALL)).expect("nobody speaks");
        // The last header of its own that was sent: when, and in which slot.
        let (mut known, mut go_ahead, mut read) = (None, None, 0);
        for _ in 0..2_000 {
            let _ = station.queue_payload(b"water at the ford");
            let action = station.poll(now);
            while let Some(event) = station.next_event() {
                if let Event::GoAhead { slot } = event {
                    go_ahead = Some(slot);
                }
            }
            if let Radio::Transmit { at, .. } = action.radio {
                let bits = station.burst().to_vec();
                let opened = bits.first_chunk().and_then(|bits| keys.from_bits(bits, stream));
                if let Some(header) = opened {
                    known = Some((at, header.slot));
                } else {
                    let (then, slot) = known.expect("headers come first, on this stream");
                    let passed = at.since(then).expect("later").us().div_ceil(20_000);
                    let slot = slot.plus(u32::try_from(passed).expect("few"));
                    let mut text = vec![0; timing().bytes()];
                    text[..2].copy_from_slice(&17_u16.to_le_bytes());
                    text[2..19].copy_from_slice(b"water at the ford");
                    let mut nonce = [0; 12];
                    nonce[..4].copy_from_slice(&stream.to_le_bytes());
                    nonce[4..8].copy_from_slice(&slot.number().to_le_bytes());
                    nonce[8] = address;
                    let keystream = (0..).flat_map(|counter| block(&data, &nonce, counter));
                    let expected: Vec<u8> =
                        text.iter().zip(keystream).map(|(t, k)| t ^ k).collect();
                    assert_eq!(bits, expected, "{timeline:?}, slot {slot}");
                    // What a message is sealed for: the same stream, here and where it is heard.
                    let source = Address::new(address);
                    let first = go_ahead.expect("it may talk");
                    let origin = Origin { source, stream, slot: first };
                    assert_eq!(station.own_origin(first), origin, "{timeline:?}");
                    let target = Target::ALL;
                    let heard = Payload { timeline, slot, source, target, order: false };
                    assert_eq!(station.origin(&heard), Origin { slot, ..origin }, "{timeline:?}");
                    read += 1;
                }
            }
            if read == 3 {
                break;
            }
            now = action.until.max(now.plus(Micros::new(1)));
        }
        assert_eq!(read, 3, "{timeline:?}");
    }
}
