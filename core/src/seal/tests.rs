use super::*;
use hex_literal::hex;
use proptest::prelude::*;
use std::vec::Vec;

/// A tag whose text comes in pieces of any length is that of the whole.
#[test]
fn pieces_make_the_same_tag() {
    let key = Subkey::new([0x42; 32]);
    let text: Vec<u8> = (0..200).collect();
    for associated in [0, 1, 15, 16, 17, 40] {
        let associated = &text[..associated];
        for size in (1..64).step_by(crate::sparse(9)) {
            let mut mac = Mac::new(&key, &[7; 12], associated);
            text.chunks(size).for_each(|piece| mac.absorb(piece));
            assert_eq!(mac.finish(), key.tag_of(&[7; 12], associated, &text), "{size}");
        }
    }
}

/// The one-time key of RFC 8439 section 2.6.2 gives the tag of an empty text. The tag itself was
/// computed from that key by the definition (section 2.5.1), in integers of another language: of one block of zero
/// lengths it is `(2^128 r mod (2^130 - 5) + s) mod 2^128`.
#[test]
fn the_one_time_key_is_block_0() {
    let bytes = hex!("808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f");
    let nonce = hex!("000000000001020304050607");
    let once = hex!("8ad5a08b905f81cc815040274ab29471a833b637e3fd0da508dbb8e2fdd1a646");
    let expected: Tag = Poly1305::new((&once).into()).compute_unpadded(&[0; 16]).into();
    assert_eq!(expected, hex!("923e3f4657b5afb4a83fc9ebd7b0a048"));
    assert_eq!(Mac::new(&Subkey::new(bytes), &nonce, &[]).finish(), expected);
}

proptest! {
    #[test]
    fn what_is_sealed_opens(
        key: [u8; 32],
        nonce: [u8; 12],
        associated in prop::collection::vec(any::<u8>(), 0..70),
        text in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        let key = Subkey::new(key);
        let mut sealed = text.clone();
        let tag = key.seal(&nonce, &associated, &mut sealed);
        prop_assert_eq!(key.open(&nonce, &associated, &mut sealed, &tag), Ok(()));
        prop_assert_eq!(sealed, text);
    }

    /// One bit anywhere: in the text, the tag, the nonce, the associated data or the key.
    #[test]
    fn one_wrong_bit_is_forged_and_changes_nothing(
        mut bytes: [u8; 32],
        mut nonce: [u8; 12],
        mut associated in prop::collection::vec(any::<u8>(), 1..40),
        mut text in prop::collection::vec(any::<u8>(), 1..100),
        part in 0..5,
        bit: u16,
    ) {
        let mut tag = Subkey::new(bytes).seal(&nonce, &associated, &mut text);
        let wrong: &mut [u8] = match part {
            0 => &mut text,
            1 => &mut tag,
            2 => &mut nonce,
            3 => &mut associated,
            _ => &mut bytes,
        };
        let at = usize::from(bit) % (8 * wrong.len());
        wrong[at / 8] ^= 1 << (at % 8);
        let before = text.clone();
        let opened = Subkey::new(bytes).open(&nonce, &associated, &mut text, &tag);
        prop_assert_eq!(opened, Err(Forged));
        prop_assert_eq!(text, before);
    }
}
