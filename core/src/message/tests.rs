use super::*;
use crate::keys::Subkey;
use crate::sparse;
use proptest::prelude::*;
use std::cell::Cell;
use std::vec::Vec;

const HOME: u32 = 0;
const CUT_IN: u32 = 0x4000_0000;
const SINGLE: u32 = 0x1000_0000;
/// A plan's slots carry 106 bytes by default.
const CAPACITY: usize = 106;

type Box4 = Inbox<4096, 2>;

fn key() -> Subkey {
    Subkey::new([0x5A; 32])
}

fn layout(n: u8, k: u8) -> Layout {
    Layout::new(n, k, CAPACITY).unwrap()
}

fn origin(source: u8, slot: u32) -> Origin {
    Origin { source: Address::new(source), stream: HOME, slot: Slot::new(slot) }
}

fn text(length: usize) -> Vec<u8> {
    (0..length).map(|i| u8::try_from((i * i + 7 * i) % 251).unwrap()).collect()
}

/// All columns of a message in order, each with the slot that carries it: every eighth slot is a
/// sync slot and carries none.
fn sent(layout: Layout, first: Origin, text: &[u8]) -> Vec<(Origin, Vec<u8>)> {
    let mut outbox = Outbox::<65_536>::new(layout);
    outbox.load(&key(), first, text).unwrap();
    let columns = outbox.left();
    let mut slot = first.slot.number();
    let mut all = Vec::new();
    let mut out = [0; CAPACITY];
    while let Some(length) = outbox.next(&mut out) {
        if slot % 8 == 3 {
            slot += 1;
        }
        all.push((Origin { slot: Slot::new(slot), ..first }, out[..length].to_vec()));
        slot += 1;
    }
    assert_eq!((all.len(), outbox.left()), (usize::from(columns), 0));
    all
}

/// Works until there is nothing left to do; the text of the message that became ready, if any.
fn work<const N: usize, const S: usize>(inbox: &mut Inbox<N, S>) -> Option<(Origin, Vec<u8>)> {
    let mut ready = None;
    for _ in 0..100_000 {
        match inbox.work() {
            Progress::Waiting => return ready,
            Progress::Working => {}
            Progress::Ready(message) => {
                assert!(ready.is_none(), "told twice");
                ready = Some((message.origin, message.text.to_vec()));
            }
        }
    }
    panic!("the work never ends");
}

#[test]
fn a_message_of_every_length_arrives() {
    let lengths = (0..60).step_by(sparse(25)).chain([100, 105, 106, 1_000, 2_312, 2_313, 4_600]);
    let (n, k) = if cfg!(miri) { (12, 5) } else { (64, 24) };
    for length in lengths.filter(|length| *length <= 4_600 / sparse(40)) {
        let (layout, text) = (layout(n, k), text(length));
        let mut inbox = Inbox::<16_384, 1>::new(layout);
        let first = origin(9, 77_777);
        let columns = sent(layout, first, &text);
        let mut arrived = None;
        for (at, column) in columns {
            let taken = inbox.take(&key(), at, &column);
            let expected = if arrived.is_none() { Taken::Stored } else { Taken::Old };
            assert_eq!(taken, expected, "{length}");
            if let Some(message) = work(&mut inbox) {
                assert!(arrived.replace(message).is_none(), "delivered twice");
            }
        }
        assert_eq!(arrived, Some((first, text)), "{length}");
    }
}

#[test]
fn what_is_too_long_is_refused_before_it_is_sent() {
    let layout = layout(64, 24);
    assert_eq!(layout.longest(), 8 * 97 * 24 - 16);
    assert!(layout.shape(layout.longest()).is_some());
    assert_eq!(layout.shape(layout.longest() + 1), None);
    let mut outbox = Outbox::<240>::new(layout);
    assert_eq!(outbox.longest(), 224);
    let too_long = Err(LoadError::TooLong { limit: 224 });
    assert_eq!(outbox.load(&key(), origin(1, 5), &text(225)), too_long);
    assert_eq!(outbox.load(&key(), origin(1, 5), &text(70_000)), too_long);
    assert_eq!(outbox.load(&key(), origin(1, 5), &text(224)), Ok(()));
    // A longest text of the largest code stays within the length's two bytes.
    assert_eq!(Layout::new(255, 254, 510).unwrap().longest(), u16::MAX);
    // A slot without room carries nothing.
    let none = Layout::new(64, 24, HEADER_BYTES).unwrap();
    assert_eq!((none.longest(), none.shape(0)), (0, None));
}

