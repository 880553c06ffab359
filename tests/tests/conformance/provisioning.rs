//! Station configurations: one encoding, read by somebody else's CBOR reader too (`ciborium`);
//! everything damaged refused with one reason (specification of the format: `docs/provisioning.cddl`;
//! rules of the encoding: RFC 8949 section 4.2.1).
#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "outside the core a match on its enums needs a wildcard"
)]

use ciborium::Value;
use hopwright_core::address::Address;
use hopwright_core::band::{ChannelSet, Hopset, LaneKind, Lanes, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::loader::{Refusal, check_configuration};
use hopwright_core::provision::manual::Rank;
use hopwright_core::provision::{
    Configuration, Envelope, Fault, Header, MAX_CONFIGURATION, MAX_ENVELOPE, MessageCode, Method,
    PlanDigest, PublicPlan,
};
use hopwright_core::sequence::{Draw, Structure};
use hopwright_core::station::{Config, ConfigError, FixedChannels, Role, Station, Watermark};
use hopwright_core::timing::Timing;
use hopwright_core::tree::{DIRECTORY, MAX_SHARE_BYTES, Share};
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb};
use hopwright_tests::plans::{clock_plan, key, key_bytes, timing};
use hopwright_tests::provisioning::{below_399, checked, configuration, crc_32, encoded, share};
use proptest::prelude::*;

/// A share with a directory of eleven.
fn eleven() -> Share {
    share(0xA5, 11)
}

