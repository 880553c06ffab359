//! Proves that the core agrees, to the bit, with the committed vectors of `tests/vectors`.
//!
//! The numbers come from `tests/oracle`, an implementation of specification sections 2 to 5 and 10 in
//! another language, written from the text alone. A difference means that the core, the oracle or
//! the text is wrong.

use chacha20::cipher::{KeyIvInit, StreamCipherCore};
use chacha20::{ChaChaCore, R20, variants::Ietf};
use hopwright_core::address::{Address, Target};
use hopwright_core::band::{ChannelSet, Exclusion, Hopset, LaneKind, Lanes, Pick, Raster};
use hopwright_core::coding::golay;
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::{Label, NetKey};
use hopwright_core::sequence::{Cursor, Draw, Sequence, SlotKind, Structure, Timeline};
use hopwright_core::tree::{Node, Order, Rekey, Secret};
use hopwright_core::units::{Channel, Hertz, Lane, Micros, Slot};
use hopwright_keytree::{KeyTree, cover};
use serde_json::Value;
use zeroize::Zeroizing;

fn file(text: &str, list: &str) -> Vec<Value> {
    let whole: Value = serde_json::from_str(text).expect("valid JSON");
    let list = whole[list].as_array().expect("a list").clone();
    assert!(!list.is_empty(), "an empty list proves nothing");
    list
}

fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn small<T: TryFrom<u64>>(value: &Value) -> T {
    T::try_from(number(value)).unwrap_or_else(|_| panic!("{value} is out of range"))
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text"))
}

fn hex<const LEN: usize>(value: &Value) -> [u8; LEN] {
    let digits = text(value);
    assert_eq!(digits.len(), 2 * LEN, "{digits}");
    std::array::from_fn(|i| u8::from_str_radix(&digits[2 * i..2 * i + 2], 16).expect("hex"))
}

fn word(value: &Value) -> u32 {
    u32::from_be_bytes(hex(value))
}

fn net_key(value: &Value) -> NetKey {
    NetKey::new(hex(value))
}

fn label(name: &str) -> Label {
    match name {
        "PICK" => Label::Pick,
        "LANE" => Label::Lane,
        "MEET" => Label::Meet,
        "TURN" => Label::Turn,
        "WHEN" => Label::When,
        "HOP" => Label::Hop,
        "WORD" => Label::Word,
        "TAG" => Label::Tag,
        "SEAL" => Label::Seal,
        "DATA" => Label::Data,
        "TREE" => Label::Tree,
        _ => panic!("no label {name}"),
    }
}

/// The core gives no subkey away, so the vector's subkey is put into the cipher and the words
/// compared: 32 words are 1024 bits.
#[test]
fn subkeys_agree() {
    for entry in file(include_str!("../../vectors/keys.json"), "keys") {
        let key = net_key(&entry["key"]);
        let subkeys = entry["subkeys"].as_object().expect("a table");
        assert_eq!(subkeys.len(), 11, "every label of section 3");
        for (name, subkey) in subkeys {
            let bytes: [u8; 32] = hex(subkey);
            let mut cipher = ChaChaCore::<R20, Ietf>::new((&bytes).into(), (&[0; 12]).into());
            for block in 0..2 {
                let mut stream = [0; 64];
                cipher.write_keystream_block((&mut stream).into());
                let (chunks, _) = stream.as_chunks::<4>();
                for (i, chunk) in (0..).zip(chunks) {
                    let ours = key.subkey(label(name)).word(0, 16 * block + i);
                    assert_eq!(ours, u32::from_le_bytes(*chunk), "{name}, word {i} of {block}");
                }
            }
        }
    }
}

#[test]
fn keyed_words_agree() {
    for entry in file(include_str!("../../vectors/words.json"), "words") {
        let subkey = net_key(&entry["key"]).subkey(label(text(&entry["label"])));
        let ours = subkey.word(small(&entry["stream"]), number(&entry["i"]));
        assert_eq!(ours, word(&entry["word"]), "{entry}");
    }
}

fn channel(value: &Value) -> Channel {
    Channel::new(small(value)).expect("a channel")
}

/// A channel, a block of channels or an interval of frequency, as plan files write them.
fn exclusion(entry: &Value) -> Exclusion {
    if let Some(single) = entry.get("channel") {
        Exclusion::Channels { from: channel(single), to: channel(single) }
    } else if let Some(from) = entry.get("from_channel") {
        Exclusion::Channels { from: channel(from), to: channel(&entry["to_channel"]) }
    } else {
        let hertz = |name: &str| Hertz::new(number(&entry[name]));
        Exclusion::Band { from: hertz("from_hz"), to: hertz("to_hz") }
    }
}

