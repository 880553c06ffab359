//! What a station is given, as bytes and as groups that are typed.

use arbitrary::{Result, Unstructured};
use hopwright_core::address::Address;
use hopwright_core::keys::Subkey;
use hopwright_core::provision::cbor::Reader;
use hopwright_core::provision::manual::{self, GROUP_CHARACTERS};
use hopwright_core::provision::{
    Configuration, Envelope, Header, Method, OpenError, TAG_BYTES, TransferKey,
};
use hopwright_core::station::{Station, Watermark};
use hopwright_core::tree::Share;
use hopwright_core::units::Tick;
use hopwright_tests::provisioning::{checked, configuration as valid, encoded, share};

/// Room for hopsets.
const ROOM: usize = 128;

/// Bytes that may be a configuration, an envelope, a share or typed groups.
///
/// # Panics
/// If something is read that its writer does not write again to the same bytes, or a station
/// cannot be asked to be made of it.
pub fn configuration(data: &[u8]) {
    let Some((choice, rest)) = data.split_first() else { return };
    match choice % 8 {
        0 => decode(rest),
        // With the check value that belongs to it.
        1 if rest.len() > 4 => decode(&checked(rest.to_vec())),
        2 => drop(patched(rest)),
        3 => envelope(rest),
        4 => drop(sealed(rest)),
        5 if rest.len() % 2 == 0 => drop(typed(rest)),
        5 => groups(rest),
        6 => written_share(rest),
        _ => {
            let mut reader = Reader::new(rest);
            while reader.at() < rest.len() && reader.item().is_ok() {}
        }
    }
}

fn decode(bytes: &[u8]) {
    let Ok(configuration) = Configuration::<ROOM>::decode(bytes) else { return };
    assert_eq!(encoded(&configuration), bytes);
    let _ = configuration.layout();
    let typed = configuration.entry().groups();
    let mut reader = manual::Reader::new();
    typed.iter().for_each(|group| reader.group(group).expect("a group that was made"));
    assert_eq!(reader.finish().expect("all groups").groups(), typed);
    if let Ok(mut station) = Station::new(configuration.config(Watermark::Lost, 1)) {
        let _ = station.poll(Tick::new(1));
    }
}

/// A good configuration in which some bytes are others, or more, or missing.
fn patched(bytes: &[u8]) -> Result<()> {
    let u = &mut Unstructured::new(bytes);
    let share =
        if u.arbitrary()? { Some(share(u.arbitrary()?, u.int_in_range(0..=16)?)) } else { None };
    let mut good = encoded(&valid(u.arbitrary()?, u.arbitrary()?, share));
    decode(&good);
    for _ in 0..u.int_in_range(1..=6)? {
        let at = usize::from(u.arbitrary::<u16>()?) % good.len();
        match u.int_in_range(0..=3_u8)? {
            0 => good[at] = u.arbitrary()?,
            1 => good[at] ^= 1 << u.int_in_range(0..=7)?,
            2 => good.insert(at, u.arbitrary()?),
            _ => drop(good.remove(at)),
        }
        if good.len() <= 4 {
            return Ok(());
        }
        decode(&good);
        decode(&checked(good.clone()));
    }
    Ok(())
}

fn envelope(bytes: &[u8]) {
    let Ok(read) = Envelope::decode(bytes) else { return };
    assert!(Envelope::begins(bytes));
    let mut again = Vec::new();
    Envelope::encode(read.header_bytes, read.ciphertext, &mut |part: &[u8]| {
        again.extend_from_slice(part);
    });
    assert_eq!(again, bytes);
    let mut header = Vec::new();
    read.header.encode(&mut |part: &[u8]| header.extend_from_slice(part));
    assert_eq!(header, read.header_bytes);
}

/// An envelope that somebody with the key has sealed, then altered or not.
fn sealed(bytes: &[u8]) -> Result<()> {
    let u = &mut Unstructured::new(bytes);
    let key = [u.arbitrary()?; 32];
    let header = Header {
        address: Address::new(u.arbitrary()?),
        method: Method::TransferKey,
        nonce: u.arbitrary()?,
    };
    let mut head = Vec::new();
    header.encode(&mut |part: &[u8]| head.extend_from_slice(part));
    // An envelope of nothing is cut short.
    let mut text: Vec<u8> = u.arbitrary()?;
    text.push(u.arbitrary()?);
    let mut cipher = text.clone();
    let tag = Subkey::new(key).seal(&header.nonce, &head, &mut cipher);
    cipher.extend_from_slice(&tag);
    assert_eq!(cipher.len(), text.len() + TAG_BYTES);
    let mut whole = Vec::new();
    Envelope::encode(&head, &cipher, &mut |part: &[u8]| whole.extend_from_slice(part));
    envelope(&whole);
    let key = TransferKey::new(key);
    let mut work = whole.clone();
    assert_eq!(key.open(&mut work).map(|open| &*open), Ok(&text[..]));
    let at = usize::from(u.arbitrary::<u16>()?) % whole.len();
    let mut work = whole.clone();
    work[at] ^= 1 << u.int_in_range(0..=7)?;
    let before = work.clone();
    envelope(&work);
    let opened = key.open(&mut work).map(|open| open.to_vec());
    let refused =
        matches!(opened, Err(OpenError::Forged | OpenError::Envelope(_) | OpenError::Passphrase));
    assert!(refused, "byte {at}");
    assert_eq!(work, before, "a refused seal was worked on");
    Ok(())
}

/// Groups, five characters each. What is wrong is typed again.
fn groups(bytes: &[u8]) {
    let mut reader = manual::Reader::new();
    let mut typed = Vec::new();
    for group in bytes.chunks(GROUP_CHARACTERS) {
        let awaited = reader.awaited();
        if reader.group(group).is_ok() {
            typed.push(group.to_ascii_uppercase());
        } else {
            assert_eq!(reader.awaited(), awaited);
        }
    }
    if let Ok(entry) = reader.finish() {
        assert_eq!(entry.groups().map(Vec::from).as_slice(), typed);
    }
}

/// The groups of an entry, typed with slips: one wrong character, or two that have changed places,
/// are noticed, and the right group is taken after them.
fn typed(bytes: &[u8]) -> Result<()> {
    let u = &mut Unstructured::new(bytes);
    let entry = valid(u.arbitrary()?, u.arbitrary()?, None).entry();
    let mut reader = manual::Reader::new();
    for (number, group) in entry.groups().into_iter().enumerate() {
        let mut slip = group;
        let at = u.int_in_range(0..=GROUP_CHARACTERS - 1)?;
        match u.int_in_range(0..=3_u8)? {
            0 => slip[at] = *u.choose(manual::ALPHABET)?,
            1 => slip[at] = u.arbitrary()?,
            2 => slip.swap(at, u.int_in_range(0..=GROUP_CHARACTERS - 1)?),
            _ => {}
        }
        let same = slip.eq_ignore_ascii_case(&group);
        let taken = reader.group(&slip).is_ok();
        assert_eq!(taken, same, "group {number}: {slip:?} for {group:?}");
        if !taken {
            reader.group(&group).expect("the right group");
        }
    }
    assert_eq!(reader.finish().expect("all groups").groups(), entry.groups());
    Ok(())
}

fn written_share(bytes: &[u8]) {
    let Some(read) = Share::read(bytes) else { return };
    let mut again = Vec::new();
    read.write(&mut |part: &[u8]| again.extend_from_slice(part));
    assert_eq!((again.len(), &again[..]), (read.written_bytes(), bytes));
}
