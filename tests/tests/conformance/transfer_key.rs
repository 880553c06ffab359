//! What is sealed with a transfer key opens at the station, in place, or not at all; and a station
//! that takes only that has its old or its new configuration, whatever happens to its power.
//!
//! Sources: RFC 8439 section 2.8.2 (the published ciphertext and one-time key) and section 2.8 (the
//! construction of the tag, built here from the one-time authenticator as its crate offers it);
//! `chacha20poly1305`, the other implementation, with which the host seals.
#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "outside the core a match on its enums needs a wildcard"
)]

use hex_literal::hex;
use hopwright_core::address::Address;
use hopwright_core::loader::{
    CELL_BYTES, CarrierEnd, Judge, KeyedJudge, Outcome, Refusal, StationEnd, Store, cells_needed,
};
use hopwright_core::provision::{
    Configuration, Envelope, Fault, Header, Method, OpenError, TransferKey,
};
use hopwright_core::station::{Station, Watermark};
use hopwright_core::units::Tick;
use hopwright_sim::provision::{Secret, seal};
use hopwright_tests::plans::key_bytes;
use hopwright_tests::provisioning::{Flash, Wear, configuration, encoded, share};
use poly1305::Poly1305;
use poly1305::universal_hash::KeyInit;
use zeroize::Zeroizing;

const MINE: Address = Address::new(0x4B);
const TRANSFER: [u8; 32] = [0x5A; 32];

/// Seals as the host's planner does.
fn sealed_for(plain: &[u8], key: [u8; 32], address: Address, nonce: u8) -> Vec<u8> {
    let sealing = Secret::TransferKey(Zeroizing::new(key)).sealing([0; 16], (0, 0, 0));
    seal(plain, &sealing.expect("a key"), address, [nonce; 12]).expect("sealed")
}

fn sealed(plain: &[u8]) -> Vec<u8> {
    sealed_for(plain, TRANSFER, MINE, 9)
}

/// RFC 8439 section 2.8: the authenticated bytes under a one-time key.
fn tag(once: [u8; 32], associated: &[u8], cipher: &[u8]) -> [u8; 16] {
    let mut all = Vec::new();
    for part in [associated, cipher] {
        all.extend_from_slice(part);
        all.resize(all.len().next_multiple_of(16), 0);
    }
    for part in [associated, cipher] {
        all.extend_from_slice(&(part.len() as u64).to_le_bytes());
    }
    Poly1305::new(&once.into()).compute_unpadded(&all).into()
}

/// RFC 8439 section 2.8.2: the ciphertext does not depend on the additional data, so the published
/// one stands in an envelope; the tag does, and is made with the one-time key printed there.
#[test]
fn the_published_ciphertext_opens_in_place() {
    let key = hex!("808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f");
    let nonce = hex!("070000004041424344454647");
    let once = hex!("7bac2b252db447af09b67a55a4e955840ae1d6731075d9eb2a9375783ed553ff");
    let cipher = hex!(
        "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d6"
        "3dbea45e8ca9671282fafb69da92728b1a71de0a9e060b2905d6a5b67ecd3b36"
        "92ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585808b4831d7bc"
        "3ff4def08e4b7a9de576d26586cec64b6116"
    );
    let published = hex!("50515253c0c1c2c3c4c5c6c7");
    assert_eq!(tag(once, &published, &cipher), hex!("1ae10b594f09e26a7e902ecbd0600691"));
    let mut header = Vec::new();
    Header { address: MINE, method: Method::TransferKey, nonce }
        .encode(&mut |part: &[u8]| header.extend_from_slice(part));
    let text = [&cipher[..], &tag(once, &header, &cipher)].concat();
    let mut bytes = Vec::new();
    Envelope::encode(&header, &text, &mut |part: &[u8]| bytes.extend_from_slice(part));
    let start = bytes.as_ptr();
    let open = TransferKey::new(key).open(&mut bytes).expect("it opens");
    let plain: &[u8] = b"Ladies and Gentlemen of the class of '99: If I could offer you only one \
                         tip for the future, sunscreen would be it.";
    assert_eq!(open, plain);
    // In place: 2 bytes of the array and the header's head, the header, 2 of the text's.
    assert_eq!(open.as_ptr().addr() - start.addr(), 2 + header.len() + 2);
}

/// Lengths around every border of a block, and those of configurations with every directory.
#[test]
fn what_the_host_seals_opens_here() {
    let texts = (1..140).map(|length: u8| (0..length).collect::<Vec<u8>>());
    let configurations =
        (0..=16).map(|entries| encoded(&configuration(1, 0x4B, Some(share(3, entries)))));
    for plain in texts.chain(configurations) {
        for address in [0, 0x17, 0x18, 0xFF].map(Address::new) {
            let mut bytes = sealed_for(&plain, TRANSFER, address, 1);
            assert_eq!(TransferKey::new(TRANSFER).open(&mut bytes), Ok(&mut plain.clone()[..]));
        }
    }
}