#[test]
fn an_inbox_of_the_bytes_that_are_told_takes_the_text_and_one_smaller_does_not() {
    fn arrives<const N: usize>(text: &[u8]) -> bool {
        let mut inbox = Inbox::<N, 1>::new(layout(64, 24));
        let mut arrived = false;
        for (at, column) in sent(layout(64, 24), origin(9, 77_777), text) {
            let _ = inbox.take(&key(), at, &column);
            arrived |= work(&mut inbox).is_some_and(|(_, read)| read == text);
        }
        arrived
    }
    let (layout, text) = (layout(64, 24), text(100));
    // 100 bytes and a tag of 16 are five rows of 24.
    assert_eq!((layout.inbox_bytes(100), layout.outbox_bytes(100)), (Some(5 * 64), Some(5 * 24)));
    assert!(arrives::<320>(&text));
    assert!(!arrives::<319>(&text));
    assert_eq!(layout.inbox_bytes(layout.longest() + 1), None);
}

#[test]
fn a_longest_text_fits_whatever_the_outbox() {
    fn check<const N: usize>() {
        if N > 20_000 / sparse(10) {
            return;
        }
        for (n, k) in [(31, 15), (48, 16), (64, 24), (255, 1), (255, 200)] {
            let mut outbox = Outbox::<N>::new(layout(n, k));
            let longest = outbox.longest();
            if layout(n, k).outbox_bytes(0).is_some_and(|bytes| bytes <= N) {
                let all = text(usize::from(longest).wrapping_add(1));
                let (fits, more) = all.split_at(longest.into());
                let refused = Err(LoadError::TooLong { limit: longest });
                if longest < u16::MAX {
                    assert_eq!(more.len(), 1);
                    assert_eq!(
                        outbox.load(&key(), origin(1, 1), &all),
                        refused,
                        "({n}, {k}) in {N}"
                    );
                }
                assert_eq!(outbox.load(&key(), origin(1, 1), fits), Ok(()), "({n}, {k}) in {N}");
            }
        }
    }
    check::<300>();
    check::<1_000>();
    check::<2_351>();
    check::<5_000>();
    // Four full blocks of (64, 24) hold more than five that are equal; eight more than there is.
    check::<9_336>();
    check::<18_700>();
    check::<20_000>();
}

#[test]
fn a_nonce_serves_once() {
    let mut outbox = Outbox::<1024>::new(layout(31, 15));
    outbox.load(&key(), origin(1, 100), b"one").unwrap();
    assert_eq!(outbox.load(&key(), origin(1, 101), b"two"), Err(LoadError::Busy { left: 31 }));
    outbox.clear();
    assert_eq!(outbox.next(&mut [0; CAPACITY]), None);
    for slot in [99, 100] {
        let used = Err(LoadError::SlotUsed { last: Slot::new(100) });
        assert_eq!(outbox.load(&key(), origin(1, slot), b"two"), used);
    }
    // The slots of a cut-in are others.
    let cut_in = Origin { stream: CUT_IN, ..origin(1, 50) };
    assert_eq!(outbox.load(&key(), cut_in, b"two"), Ok(()));
    outbox.clear();
    assert_eq!(outbox.load(&key(), origin(1, 101), b"three"), Ok(()));
    outbox.clear();
    // So are those of a single channel, which begin anywhere: no message there ends those at home.
    let single = Origin { stream: SINGLE, ..origin(1, 1 << 30) };
    assert_eq!(outbox.load(&key(), single, b"four"), Ok(()));
    outbox.clear();
    let used = Err(LoadError::SlotUsed { last: Slot::new(1 << 30) });
    assert_eq!(outbox.load(&key(), single, b"five"), used);
    assert_eq!(outbox.load(&key(), origin(1, 102), b"five"), Ok(()));
}

