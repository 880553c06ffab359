//! Proves that no formatter of a public type prints a key or a subkey (specification section 12,
//! invariant 8). Common practice, no further source.
//!
//! Searched for: any four consecutive bytes of the net key and of every subkey, in decimal and in
//! hexadecimal, as lists of bytes and as words of 32 and 64 bits in either byte order.

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Hopset, Pick};
use hopwright_core::header::HeaderKeys;
use hopwright_core::keys::{Label, NetKey, Words};
use hopwright_core::loader::{CarrierEnd, Frame, KeyedJudge, StationEnd, Store};
use hopwright_core::provision::TransferKey;
use hopwright_core::sequence::{Cursor, Sequence, Structure, Timeline};
use hopwright_core::station::{Command, Config, FixedChannels, Role, Watermark};
use hopwright_core::tree::{Secret, Share};
use hopwright_core::units::{Dbm, Lane, Micros, Slot, Tick};
use hopwright_tests::plans::{Make, clock_plan, key_bytes, raster, timing};
use hopwright_tests::provisioning;
use std::fmt::Debug;

const KEY: u8 = 0xC3;

const LABELS: [(Label, &str); 13] = [
    (Label::Pick, "hopwright/pick"),
    (Label::Lane, "hopwright/lane"),
    (Label::Meet, "hopwright/meet"),
    (Label::Turn, "hopwright/turn"),
    (Label::When, "hopwright/when"),
    (Label::Hop, "hopwright/hop"),
    (Label::Word, "hopwright/word"),
    (Label::Tag, "hopwright/tag"),
    (Label::Seal, "hopwright/seal"),
    (Label::Data, "hopwright/data"),
    (Label::Tree, "hopwright/tree"),
    (Label::Text, "hopwright/text"),
    (Label::Print, "hopwright/print"),
];

fn subkey(label: &str) -> [u8; 32] {
    let mut input = [0; 16];
    input[..label.len()].copy_from_slice(label.as_bytes());
    chacha20::hchacha::<chacha20::R20>((&key_bytes(KEY)).into(), (&input).into()).into()
}

/// The texts by which four bytes could give themselves away, in lower case.
fn renderings(four: [u8; 4]) -> Vec<String> {
    let joined = |separator: &str, each: fn(u8) -> String| four.map(each).join(separator);
    let (little, big) = (u32::from_le_bytes(four), u32::from_be_bytes(four));
    vec![
        joined(", ", |b| b.to_string()),
        joined(",\n", |b| b.to_string()),
        joined("", |b| format!("{b:02x}")),
        joined(" ", |b| format!("{b:02x}")),
        joined(":", |b| format!("{b:02x}")),
        joined(", ", |b| format!("{b:x}")),
        joined(", ", |b| format!("{b:02x}")),
        joined(", ", |b| format!("0x{b:x}")),
        joined(", ", |b| format!("0x{b:02x}")),
        little.to_string(),
        big.to_string(),
        format!("{little:x}"),
        format!("{big:x}"),
    ]
}

fn eights(secret: &[u8; 32]) -> Vec<String> {
    let (chunks, _) = secret.as_chunks::<8>();
    let both = |chunk: &[u8; 8]| {
        let (little, big) = (u64::from_le_bytes(*chunk), u64::from_be_bytes(*chunk));
        [little.to_string(), big.to_string(), format!("{little:x}"), format!("{big:x}")]
    };
    chunks.iter().flat_map(both).collect()
}

/// The name of the secret that a text gives away.
fn betrayed(text: &str) -> Option<String> {
    // Pretty printing puts each byte on a line of its own.
    let text: String = text.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ");
    let mut secrets = vec![("the net key", key_bytes(KEY))];
    secrets.extend(LABELS.map(|(_, label)| (label, subkey(label))));
    secrets.into_iter().find_map(|(name, secret)| {
        let fours = secret.windows(4).flat_map(|w| renderings(w.try_into().expect("four")));
        let found = fours.chain(eights(&secret)).find(|secret| text.contains(secret));
        found.map(|found| format!("{name}: {found}"))
    })
}

#[track_caller]
fn keeps_silent(what: &impl Debug) {
    for text in [
        format!("{what:?}"),
        format!("{what:#?}"),
        format!("{what:x?}"),
        format!("{what:#X?}"),
        format!("{what:02x?}"),
    ] {
        assert_eq!(betrayed(&text), None, "{text}");
    }
}

/// The search finds what it is looking for.
#[test]
fn a_key_that_is_printed_is_found() {
    let key = key_bytes(KEY);
    assert!(betrayed(&format!("{key:?}")).is_some());
    assert!(betrayed(&format!("{key:#?}")).is_some());
    assert!(betrayed(&format!("{key:02X?}")).is_some());
    assert!(betrayed(&format!("{:?}", subkey("hopwright/hop"))).is_some());
    let words: Vec<u32> = key.as_chunks::<4>().0.iter().map(|w| u32::from_le_bytes(*w)).collect();
    assert!(betrayed(&format!("{words:?}")).is_some());
    assert_eq!(betrayed("NetKey(..) 12, 34, 56, 78"), None);
}

