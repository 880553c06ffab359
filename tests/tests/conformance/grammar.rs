//! The grammar of what stations are given, `docs/provisioning.cddl`, and the code say the same.
//!
//! Judge: `cddl-cat`, an implementation of CDDL (RFC 8610) by others, over values that `ciborium`
//! has read. What is written fits the grammar; whatever is changed in it, grammar and reader take
//! or refuse together, but for the few rules that no grammar can express.
#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "outside the core a match on its enums needs a wildcard"
)]

use cddl_cat::cbor::validate_cbor;
use cddl_cat::context::BasicContext;
use cddl_cat::flatten::flatten_from_str;
use ciborium::Value;
use hopwright_core::address::Address;
use hopwright_core::band::{ChannelSet, Hopset, LaneKind, Lanes, Pick};
use hopwright_core::provision::manual::Rank;
use hopwright_core::provision::{Configuration, Envelope, Fault, PublicPlan, TransferKey};
use hopwright_core::sequence::{Draw, Structure};
use hopwright_core::station::{FixedChannels, Role};
use hopwright_core::units::{Channel, Lane, Micros};
use hopwright_sim::plan::Plan;
use hopwright_sim::provision::{Roster, RosterStation, Secret, provision, seal};
use hopwright_tests::provisioning::{checked, configuration, encoded, share};
use proptest::prelude::*;
use std::path::Path;
use std::sync::LazyLock;
use zeroize::Zeroizing;

/// The keys and values of a map.
type Pairs = Vec<(Value, Value)>;

/// Whether a value fits a rule of the grammar, which each thread reads once.
fn fits(rule: &str, value: &Value) -> Result<(), String> {
    thread_local! {
        static GRAMMAR: BasicContext = BasicContext::new(
            flatten_from_str(include_str!("../../../docs/provisioning.cddl")).expect("CDDL"),
        );
    }
    GRAMMAR.with(|grammar| {
        let rule = grammar.rules.get(rule).expect("the rule");
        validate_cbor(rule, value, grammar).map_err(|error| error.to_string())
    })
}

fn value(bytes: &[u8]) -> Value {
    ciborium::from_reader(bytes).expect("CBOR")
}

fn bytes(value: &Value) -> Vec<u8> {
    let mut bytes = Vec::new();
    ciborium::into_writer(value, &mut bytes).expect("CBOR");
    bytes
}

/// A configuration with everything that may be left out, and nothing at a border.
fn everything() -> Vec<u8> {
    let channels = (0..90).map(|i| 3 * i + 7).filter_map(Channel::new);
    let mut it = configuration(3, 0x4B, Some(share(0xA5, 3)));
    it.hopset = Hopset::from_derived(channels, 5).expect("a hopset");
    it.role = Role::Deputy { after: Micros::from_millis(90_000) };
    it.structure = Structure { draw: Draw::Independent, equal_use: true, ..it.structure };
    it.fixed.calling = Channel::new(398);
    encoded(&it)
}

#[test]
fn configurations_fit() {
    let roles = [Role::Timekeeper, Role::Member, Role::Deputy { after: Micros::ZERO }];
    for role in roles {
        for share in [None, Some(share(1, 0)), Some(share(2, 16))] {
            let mut it = configuration(3, 0x4B, share);
            it.role = role;
            assert_eq!(fits("configuration", &value(&encoded(&it))), Ok(()), "{role:?}");
            it.fixed = FixedChannels::NONE;
            assert_eq!(fits("file", &value(&encoded(&it))), Ok(()), "{role:?}");
        }
    }
    let whole = value(&everything());
    assert_eq!(fits("configuration", &whole), Ok(()));
    let count = whole.as_map().expect("a map").len();
    assert_eq!(count, 19, "everything that may be left out is there");
}

static PLANS: LazyLock<Vec<Plan>> = LazyLock::new(|| {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sim-host/plans");
    let mut plans = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        plans.push(Plan::load(&entry.expect("a file").path()).expect("a plan"));
    }
    assert!(plans.len() >= 3);
    plans
});