/// Of all its blocks, and from a message that has gone out to the end too.
#[test]
fn a_message_is_sent_again_from_its_beginning() {
    let mut outbox = Outbox::<4_096>::new(layout(31, 15));
    outbox.load(&key(), origin(1, 100), &text(1_600)).unwrap();
    let all = |outbox: &mut Outbox<4_096>| -> Vec<Vec<u8>> {
        let mut out = [0; CAPACITY];
        core::iter::from_fn(|| outbox.next(&mut out).map(|length| out[..length].to_vec())).collect()
    };
    let once = all(&mut outbox);
    assert_eq!((once.len(), outbox.left()), (62, 0));
    outbox.repeat();
    assert_eq!(outbox.left(), 62);
    assert_eq!(all(&mut outbox), once);
}

/// Nothing of the message before is left behind the tag of the next.
#[test]
fn what_fills_a_row_up_is_zero() {
    let mut outbox = Outbox::<1_024>::new(layout(31, 15));
    outbox.load(&key(), origin(1, 100), &[0xEE; 500]).unwrap();
    while outbox.next(&mut [0; CAPACITY]).is_some() {}
    outbox.load(&key(), origin(1, 200), b"1").unwrap();
    // One byte and 16 of tag: two bytes of the second row.
    let mut out = [0; CAPACITY];
    for column in 0..15 {
        assert_eq!(outbox.next(&mut out), Some(HEADER_BYTES + 2));
        assert!(column < 2 || out[HEADER_BYTES + 1] == 0, "column {column}");
    }
}

#[test]
fn no_room_to_write_loses_no_column() {
    let mut outbox = Outbox::<1024>::new(layout(31, 15));
    outbox.load(&key(), origin(1, 100), b"one").unwrap();
    let (mut short, mut long) = ([0; HEADER_BYTES], [0; HEADER_BYTES + 2]);
    assert_eq!((outbox.next(&mut short), outbox.left()), (None, 31));
    assert_eq!((outbox.next(&mut long), outbox.left()), (Some(11), 30));
    outbox.repeat();
    let mut again = [0; HEADER_BYTES + 2];
    assert_eq!((outbox.next(&mut again), outbox.left()), (Some(11), 30));
    assert_eq!(again, long);
}

/// The bytes of a fragment, as the specification (section 11) has them. The check over them,
/// CRC-16/IBM-3740, gives 0x29B1 for "123456789" (catalogue of parametrised CRC algorithms).
#[test]
fn a_fragment_on_the_wire() {
    let mut outbox = Outbox::<1024>::new(layout(31, 15));
    outbox.load(&key(), origin(1, 0x0012_3456), &[0; 20]).unwrap();
    let mut out = [0; CAPACITY];
    // 36 bytes in rows of 15: three.
    assert_eq!(outbox.next(&mut out), Some(HEADER_BYTES + 3));
    assert_eq!(outbox.next(&mut out), Some(HEADER_BYTES + 3));
    assert_eq!(out[..7], [1, 0x56, 0x34, 0, 1, 20, 0]);
    let check = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    assert_eq!(check.checksum(b"123456789"), 0x29B1);
    assert_eq!(out[7..9], check.checksum(&out[..7]).to_le_bytes());
    // Payloads of another kind are no fragments, whatever their check says.
    let mut other = [0; CAPACITY];
    other[..HEADER_BYTES + 3].copy_from_slice(&out[..HEADER_BYTES + 3]);
    other[0] = 2;
    let fits = check.checksum(&other[..7]).to_le_bytes();
    other[7..9].copy_from_slice(&fits);
    let mut inbox = Box4::new(layout(31, 15));
    let at = origin(1, 0x0012_3457);
    assert_eq!(inbox.take(&key(), at, &other[..HEADER_BYTES + 3]), Taken::Unreadable);
    assert_eq!(inbox.take(&key(), at, &out[..HEADER_BYTES + 3]), Taken::Stored);
    // Symbol 1 of each row: bytes 1, 16 and 31 of cipher text and tag.
    let mut sealed = [0; 36];
    let nonce = [0, 0, 0, 0, 0x56, 0x34, 0x12, 0, 1, 0, 0, 0];
    let tag = key().seal(&nonce, &[], &mut sealed[..20]);
    sealed[20..].copy_from_slice(&tag);
    assert_eq!(out[9..12], [sealed[1], sealed[16], sealed[31]]);
}

