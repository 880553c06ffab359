//! Sealing and opening against RFC 9106 and RFC 8439, and sealed files cut, altered and swapped.

use hopwright_core::address::Address;
use hopwright_core::provision::{Envelope, Fault, MAX_ENVELOPE};
use hopwright_sim::plan::Plan;
use hopwright_sim::provision::{
    OpenError, Provisioned, Roster, Secret, argon2id, open, open_envelope, provision, seal,
};
use std::path::Path;
use zeroize::Zeroizing;

/// RFC 9106 section 5.3: password 01 x 32, salt 02 x 16, secret 03 x 8, data 04 x 12, 32 KiB,
/// 3 passes, 4 lanes.
#[test]
fn argon2id_of_rfc_9106() {
    let tag = argon2id(&[1; 32], &[2; 16], &[3; 8], &[4; 12], (32, 3, 4)).unwrap();
    let expected = "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659";
    assert_eq!(hex(&*tag), expected);
}

/// The reference implementation's own test (P-H-C/phc-winner-argon2, test.c): Argon2id version
/// 0x13, 256 KiB, 2 passes, 1 lane, without secret and data, as sealing uses it.
#[test]
fn argon2id_of_the_reference_implementation() {
    let tag = argon2id(b"password", b"somesalt", &[], &[], (256, 2, 1)).unwrap();
    let expected = "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe";
    assert_eq!(hex(&*tag), expected);
}

/// RFC 8439 section 2.8.2.
#[test]
fn aead_of_rfc_8439() {
    let key: [u8; 32] = std::array::from_fn(|i| 0x80 + u8::try_from(i).unwrap());
    let nonce = [7, 0, 0, 0, 0x40, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47];
    let data = [0x50, 0x51, 0x52, 0x53, 0xc0, 0xc1, 0xc2, 0xc3, 0xc4, 0xc5, 0xc6, 0xc7];
    let mut sealed = bytes(
        "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d63dbea45e8ca9671282fafb69da\
         92728b1a71de0a9e060b2905d6a5b67ecd3b3692ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585\
         808b4831d7bc3ff4def08e4b7a9de576d26586cec64b61161ae10b594f09e26a7e902ecbd0600691",
    );
    let plain = open(&key, &nonce, &data, &sealed).unwrap();
    let expected = "Ladies and Gentlemen of the class of '99: If I could offer you only one tip for \
                    the future, sunscreen would be it.";
    assert_eq!(std::str::from_utf8(&plain).unwrap(), expected);
    assert_eq!(open(&key, &nonce, &data[1..], &sealed).unwrap_err(), OpenError::Tag);
    sealed[3] ^= 1;
    assert_eq!(open(&key, &nonce, &data, &sealed).unwrap_err(), OpenError::Tag);
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap()).collect()
}

fn passphrase(text: &str) -> Secret {
    Secret::Passphrase(Zeroizing::new(text.to_owned()))
}

/// Cheap parameters: what is tested here is not how dear a guess is.
const CHEAP: (u32, u32, u32) = (8, 1, 1);

fn sealed(secret: &Secret) -> Vec<u8> {
    let sealing = secret.sealing([9; 16], CHEAP).unwrap();
    seal(b"a configuration, as far as this is concerned", &sealing, Address::new(0x4B), [5; 12])
        .unwrap()
}