struct Plan {
    key: NetKey,
    raster: Raster,
    allowed: ChannelSet,
    lanes: Option<Lanes>,
    structure: Structure,
}

impl Plan {
    fn read(plan: &Value) -> Self {
        let grid = &plan["raster"];
        let hertz = |name: &str| Hertz::new(number(&grid[name]));
        let (base, spacing, occupied) =
            (hertz("base_hz"), hertz("spacing_hz"), hertz("occupied_hz"));
        let raster = Raster::new(base, spacing, occupied, small(&grid["count"])).expect("a raster");
        let mut allowed = match plan["hopset"].get("ranges").and_then(Value::as_array) {
            None => raster.all(),
            Some(ranges) => ranges.iter().fold(ChannelSet::new(), |mut set, range| {
                set.extend_with(&match range.get("from_hz") {
                    Some(from) => raster
                        .centred_in(Hertz::new(number(from)), Hertz::new(number(&range["to_hz"]))),
                    None => raster.excluded_by(exclusion(range)),
                });
                set
            }),
        };
        for entry in plan["exclude"].as_array().expect("a list") {
            allowed.remove_all(&raster.excluded_by(exclusion(entry)));
        }
        let lanes = plan.get("lanes").map(|lanes| {
            let kind = match text(&lanes["kind"]) {
                "disjoint" => LaneKind::Disjoint { width: small(&lanes["width"]) },
                "spaced" => LaneKind::Spaced,
                other => panic!("no lanes {other}"),
            };
            Lanes::new(kind, small(&lanes["count"])).expect("lanes")
        });
        let slots = &plan["slots"];
        let structure = Structure {
            frame: small(&slots["frame"]),
            rendezvous: small(&slots["rendezvous"]),
            window: small(&slots["window"]),
            draw: match text(&slots["draw"]) {
                "balanced" => Draw::Balanced,
                "independent" => Draw::Independent,
                other => panic!("no draw {other}"),
            },
            equal_use: slots["equal_use"].as_bool().expect("a truth"),
        };
        Self { key: net_key(&plan["net"]["key"]), raster, allowed, lanes, structure }
    }

    fn hopset(&self, plan: &Value, lane: Lane) -> Hopset<128> {
        let hopset = &plan["hopset"];
        let listed: Vec<Channel>;
        let pick = match text(&hopset["pick"]) {
            "all" => Pick::All,
            "keyed" => Pick::Keyed(small(&hopset["channels"])),
            "even" => Pick::Even(small(&hopset["channels"])),
            "listed" => {
                listed = hopset["list"].as_array().expect("a list").iter().map(channel).collect();
                Pick::Listed(&listed)
            }
            other => panic!("no pick {other}"),
        };
        Hopset::derive(&self.key, &self.raster, &self.allowed, pick, self.lanes.as_ref(), lane)
            .expect("a hopset")
    }

    fn sequence(&self, plan: &Value, lane: Lane) -> Sequence<128> {
        let draw_lane = if self.lanes.is_some_and(|l| l.spaced()) { Lane::ZERO } else { lane };
        Sequence::new(&self.key, self.hopset(plan, lane), self.structure, lane, draw_lane)
            .expect("a sequence")
    }
}

fn channels(value: &Value) -> Vec<Channel> {
    value.as_array().expect("a list").iter().map(channel).collect()
}

#[test]
fn hopsets_and_rendezvous_sets_agree() {
    for entry in file(include_str!("../../vectors/hopsets.json"), "hopsets") {
        let name = text(&entry["name"]);
        let plan = Plan::read(&entry["plan"]);
        assert_eq!(plan.allowed.iter().collect::<Vec<_>>(), channels(&entry["allowed"]), "{name}");
        for expected in entry["lanes"].as_array().expect("a list") {
            let lane = Lane::new(small(&expected["lane"])).expect("a lane");
            let sequence = plan.sequence(&entry["plan"], lane);
            let hopset = sequence.hopset().channels();
            assert_eq!(hopset, channels(&expected["hopset"]), "{name}, lane {lane}");
            let rendezvous: Vec<_> = sequence.rendezvous().collect();
            assert_eq!(rendezvous, channels(&expected["rendezvous"]), "{name}, lane {lane}");
        }
    }
}

