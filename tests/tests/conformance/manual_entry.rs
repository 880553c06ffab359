//! Entry by hand: every single wrong character and every exchange of two neighbours is noticed, at
//! once and in the right group. Exhaustive over all places and all characters, for several
//! payloads. (What a check character should catch: J. Verhoeff, Error Detecting Decimal Codes,
//! 1969, names single errors and transpositions of neighbours as the commonest; from memory.)

use hopwright_core::address::Address;
use hopwright_core::provision::PlanDigest;
use hopwright_core::provision::manual::{
    ALPHABET, Entry, EntryError, GROUP_CHARACTERS, GROUPS, GroupError, Rank, Reader,
};
use hopwright_core::units::Lane;
use hopwright_tests::plans::{key, key_bytes};
use proptest::prelude::*;

const TYPED: usize = GROUPS * GROUP_CHARACTERS;

fn entry(number: u8) -> Entry {
    Entry {
        address: Address::new(number),
        rank: if number.is_multiple_of(2) { Rank::Member } else { Rank::Deputy },
        lane: Lane::new(number % 32).expect("a lane"),
        plan: [number, 2, 3, number],
        key: key(number),
    }
}

fn typed(entry: &Entry) -> Vec<u8> {
    entry.groups().concat()
}

/// The number of the group that was refused, counted from 1, and why; `Ok` if none was.
fn enter(typed: &[u8]) -> Result<Result<Entry, EntryError>, (usize, GroupError)> {
    let mut reader = Reader::new();
    for group in typed.chunks(GROUP_CHARACTERS) {
        reader.group(group).map_err(|error| (reader.awaited(), error))?;
    }
    Ok(reader.finish())
}

#[test]
fn what_is_written_reads_back() {
    for number in [0, 1, 77, 255] {
        let written = entry(number);
        let typed = typed(&written);
        assert_eq!(typed.len(), TYPED);
        assert!(typed.iter().all(|c| ALPHABET.contains(c)));
        for typed in [typed.clone(), typed.to_ascii_lowercase()] {
            let read = enter(&typed).expect("groups").expect("an entry");
            assert!(read.key.same(&written.key));
            assert_eq!(format!("{read:?}"), format!("{written:?}"));
        }
    }
    let digest = PlanDigest::new(*b"\x07\x02\x03\x07 and the res");
    assert!(entry(7).belongs_to(&digest) && !entry(8).belongs_to(&digest));
}

/// CRC-24/OPENPGP, bit by bit; check value from RFC 9580 section 6.1's parameters as listed in the
/// catalogue of parametrised CRC algorithms.
fn crc_24(bytes: &[u8]) -> u32 {
    bytes.iter().fold(0x00B7_04CE_u32, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte) << 16, |crc, _| {
            let next = crc << 1;
            if next & 0x0100_0000 == 0 { next } else { next ^ 0x0186_4CFB }
        })
    })
}

/// The groups of [`entry`], assembled from their description: version 1, role, lane, spare, then bits;
/// the check by the equation of the documentation with a multiplication written out.
fn described(head: [u8; 4], number: u8) -> Vec<[u8; GROUP_CHARACTERS]> {
    let body = [&[number][..], &[number, 2, 3, number], &key_bytes(number)].concat();
    let check = crc_24(&[&head[..], &body].concat()).to_be_bytes();
    let bits: Vec<u8> = [&body[..], &check[1..]]
        .concat()
        .iter()
        .flat_map(|byte| (0..8).rev().map(move |i| byte >> i & 1))
        .collect();
    let symbols: Vec<u8> = head
        .into_iter()
        .chain(bits.chunks(5).map(|five| five.iter().fold(0, |n, b| n << 1 | b)))
        .collect();
    assert_eq!(symbols.len(), 4 * GROUPS);
    // GF(32) by x^5 + x^2 + 1: schoolbook.
    let times = |a: u8, b: u8| {
        let product = (0..5).filter(|i| b >> i & 1 == 1).fold(0_u16, |p, i| p ^ u16::from(a) << i);
        (5..9)
            .rev()
            .fold(product, |p, i| if p >> i & 1 == 1 { p ^ 0b10_0101 << (i - 5) } else { p })
    };
    let power = |n: u8| (0..n).fold(1_u8, |p, _| u8::try_from(times(p, 2)).expect("five bits"));
    let groups = (0_u8..).zip(symbols.chunks(4)).map(|(group, four)| {
        let weighed = (0_u8..).zip(four).map(|(i, symbol)| times(*symbol, power(4 - i)));
        let check = weighed.fold(times(group, power(5)), |sum, term| sum ^ term);
        std::array::from_fn(|i| ALPHABET[usize::from(four.get(i).map_or(check, |s| (*s).into()))])
    });
    groups.collect()
}

#[test]
fn the_groups_are_those_of_the_description() {
    assert_eq!(crc_24(b"123456789"), 0x0021_CF02);
    assert_eq!(described([1, 2, 4, 0], 68), entry(68).groups());
}

/// All checks fit, and the fourth symbol says something that nobody knows.
#[test]
fn the_spare_symbol_says_nothing_yet() {
    assert!(enter(&described([1, 2, 4, 0], 68).concat()).expect("groups").is_ok());
    for spare in 1..32 {
        let read = enter(&described([1, 2, 4, spare], 68).concat()).expect("groups");
        assert!(matches!(read, Err(EntryError::Value)), "{spare}: {read:?}");
    }
}

#[test]
fn every_single_wrong_character_is_noticed_in_its_group() {
    for number in [0, 1, 68, 200] {
        let right = typed(&entry(number));
        for place in 0..TYPED {
            for character in ALPHABET.iter().filter(|c| **c != right[place]) {
                let mut wrong = right.clone();
                wrong[place] = *character;
                let (group, error) = enter(&wrong).expect_err("unnoticed");
                assert_eq!(group, place / GROUP_CHARACTERS + 1);
                assert!(matches!(error, GroupError::Check | GroupError::Place(_)), "{error:?}");
            }
        }
    }
}