#[test]
fn what_is_sealed_opens_with_its_secret_alone() {
    let key = |byte| Secret::TransferKey(Zeroizing::new([byte; 32]));
    for secret in [passphrase("correct horse battery"), key(7)] {
        let bytes = sealed(&secret);
        let envelope = Envelope::decode(&bytes).unwrap();
        let plain = open_envelope(&envelope, &secret).unwrap();
        assert_eq!(&plain[..], b"a configuration, as far as this is concerned");
        assert!(!bytes.windows(8).any(|part| plain.windows(8).any(|p| p == part)));
    }
    let by_key = sealed(&key(7));
    let by_phrase = sealed(&passphrase("correct horse battery"));
    let fails = |bytes: &[u8], secret: &Secret| {
        open_envelope(&Envelope::decode(bytes).unwrap(), secret).unwrap_err()
    };
    assert_eq!(fails(&by_key, &key(8)), OpenError::Tag);
    assert_eq!(fails(&by_phrase, &passphrase("correct horse batterz")), OpenError::Tag);
    assert_eq!(fails(&by_key, &passphrase("correct horse battery")), OpenError::NeedsTransferKey);
    assert_eq!(fails(&by_phrase, &key(7)), OpenError::NeedsPassphrase);
}

/// Every byte of the file is authenticated: header as additional data, the rest as ciphertext.
#[test]
fn every_bit_of_a_sealed_file_matters() {
    let secret = Secret::TransferKey(Zeroizing::new([7; 32]));
    let bytes = sealed(&secret);
    for bit in 0..bytes.len() * 8 {
        let mut flipped = bytes.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        let opened = Envelope::decode(&flipped).map(|envelope| open_envelope(&envelope, &secret));
        assert!(!matches!(opened, Ok(Ok(_))), "bit {bit}");
    }
    for cut in 0..bytes.len() {
        let error = Envelope::decode(&bytes[..cut]).unwrap_err();
        assert_eq!(error.fault, Fault::CutShort, "cut at {cut}");
    }
}

#[test]
fn a_file_that_asks_for_too_much_is_refused_before_it_gets_it() {
    let secret = passphrase("correct horse battery");
    for kdf in [((1 << 20) + 1, 1, 1), (8, 17, 1), (8 * 17, 1, 17)] {
        assert_eq!(secret.sealing([0; 16], kdf).unwrap_err(), OpenError::TooCostly);
    }
    assert_eq!(secret.sealing([0; 16], (1, 1, 1)).unwrap_err(), OpenError::TooCostly);
}

fn larkfell() -> Plan {
    let text = include_str!("../plans/larkfell.toml");
    Plan::parse("larkfell.toml", text, Path::new("")).unwrap()
}

fn folder(random: u8) -> Vec<Provisioned> {
    let roster = Roster::of_scenario(&hopwright_sim::scenario::Scenario::built_in().unwrap());
    let secret = Secret::TransferKey(Zeroizing::new([7; 32]));
    let sealing = secret.sealing([0; 16], CHEAP).unwrap();
    let mut next = random;
    let mut fill = |bytes: &mut [u8]| {
        bytes.fill(next);
        next = next.wrapping_add(1);
        Ok(())
    };
    provision(&larkfell(), &roster, &sealing, &mut fill).unwrap()
}

#[test]
fn the_same_plan_roster_and_draws_give_the_same_bytes() {
    let all = |random| folder(random).into_iter().map(|made| made.sealed).collect::<Vec<_>>();
    assert_eq!(all(1), all(1));
    assert_ne!(all(1), all(2));
    let mut once = all(1);
    once.sort();
    once.dedup();
    assert_eq!(once.len(), all(1).len());
    assert!(once.iter().all(|sealed| sealed.len() < MAX_ENVELOPE));
}

/// The header names the station and is authenticated: one station's ciphertext under another's
/// header does not open.
#[test]
fn a_ciphertext_does_not_open_under_another_stations_header() {
    let all = folder(1);
    let secret = Secret::TransferKey(Zeroizing::new([7; 32]));
    let (a, b) =
        (Envelope::decode(&all[0].sealed).unwrap(), Envelope::decode(&all[1].sealed).unwrap());
    assert_ne!(a.header.address, b.header.address);
    let crossed = Envelope { ciphertext: b.ciphertext, ..a };
    assert_eq!(open_envelope(&crossed, &secret).unwrap_err(), OpenError::Tag);
    assert!(open_envelope(&a, &secret).is_ok());
}