fn written(share: &Share) -> Vec<u8> {
    let mut bytes = Vec::new();
    share.write(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

fn decode(bytes: &[u8]) -> Result<Configuration<'_, 128>, Fault> {
    Configuration::decode(bytes).map_err(|error| error.fault)
}

#[test]
fn the_check_value_is_the_catalogues() {
    assert_eq!(crc_32(b"123456789"), 0xCBF4_3926);
    let bytes = encoded(&configuration(1, 0x4B, None));
    assert_eq!(checked(bytes.clone()), bytes);
}

/// Another reader of CBOR sees the map of the CDDL, and its writer gives the same bytes back: its
/// numbers are the shortest and its lengths definite, so ours are.
#[test]
fn another_implementation_reads_and_writes_the_same_bytes() {
    let it = configuration(3, 0x10, Some(eleven()));
    let bytes = encoded(&it);
    let value: Value = ciborium::from_reader(&bytes[..]).expect("CBOR");
    let mut again = Vec::new();
    ciborium::into_writer(&value, &mut again).expect("CBOR");
    assert_eq!(again, bytes);
    let map = value.into_map().expect("a map");
    let keys: Vec<i128> =
        map.iter().map(|(key, _)| key.as_integer().expect("a number").into()).collect();
    assert_eq!(keys, [0, 1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 23]);
    let at = |wanted: u8| {
        let found = map.iter().find(|(key, _)| *key == Value::from(wanted));
        found.expect("the key").1.clone()
    };
    assert_eq!(at(0), Value::from(1));
    assert_eq!(at(1), Value::from(0x10));
    assert_eq!(at(2), Value::Array(vec![Value::from(1)]), "a timekeeper");
    assert_eq!(at(3), Value::from("larkfell"));
    assert_eq!(at(4), Value::Bytes(vec![3; 16]));
    assert_eq!(at(5), Value::Bytes(key_bytes(3).to_vec()));
    let hopset = at(6).into_array().expect("a hopset");
    let (first, map) = (hopset[0].as_integer().expect("first"), hopset[1].as_bytes().expect("map"));
    let first: i128 = first.into();
    let set = (0..).zip(map).flat_map(|(j, byte)| {
        (0..8).filter(move |i| byte >> i & 1 == 1).map(move |i| first + 8 * j + i)
    });
    let ours = it.hopset.channels().iter().map(|c| i128::from(c.number()));
    assert!(set.eq(ours));
    let list = |values: &[i64]| Value::Array(values.iter().map(|v| Value::from(*v)).collect());
    let structure = at(8).into_array().expect("a structure");
    assert_eq!(Value::Array(structure[..4].to_vec()), list(&[8, 16, 4, 1]));
    assert_eq!(structure[4], Value::Bool(false));
    assert_eq!((at(9), at(10)), (Value::from(0), Value::from(0)));
    assert_eq!(at(11), list(&[20_000, 1_000, 500, 50_000]));
    assert_eq!(at(12), list(&[1_000, 1_000, 1_000, 0, 20, 100]));
    assert_eq!((at(13), at(14)), (Value::from(176), Value::from(-95)));
    assert_eq!(at(15), list(&[-1, 399, 40_000_000]));
    assert_eq!(at(16), Value::Bytes(written(&eleven())));
    assert_eq!(at(17), list(&[64, 24]));
    assert_eq!(at(23), Value::Bytes(crc_32(&bytes[..bytes.len() - 4]).to_be_bytes().to_vec()));
}

#[test]
fn what_is_read_makes_the_same_station() {
    let made = configuration(3, 0x4B, Some(eleven()));
    let bytes = encoded(&made);
    let read = decode(&bytes).expect("a configuration");
    assert!(read.key.same(&made.key));
    // Everything else shows in Debug, which hides key and share.
    assert_eq!(format!("{read:?}"), format!("{made:?}"));
    let config = read.config(Watermark::Fresh, 1);
    assert_eq!(config.share.as_ref().map(written), Some(written(&eleven())));
    assert!(Station::new(config).is_ok());
    assert_eq!(encoded(&read), bytes);
}

/// Spaced lanes follow one draw: which one is a number of its own.
#[test]
fn a_station_follows_the_draw_that_it_is_told() {
    let mut made = configuration(3, 0x4B, None);
    (made.lane, made.draw_lane) = (Lane::new(2).expect("a lane"), Lane::ZERO);
    let bytes = encoded(&made);
    let read = decode(&bytes).expect("a configuration");
    let config = read.config(Watermark::Fresh, 1);
    assert_eq!((config.lane, config.draw_lane), (made.lane, Lane::ZERO));
}

/// Spaced lanes follow the draw of lane 0, others their own (specification section 2).
#[test]
fn a_plans_lanes_follow_one_draw_if_they_are_spaced_and_their_own_if_not() {
    let allowed = below_399(&larkfell_raster());
    let disjoint = LaneKind::Disjoint { width: 9 };
    for (kind, number, draw) in [
        (None, 0, 0),
        (Some(LaneKind::Spaced), 0, 0),
        (Some(LaneKind::Spaced), 2, 0),
        (Some(disjoint), 0, 0),
        (Some(disjoint), 2, 2),
    ] {
        let lanes = kind.map(|kind| Lanes::new(kind, 3).expect("lanes"));
        let plan = PublicPlan { lanes, pick: Pick::Keyed(32), ..larkfell(&allowed) };
        let (lane, digest) = (Lane::new(number).expect("a lane"), PlanDigest::new([3; 16]));
        let made = plan
            .configuration::<32>(digest, key(3), None, Address::new(0x4B), Rank::Member, lane)
            .expect("a configuration");
        let draw = Lane::new(draw).expect("a lane");
        assert_eq!((made.lane, made.draw_lane), (lane, draw), "{kind:?}, lane {number}");
    }
}

/// A bit map whose ranks are turned by as many as there are, or more, is a second encoding of one that is not.
#[test]
fn a_hopset_is_turned_by_less_than_its_length() {
    let turned = |by: u16| {
        let bytes = encoded(&configuration(3, 0x4B, None));
        let mut value: Value = ciborium::from_reader(&bytes[..]).expect("CBOR");
        let map = value.as_map_mut().expect("a map");
        let hopset = map.iter().position(|(key, _)| *key == Value::from(6)).expect("a hopset");
        map.insert(hopset + 1, (Value::from(7), Value::from(by)));
        let mut body = Vec::new();
        ciborium::into_writer(&value, &mut body).expect("CBOR");
        let body = checked(body);
        let read = Configuration::<128>::decode(&body);
        read.map(|read| read.hopset.rotation()).map_err(|error| error.fault)
    };
    assert_eq!((turned(1), turned(127)), (Ok(1), Ok(127)));
    assert_eq!(turned(0), Err(Fault::Value(7)), "there is none then");
    let refused = Err(Fault::Value(6));
    assert_eq!((turned(128), turned(129), turned(u16::MAX)), (refused, refused, refused));
}

/// What makes no station says why: at the last value that does, and the first that does not.
#[test]
fn parts_that_do_not_fit_each_other_make_no_station() {
    let made = configuration(3, 0x4B, None);
    let with = |change: &dyn Fn(&mut Config<'_, 128>)| {
        let mut config = made.config(Watermark::Fresh, 1);
        change(&mut config);
        Station::new(config).map(|_| ())
    };
    // A guard of 500 us, a jitter of 20 and a delay of 100: 2 (20 + wander) + 100.
    let wander = |us| with(&|config| config.clock.wander = Micros::new(us));
    assert_eq!(wander(179), Ok(()));
    assert_eq!(wander(180), Err(ConfigError::Guard { guard_us: 500, needed_us: 500 }));
    let jitter = |us| with(&|config| config.clock.jitter = Micros::new(us));
    assert_eq!(jitter(199), Ok(()));
    assert_eq!(jitter(200), Err(ConfigError::Guard { guard_us: 500, needed_us: 500 }));
    let delay = |us| with(&|config| config.clock.longest_delay = Micros::new(us));
    assert_eq!(delay(459), Ok(()));
    assert_eq!(delay(460), Err(ConfigError::Guard { guard_us: 500, needed_us: 500 }));
    let announce = |slots| with(&|config| config.announce_slots = slots);
    assert_eq!((announce(1), announce(2_000)), (Ok(()), Ok(())));
    for slots in [0, 2_001, u16::MAX] {
        assert_eq!(announce(slots), Err(ConfigError::Announce(slots)));
    }
    let own = |ppb| with(&|config| config.clock.own_tolerance = Ppb::new(ppb).expect("in range"));
    assert_eq!((own(0), own(1_000)), (Ok(()), Ok(())));
    assert_eq!(
        (own(1_001), own(500_000)),
        (Err(ConfigError::OwnTolerance), Err(ConfigError::OwnTolerance))
    );
    let inside = made.hopset.channels()[5];
    let refused = Err(ConfigError::FixedInHopset(inside));
    let fixed = |fixed| with(&|config| config.fixed = fixed);
    assert_eq!(fixed(FixedChannels { calling: Some(inside), ..FixedChannels::NONE }), refused);
    assert_eq!(fixed(FixedChannels { watch: Some(inside), ..FixedChannels::NONE }), refused);
    let outside = Channel::new(399);
    assert_eq!(fixed(FixedChannels { calling: outside, watch: outside, ..made.fixed }), Ok(()));
}

/// There was no version before the first.
#[test]
fn version_0_with_a_wrong_check_is_damage() {
    let mut bytes = encoded(&configuration(3, 0x4B, None));
    bytes[2] = 0;
    assert_eq!(decode(&bytes).err(), Some(Fault::Damaged));
    assert_eq!(decode(&checked(bytes)).err(), Some(Fault::Version(0)));
}

#[test]
fn cut_at_every_byte_it_is_cut_short() {
    let bytes = encoded(&configuration(3, 0x4B, Some(eleven())));
    for cut in 0..bytes.len() {
        assert_eq!(decode(&bytes[..cut]).err(), Some(Fault::CutShort), "cut at {cut}");
    }
    let longer = [&bytes[..], &[0]].concat();
    assert_eq!(decode(&longer).err(), Some(Fault::Damaged));
    let twice = [&bytes[..], &bytes[..]].concat();
    assert_eq!(decode(&twice).err(), Some(Fault::Damaged));
    let longer = checked(longer);
    assert_eq!(decode(&longer).err(), Some(Fault::Trailing));
}

/// A wrong bit shows as damage; where it makes a length longer or the version another, as a missing
/// end or a later version. Never does it go unnoticed.
#[test]
fn every_single_bit_flipped_is_refused() {
    let bytes = encoded(&configuration(3, 0x4B, Some(eleven())));
    let (mut damaged, mut other) = (0, 0);
    for bit in 0..bytes.len() * 8 {
        let mut flipped = bytes.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        match decode(&flipped).map(|_| bit).expect_err("taken") {
            Fault::Damaged => damaged += 1,
            Fault::CutShort | Fault::Version(_) => other += 1,
            fault => panic!("bit {bit}: {fault:?}"),
        }
    }
    assert_eq!(damaged + other, bytes.len() * 8);
    assert!(damaged > 20 * other, "{damaged} {other}");
}

/// With the check value put right, each rule has its own reason.
#[test]
fn what_breaks_a_rule_says_which() {
    let bytes = encoded(&configuration(3, 0x4B, None));
    // Places by the encoding: map head, then `00 01 01 18 4b 02 81 02 03 68 larkfell 04 50 ..`.
    assert_eq!(bytes[..10], [0xB1, 0, 1, 1, 0x18, 0x4B, 2, 0x81, 2, 3]);
    let changed = |from: usize, to: usize, with: &[u8]| {
        let mut other = bytes.clone();
        other.splice(from..to, with.iter().copied());
        let other = checked(other);
        Configuration::<128>::decode(&other).err().map(|error| (error.at, error.fault))
    };
    assert_eq!(changed(0, 0, &[]), None);
    assert_eq!(changed(2, 3, &[2]), Some((2, Fault::Version(2))));
    assert_eq!(changed(2, 3, &[0x18, 0xFF]), Some((2, Fault::Version(255))));
    assert_eq!(changed(2, 3, &[0]), Some((2, Fault::Version(0))));
    assert_eq!(changed(4, 6, &[0x19, 0, 0x4B]), Some((4, Fault::NotShortest)));
    assert_eq!(changed(4, 6, &[0x19, 1, 0]), Some((4, Fault::Value(1))));
    assert_eq!(changed(4, 6, &[0x61, 0x41]), Some((4, Fault::Type)));
    assert_eq!(changed(8, 9, &[4]), Some((7, Fault::Value(2))));
    assert_eq!(changed(7, 9, &[0x82, 2, 9]), Some((7, Fault::Value(2))), "only deputies wait");
    assert_eq!(changed(7, 9, &[0x82, 3, 9]), None);
    assert_eq!(changed(10, 19, &[0x60]), Some((10, Fault::Value(3))));
    assert_eq!(changed(10, 12, &[0x68, 0xFF]), Some((10, Fault::Malformed)));
    assert_eq!(changed(6, 9, &[]), Some((6, Fault::MissingKey(2))));
    assert_eq!(changed(6, 9, &[1, 0x81, 2]), Some((6, Fault::KeyTwice)));
    assert_eq!(changed(6, 9, &[0, 0x81, 2]), Some((6, Fault::KeyOrder)));
    let end = bytes.len() - 6;
    assert_eq!(changed(end, end, &[0x12, 0]), Some((end, Fault::UnknownKey(18))));
    assert_eq!(bytes[end..end + 2], [0x17, 0x44]);
    // 18 pairs announced, 17 there.
    assert_eq!(changed(0, 1, &[0xB2]), Some((bytes.len(), Fault::CutShort)));
}

/// A byte string under the share's key that is no share: of no length, cut, too long, with a count
/// that does not fit, with a target that does not exist.
#[test]
fn what_is_no_share_is_refused() {
    let whole = written(&eleven());
    let bytes = encoded(&configuration(3, 0x4B, Some(eleven())));
    // `10 59 01 e8 ..`: key 16, a byte string of 488.
    let start = bytes.windows(4).position(|w| w == [0x10, 0x59, 1, 0xE8]).expect("the share");
    assert_eq!(bytes[start + 4..][..whole.len()], whole);
    let with = |share: &[u8]| {
        let mut value: Value = ciborium::from_reader(&bytes[..]).expect("CBOR");
        let map = value.as_map_mut().expect("a map");
        for (key, value) in map.iter_mut() {
            if *key == Value::from(16) {
                *value = Value::Bytes(share.to_vec());
            }
        }
        let mut body = Vec::new();
        ciborium::into_writer(&value, &mut body).expect("CBOR");
        let body = checked(body);
        Configuration::<128>::decode(&body).map(drop).map_err(|error| (error.at, error.fault))
    };
    assert_eq!(with(&whole), Ok(()));
    let refused = Err((start + 1, Fault::Value(16)));
    for cut in 0..whole.len() {
        assert_eq!(with(&whole[..cut]), refused, "cut at {cut}");
    }
    assert_eq!(with(&[&whole[..], &[0]].concat()), refused);
    assert_eq!(with(&[&whole[..], &whole[290..308]].concat()), refused, "one more than it counts");
    let changed = |at: usize, byte: u8| {
        let mut other = whole.clone();
        other[at] = byte;
        with(&other)
    };
    assert_eq!((changed(289, 10), changed(289, 12)), (refused, refused));
    for form in [9, 14, 16, 0x18] {
        assert_eq!(changed(291, form), refused, "form {form}");
    }
    assert_eq!((changed(290, 1), changed(291, 7)), (Ok(()), Ok(())), "other targets");
    let mut more = written(&share(1, 16));
    more.extend_from_slice(&[16, 8]);
    more.extend_from_slice(&[1; 16]);
    more[289] = 17;
    assert_eq!((more.len(), with(&more)), (MAX_SHARE_BYTES + 18, refused));
}

#[test]
fn sizes_end_where_they_say() {
    let full = share(7, u8::try_from(DIRECTORY).expect("few"));
    let bytes = encoded(&configuration(3, 0x4B, Some(full)));
    assert!(bytes.len() <= MAX_CONFIGURATION && decode(&bytes).is_ok());
    let oversized = vec![0xA0; MAX_CONFIGURATION + 1];
    let limit = MAX_CONFIGURATION;
    let fault = Fault::TooLong { bytes: MAX_CONFIGURATION + 1, limit };
    assert_eq!(decode(&oversized).err(), Some(fault));
    // 128 channels have no room in a station for 64.
    let whole = encoded(&configuration(3, 0x4B, None));
    let fault = Configuration::<64>::decode(&whole).err().map(|error| error.fault);
    assert!(matches!(fault, Some(Fault::Hopset(_))), "{fault:?}");
}

/// A share of generation `generation` whose token is `token` sixteen times; everything else is `rest`.
fn changed(rest: u8, generation: u8, token: u8) -> Share {
    let mut bytes = written(&share(rest, 3));
    bytes[0] = generation;
    bytes[1..17].fill(token);
    Share::read(&bytes).expect("a share")
}

/// What a station may put in the place of the configuration in use: the same with the keys of a later change, or
/// once more what is there. Whatever else differs, somebody else has brought it.
#[test]
fn only_later_keys_renew_a_configuration() {
    type Made = Configuration<'static, 128>;
    type Alter = fn(&mut Made);
    let made = |secret: u8, generation: u8, token: u8| Configuration {
        key: key(secret),
        ..configuration(3, 0x4B, Some(changed(7, generation, token)))
    };
    let before = made(3, 1, 1);
    assert!(made(3, 1, 1).renews(&before), "once more");
    assert!(made(4, 2, 2).renews(&before) && made(4, 9, 2).renews(&before));
    for (secret, generation, token) in [(4, 0, 0), (4, 1, 1), (3, 1, 2), (4, 1, 2)] {
        assert!(!made(secret, generation, token).renews(&before), "{generation} {token}");
    }
    let without = |secret| Configuration { key: key(secret), ..configuration(3, 0x4B, None) };
    assert!(without(3).renews(&without(3)));
    assert!(!without(4).renews(&without(3)), "without a share no key comes on the air");
    assert!(!without(4).renews(&before) && !made(4, 2, 2).renews(&without(3)));

    let alter: [(&str, Alter); 17] = [
        ("address", |c| c.address = Address::new(0x4C)),
        ("role", |c| c.role = Role::Deputy { after: Micros::from_millis(9_000) }),
        ("name", |c| c.name = "another"),
        ("plan", |c| c.plan = PlanDigest::new([9; 16])),
        ("hopset", |c| c.hopset = configuration(4, 0x4B, None).hopset),
        ("structure", |c| c.structure.draw = Draw::Independent),
        ("lane", |c| c.lane = Lane::new(1).expect("a lane")),
        ("draw_lane", |c| c.draw_lane = Lane::new(1).expect("a lane")),
        ("timing", |c| c.timing = Timing::new(20_000, 1_000, 400, 50_000).expect("a slot")),
        ("clock", |c| c.clock = clock_plan(2_000)),
        ("announce_slots", |c| c.announce_slots = 175),
        ("energy_threshold", |c| c.energy_threshold = Dbm::new(-94)),
        ("fixed", |c| c.fixed = FixedChannels::NONE),
        ("code", |c| c.code = MessageCode { n: 64, k: 25 }),
        ("secrets", |c| c.share = Some(changed(8, 2, 2))),
        ("no share", |c| c.share = None),
        ("directory", |c| {
            let mut bytes = written(&share(7, 2));
            bytes[0] = 2;
            c.share = Share::read(&bytes);
        }),
    ];
    for (what, alter) in alter {
        let mut renewed = made(4, 2, 2);
        alter(&mut renewed);
        assert!(!renewed.renews(&before), "{what}");
    }
    // Each secret of the tree, and each target's.
    let bytes = written(&changed(7, 2, 2));
    // (But the number of targets, and their forms.)
    for at in (17..bytes.len()).filter(|at| *at < 289 || *at > 289 && (at - 290) % 18 != 1) {
        let mut altered = bytes.clone();
        altered[at] ^= 1;
        let mut renewed = made(4, 2, 2);
        renewed.share = Share::read(&altered);
        assert!(renewed.share.is_some() && !renewed.renews(&before), "byte {at}");
    }
}

#[test]
fn a_loader_says_why_in_one_word() {
    let bytes = encoded(&configuration(3, 0x4B, None));
    let check = |bytes: &[u8], address| check_configuration::<128>(bytes, Address::new(address));
    assert_eq!(check(&bytes, 0x4B), Ok(()));
    assert_eq!(check(&bytes, 0x4C), Err(Refusal::OtherStation), "swapped");
    assert_eq!(check(&bytes[..100], 0x4B), Err(Refusal::Damaged));
    assert_eq!(check(&vec![0; MAX_CONFIGURATION + 1], 0x4B), Err(Refusal::TooLong));
    let mut later = bytes.clone();
    later[2] = 9;
    assert_eq!(check(&checked(later), 0x4B), Err(Refusal::Version));
    // A window of 5 does not divide 16 rendezvous channels: it reads, and no station comes of it.
    let mut odd = configuration(3, 0x4B, None);
    odd.structure.window = 5;
    assert_eq!(check(&encoded(&odd), 0x4B), Err(Refusal::NoStation));
    assert_eq!(check_configuration::<64>(&bytes, Address::new(0x4B)), Err(Refusal::NoStation));
}

proptest! {
    /// Hopsets of any shape have one encoding, which reads back.
    #[test]
    fn any_hopset_reads_back(
        channels in proptest::collection::btree_set(0_u16..4096, 4..600),
        rotation: u16,
        independent: bool,
        announce_slots in 1_u16..=2_000,
        energy: i16,
        lane in 0_u8..32,
    ) {
        let channels = channels.into_iter().filter_map(Channel::new);
        let hopset = Hopset::<600>::from_derived(channels, rotation).expect("a hopset");
        let lane = Lane::new(lane).expect("a lane");
        let draw = if independent { Draw::Independent } else { Draw::Balanced };
        let written = Configuration {
            address: Address::new(7),
            role: if independent { Role::Member } else { Role::Deputy { after: Micros::new(energy.unsigned_abs().into()) } },
            name: "übung",
            plan: PlanDigest::new([9; 16]),
            key: key(1),
            hopset,
            structure: Structure { draw, ..Structure::default() },
            lane,
            draw_lane: Lane::ZERO,
            timing: timing(),
            clock: clock_plan(0),
            announce_slots,
            energy_threshold: Dbm::new(energy),
            fixed: FixedChannels { calling: Channel::new(rotation), ..FixedChannels::NONE },
            code: MessageCode { n: 31, k: 15 },
            share: None,
        };
        let bytes = encoded(&written);
        let read = Configuration::<600>::decode(&bytes).expect("reads");
        prop_assert_eq!(format!("{:?}", read), format!("{:?}", written));
        prop_assert_eq!(encoded(&read), bytes.clone());
        let mut value = Vec::new();
        let decoded: Value = ciborium::from_reader(&bytes[..]).expect("CBOR");
        ciborium::into_writer(&decoded, &mut value).expect("CBOR");
        prop_assert_eq!(value, bytes);
    }

    /// Whatever the bytes, reading ends, and what reads writes back to the same bytes.
    #[test]
    fn arbitrary_changes_are_refused_or_the_only_encoding(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        repair: bool,
    ) {
        let mut bytes = encoded(&configuration(3, 0x4B, Some(eleven())));
        for (place, byte) in changes {
            let at = place.index(bytes.len());
            bytes[at] = byte;
        }
        if repair {
            bytes = checked(bytes);
        }
        if let Ok(read) = decode(&bytes) {
            prop_assert_eq!(encoded(&read), bytes);
        }
    }

    #[test]
    fn arbitrary_bytes_end(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        prop_assert!(decode(&bytes).is_err());
        let _ = Envelope::decode(&bytes);
    }
}

fn envelope(method: Method) -> Vec<u8> {
    let header = Header { address: Address::new(0x4B), method, nonce: *b"twelve bytes" };
    let mut head = Vec::new();
    header.encode(&mut |part: &[u8]| head.extend_from_slice(part));
    let mut bytes = Vec::new();
    Envelope::encode(&head, &[0xEE; 40], &mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

const PASSPHRASE: Method = Method::Passphrase {
    memory_kib: 65_536,
    passes: 3,
    lanes: 4,
    salt: *b"sixteen byte salt".first_chunk().unwrap(),
};

#[test]
fn envelopes_read_back_and_another_implementation_agrees() {
    for method in [PASSPHRASE, Method::TransferKey] {
        let bytes = envelope(method);
        let read = Envelope::decode(&bytes).expect("an envelope");
        assert_eq!(read.header.method, method);
        assert_eq!((read.header.address, read.ciphertext), (Address::new(0x4B), &[0xEE; 40][..]));
        let value: Value = ciborium::from_reader(&bytes[..]).expect("CBOR");
        let mut again = Vec::new();
        ciborium::into_writer(&value, &mut again).expect("CBOR");
        assert_eq!(again, bytes);
        let parts = value.into_array().expect("two parts");
        assert_eq!(parts[0].as_bytes().map(Vec::as_slice), Some(read.header_bytes));
        for cut in 0..bytes.len() {
            let fault = Envelope::decode(&bytes[..cut]).expect_err("cut").fault;
            assert_eq!(fault, Fault::CutShort, "{cut}");
        }
    }
}

#[test]
fn envelopes_that_are_none() {
    let fault = |bytes: &[u8]| Envelope::decode(bytes).expect_err("refused").fault;
    let mut later = envelope(Method::TransferKey);
    // `82 58 xx a4 00 01 ..`, or `82 57 ..` for a short header.
    let version = later.iter().position(|byte| *byte == 0xA4).expect("the header") + 2;
    later[version] = 2;
    assert_eq!(fault(&later), Fault::Version(2));
    assert_eq!(
        fault(&vec![0x82; MAX_ENVELOPE + 1]),
        Fault::TooLong { bytes: MAX_ENVELOPE + 1, limit: MAX_ENVELOPE }
    );
    assert_eq!(fault(&[envelope(PASSPHRASE), vec![0]].concat()), Fault::Trailing);
    assert!(!Envelope::begins(&encoded(&configuration(1, 1, None))));
}

fn larkfell_raster() -> Raster {
    let step = Hertz::new(25_000);
    Raster::new(Hertz::new(30_000_000), step, step, 400).expect("a raster")
}

/// The public part of the plan that [`configuration`] is of.
fn larkfell(allowed: &ChannelSet) -> PublicPlan<'_> {
    PublicPlan {
        name: "larkfell",
        raster: larkfell_raster(),
        allowed,
        pick: Pick::Keyed(128),
        lanes: None,
        structure: Structure::default(),
        timing: timing(),
        clock: clock_plan(1_000),
        timekeeper_tolerance: Ppb::new(100).expect("in range"),
        deputies_after: Micros::from_millis(9),
        announce_slots: 176,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels { watch: Channel::new(399), ..FixedChannels::NONE },
        code: MessageCode { n: 64, k: 24 },
    }
}

/// A station that holds the public part needs only key, address, role and lane; the plan's digest
/// tells plans apart.
#[test]
fn the_public_part_and_a_key_make_a_configuration() {
    let allowed = below_399(&larkfell_raster());
    let plan = larkfell(&allowed);
    let digest = PlanDigest::new([3; 16]);
    let address = Address::new(0x4B);
    let make = |rank| {
        let made = plan.configuration::<128>(digest, key(3), None, address, rank, Lane::ZERO);
        made.expect("a configuration")
    };
    let own = |rank| make(rank).clock.own_tolerance.ppb();
    assert_eq!((own(Rank::Timekeeper), own(Rank::Deputy)), (100, 1_000));
    assert_eq!(make(Rank::Deputy).role, Role::Deputy { after: Micros::from_millis(9) });
    let expected = encoded(&configuration(3, 0x4B, None));
    assert_eq!(encoded(&make(Rank::Member)), expected);
    // After a change of the net key the hopset stays (specification section 10).
    let rank = Rank::Member;
    let changed = plan
        .configuration::<128>(digest, key(4), Some(&key(3)), address, rank, Lane::ZERO)
        .expect("a configuration");
    assert!(changed.key.same(&key(4)) && changed.hopset == make(rank).hopset);
    let encoding = |plan: &PublicPlan<'_>| {
        let mut bytes = Vec::new();
        plan.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
        let mut reader = hopwright_core::provision::cbor::Reader::new(&bytes);
        assert_eq!(reader.item().and_then(|()| reader.end()), Ok(()));
        let value: Value = ciborium::from_reader(&bytes[..]).expect("CBOR");
        let mut again = Vec::new();
        ciborium::into_writer(&value, &mut again).expect("CBOR");
        assert_eq!(again, bytes);
        bytes
    };
    let mut fewer = ChannelSet::new();
    fewer.extend_with(&allowed);
    fewer.remove_all(&[Channel::new(7).expect("a channel")].into_iter().collect());
    let listed: Vec<Channel> = (10..20).filter_map(Channel::new).collect();
    let raster = |base, spacing, occupied, count| {
        let (base, spacing, occupied) =
            (Hertz::new(base), Hertz::new(spacing), Hertz::new(occupied));
        let raster = Raster::new(base, spacing, occupied, count).expect("a raster");
        PublicPlan { raster, ..plan }
    };
    let lanes =
        |kind, count| PublicPlan { lanes: Some(Lanes::new(kind, count).expect("lanes")), ..plan };
    let disjoint = |width| LaneKind::Disjoint { width };
    let timed = |slot, settle, guard, bps| PublicPlan {
        timing: Timing::new(slot, settle, guard, bps).expect("it fits"),
        ..plan
    };
    let clock = plan.clock;
    let clocked = |clock| PublicPlan { clock, ..plan };
    let ppb = |n| Ppb::new(n).expect("in range");
    let variants = [
        plan,
        raster(31_000_000, 25_000, 25_000, 400),
        raster(30_000_000, 25_001, 25_000, 400),
        raster(30_000_000, 25_000, 25_001, 400),
        raster(30_000_000, 25_000, 25_000, 401),
        lanes(LaneKind::Spaced, 1),
        lanes(LaneKind::Spaced, 3),
        lanes(disjoint(1), 3),
        lanes(disjoint(8), 3),
        lanes(disjoint(9), 3),
        lanes(disjoint(9), 4),
        timed(20_001, 1_000, 500, 50_000),
        timed(20_000, 1_001, 500, 50_000),
        timed(20_000, 1_000, 501, 50_000),
        timed(20_000, 1_000, 500, 50_001),
        clocked(ClockPlan { tolerance: ppb(1_001), ..clock }),
        clocked(ClockPlan { own_tolerance: ppb(999), ..clock }),
        clocked(ClockPlan { steadiness: ppb(998), ..clock }),
        clocked(ClockPlan { wander: Micros::new(1), ..clock }),
        clocked(ClockPlan { jitter: Micros::new(21), ..clock }),
        clocked(ClockPlan { longest_delay: Micros::new(101), ..clock }),
        PublicPlan { name: "other", ..plan },
        PublicPlan { allowed: &fewer, ..plan },
        PublicPlan { pick: Pick::Even(128), ..plan },
        PublicPlan { pick: Pick::All, ..plan },
        PublicPlan { pick: Pick::Listed(&listed), ..plan },
        PublicPlan { announce_slots: 177, ..plan },
        PublicPlan { structure: Structure { window: 8, ..Structure::default() }, ..plan },
        PublicPlan { energy_threshold: Dbm::new(-96), ..plan },
        PublicPlan { fixed: FixedChannels::NONE, ..plan },
        PublicPlan { deputies_after: Micros::ZERO, ..plan },
        PublicPlan { timekeeper_tolerance: Ppb::new(101).expect("in range"), ..plan },
        PublicPlan { code: MessageCode { n: 31, k: 15 }, ..plan },
    ];
    let mut all: Vec<Vec<u8>> = variants.iter().map(encoding).collect();
    all.sort();
    all.dedup();
    assert_eq!(all.len(), variants.len());
}

/// What a station could start with and not use is refused as well: a code that is none.
#[test]
fn a_code_that_is_none_makes_no_station() {
    use hopwright_core::loader::{Refusal, check_configuration};
    let address = Address::new(0x4B);
    for (n, k, wanted) in [
        (64, 24, Ok(())),
        (24, 24, Err(Refusal::NoStation)),
        (64, 0, Err(Refusal::NoStation)),
        (0, 0, Err(Refusal::NoStation)),
    ] {
        let mut it = configuration(3, 0x4B, None);
        it.code = MessageCode { n, k };
        assert_eq!(it.layout().is_ok(), wanted.is_ok(), "({n}, {k})");
        assert_eq!(check_configuration::<128>(&encoded(&it), address), wanted, "({n}, {k})");
    }
}
