//! The rules of the relay, step by step, and that nothing goes round.

use super::*;
use crate::address::Address;
use proptest::prelude::*;
use std::vec::Vec as List;

type Small = Relay<4, 24>;

fn lane(l: u8) -> Lane {
    Lane::new(l).unwrap()
}

fn channels(list: &[u16]) -> List<Channel> {
    list.iter().map(|c| Channel::new(*c).unwrap()).collect()
}

fn relay(a: u8, b: u8) -> Small {
    let (left, right) = (channels(&[1, 3, 5, 7]), channels(&[0, 2, 4, 8]));
    let port = |net, channels| Port { net: lane(net), channels };
    Small::new(port(a, &left), port(b, &right), Target::ALL, MOST_RELAYS).unwrap()
}

fn said(net: u8, text: &[u8]) -> List<u8> {
    [&Tag::of(lane(net)).to_bytes(), text].concat()
}

#[test]
fn pairs_that_make_no_relay_are_refused() {
    let (a, b) = (channels(&[1, 3, 5, 9]), channels(&[0, 2, 4, 9]));
    let port = |net, channels| Port { net: lane(net), channels };
    let new = |a, b, limit| Small::new(a, b, Target::ALL, limit).map(|_| ());
    let nine = Channel::new(9).unwrap();
    assert_eq!(new(port(0, &a), port(1, &b), 1), Err(RelayError::SharedChannel(nine)));
    assert_eq!(new(port(0, &a), port(1, &b[..3]), 1), Ok(()));
    assert_eq!(new(port(2, &a), port(2, &b[..3]), 1), Err(RelayError::SameNet(lane(2))));
    assert_eq!(new(port(0, &a), port(1, &b[..3]), 0), Err(RelayError::NoRelays));
}

#[test]
fn an_over_is_carried_from_its_first_payload_to_its_last() {
    let mut relay = relay(0, 1);
    relay.called(Side::A, Target::ALL);
    assert_eq!(relay.wish(Side::B), None, "a call alone is nothing to say");
    assert_eq!(relay.read(Side::A, &said(0, b"one")), Ok(()));
    assert_eq!(relay.wish(Side::B), Some(Wish::Press(Target::ALL)));
    assert_eq!(relay.wish(Side::A), None);
    relay.pressed(Side::B);
    assert_eq!(relay.wish(Side::B), None);
    assert_eq!(relay.read(Side::A, &said(0, b"two")), Ok(()));
    assert_eq!(relay.next(Side::B).unwrap(), [&[0b11, 0, 0, 0][..], b"one"].concat()[..]);
    relay.ended(Side::A);
    assert_eq!(relay.wish(Side::B), None, "not before everything is said");
    assert_eq!(relay.read(Side::A, &said(0, b"three")), Err(NotRelayed::OtherTarget));
    assert_eq!(&relay.next(Side::B).unwrap()[TAG_BYTES..], b"two");
    assert_eq!(relay.next(Side::B), None);
    assert_eq!(relay.wish(Side::B), Some(Wish::Release));
    relay.released(Side::B);
    assert_eq!(relay.wish(Side::B), None);
}

#[test]
fn the_floor_is_kept_while_the_over_goes_on() {
    let mut relay = relay(0, 1);
    relay.called(Side::A, Target::ALL);
    relay.read(Side::A, &said(0, b"one")).unwrap();
    relay.pressed(Side::B);
    assert!(relay.next(Side::B).is_some());
    assert_eq!(relay.wish(Side::B), None, "there may be more to come");
    relay.ended(Side::A);
    assert_eq!(relay.wish(Side::B), Some(Wish::Release));
}

/// The end of an over may be lost, and the next one is for somebody else.
#[test]
fn an_over_for_somebody_else_is_not_carried_because_the_last_one_was() {
    let mut relay = relay(0, 1);
    relay.called(Side::A, Target::ALL);
    relay.read(Side::A, &said(0, b"for all")).unwrap();
    relay.called(Side::A, Target::one(Address::new(7)));
    assert_eq!(relay.read(Side::A, &said(0, b"for one")), Err(NotRelayed::OtherTarget));
}