#[test]
fn repeated_and_conflicting_columns() {
    let layout = layout(8, 4);
    let columns = sent(layout, origin(3, 10), b"heron to mill");
    let mut inbox = Box4::new(layout);
    let (at, column) = &columns[0];
    assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    assert_eq!(inbox.take(&key(), *at, column), Taken::Repeated);
    let mut other = column.clone();
    *other.last_mut().unwrap() ^= 1;
    assert_eq!(inbox.take(&key(), *at, &other), Taken::Conflicting);
    // Both count as lost: three others are not enough, and the column may come once more.
    for (at, column) in &columns[1..4] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox), None);
    assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    assert_eq!(work(&mut inbox).unwrap().1, b"heron to mill");
    assert_eq!(inbox.take(&key(), *at, column), Taken::Old);
}

/// What was tried in vain is tried again when another has come in a damaged one's place.
#[test]
fn a_column_that_replaces_a_damaged_one_is_tried() {
    let layout = layout(8, 4);
    let columns = sent(layout, origin(3, 10), b"heron to mill");
    for during in [false, true] {
        let mut inbox = Box4::new(layout);
        for (at, column) in &columns[..3] {
            assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
        }
        let (at, good) = &columns[3];
        let mut bad = good.clone();
        bad[HEADER_BYTES] ^= 1;
        assert_eq!(inbox.take(&key(), *at, &bad), Taken::Stored);
        // In the middle of a try, or behind it.
        if during {
            assert_eq!(inbox.work(), Progress::Working);
        } else {
            assert_eq!(work(&mut inbox), None);
        }
        assert_eq!(inbox.take(&key(), *at, good), Taken::Conflicting);
        assert_eq!(work(&mut inbox), None);
        assert_eq!(inbox.take(&key(), *at, good), Taken::Stored);
        assert_eq!(work(&mut inbox).unwrap().1, b"heron to mill");
    }
}

/// Whoever is refused takes nobody's place: neither a later message of the source, nor one of another.
#[test]
fn what_is_too_long_takes_nobodys_place() {
    let layout = layout(64, 24);
    let first = sent(layout, origin(1, 100), &text(100));
    let mut inbox = Inbox::<320, 1>::new(layout);
    for (at, column) in &first[..3] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    for source in [1, 2] {
        let (at, column) = &sent(layout, origin(source, 200), &text(200))[0];
        assert_eq!(inbox.take(&key(), *at, column), Taken::TooLong);
    }
    for (at, column) in &first[3..24] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox), Some((origin(1, 100), text(100))));
    assert_eq!(inbox.abandoned(), 0);
}

/// A fragment that names the message but not its length is none of it.
#[test]
fn a_fragment_of_another_length_is_no_column() {
    let layout = layout(31, 15);
    let (short, long) =
        (sent(layout, origin(1, 100), &text(10)), sent(layout, origin(1, 100), &text(60)));
    for (columns, other) in [(&short, &long), (&long, &short)] {
        let mut inbox = Box4::new(layout);
        for (at, column) in &columns[..14] {
            assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
        }
        let (at, column) = &other[20];
        assert_eq!(inbox.take(&key(), *at, column), Taken::Unreadable);
        let (at, column) = &columns[20];
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
        assert!(work(&mut inbox).is_some());
    }
}

