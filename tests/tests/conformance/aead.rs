//! Proves that the core's authenticated encryption is AEAD_CHACHA20_POLY1305.
//!
//! Sources: RFC 8439 section 2.8.2 (encryption) and appendix A.5 (decryption), every byte; for
//! other lengths the construction of section 2.8, built here from the stream cipher and the
//! one-time authenticator as their crates offer them, on lengths around every block border and the
//! longest that a message can have.

use chacha20::ChaCha20;
use chacha20::cipher::{KeyIvInit, StreamCipher};
use hex_literal::hex;
use hopwright_core::keys::Subkey;
use hopwright_core::seal::Forged;
use poly1305::Poly1305;
use poly1305::universal_hash::KeyInit;

/// RFC 8439 section 2.8.2.
#[test]
fn the_published_encryption() {
    let key = hex!("808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f");
    let nonce = hex!("070000004041424344454647");
    let associated = hex!("50515253c0c1c2c3c4c5c6c7");
    let plain = b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for \
                  the future, sunscreen would be it.";
    let cipher = hex!(
        "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d6"
        "3dbea45e8ca9671282fafb69da92728b1a71de0a9e060b2905d6a5b67ecd3b36"
        "92ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585808b4831d7bc"
        "3ff4def08e4b7a9de576d26586cec64b6116"
    );
    let mut text = *plain;
    let tag = Subkey::new(key).seal(&nonce, &associated, &mut text);
    assert_eq!(text, cipher);
    assert_eq!(tag, hex!("1ae10b594f09e26a7e902ecbd0600691"));
    assert_eq!(Subkey::new(key).open(&nonce, &associated, &mut text, &tag), Ok(()));
    assert_eq!(text, *plain);
}

/// RFC 8439 appendix A.5.
#[test]
fn the_published_decryption() {
    let key = hex!("1c9240a5eb55d38af333888604f6b5f0473917c1402b80099dca5cbc207075c0");
    let nonce = hex!("000000000102030405060708");
    let associated = hex!("f33388860000000000004e91");
    let mut text = hex!(
        "64a0861575861af460f062c79be643bd5e805cfd345cf389f108670ac76c8cb2"
        "4c6cfc18755d43eea09ee94e382d26b0bdb7b73c321b0100d4f03b7f355894cf"
        "332f830e710b97ce98c8a84abd0b948114ad176e008d33bd60f982b1ff37c855"
        "9797a06ef4f0ef61c186324e2b3506383606907b6a7c02b0f9f6157b53c867e4"
        "b9166c767b804d46a59b5216cde7a4e99040c5a40433225ee282a1b0a06c523e"
        "af4534d7f83fa1155b0047718cbc546a0d072b04b3564eea1b422273f548271a"
        "0bb2316053fa76991955ebd63159434ecebb4e466dae5a1073a6727627097a10"
        "49e617d91d361094fa68f0ff77987130305beaba2eda04df997b714d6c6f2c29"
        "a6ad5cb4022b02709b"
    );
    let tag = hex!("eead9d67890cbb22392336fea1851f38");
    let key = Subkey::new(key);
    let before = text;
    let wrong = hex!("eead9d67890cbb22392336fea1851f39");
    assert_eq!(key.open(&nonce, &associated, &mut text, &wrong), Err(Forged));
    assert_eq!(text, before, "nothing is decrypted before the tag fits");
    assert_eq!(key.open(&nonce, &associated, &mut text, &tag), Ok(()));
    let plain = "Internet-Drafts are draft documents valid for a maximum of six months and may be \
                 updated, replaced, or obsoleted by other documents at any time. It is \
                 inappropriate to use Internet-Drafts as reference material or to cite them other \
                 than as /\u{201c}work in progress./\u{201d}";
    assert_eq!(text, plain.as_bytes());
}

/// RFC 8439 section 2.8, step by step: cipher text and tag.
fn by_hand(key: &[u8; 32], nonce: &[u8; 12], associated: &[u8], text: &[u8]) -> Vec<u8> {
    let mut stream = vec![0; 64 + text.len()];
    ChaCha20::new(key.into(), nonce.into()).try_apply_keystream(&mut stream).expect("short");
    let (first, rest) = stream.split_at(64);
    let cipher: Vec<u8> = text.iter().zip(rest).map(|(t, s)| t ^ s).collect();
    let mut covered = Vec::new();
    for part in [associated, &cipher] {
        covered.extend(part);
        covered.resize(covered.len().next_multiple_of(16), 0);
    }
    covered.extend((associated.len() as u64).to_le_bytes());
    covered.extend((cipher.len() as u64).to_le_bytes());
    let once: [u8; 32] = first[..32].try_into().unwrap();
    let tag = Poly1305::new((&once).into()).compute_unpadded(&covered);
    [cipher.as_slice(), &tag].concat()
}

#[test]
fn every_length_around_a_border_and_the_longest() {
    let (key, nonce) = ([0x61; 32], [0x32; 12]);
    let bytes: Vec<u8> = (0..=255).cycle().take(65_535).collect();
    for associated in [0, 1, 15, 16, 17, 31, 32, 33] {
        for length in (0..150).chain([255, 256, 257, 1_000, 65_519, 65_535]) {
            let (associated, plain) = (&bytes[..associated], &bytes[..length]);
            let mut text = plain.to_vec();
            let tag = Subkey::new(key).seal(&nonce, associated, &mut text);
            text.extend(tag);
            assert!(text == by_hand(&key, &nonce, associated, plain), "{length} bytes");
        }
    }
}