#[test]
fn no_public_type_prints_a_key() {
    let key = NetKey::new(key_bytes(KEY));
    keeps_silent(&key);
    assert_eq!(format!("{key:?}"), "NetKey(..)");
    for (label, _) in LABELS {
        let subkey = key.subkey(label);
        keeps_silent(&subkey);
        assert_eq!(format!("{subkey:?}"), "Subkey(..)");
        // A reader holds a block of keystream; it must not print that either.
        let mut words = Words::new(3);
        let word = words.word(&subkey, 77);
        assert!(!format!("{words:?}").contains(&word.to_string()));
        keeps_silent(&words);
    }
    keeps_silent(&HeaderKeys::new(&key));

    let raster = raster(128);
    let hopset: Hopset<128> =
        Hopset::derive(&key, &raster, &raster.all(), Pick::Keyed(64), None, Lane::ZERO)
            .expect("a hopset");
    let sequence =
        Sequence::new(&key, hopset.clone(), Structure::default(), Lane::ZERO, Lane::ZERO)
            .expect("a sequence");
    keeps_silent(&sequence);
    let mut cursor = Cursor::new(&sequence, Timeline::Home);
    let _ = cursor.hop(&sequence, Slot::new(1_000));
    keeps_silent(&cursor);
    keeps_silent(&hopset);
    keeps_silent(&Config {
        key: &key,
        hopset,
        structure: Structure::default(),
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: timing(),
        clock: clock_plan(1_000),
        announce_slots: 200,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels::NONE,
        address: Address::new(1),
        role: Role::Timekeeper,
        share: None,
        watermark: Watermark::Fresh,
        seed: 1,
    });
}

/// What is carried into stations, with the same bytes for every secret in it.
#[test]
fn no_configuration_share_or_transfer_key_is_printed() {
    let half = || Secret::new(*key_bytes(KEY).first_chunk().expect("sixteen"));
    let (path, co_path) = (std::array::from_fn(|_| half()), std::array::from_fn(|_| half()));
    let mut share = Share::new(path, co_path, 3, half());
    share.add(Target::one(Address::new(9)), half()).expect("room");
    keeps_silent(&half());
    keeps_silent(&share);
    assert_eq!(format!("{share:?}"), "Share(..)");
    let configuration = provisioning::configuration(KEY, 0x4B, Some(share));
    keeps_silent(&configuration);
    keeps_silent(&configuration.config(Watermark::Fresh, 1));
    keeps_silent(&configuration.entry());
    let transfer = || TransferKey::new(key_bytes(KEY));
    keeps_silent(&transfer());
    keeps_silent(&KeyedJudge::<128>::new(transfer(), None));
    keeps_silent(&transfer().open(&mut provisioning::encoded(&configuration)));
}

/// What carries configurations holds parts of one, open ones too.
#[test]
fn no_end_of_the_loader_prints_what_it_carries() {
    let key = key_bytes(KEY);
    let frame = Frame { kind: 2, sequence: 77, payload: &key };
    keeps_silent(&frame);
    assert_eq!(format!("{frame:?}"), "Frame { kind: 2, sequence: 77, .. }");
    let content = provisioning::encoded(&provisioning::configuration(KEY, 0x4B, None));
    let mut carrier = CarrierEnd::new(Address::new(0x4B), &content);
    assert!(carrier.poll(Tick::ZERO).is_some());
    keeps_silent(&carrier);
    // The storage's own formatter is the driver's; this one is blank.
    let store = Store::open(provisioning::Flash::new(288)).expect("blank");
    let judge = KeyedJudge::<128>::new(TransferKey::new(key), None);
    let mut work = content.clone();
    let station = StationEnd::new(store, judge, &mut work);
    keeps_silent(&station);
    assert!(format!("{station:?}").starts_with("StationEnd { store: Store"), "{station:?}");
}

#[test]
fn a_station_at_work_prints_no_key() {
    let key = NetKey::new(key_bytes(KEY));
    let mut station = Make { announce_slots: 3, ..Make::timekeeper(0x10) }.station(&key);
    let mut now = Tick::ZERO;
    keeps_silent(&station);
    station.command(now, Command::Announce).expect("a timekeeper");
    for slot in 0..30 {
        keeps_silent(&station.poll(now));
        keeps_silent(&station);
        if slot == 6 {
            station.command(now, Command::Press(Target::ALL)).expect("the floor is free");
        }
        while let Some(event) = station.next_event() {
            keeps_silent(&event);
        }
        now = now.plus(Micros::from_millis(20));
    }
    assert!(station.holds_floor(), "it has sealed headers and payload");
}