/// Rows may be decoded from a column in use at any moment, so nothing is written there; and what is
/// decoded on trial is not written over what has come meanwhile.
#[test]
fn columns_that_come_during_a_try_spoil_nothing() {
    let layout = layout(8, 4);
    let said: &[u8] = b"heron to mill, aground off the north shoal";
    let columns = sent(layout, origin(3, 10), said);
    let spoilt = |place: usize, by: u8| {
        let (at, mut column) = columns[place].clone();
        column[HEADER_BYTES..].iter_mut().for_each(|symbol| *symbol ^= by);
        (at, column)
    };
    let mut inbox = Box4::new(layout);
    for (at, column) in &columns[..4] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    for _ in 0..2 {
        assert_eq!(inbox.work(), Progress::Working);
    }
    for (by, taken) in [(1, Taken::Conflicting), (2, Taken::Repeated)] {
        let (at, column) = spoilt(3, by);
        assert_eq!(inbox.take(&key(), at, &column), taken);
    }
    assert_eq!(work(&mut inbox).map(|(_, text)| text), Some(said.to_vec()));
    // Column 3 is wrong, 4 comes during the try, 5 behind it: one error and two erasures of (8, 4).
    let mut inbox = Box4::new(layout);
    for (at, column) in columns[..3].iter().chain(&[spoilt(3, 1)]) {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    for _ in 0..2 {
        assert_eq!(inbox.work(), Progress::Working);
    }
    assert_eq!(inbox.take(&key(), columns[4].0, &columns[4].1), Taken::Stored);
    assert_eq!(work(&mut inbox), None);
    assert_eq!(inbox.take(&key(), columns[5].0, &columns[5].1), Taken::Stored);
    assert_eq!(work(&mut inbox).map(|(_, text)| text), Some(said.to_vec()));
}

/// The slots of a cut-in are others: a message there is not older for its lower number.
#[test]
fn a_message_of_a_cut_in_is_another_than_one_at_home() {
    let layout = layout(31, 15);
    let home = sent(layout, origin(1, 1_000), b"at home");
    let cut_in = sent(layout, Origin { stream: CUT_IN, ..origin(1, 50) }, b"from afar");
    let mut inbox = Box4::new(layout);
    assert_eq!(inbox.take(&key(), home[0].0, &home[0].1), Taken::Stored);
    for (at, column) in &cut_in[..15] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox).map(|(_, text)| text), Some(b"from afar".to_vec()));
}

/// A finished message makes room before an unfinished one that has been quiet for longer.
#[test]
fn a_finished_message_goes_before_a_quiet_one() {
    let layout = layout(31, 15);
    let [a, b, c] = [1, 2, 3].map(|source| sent(layout, origin(source, 100), &[source; 9]));
    let mut inbox = Box4::new(layout);
    for (at, column) in a[..14].iter().chain(&b[..15]) {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox).map(|(_, text)| text), Some(std::vec![2; 9]));
    assert_eq!(inbox.take(&key(), c[0].0, &c[0].1), Taken::Stored);
    assert_eq!(inbox.abandoned(), 0);
    assert_eq!(inbox.take(&key(), a[14].0, &a[14].1), Taken::Stored);
    assert_eq!(work(&mut inbox).map(|(_, text)| text), Some(std::vec![1; 9]));
}

/// With the next call, whatever there is to do for another source.
#[test]
fn what_has_been_told_is_wiped_at_once() {
    let layout = layout(31, 15);
    let (a, b) = (sent(layout, origin(1, 100), b"from a"), sent(layout, origin(2, 101), b"from b"));
    let mut inbox = Box4::new(layout);
    for (at, column) in &a[..14] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    for (at, column) in &b[..15] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    loop {
        match inbox.work() {
            Progress::Waiting => panic!("it never comes"),
            Progress::Working => {}
            Progress::Ready(message) => break assert_eq!(message.text, b"from b"),
        }
    }
    assert_eq!(inbox.take(&key(), a[14].0, &a[14].1), Taken::Stored);
    assert_eq!(inbox.work(), Progress::Working);
    assert!(!inbox.holds(b"from b"));
    assert_eq!(work(&mut inbox).unwrap().1, b"from a");
}

