//! What comes off the air, one layer after the other: Golay words, headers, messages, streams,
//! seals. Each with damage that is known to the test, so that it knows what must come of it.

use arbitrary::{Result, Unstructured};
use hopwright_core::address::{Address, Target};
use hopwright_core::coding::{golay, interleave};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::{NetKey, Subkey};
use hopwright_core::message::{Inbox, Layout, Origin, Outbox, Progress};
use hopwright_core::stream::{Mark, Receiver, Sender, Share};
use hopwright_core::units::{Micros, Slot};
use std::collections::BTreeMap;

/// Bits of a header on the air, and the words among which they are dealt out.
const HEADER_BITS: usize = 264;
const WORDS: usize = 11;

/// Slot bits with known damage, or of any kind.
///
/// # Panics
/// If a layer restores too little, or anything else than was sent.
pub fn slot_bits(data: &[u8]) {
    let u = &mut Unstructured::new(data);
    let _ = match u.int_in_range(0..=4_u8) {
        Ok(0) => word(u),
        Ok(1) => header(u),
        Ok(2) => message(u),
        Ok(3) => stream(u),
        _ => seal(u),
    };
}

/// The code word of a message by long division: generator 0xC75, and a bit that makes the number
/// of ones even.
fn long_division(message: u32) -> u32 {
    let mut rest = message << 11;
    for place in (11..23).rev() {
        if rest >> place & 1 == 1 {
            rest ^= 0xC75 << (place - 11);
        }
    }
    let word = message << 12 | rest << 1;
    word | word.count_ones() & 1
}

/// Decoding against a look at all 4096 code words.
fn word(u: &mut Unstructured<'_>) -> Result<()> {
    for _ in 0..4 {
        let received = u.arbitrary::<u32>()? & 0x00FF_FFFF;
        let distance = |message: &u32| (long_division(*message) ^ received).count_ones();
        let nearest = (0..4096).min_by_key(distance).expect("4096 words");
        let weight = distance(&nearest);
        let decoded = golay::decode(received);
        if weight <= 3 {
            assert_eq!(u32::from(decoded.message), nearest);
            assert_eq!(decoded.corrected.map(u32::from), Some(weight));
        } else {
            assert_eq!((u32::from(decoded.message), decoded.corrected), (received >> 12, None));
        }
        let message = u16::try_from(received >> 12).expect("12 bits");
        assert_eq!(golay::encode(message), long_division(message.into()));
    }
    Ok(())
}

fn kind(u: &mut Unstructured<'_>) -> Result<Kind> {
    let kinds = [Kind::Announce, Kind::Over, Kind::CutIn, Kind::Closing, Kind::Rekey, Kind::LeadIn];
    Ok(*u.choose(&kinds)?)
}

fn target(u: &mut Unstructured<'_>) -> Result<Target> {
    let address = Address::new(u.arbitrary()?);
    let length = u.int_in_range(0..=9)?;
    Ok(Target::prefix(address, length).unwrap_or(Target::all_but(address)))
}

/// A header with some of its bits inverted: up to three in each of its eleven words are set right;
/// with more in any of them, nothing else than what was sent can come out.
fn header(u: &mut Unstructured<'_>) -> Result<()> {
    let keys = HeaderKeys::new(&NetKey::new(u.arbitrary()?));
    let sent = Header {
        slot: Slot::new(u.arbitrary()?),
        source: Address::new(u.arbitrary()?),
        target: target(u)?,
        kind: kind(u)?,
        quality: Quality::of(Micros::new(u.arbitrary::<u32>()?.into())),
        countdown: u.int_in_range(0..=15)?,
    };
    let stream: u32 = u.arbitrary()?;
    let mut bits = keys.to_bits(sent, stream);
    let whole = bits;
    let mut wrong = [0_usize; WORDS];
    for _ in 0..u.int_in_range(0..=40)? {
        let at = u.int_in_range(0..=HEADER_BITS - 1)?;
        bits[at / 8] ^= 0x80 >> (at % 8);
    }
    for at in 0..HEADER_BITS {
        // Bit 11 i + j is bit i of word j.
        wrong[at % WORDS] += usize::from((whole[at / 8] ^ bits[at / 8]) >> (7 - at % 8) & 1);
    }
    let opened = keys.from_bits(&bits, stream);
    let corrected = interleave::decode(&bits).corrected().map(usize::from);
    if wrong.iter().all(|wrong| *wrong <= 3) {
        assert_eq!(opened, Some(sent), "{wrong:?}");
        assert_eq!(corrected, Some(wrong.iter().sum()));
    } else {
        assert!(opened.is_none_or(|header| header == sent), "{wrong:?}");
        assert!(corrected.is_none() || wrong.iter().all(|wrong| *wrong != 4), "{wrong:?}");
    }
    let other = stream ^ 1 << u.int_in_range(0..=31)?;
    assert_eq!(keys.from_bits(&whole, other), None, "a header of another stream");
    Ok(())
}