#[test]
fn hops_agree() {
    let mut slots = 0;
    for entry in file(include_str!("../../vectors/hops.json"), "hops") {
        let plan = Plan::read(&entry["plan"]);
        for expected in entry["timelines"].as_array().expect("a list") {
            let lane = Lane::new(small(&expected["lane"])).expect("a lane");
            let timeline = match text(&expected["timeline"]) {
                "home" => Timeline::Home,
                "cut-in" => Timeline::CutIn,
                other => panic!("no timeline {other}"),
            };
            let sequence = plan.sequence(&entry["plan"], lane);
            assert_eq!(sequence.sync_word(), word(&expected["sync_word"]));
            for span in expected["spans"].as_array().expect("a list") {
                let what = format!("{}, lane {lane}, {timeline:?}", text(&entry["name"]));
                slots += span_agrees(&sequence, timeline, span, &what);
            }
        }
    }
    assert!(slots >= 1_000, "only {slots} slots were compared");
}

/// By walking, by jumping and by filling a table: three ways through the core.
fn span_agrees(sequence: &Sequence<128>, timeline: Timeline, span: &Value, what: &str) -> usize {
    let from: u32 = small(&span["from"]);
    let expected = channels(&span["channels"]);
    let runs = channels(&span["run_channels"]);
    let words = span["unique_words"].as_array().expect("a list");
    assert!(expected.len() == runs.len() && expected.len() == words.len());
    let mut filled = vec![Channel::default(); expected.len()];
    sequence.fill(timeline, Slot::new(from), &mut filled);
    assert_eq!(filled, expected, "{what}");
    let mut cursor = Cursor::new(sequence, timeline);
    for (i, kind) in text(&span["kinds"]).chars().enumerate() {
        let slot = Slot::new(from + u32::try_from(i).expect("a short span"));
        let what = format!("{what}, slot {slot}");
        let hop = cursor.hop(sequence, slot);
        let is = if hop.kind == SlotKind::Sync { 's' } else { 't' };
        assert_eq!((is, hop.channel), (kind, expected[i]), "{what}");
        assert_eq!(hop.word, word(&words[i]), "{what}");
        assert_eq!(cursor.run_hop(sequence, slot).channel, runs[i], "{what}, in a run");
        assert_eq!(sequence.channel(timeline, slot), expected[i], "{what}, jumped to");
    }
    expected.len()
}

fn kind(name: &str) -> Kind {
    match name {
        "announce" => Kind::Announce,
        "over" => Kind::Over,
        "cut-in" => Kind::CutIn,
        "closing" => Kind::Closing,
        "rekey" => Kind::Rekey,
        "lead-in" => Kind::LeadIn,
        _ => panic!("no kind {name}"),
    }
}

fn header(fields: &Value) -> Header {
    let target = Address::new(small(&fields["target"]));
    let quality: u32 = small(&fields["quality"]);
    Header {
        slot: Slot::new(small(&fields["h"])),
        source: Address::new(small(&fields["source"])),
        target: match small(&fields["form"]) {
            15_u8 => Target::all_but(target),
            form => Target::prefix(target, form).expect("a prefix"),
        },
        kind: kind(text(&fields["kind"])),
        // The widest half-width of each quality.
        quality: Quality::of(Micros::new(16 << quality)),
        countdown: small(&fields["countdown"]),
    }
}

#[test]
fn headers_agree() {
    for entry in file(include_str!("../../vectors/headers.json"), "headers") {
        let keys = HeaderKeys::new(&net_key(&entry["key"]));
        let (header, stream) = (header(&entry["fields"]), small(&entry["stream"]));
        assert_eq!(u64::from(header.quality.nibble()), number(&entry["fields"]["quality"]));
        let (wire, bits) = (hex(&entry["wire"]), hex(&entry["slot_bits"]));
        assert_eq!(keys.seal(header, stream), wire, "{entry}");
        assert_eq!(keys.open(&wire, stream), Some(header), "{entry}");
        assert_eq!(keys.to_bits(header, stream), bits, "{entry}");
        assert_eq!(keys.from_bits(&bits, stream), Some(header), "{entry}");
    }
}

/// What must be dropped: foreign streams, turned bits, and forms, kinds and prefixes that do not
/// exist although a member sealed them.
#[test]
fn headers_that_must_not_open_do_not() {
    for entry in file(include_str!("../../vectors/headers.json"), "dropped") {
        let keys = HeaderKeys::new(&net_key(&entry["key"]));
        assert_eq!(keys.open(&hex(&entry["wire"]), small(&entry["stream"])), None, "{entry}");
    }
}