/// Two sources take turns; a third takes the place of the one that has been quiet longest.
#[test]
fn messages_of_two_sources_interleave() {
    let layout = layout(31, 15);
    let (a, b) = (sent(layout, origin(1, 100), b"from a"), sent(layout, origin(2, 101), b"from b"));
    let mut inbox = Box4::new(layout);
    let mut ready = Vec::new();
    for ((at, column), (bt, dolumn)) in a.iter().zip(&b) {
        let _ = inbox.take(&key(), *at, column);
        ready.extend(work(&mut inbox));
        let _ = inbox.take(&key(), *bt, dolumn);
        ready.extend(work(&mut inbox));
    }
    let expected = [(origin(1, 100), b"from a".to_vec()), (origin(2, 101), b"from b".to_vec())];
    assert_eq!(ready, expected);
    let c = sent(layout, origin(3, 300), b"from c");
    assert_eq!(inbox.take(&key(), c[0].0, &c[0].1), Taken::Stored);
    // A finished one had to go, and nothing unfinished was lost.
    assert_eq!(inbox.abandoned(), 0);
    let d = sent(layout, origin(4, 301), b"from d");
    let e = sent(layout, origin(5, 302), b"from e");
    assert_eq!(inbox.take(&key(), d[0].0, &d[0].1), Taken::Stored);
    assert_eq!(inbox.take(&key(), e[0].0, &e[0].1), Taken::Stored);
    assert_eq!(inbox.abandoned(), 1);
    // It was c that had been quiet longest.
    for (at, column) in &d[1..15] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox), Some((origin(4, 301), b"from d".to_vec())));
}

#[test]
fn a_later_message_replaces_an_earlier_one_and_not_the_reverse() {
    let layout = layout(31, 15);
    let old = sent(layout, origin(1, 100), b"forget this");
    let new = sent(layout, origin(1, 150), b"this instead");
    let mut inbox = Box4::new(layout);
    for (at, column) in &old[..14] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(inbox.take(&key(), new[30].0, &new[30].1), Taken::Stored);
    assert_eq!(inbox.abandoned(), 1);
    assert_eq!(inbox.take(&key(), old[14].0, &old[14].1), Taken::Old);
    for (at, column) in &new[..14] {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox), Some((origin(1, 150), b"this instead".to_vec())));
    // Not even after it has been delivered.
    assert_eq!(inbox.take(&key(), old[14].0, &old[14].1), Taken::Old);
}

/// On a provisional timeline a source that was restarted may begin a year of slots earlier than before. As far
/// back as a fragment reaches it is an earlier message; beyond that it is a new timeline.
#[test]
fn a_source_that_begins_its_timeline_anew_is_heard() {
    let layout = layout(31, 15);
    let at = |slot| Origin { stream: SINGLE, ..origin(1, slot) };
    let last = 0x5000_0000;
    for (slot, is_new) in [(last - 0xFFFF, false), (last - 0x1_0000, true), (7, true)] {
        let mut inbox = Box4::new(layout);
        for (at, column) in &sent(layout, at(last), b"before")[..15] {
            assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
        }
        assert_eq!(work(&mut inbox), Some((at(last), b"before".to_vec())));
        for (at, column) in &sent(layout, at(slot), b"afterwards")[..15] {
            let expected = if is_new { Taken::Stored } else { Taken::Old };
            assert_eq!(inbox.take(&key(), *at, column), expected, "{slot}");
        }
        let expected = is_new.then(|| (at(slot), b"afterwards".to_vec()));
        assert_eq!(work(&mut inbox), expected, "{slot}");
    }
}

/// Columns of an earlier block that come late count as well as any.
#[test]
fn late_columns_of_an_older_block_complete_it() {
    let layout = layout(31, 15);
    let text = text(4_000);
    let first = origin(1, 0);
    let columns = sent(layout, first, &text);
    assert_eq!(layout.shape(4_000).map(|s| s.blocks), Some(3));
    let mut inbox = Inbox::<16_384, 1>::new(layout);
    let block = |b: usize| &columns[31 * b..31 * (b + 1)];
    for (at, column) in block(0)[..14].iter().chain(&block(1)[16..]).chain(&block(2)[3..18]) {
        assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
    }
    assert_eq!(work(&mut inbox), None);
    assert_eq!(inbox.take(&key(), block(0)[30].0, &block(0)[30].1), Taken::Stored);
    assert_eq!(work(&mut inbox), Some((first, text)));
}