/// A message whose columns are lost, altered, doubled and out of order.
fn message(u: &mut Unstructured<'_>) -> Result<()> {
    let n = u.int_in_range(2..=48_u8)?;
    let k = u.int_in_range(1..=n - 1)?;
    let capacity = u.int_in_range(8..=60)?;
    let layout = Layout::new(n, k, capacity).expect("k is less than n");
    let key = Subkey::new(u.arbitrary()?);
    let stream = u.arbitrary::<u32>()? & 0x4000_001F;
    let first = u.arbitrary::<u32>()?.min(u32::MAX - 8 * 255);
    let source = Address::new(u.arbitrary()?);
    let origin = |slot| Origin { source, stream, slot: Slot::new(slot) };
    let length = u.int_in_range(0..=300_usize)?;
    let mut text = vec![0; length];
    u.fill_buffer(&mut text)?;
    let mut outbox = Outbox::<2_048>::new(layout);
    // Slots without room for a row carry no message, not even an empty one.
    let fits = layout.shape(0).is_some() && text.len() <= usize::from(outbox.longest());
    assert_eq!(outbox.load(&key, origin(first), &text).is_ok(), fits);
    let mut inbox = Inbox::<8_192, 2>::new(layout);
    let room = layout.inbox_bytes(u16::try_from(length).expect("short"));
    if !fits || room.is_none_or(|room| room > 8_192) {
        return Ok(());
    }
    let mut delivered = 0;
    let mut columns = Vec::new();
    let mut out = vec![0; capacity];
    while let Some(length) = outbox.next(&mut out) {
        columns.push(out[..length].to_vec());
    }
    // For each block the columns that have not come, and those that have come altered and alone.
    let mut lost = BTreeMap::<usize, usize>::new();
    let mut altered = BTreeMap::<usize, usize>::new();
    let mut late = Vec::new();
    for (number, (slot, column)) in (first..).zip(&columns).enumerate() {
        let block = number / usize::from(n);
        match u.arbitrary::<u8>().unwrap_or(0) % 8 {
            // Lost.
            4 => *lost.entry(block).or_default() += 1,
            // Its row bytes are altered, where there are any.
            5 => {
                let mut column = column.clone();
                let rows = column.len() - 9;
                let at = 9 + usize::from(u.arbitrary::<u8>().unwrap_or(0)) % rows;
                column[at] ^= u.arbitrary::<u8>().unwrap_or(0) | 1;
                let _ = inbox.take(&key, origin(slot), &column);
                *altered.entry(block).or_default() += 1;
            }
            // One bit of its head is: it is no fragment any more.
            6 => {
                let mut column = column.clone();
                let at = usize::from(u.arbitrary::<u8>().unwrap_or(0)) % 72;
                column[at / 8] ^= 0x80 >> (at % 8);
                let _ = inbox.take(&key, origin(slot), &column);
                *lost.entry(block).or_default() += 1;
            }
            7 => late.push((slot, column)),
            twice => {
                let _ = inbox.take(&key, origin(slot), column);
                if twice == 3 {
                    let _ = inbox.take(&key, origin(slot), column);
                }
            }
        }
        if u.ratio(1, 8).unwrap_or(false) {
            delivered += work(&mut inbox, origin(first), &text);
        }
    }
    for (slot, column) in late.into_iter().rev() {
        let _ = inbox.take(&key, origin(slot), column);
    }
    delivered += work(&mut inbox, origin(first), &text);
    let of = |counts: &BTreeMap<usize, usize>, block| counts.get(&block).copied().unwrap_or(0);
    let blocks = columns.len() / usize::from(n);
    let enough =
        |block| of(&lost, block) + 2 * of(&altered, block) <= usize::from(n) - usize::from(k);
    assert!(delivered <= 1, "delivered {delivered} times");
    assert!(delivered == 1 || !(0..blocks).all(enough), "{lost:?} and {altered:?} of ({n}, {k})");
    // What is left may be anything.
    let garbage = u.bytes(u.len())?;
    for (slot, payload) in (first..).zip(garbage.chunks(capacity)) {
        let _ = inbox.take(&key, origin(slot), payload);
        delivered += work(&mut inbox, origin(first), &text);
    }
    assert!(delivered <= 1, "delivered again");
    Ok(())
}