#[test]
fn every_exchange_of_neighbours_is_noticed_across_groups_too() {
    let mut exchanged = 0;
    for number in 0..=255 {
        let right = typed(&entry(number));
        for place in 0..TYPED - 1 {
            let mut wrong = right.clone();
            wrong.swap(place, place + 1);
            if wrong == right {
                continue;
            }
            exchanged += 1;
            let (group, _) = enter(&wrong).expect_err("unnoticed");
            assert_eq!(group, place / GROUP_CHARACTERS + 1, "the first group that is touched");
        }
    }
    assert!(exchanged > 20_000, "{exchanged}");
}

#[test]
fn every_exchange_of_two_characters_of_a_group_is_noticed() {
    for number in [0, 1, 68, 200] {
        let right = typed(&entry(number));
        for (i, j) in (0..TYPED).flat_map(|i| (i + 1..TYPED).map(move |j| (i, j))) {
            let mut wrong = right.clone();
            wrong.swap(i, j);
            if i / GROUP_CHARACTERS == j / GROUP_CHARACTERS && wrong != right {
                assert!(enter(&wrong).is_err(), "{i} {j}");
            }
        }
    }
}

#[test]
fn groups_left_out_or_exchanged_are_noticed_and_named() {
    let groups = entry(68).groups();
    for i in 0..GROUPS {
        for j in (0..GROUPS).filter(|j| *j != i) {
            let mut reader = Reader::new();
            groups[..i].iter().for_each(|group| reader.group(group).expect("in order"));
            let error = reader.group(&groups[j]).expect_err("out of order");
            assert_eq!(error, GroupError::Place(j + 1));
            // Nothing is lost: the right one is still taken.
            assert_eq!(reader.awaited(), i + 1);
            reader.group(&groups[i]).expect("the right one");
        }
    }
    let mut reader = Reader::new();
    groups.iter().for_each(|group| reader.group(group).expect("in order"));
    assert_eq!(reader.group(&groups[0]), Err(GroupError::TooMany));
}

#[test]
fn other_mistakes_have_their_reasons() {
    let groups = entry(68).groups();
    let mut reader = Reader::new();
    assert_eq!(reader.group(&groups[0][..4]), Err(GroupError::Length(4)));
    assert_eq!(reader.group(b""), Err(GroupError::Length(0)));
    let mut zero = groups[0];
    zero[2] = b'0';
    assert_eq!(reader.group(&zero), Err(GroupError::Character(3)));
    for stranger in *b"01IOio-" {
        assert!(!ALPHABET.contains(&stranger));
    }
    groups[..3].iter().for_each(|group| reader.group(group).expect("in order"));
    assert_eq!(reader.finish().err(), Some(EntryError::Missing(GROUPS - 3)));
}

/// Two wrong characters in a group can satisfy its check; the check over the whole then notices.
#[test]
fn what_slips_through_a_group_does_not_slip_through_the_whole() {
    let right = typed(&entry(68));
    let (mut slipped, mut start) = (0, 10);
    while start < TYPED - 5 {
        for a in ALPHABET {
            for b in ALPHABET {
                let mut wrong = right.clone();
                (wrong[start], wrong[start + 4]) = (*a, *b);
                if wrong == right {
                    continue;
                }
                if let Ok(whole) = enter(&wrong) {
                    slipped += 1;
                    assert_eq!(whole.err(), Some(EntryError::Check));
                }
            }
        }
        start += GROUP_CHARACTERS;
    }
    // For each other character there is one that satisfies the check.
    assert_eq!(slipped, 31 * 14);
}

#[test]
fn a_later_version_says_so() {
    // The first group of version 2: symbols 2, 2, 4, 0 and their check.
    let mut reader = Reader::new();
    let taken: Vec<_> = ALPHABET
        .iter()
        .filter(|check| Reader::new().group(&[b'4', b'4', b'6', b'2', **check]).is_ok())
        .collect();
    assert_eq!(taken.len(), 1, "one check character fits");
    reader.group(&[b'4', b'4', b'6', b'2', *taken[0]]).expect("fits");
    entry(68).groups()[1..].iter().for_each(|group| reader.group(group).expect("in order"));
    assert_eq!(reader.finish().err(), Some(EntryError::Version(2)));
}

proptest! {
    /// Single errors and exchanges for any payload whatever.
    #[test]
    fn any_payload(bytes: [u8; 32], address: u8, lane in 0_u8..32, place in 0..TYPED - 1, by in 1_usize..32) {
        let entry = Entry {
            address: Address::new(address),
            rank: Rank::Member,
            lane: Lane::new(lane).expect("a lane"),
            plan: [address; 4],
            key: hopwright_core::keys::NetKey::new(bytes),
        };
        let right = typed(&entry);
        prop_assert!(enter(&right).expect("groups").is_ok());
        let mut wrong = right.clone();
        let value = ALPHABET.iter().position(|c| *c == right[place]).expect("known");
        wrong[place] = ALPHABET[(value + by) % 32];
        prop_assert!(enter(&wrong).is_err());
        let mut wrong = right.clone();
        wrong.swap(place, place + 1);
        prop_assert!(wrong == right || enter(&wrong).is_err());
    }

    /// Whatever is typed, reading ends.
    #[test]
    fn anything_typed(groups in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..8), 0..20)) {
        let mut reader = Reader::new();
        for group in &groups {
            let _ = reader.group(group);
        }
        prop_assert!(reader.finish().is_err());
    }
}