/// The numbers of first slots end alike every 65 536 slots, and slots end at 2^32 - 1.
#[test]
fn the_first_slot_is_told_by_half_its_number() {
    let layout = layout(31, 15);
    for first in [0, 65_500, 65_535, 65_536, u32::MAX - 60] {
        let first = origin(1, first);
        let columns = sent(layout, first, b"when was that");
        let mut inbox = Box4::new(layout);
        for (at, column) in &columns[16..] {
            assert_eq!(inbox.take(&key(), *at, column), Taken::Stored, "{first:?}");
        }
        assert_eq!(work(&mut inbox).map(|(origin, _)| origin), Some(first));
    }
    // A column before its own slot, or one whose first slot would lie before slot 0.
    let long = sent(layout, origin(1, 0), &text(1_600));
    // Column 9 of block 1 is the 41st.
    for (slot, taken) in [(20, Taken::Unreadable), (39, Taken::Unreadable), (40, Taken::Stored)] {
        let mut inbox = Box4::new(layout);
        assert_eq!(inbox.take(&key(), origin(1, slot), &long[40].1), taken, "slot {slot}");
    }
    let columns = sent(layout, origin(1, 100), b"too early");
    let mut inbox = Box4::new(layout);
    for slot in [0, 99, 105] {
        assert_eq!(inbox.take(&key(), origin(1, slot), &columns[6].1), Taken::Unreadable);
    }
}

#[test]
fn the_wrong_key_or_source_or_stream_delivers_nothing() {
    let layout = layout(31, 15);
    let columns = sent(layout, origin(1, 100), b"not for you");
    for case in 0..3 {
        let mut inbox = Box4::new(layout);
        for (at, column) in &columns {
            let mut at = *at;
            let mut with = key();
            match case {
                0 => with = Subkey::new([0x5B; 32]),
                1 => at.source = Address::new(2),
                _ => at.stream = CUT_IN,
            }
            assert_eq!(inbox.take(&with, at, column), Taken::Stored);
            assert_eq!(work(&mut inbox), None);
        }
    }
}

#[test]
fn what_is_given_up_is_wiped() {
    let mut outbox = Outbox::<256>::new(layout(31, 15));
    outbox.load(&key(), origin(1, 100), &text(40)).unwrap();
    assert!(!outbox.is_blank());
    outbox.clear();
    assert!(outbox.is_blank());
    assert_eq!((outbox.left(), outbox.next(&mut [0; CAPACITY])), (0, None));
}

#[test]
fn no_formatter_tells_what_is_said() {
    let layout = layout(31, 15);
    let mut outbox = Outbox::<256>::new(layout);
    outbox.load(&key(), origin(1, 100), b"secret").unwrap();
    let mut inbox = Box4::new(layout);
    for (at, column) in sent(layout, origin(1, 100), b"secret") {
        let _ = inbox.take(&key(), at, &column);
        if let Progress::Ready(_) = inbox.work() {
            break;
        }
    }
    let shown = std::format!("{outbox:?} {inbox:?}");
    assert!(!shown.contains("115, 101, 99, 114") && !shown.contains("90, 90"), "{shown}");
}