/// Works an inbox until it waits; counts what it delivers, which is what was sent.
fn work(inbox: &mut Inbox<8_192, 2>, origin: Origin, text: &[u8]) -> usize {
    let mut delivered = 0;
    for _ in 0..2_000 {
        match inbox.work() {
            Progress::Waiting => return delivered,
            Progress::Working => {}
            Progress::Ready(message) => {
                assert_eq!((message.origin, message.text), (origin, text));
                delivered += 1;
            }
        }
    }
    panic!("an inbox that never waits");
}

/// A stream whose slots are lost, doubled, late or altered: each is played in its turn, with the
/// bits that were said, or not at all.
fn stream(u: &mut Unstructured<'_>) -> Result<()> {
    let frame = u.int_in_range(2..=64_u8)?;
    let slot = Micros::new(u.int_in_range(1_000..=100_000)?);
    let bps = u.int_in_range(1..=40_000)?;
    let Ok(share) = Share::new(bps, slot, frame, 64) else { return Ok(()) };
    let delay = u.int_in_range(0..=8)?;
    let Some(mut receiver) = Receiver::<8, 64>::new(share, delay) else {
        assert!(delay >= 8 || share.longest() > 512);
        return Ok(());
    };
    let mut sender = Sender::<512>::new(share);
    let mut said = BTreeMap::new();
    let (mut noise, mut next, mut waiting) = (false, None::<u16>, Vec::new());
    for _ in 0..300 {
        if u.is_empty() {
            break;
        }
        let mut bits = 0;
        while bits < share.longest() {
            let _ = sender.push(u.arbitrary().unwrap_or(0x5A));
            bits += 8;
        }
        let mut payload = [0; 64];
        let length = sender.slot(&mut payload).expect("it fits");
        let payload = payload[..length].to_vec();
        let number = u16::from_le_bytes([payload[0], payload[1]]);
        let place = u64::from(share.bits(number));
        assert_eq!(length - 2, usize::try_from(place.div_ceil(8)).expect("short"));
        said.insert(number, payload[2..].to_vec());
        match u.arbitrary::<u8>()? % 16 {
            0 => {}
            1 => waiting.push(payload),
            2 => {
                let _ = receiver.heard(&payload);
                assert!(receiver.heard(&payload).is_err(), "twice");
            }
            3 => {
                noise = true;
                let length = u.int_in_range(0..=40)?;
                let garbage = u.bytes(length)?.to_vec();
                let _ = receiver.heard(&garbage);
            }
            4 => {
                for payload in waiting.drain(..) {
                    let _ = receiver.heard(&payload);
                }
            }
            _ => {
                let _ = receiver.heard(&payload);
            }
        }
        let Some(played) = receiver.play() else { continue };
        if !noise {
            assert!(next.is_none_or(|next| next == played.number), "{next:?}, {played:?}");
            if let Mark::Heard(bits) = played.mark {
                assert_eq!(Some(bits), said.get(&played.number).map(Vec::as_slice));
            }
        }
        next = Some(played.number.wrapping_add(1));
    }
    Ok(())
}

/// Sealed, altered or not, opened.
fn seal(u: &mut Unstructured<'_>) -> Result<()> {
    let key = Subkey::new(u.arbitrary()?);
    let nonce: [u8; 12] = u.arbitrary()?;
    let associated: Vec<u8> = u.arbitrary()?;
    let text: Vec<u8> = u.arbitrary()?;
    let mut sealed = text.clone();
    let tag = key.seal(&nonce, &associated, &mut sealed);
    let mut changed = (nonce, associated.clone(), sealed.clone(), tag);
    let at = usize::from(u.arbitrary::<u16>()?);
    let bit = 1 << u.int_in_range(0..=7)?;
    let part = match u.int_in_range(0..=4_u8)? {
        0 => &mut changed.0[..],
        1 => &mut changed.1[..],
        2 => &mut changed.2[..],
        3 => &mut changed.3[..],
        _ => &mut [],
    };
    let whole = part.is_empty();
    if !whole {
        let length = part.len();
        part[at % length] ^= bit;
    }
    let (nonce, associated, mut opened, tag) = changed;
    let before = opened.clone();
    let answer = key.open(&nonce, &associated, &mut opened, &tag);
    assert_eq!(answer.is_ok(), whole);
    assert_eq!(opened, if whole { text } else { before });
    Ok(())
}