#[track_caller]
fn stays_shut(bytes: &[u8], key: [u8; 32]) -> OpenError {
    let mut buffer = bytes.to_vec();
    let error = TransferKey::new(key).open(&mut buffer).map(|_| ()).expect_err("refused");
    assert_eq!(buffer, bytes, "something was opened");
    error
}

#[test]
fn every_single_bit_flipped_is_refused_and_nothing_is_opened() {
    let bytes = sealed(&encoded(&configuration(1, 0x4B, Some(share(3, 2)))));
    let mut forged = 0;
    for bit in 0..bytes.len() * 8 {
        let mut flipped = bytes.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        match stays_shut(&flipped, TRANSFER) {
            OpenError::Forged => forged += 1,
            // In the heads of the two strings and in the header's map.
            OpenError::Envelope(_) | OpenError::Passphrase => assert!(bit / 8 < 40, "bit {bit}"),
            other => panic!("bit {bit}: {other}"),
        }
    }
    // All of the ciphertext, its tag, the nonce and the address.
    assert!(forged > 8 * (bytes.len() - 40), "{forged}");
}

#[test]
fn cut_lengthened_under_another_key_or_a_passphrase_it_stays_shut() {
    let bytes = sealed(&encoded(&configuration(1, 0x4B, None)));
    for cut in 0..bytes.len() {
        let error = stays_shut(&bytes[..cut], TRANSFER);
        assert!(matches!(error, OpenError::Envelope(e) if e.fault == Fault::CutShort), "{cut}");
    }
    let longer = stays_shut(&[&bytes[..], &[0]].concat(), TRANSFER);
    assert!(matches!(longer, OpenError::Envelope(e) if e.fault == Fault::Trailing), "{longer}");
    let mut other = TRANSFER;
    other[31] ^= 0x80;
    assert_eq!(stays_shut(&bytes, other), OpenError::Forged);
    let phrase = Secret::Passphrase(Zeroizing::new("rowan otter lintel".to_owned()));
    let sealing = phrase.sealing([1; 16], (8, 1, 1)).expect("cheap");
    let bytes = seal(b"a configuration", &sealing, MINE, [2; 12]).expect("sealed");
    assert_eq!(stays_shut(&bytes, TRANSFER), OpenError::Passphrase);
    assert_eq!(format!("{:?}", TransferKey::new(TRANSFER)), "TransferKey(..)");
}

fn judge() -> KeyedJudge<128> {
    KeyedJudge::new(TransferKey::new(TRANSFER), Some(MINE))
}

#[test]
fn the_judge_takes_its_own_sealed_configuration_and_says_why_not() {
    let plain = encoded(&configuration(1, 0x4B, Some(share(3, 2))));
    let said = |content: &[u8]| judge().judge(&mut content.to_vec(), MINE);
    assert_eq!(said(&sealed(&plain)), Ok(()));
    assert_eq!(said(&plain), Err(Refusal::Unsealed), "anybody could have written it");
    assert_eq!(said(&sealed_for(&plain, [1; 32], MINE, 9)), Err(Refusal::Seal));
    let other = Address::new(0x4C);
    assert_eq!(said(&sealed_for(&plain, [1; 32], other, 9)), Err(Refusal::OtherStation));
    // The header says that it is for this station, the configuration under the seal does not.
    let swapped = encoded(&configuration(1, 0x4C, None));
    assert_eq!(said(&sealed(&swapped)), Err(Refusal::OtherStation));
    assert_eq!(said(&sealed(&plain)[..100]), Err(Refusal::Damaged));
    assert_eq!(said(&[&sealed(&plain)[..], &[0]].concat()), Err(Refusal::Content));
    assert_eq!(said(&sealed(b"no configuration")), Err(Refusal::Damaged));
    let mut odd = configuration(1, 0x4B, None);
    odd.structure.window = 5;
    assert_eq!(said(&sealed(&encoded(&odd))), Err(Refusal::NoStation));
    let mut later = sealed(&plain);
    assert_eq!(later[2..5], [0xA4, 0, 1]);
    later[4] = 2;
    assert_eq!(said(&later), Err(Refusal::Version));
    assert_eq!(said(&[]), Err(Refusal::Unsealed));
}

fn old() -> Vec<u8> {
    sealed_for(&encoded(&configuration(1, 0x4B, Some(share(1, 1)))), TRANSFER, MINE, 1)
}

fn new() -> Vec<u8> {
    sealed_for(&encoded(&configuration(2, 0x4B, Some(share(2, 3)))), TRANSFER, MINE, 2)
}