proptest! {
    /// Any losses up to n - k a block, in any order, with repetitions: it arrives.
    #[test]
    fn any_k_columns_of_each_block_suffice(
        (n, k) in prop_oneof![Just((64, 24)), Just((31, 15)), Just((48, 16)), Just((9, 8))],
        length in 0_usize..3_000 / sparse(100),
        order in prop::collection::vec(any::<prop::sample::Index>(), 700),
    ) {
        let layout = layout(n, k);
        let text = text(length.min(layout.longest().into()));
        let first = origin(7, 40_000);
        let mut kept = Vec::new();
        for (b, block) in sent(layout, first, &text).chunks(n.into()).enumerate() {
            let mut left = block.to_vec();
            for i in 0..usize::from(k) {
                kept.push(left.swap_remove(order[(64 * b + i) % 700].index(left.len())));
            }
        }
        for i in 0..kept.len() {
            let j = order[i % 700].index(kept.len());
            kept.swap(i, j);
        }
        let mut inbox = Inbox::<16_384, 1>::new(layout);
        for (i, (at, column)) in kept.iter().enumerate() {
            prop_assert_eq!(inbox.take(&key(), *at, column), Taken::Stored);
            prop_assert_eq!(inbox.take(&key(), *at, column), Taken::Repeated);
            if i + 1 < kept.len() {
                prop_assert_eq!(work(&mut inbox), None);
            }
        }
        prop_assert_eq!(work(&mut inbox), Some((first, text)));
    }

    /// Losses and damaged columns, up to the bound; the damage is in the symbols, so that nothing
    /// gives it away before the tag.
    #[test]
    fn damaged_columns_cost_two(
        lost in 0_usize..40,
        share in 0_usize..=20,
        length in 1_usize..500 / sparse(20),
        noise: [u8; 32],
        order in Just((0_usize..64).collect::<Vec<_>>()).prop_shuffle(),
    ) {
        let (layout, text) = (layout(64, 24), text(length));
        let first = origin(7, 40_000);
        let mut columns = sent(layout, first, &text);
        let damaged = (40 - lost) / 2 * share / 20;
        for place in &order[lost..lost + damaged] {
            for (i, symbol) in columns[*place].1[HEADER_BYTES..].iter_mut().enumerate() {
                *symbol ^= noise[(i + place) % 32];
            }
        }
        let mut inbox = Box4::new(layout);
        let mut arrived = None;
        for place in &order[lost..] {
            let (at, column) = &columns[*place];
            let _ = inbox.take(&key(), *at, column);
            let message = work(&mut inbox);
            prop_assert!(message.is_none() || arrived.is_none());
            arrived = arrived.or(message);
        }
        prop_assert_eq!(arrived, Some((first, text)));
    }

}

/// Whatever comes, from noise to good columns with a few wrong bits: no panic, no step without
/// end, and nothing but the message that was sent. That one does come, as a rule.
#[test]
fn garbage_delivers_nothing_else() {
    let (layout, text) = (layout(31, 15), text(100));
    let first = origin(7, 40_000);
    let columns = sent(layout, first, &text);
    let (cases, deliveries) = (Cell::new(0_u32), Cell::new(0_u32));
    let entry = (any::<prop::sample::Index>(), 0..100, any::<u64>());
    proptest!(|(what in prop::collection::vec(entry, 60..300 / sparse(4)))| {
        let mut inbox = Box4::new(layout);
        cases.set(cases.get() + 1);
        for (which, how, noise) in what {
            let (mut at, mut column) = columns[which.index(31)].clone();
            let bytes = noise.to_le_bytes();
            match how {
                // A bit anywhere.
                0 => {
                    let bit = usize::from(bytes[0]) % (8 * column.len());
                    column[bit / 8] ^= 1 << (bit % 8);
                }
                // A header that fits and symbols that do not.
                1 => column[HEADER_BYTES..].iter_mut().zip(&bytes).for_each(|(s, b)| *s ^= b),
                // A well-made header of another column.
                2 => {
                    let head = fragment::header(first.slot, bytes[1] & 1, bytes[2] & 31, 100);
                    column[..HEADER_BYTES].copy_from_slice(&head);
                }
                3 => column = bytes[..usize::from(bytes[7] & 7)].to_vec(),
                4 => at.slot = Slot::new(u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])),
                _ => {}
            }
            let _ = inbox.take(&key(), at, &column);
            for _ in 0..bytes[5] & 63 {
                if let Progress::Ready(message) = inbox.work() {
                    prop_assert_eq!(message.origin, first);
                    prop_assert_eq!(message.text, &text);
                    deliveries.set(deliveries.get() + 1);
                }
            }
        }
    });
    assert!(2 * deliveries.get() > cases.get(), "{deliveries:?} in {cases:?}");
}