#[test]
fn what_is_not_to_be_carried_is_not() {
    let mut relay = relay(3, 1);
    let one = Target::one(Address::new(7));
    relay.called(Side::A, one);
    assert_eq!(relay.read(Side::A, &said(3, b"for one")), Err(NotRelayed::OtherTarget));
    relay.called(Side::A, Target::ALL);
    assert_eq!(relay.read(Side::A, b"abc"), Err(NotRelayed::NoTag));
    assert_eq!(relay.read(Side::A, &[0; 20]), Err(NotRelayed::NoTag), "no net has said it");
    assert_eq!(relay.read(Side::A, &said(1, b"?")), Err(NotRelayed::BeenThere(lane(1))));
    // Nets 0, 2, 3 and 4: three relays have been passed.
    let far = [0b1_1101, 0, 0, 0, 9];
    assert_eq!(relay.read(Side::A, &far), Err(NotRelayed::TooFar(3)));
    assert_eq!(relay.read(Side::A, &said(3, &[0; 21])), Err(NotRelayed::TooLong(25)));
    for n in 0..4 {
        assert_eq!(relay.read(Side::A, &said(3, &[n])), Ok(()));
    }
    assert_eq!(relay.read(Side::A, &said(3, b"5")), Err(NotRelayed::Full));
    // A floor that is lost takes with it what waited.
    relay.pressed(Side::B);
    relay.released(Side::B);
    assert_eq!((relay.next(Side::B), relay.wish(Side::B)), (None, None));
}

/// The limit is the one that was asked for, below the usual one too.
#[test]
fn nothing_passes_more_relays_than_was_asked_for() {
    let (left, right) = (channels(&[1, 3]), channels(&[0, 2]));
    let port = |net, channels| Port { net: lane(net), channels };
    // Nets 1 to 5, by number of relays passed.
    let tags = [0b10, 0b110, 0b1110, 0b1_1110, 0b11_1110];
    for limit in 1..=5_u8 {
        let mut relay = Small::new(port(1, &left), port(0, &right), Target::ALL, limit).unwrap();
        relay.called(Side::A, Target::ALL);
        for (passed, tag) in (0..).zip(tags) {
            let read = relay.read(Side::A, &[tag, 0, 0, 0, 9]);
            let _ = relay.next(Side::B);
            let far = passed >= u32::from(limit);
            assert_eq!(read, if far { Err(NotRelayed::TooFar(passed)) } else { Ok(()) }, "{limit}");
        }
    }
}

#[test]
fn both_directions_at_once_do_not_mix() {
    let mut relay = relay(0, 1);
    relay.called(Side::A, Target::ALL);
    relay.called(Side::B, Target::ALL);
    relay.read(Side::A, &said(0, b"a")).unwrap();
    relay.read(Side::B, &said(1, b"b")).unwrap();
    assert_eq!(&relay.next(Side::A).unwrap()[TAG_BYTES..], b"b");
    assert_eq!(&relay.next(Side::B).unwrap()[TAG_BYTES..], b"a");
}

proptest! {
    /// Any relays between any nets, loops included: a payload that every relay hears on every net
    /// stops, having passed no more relays than the limit, and no copy comes to a net on which it
    /// has been.
    #[test]
    fn nothing_goes_round(
        pairs in proptest::collection::vec((0_u8..6, 0_u8..6), 1..12), start in 0_u8..6,
    ) {
        let ends: List<(u8, u8)> = pairs.into_iter().filter(|(a, b)| a != b).collect();
        let mut relays: List<Small> = ends.iter().map(|(a, b)| relay(*a, *b)).collect();
        let mut on_air = std::vec![(start, said(start, b"x"))];
        let mut transmissions = 0;
        while let Some((net, payload)) = on_air.pop() {
            transmissions += 1;
            // Each of at most MOST_RELAYS steps multiplies copies by the relays at most.
            prop_assert!(transmissions <= 1 + 11 + 121 + 1_331, "it goes round");
            for (relay, (a, b)) in relays.iter_mut().zip(&ends) {
                for (side, here, there) in [(Side::A, *a, *b), (Side::B, *b, *a)] {
                    if here != net {
                        continue;
                    }
                    relay.called(side, Target::ALL);
                    let before = Tag::split(&payload).unwrap().0;
                    if relay.read(side, &payload).is_ok() {
                        let copy = relay.next(side.other()).unwrap();
                        let (tag, body) = Tag::split(&copy).unwrap();
                        prop_assert!(!before.has_been_on(lane(there)) && tag.has_been_on(lane(there)));
                        prop_assert!(tag.relays() <= u32::from(MOST_RELAYS) && body == b"x");
                        on_air.push((there, copy.to_vec()));
                    }
                }
            }
        }
    }
}