/// Carries a content over a perfect line; `None` if the station's power went.
fn carry(store: Store<Flash>, content: &[u8]) -> (Option<Outcome>, Store<Flash>) {
    let mut work = vec![0; 2_048];
    let mut station = StationEnd::new(store, judge(), &mut work);
    let mut carrier = CarrierEnd::new(MINE, content);
    while carrier.outcome().is_none() {
        let sent = carrier.poll(Tick::ZERO).expect("it has something to say").to_vec();
        for byte in sent {
            let answer = station.byte(byte).map(<[u8]>::to_vec).unwrap_or_default();
            if station.store().storage().dark() {
                return (None, station.into_store());
            }
            answer.into_iter().for_each(|byte| carrier.byte(byte));
        }
    }
    (carrier.outcome(), station.into_store())
}

/// Starts a station with what is in the storage, as its driver does: load, open, decode, make.
/// Which net key it has.
fn started(mut flash: Flash) -> (Store<Flash>, u8) {
    flash.power = None;
    let mut store = Store::open(flash).expect("readable");
    let mut work = vec![0; 2_048];
    let content = store.load(&mut work).expect("what is in use is whole");
    assert!(*content == old() || *content == new(), "what is stored is what was carried");
    let judge = judge();
    let open = judge.open(content).expect("what is in use opens");
    let read = Configuration::<128>::decode(open).expect("what is in use reads");
    let [one, two] = [1, 2].map(|secret| read.key.same(&hopwright_tests::plans::key(secret)));
    assert!(one ^ two, "the old or the new one");
    let of = if one { 1 } else { 2 };
    let config = read.config(Watermark::Lost, 0);
    assert_eq!(config.share.as_ref().map(|share| share.generation()), Some(of), "no mixture");
    assert!(Station::new(config).is_ok());
    (store, of)
}

#[test]
fn stored_and_committed_is_what_was_carried_and_no_key_is_in_the_clear() {
    let blank = Flash::new((cells_needed(new().len()) + 2) * CELL_BYTES);
    let (outcome, store) = carry(Store::open(blank).expect("blank"), &old());
    assert_eq!(outcome, Some(Outcome::Accepted { generation: 1 }));
    let (store, of) = started(store.storage().clone());
    assert_eq!(of, 1);
    let (outcome, store) = carry(store, &new());
    assert_eq!(outcome, Some(Outcome::Accepted { generation: 2 }));
    let bytes = store.storage().bytes();
    for secret in [1, 2] {
        assert!(!bytes.windows(8).any(|part| part == &key_bytes(secret)[..8]), "key {secret}");
        assert!(!bytes.windows(16).any(|part| part == [secret; 16]), "share {secret}");
    }
    let (store, of) = started(store.storage().clone());
    assert_eq!(of, 2);
    // What does not open, or comes open, leaves everything as it is.
    let forged = sealed_for(&encoded(&configuration(1, 0x4B, None)), [1; 32], MINE, 1);
    let (outcome, store) = carry(store, &forged);
    assert_eq!(outcome, Some(Outcome::Refused(Refusal::Seal)));
    let (outcome, store) = carry(store, &encoded(&configuration(1, 0x4B, None)));
    assert_eq!(outcome, Some(Outcome::Refused(Refusal::Unsealed)));
    assert_eq!(started(store.storage().clone()).1, 2);
}

/// Power is lost after every byte that is written or erased: the next start opens the old
/// configuration or the new one, whole, and the next load completes.
#[test]
fn power_lost_after_every_byte_leaves_one_that_opens() {
    let blank = Flash::new((cells_needed(new().len()) + 2) * CELL_BYTES);
    let (_, store) = carry(Store::open(blank).expect("blank"), &old());
    for wear in [Wear::Forwards, Wear::Backwards, Wear::Ragged, Wear::Unreadable] {
        let mut start = store.storage().clone();
        (start.wear, start.worn) = (wear, 0);
        let (outcome, done) = carry(Store::open(start.clone()).expect("whole"), &new());
        assert_eq!(outcome, Some(Outcome::Accepted { generation: 2 }));
        let total = done.storage().worn;
        let mut seen = [0, 0];
        for power in 1..total {
            let mut flash = start.clone();
            flash.power = Some(power);
            let (outcome, store) = carry(Store::open(flash).expect("powered"), &new());
            assert_eq!(outcome, None, "{wear:?} {power}");
            let (store, of) = started(store.storage().clone());
            seen[usize::from(of) - 1] += 1;
            let (outcome, store) = carry(store, &new());
            assert_eq!(outcome, Some(Outcome::Accepted { generation: 2 }), "{wear:?} {power}");
            assert_eq!(started(store.storage().clone()).1, 2, "{wear:?} {power}");
        }
        assert!(seen.iter().all(|count| *count > start.bytes().len() / 4), "{wear:?} {seen:?}");
    }
}