#[test]
fn rounded_fields_agree() {
    for entry in file(include_str!("../../vectors/headers.json"), "quality") {
        let quality = Quality::of(Micros::new(number(&entry["half_width_us"])));
        assert_eq!(u64::from(quality.nibble()), number(&entry["quality"]), "{entry}");
    }
    for entry in file(include_str!("../../vectors/headers.json"), "countdown") {
        let countdown = Header::countdown_of(Kind::Over, small(&entry["remaining_slots"]));
        assert_eq!(u64::from(countdown), number(&entry["countdown"]), "{entry}");
    }
}

#[test]
fn code_words_agree() {
    for entry in file(include_str!("../../vectors/golay.json"), "golay") {
        let parse = |name| u32::from_str_radix(text(&entry[name]), 16).expect("hex");
        let message = u16::try_from(parse("message")).expect("12 bits");
        assert_eq!(golay::encode(message), parse("codeword"), "{entry}");
        assert_eq!(golay::decode(parse("codeword")).message, message, "{entry}");
    }
}

#[test]
fn the_key_tree_agrees() {
    let whole: Value = serde_json::from_str(include_str!("../../vectors/tree.json")).expect("JSON");
    let tree = KeyTree::new(Zeroizing::new(hex(&whole["root"])));
    let key = net_key(&whole["key"]);
    let subkey = key.subkey(Label::Tree);
    let secret = |value: &Value| Secret::new(hex(value));
    let list = |name: &str| whole[name].as_array().expect("a list").clone();
    for entry in list("nodes") {
        let node = Node::new(small(&entry["node"])).expect("a node");
        assert!(tree.node(node).same(&secret(&entry["secret"])), "{entry}");
        assert!(tree.seed(node).same(&secret(&entry["seed"])), "{entry}");
    }
    for entry in list("tokens") {
        assert!(tree.token(small(&entry["generation"])).same(&secret(&entry["token"])), "{entry}");
    }
    for entry in list("calls") {
        let (source, address) = (small(&entry["source"]), small(&entry["target"]));
        let (source, address) = (Address::new(source), Address::new(address));
        let target = match small::<u8>(&entry["form"]) {
            15 => Target::all_but(address),
            length => Target::prefix(address, length).expect("a prefix"),
        };
        assert!(tree.sender(source, target).same(&secret(&entry["sender_secret"])), "{entry}");
        let bytes: [u8; 32] = hex(&entry["traffic_key"]);
        let mut cipher = ChaChaCore::<R20, Ietf>::new((&bytes).into(), (&[0; 12]).into());
        let mut stream = [0; 64];
        cipher.write_keystream_block((&mut stream).into());
        let share = tree.share(source, 0, &[target]).expect("a share");
        let ours = share.traffic_key(&subkey, source, source, target).expect("it may");
        for (i, chunk) in (0..).zip(stream.as_chunks::<4>().0) {
            assert_eq!(ours.word(0, i), u32::from_le_bytes(*chunk), "{entry}");
        }
    }
    for entry in list("orders") {
        let numbers = |name: &str| -> Vec<u16> {
            entry[name].as_array().expect("a list").iter().map(small).collect()
        };
        let (new_key, generation) = (net_key(&entry["new_key"]), small(&entry["generation"]));
        let slot = Slot::new(small(&entry["slot"]));
        let withdrawn = numbers("withdrawn").into_iter().collect();
        let nodes = cover(8, &withdrawn);
        assert_eq!(nodes, numbers("cover"));
        let nodes: Vec<(Node, Secret)> =
            nodes.into_iter().filter_map(Node::new).map(|node| (node, tree.node(node))).collect();
        let order = Order {
            generation,
            slot,
            token: &tree.token(generation),
            key: &new_key,
            salt: hex(&entry["salt"]),
            inner: &secret(&entry["inner"]),
        };
        let bytes = order.to_bytes(&subkey, &nodes).expect("an order");
        let digits: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(digits, text(&entry["order"]));
        // Leaf 1 is in none of the withdrawn sets.
        let own = Address::new(1);
        let share = tree.share(own, generation - 1, &[]).expect("a share");
        let rekey = Rekey::open(&share, &subkey, own, &bytes).expect("opens");
        assert!(rekey.key().same(&new_key) && rekey.slot() == slot);
    }
}