/// Whatever `provision` makes of the shipped plans, under either kind of secret.
#[test]
fn what_the_planner_writes_fits() {
    let key = [0x5A; 32];
    let phrase = Secret::Passphrase(Zeroizing::new("rowan otter lintel".to_owned()));
    let secrets = [Secret::TransferKey(Zeroizing::new(key)), phrase];
    for plan in PLANS.iter() {
        let ranks = [Rank::Timekeeper, Rank::Deputy, Rank::Member];
        let lanes = plan.lane_numbers().zip(ranks.iter().cycle());
        let stations = lanes.zip(0..).map(|((lane, rank), number)| RosterStation {
            name: format!("station {number}"),
            address: Address::new(number * 5),
            rank: *rank,
            lane,
            calls: None,
        });
        let roster = Roster { stations: stations.collect() };
        for secret in &secrets {
            let sealing = secret.sealing([3; 16], (8, 1, 1)).expect("cheap");
            let made = provision(plan, &roster, &sealing, &mut |random| {
                random.fill(9);
                Ok(())
            });
            for mut station in made.expect("configurations") {
                assert_eq!(fits("file", &value(&station.sealed)), Ok(()));
                assert_eq!(fits("sealed", &value(&station.sealed)), Ok(()));
                assert!(fits("configuration", &value(&station.sealed)).is_err());
                if let Ok(open) = TransferKey::new(key).open(&mut station.sealed) {
                    assert_eq!(fits("configuration", &value(open)), Ok(()));
                    assert!(value(open).as_map().expect("a map").len() >= 17, "with a share");
                }
            }
        }
    }
}

#[test]
fn public_plans_fit() {
    let of = |plan: &PublicPlan<'_>| {
        let mut bytes = Vec::new();
        plan.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
        value(&bytes)
    };
    let nothing = ChannelSet::new();
    let listed: Vec<Channel> = (10..20).filter_map(Channel::new).collect();
    for plan in PLANS.iter() {
        let plan = plan.public();
        for pick in [plan.pick, Pick::All, Pick::Keyed(4), Pick::Even(64), Pick::Listed(&listed)] {
            for allowed in [plan.allowed, &nothing] {
                for lanes in [None, plan.lanes, Lanes::new(LaneKind::Spaced, 3).ok()] {
                    let encoded = of(&PublicPlan { pick, allowed, lanes, ..plan });
                    assert_eq!(fits("plan", &encoded), Ok(()), "{pick:?}");
                }
            }
        }
    }
    // One thing less, or one more, is no plan.
    let whole = of(&PLANS[0].public());
    for at in 0..whole.as_map().expect("a map").len() {
        let mut other = whole.clone();
        let map = other.as_map_mut().expect("a map");
        let (key, value) = map.remove(at);
        assert!(fits("plan", &other).is_err(), "without {key:?}");
        other.as_map_mut().expect("a map").push((Value::from(11), value));
        assert!(fits("plan", &other).is_err(), "{key:?} as 11");
    }
}

/// What the reader says of a changed configuration, its check value put right.
fn read(value: &Value) -> Result<(), Fault> {
    let bytes = checked(bytes(value));
    Configuration::<128>::decode(&bytes).map(drop).map_err(|error| error.fault)
}

/// Faults that no grammar names: channels that make no hopset, a map with two encodings, times
/// that do not fit each other, the inner rules of a share, the most bytes of all.
fn beyond_a_grammar(fault: Fault) -> bool {
    matches!(fault, Fault::Hopset(_) | Fault::Timing(_) | Fault::Value(6 | 16))
}

#[track_caller]
fn agree(value: &Value) {
    let grammar = fits("configuration", value);
    match read(value) {
        Ok(()) => assert_eq!(grammar, Ok(()), "it reads and does not fit: {value:?}"),
        Err(fault) if grammar.is_ok() => {
            assert!(beyond_a_grammar(fault), "it fits and does not read: {fault:?}, {value:?}");
        }
        Err(_) => {}
    }
}

#[test]
fn every_key_is_in_the_grammar_and_none_else() {
    let whole = value(&everything());
    let map = whole.as_map().expect("a map");
    for (at, (key, value)) in map.iter().enumerate() {
        let change = |change: &dyn Fn(&mut Pairs)| {
            let mut other = whole.clone();
            change(other.as_map_mut().expect("a map"));
            agree(&other);
            fits("configuration", &other)
        };
        let optional = [Value::from(7), Value::from(16)].contains(key);
        // (What follows the check value's place is not what the reader looks for.)
        let last = at + 1 == map.len();
        let gone = if last { Err(String::new()) } else { change(&|map| drop(map.remove(at))) };
        assert_eq!(gone.is_ok(), optional, "without {key:?}");
        for other in [Value::Null, Value::Bool(true), Value::from(1.5), Value::Map(vec![])] {
            assert!(change(&|map| map[at].1 = other.clone()).is_err(), "{key:?}: {other:?}");
        }
        // A key of the next version.
        for new in [18, 22] {
            let place = map.len() - 1;
            let more = (Value::from(new), value.clone());
            assert!(change(&|map| map.insert(place, more.clone())).is_err(), "{new}");
        }
    }
}

/// Each number at and beyond the borders of its range, each list longer and shorter, each string
/// of other lengths.
#[test]
fn ranges_and_lengths_agree() {
    let whole = value(&everything());
    let count = nodes(&mut whole.clone()).len();
    assert!(count > 30, "{count}");
    let borders = [0, 255, 256, 511, 4_095, 65_535, 32_767, 500_000, u32::MAX.into()];
    let mut tried = 0;
    for at in 0..count {
        let mut try_with = |change: &dyn Fn(&mut Value) -> bool| {
            let mut other = whole.clone();
            if change(nodes(&mut other).swap_remove(at)) {
                tried += 1;
                agree(&other);
            }
        };
        for border in borders.into_iter().flat_map(|b: i64| [b, -b]) {
            for number in border - 1..=border + 1 {
                try_with(&|node| set_number(node, number));
            }
        }
        for number in 0..40 {
            try_with(&|node| set_number(node, number));
        }
        for length in [0, 1, 2, 3, 4, 5, 15, 16, 17, 31, 32, 33, 255, 256, 257, 289, 290, 308, 578]
        {
            try_with(&|node| set_length(node, length));
        }
        for length in [596, 511, 512, 513, 6_000] {
            try_with(&|node| set_length(node, length));
        }
    }
    assert!(tried > 2_000, "{tried}");
    let lists =
        |whole: &Value| whole.as_map().expect("a map").iter().filter(|(_, v)| v.is_array()).count();
    for at in 0..lists(&whole) {
        for longer in [false, true] {
            let mut other = whole.clone();
            let map = other.as_map_mut().expect("a map");
            let list = map.iter_mut().filter_map(|(_, value)| value.as_array_mut()).nth(at);
            let list = list.expect("a list");
            if longer {
                list.push(Value::from(1));
            } else {
                list.pop();
            }
            agree(&other);
            assert!(fits("configuration", &other).is_err(), "{other:?}");
        }
    }
    assert_eq!(lists(&whole), 7, "role, hopset, structure, timing, clock, fixed channels, code");
}

/// All values of a configuration that are no lists, and those that are in lists.
fn nodes(value: &mut Value) -> Vec<&mut Value> {
    let map = value.as_map_mut().expect("a map");
    // The check value is put right in any case.
    let last = map.len() - 1;
    let mut all = Vec::new();
    for (_, value) in &mut map[..last] {
        match value {
            Value::Array(list) => all.extend(list.iter_mut()),
            other => all.push(other),
        }
    }
    all
}

fn set_number(node: &mut Value, number: i64) -> bool {
    let is_number = node.is_integer();
    if is_number {
        *node = Value::from(number);
    }
    is_number
}

fn set_length(node: &mut Value, length: usize) -> bool {
    match node {
        Value::Bytes(bytes) => bytes.resize(length, 1),
        Value::Text(text) => *text = "x".repeat(length),
        _ => return false,
    }
    true
}

proptest! {
    /// Several changes at once.
    #[test]
    fn arbitrary_changes_agree(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<i64>(), 0_usize..700), 1..4),
        small: bool,
    ) {
        let mut other = value(&everything());
        for (place, number, length) in changes {
            let mut all = nodes(&mut other);
            let at = place.index(all.len());
            let node = all.swap_remove(at);
            let number = if small { number % 4_100 } else { number };
            let _ = set_number(node, number) || set_length(node, length);
        }
        agree(&other);
    }
}

/// An envelope with a changed header does not fit either.
#[test]
fn headers_agree() {
    for secret in [
        Secret::TransferKey(Zeroizing::new([1; 32])),
        Secret::Passphrase(Zeroizing::new("rowan otter lintel".to_owned())),
    ] {
        let sealing = secret.sealing([3; 16], (8, 1, 1)).expect("cheap");
        let whole = seal(b"text", &sealing, Address::new(0x4B), [5; 12]).expect("sealed");
        let parts = value(&whole).into_array().expect("two parts");
        let header = value(parts[0].as_bytes().expect("bytes"));
        let count = header.as_map().expect("a map").len();
        let judge = |header: &Value| {
            let parts = vec![Value::Bytes(bytes(header)), parts[1].clone()];
            let all = bytes(&Value::Array(parts.clone()));
            (fits("sealed", &Value::Array(parts)).is_ok(), Envelope::decode(&all).is_ok())
        };
        assert_eq!(judge(&header), (true, true));
        for at in 0..count {
            let change = |change: &dyn Fn(&mut Pairs)| {
                let mut other = header.clone();
                change(other.as_map_mut().expect("a map"));
                judge(&other)
            };
            assert_eq!(change(&|map| drop(map.remove(at))), (false, false), "{at}");
            assert_eq!(change(&|map| map[at].1 = Value::Null), (false, false), "{at}");
            assert_eq!(change(&|map| map[at].1 = Value::from(-1)), (false, false), "{at}");
            assert_eq!(change(&|map| map[at].1 = Value::from(1_u64 << 40)), (false, false));
            let more = (Value::from(6), Value::from(1));
            assert_eq!(change(&|map| map.push(more.clone())), (false, false));
        }
    }
    // The lane's range ends where the core's does.
    assert!(Lane::new(31).is_some() && Lane::new(32).is_none());
}
