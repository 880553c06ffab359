//! Proves that a call is open to whom it calls and to nobody else, by keys (specification section
//! 10), for all 256 stations and all 767 targets.
//!
//! What stations can know is worked out here as sets, apart from the code that derives keys:
//! everything on the own path, and everything below the siblings of the path in the co-path tree
//! (A. Fiat, M. Naor, Broadcast encryption, CRYPTO 1993: 1-resilient). Sender keys after
//! F. T. Leighton and S. Micali, CRYPTO 1993. (Citations from memory.)

use chacha20::{R20, hchacha};
use hopwright_core::address::{Address, Target};
use hopwright_core::keys::{Label, NetKey, Subkey};
use hopwright_core::tree::{
    DIRECTORY, DirectoryFull, MAX_ENTRIES, MAX_ORDER_BYTES, Node, Order, OrderError, Secret, Share,
};
use hopwright_core::units::Slot;
use hopwright_keytree::KeyTree;
use hopwright_tests::plans::key;
use std::collections::BTreeSet;
use zeroize::Zeroizing;

const ROOT: [u8; 32] = [0x5A; 32];

fn tree() -> KeyTree {
    KeyTree::new(Zeroizing::new(ROOT))
}

fn tree_subkey(key: u8) -> Subkey {
    NetKey::new([key; 32]).subkey(Label::Tree)
}

fn addresses() -> impl Iterator<Item = Address> {
    (0..=255).map(Address::new)
}

/// Every target there is: 511 prefixes and 256 exceptions.
fn targets() -> Vec<Target> {
    let prefixes =
        (0..=8).flat_map(|length| addresses().filter_map(move |a| Target::prefix(a, length)));
    prefixes.chain(addresses().map(Target::all_but)).collect()
}

fn share(own: Address, directory: &[Target]) -> Share {
    tree().share(own, 0, directory).expect("room in the directory")
}

fn bytes(secret: &Secret) -> [u8; 16] {
    let mut out = [0; 16];
    secret.expose(|bytes| out = *bytes);
    out
}

/// What tells two traffic keys apart: 64 bits of their streams.
fn print(key: &Subkey) -> u64 {
    u64::from(key.word(0, 0)) << 32 | u64::from(key.word(0, 1))
}

/// The planner's traffic key.
fn planned(source: Address, target: Target, net: u8) -> u64 {
    print(&tree().sender(source, target).traffic_key(&tree_subkey(net)))
}

/// The receivers' half of every (source, target, listener): whoever is called derives the key
/// that the planner says, whoever is not derives none. The source only enters after the secret
/// that the called share, so one source a pair is enough here; all sources are tried below.
#[test]
fn whoever_is_called_has_the_key_and_nobody_else() {
    let subkey = tree_subkey(1);
    for target in targets() {
        let source = Address::new(0x33);
        let key = planned(source, target, 1);
        for own in addresses().filter(|own| *own != source) {
            let share = share_of(own);
            let got = share.traffic_key(&subkey, own, source, target);
            assert_eq!(got.map(|k| print(&k)), target.covers(own).then_some(key), "{target} {own}");
        }
    }
}

/// Shares without a directory, made once.
fn share_of(own: Address) -> &'static Share {
    static SHARES: std::sync::LazyLock<Vec<Share>> =
        std::sync::LazyLock::new(|| addresses().map(|own| share(own, &[])).collect());
    &SHARES[usize::from(own.number())]
}

/// The senders' half: from every source to every target the sender has the key that the called
/// derive, from its own node inside, from its directory outside, and not at all without an entry.
#[test]
fn every_source_reaches_every_target_in_its_directory() {
    let subkey = tree_subkey(1);
    let targets = targets();
    for own in addresses() {
        assert!(targets.iter().all(|target| {
            share_of(own).traffic_key(&subkey, own, own, *target).is_some() == target.covers(own)
        }));
        let outside: Vec<Target> = targets.iter().copied().filter(|t| !t.covers(own)).collect();
        // Sixteen at a time, and of each sixteen one that a receiver confirms.
        for some in outside.chunks(DIRECTORY) {
            let with = share(own, some);
            for target in some {
                let sent = with.traffic_key(&subkey, own, own, *target).map(|key| print(&key));
                assert_eq!(sent, Some(planned(own, *target, 1)), "{own} {target}");
            }
        }
        for target in targets.iter().filter(|t| t.covers(own)).step_by(17) {
            let receiver = addresses().find(|a| target.covers(*a) && *a != own).unwrap_or(own);
            let sent = share_of(own).traffic_key(&subkey, own, own, *target);
            let heard = share_of(receiver).traffic_key(&subkey, receiver, own, *target);
            assert_eq!(sent.map(|k| print(&k)), heard.map(|k| print(&k)), "{own} {target}");
        }
    }
}

/// Everything that a station can work out from its share: its path, and the whole co-path tree
/// but its own path.
fn knowledge(own: Address) -> BTreeSet<[u8; 16]> {
    let mut known: BTreeSet<[u8; 16]> = tree().path(own).iter().map(bytes).collect();
    let mut open: Vec<(u32, Secret)> = (1..).zip(tree().co_path(own)).collect();
    while let Some((depth, seed)) = open.pop() {
        known.insert(bytes(&seed));
        if depth < 8 {
            open.extend([false, true].map(|right| (depth + 1, seed.child(right))));
        }
    }
    known
}

/// That a share derives no key could be a courtesy. That the secret from which the key is made is
/// not among anything that the share leads to is not.
#[test]
fn the_secret_of_a_call_is_in_no_other_share() {
    let secrets: Vec<(Target, [u8; 16])> =
        targets().into_iter().map(|target| (target, bytes(&tree().called(target)))).collect();
    let distinct: BTreeSet<_> = secrets.iter().map(|(_, secret)| secret).collect();
    assert_eq!(distinct.len(), secrets.len(), "no two targets share a secret");
    for own in addresses() {
        let known = knowledge(own);
        // 9 of the path; 8 whole subtrees of 255, 127, .. 1 seeds: 502.
        assert_eq!(known.len(), 9 + 502, "{own}");
        for (target, secret) in &secrets {
            assert_eq!(known.contains(secret), target.covers(own), "{own} {target}");
        }
    }
}

/// The limit, which `docs/threats.md` states: of a call to everyone but X, one other captured
/// station that gives X what it has, and X reads along. It takes no secret of the source.
#[test]
fn two_captured_stations_read_what_one_was_excluded_from() {
    let (excluded, friend, source) = (Address::new(0x55), Address::new(0x41), Address::new(0x10));
    let target = Target::all_but(excluded);
    let secret = bytes(&tree().called(target));
    assert!(!knowledge(excluded).contains(&secret), "alone it cannot");
    assert!(knowledge(friend).contains(&secret));
    // With the friend's share, acting as the friend: the very key.
    let key = share_of(friend).traffic_key(&tree_subkey(1), friend, source, target);
    assert_eq!(key.map(|k| print(&k)), Some(planned(source, target, 1)));
}

/// A prefix call is no weaker for it: however many outside pool what they have, nobody has it.
#[test]
fn no_coalition_outside_a_prefix_reads_its_calls() {
    let boats = Target::prefix(Address::new(0x40), 4).expect("a prefix");
    let secret = bytes(&tree().called(boats));
    assert!(addresses().filter(|a| !boats.covers(*a)).all(|a| !knowledge(a).contains(&secret)));
}

/// A sender's key for one target says nothing of another's, and none is the same under another net
/// key, from another source or to another target.
#[test]
fn keys_differ_in_net_source_and_target() {
    let mut prints = BTreeSet::new();
    for net in [1, 2] {
        for source in addresses().step_by(5) {
            for target in targets().into_iter().step_by(7) {
                assert!(prints.insert(planned(source, target, net)), "{source} {target}");
            }
        }
    }
}

/// The formula of a secret and of a token, from the text of section 10.
#[test]
fn secrets_follow_the_text() {
    let draw =
        |input: &[u8; 16]| -> [u8; 32] { hchacha::<R20>((&ROOT).into(), input.into()).into() };
    let mut input = *b"hopwright/node\0\0";
    input[14..].copy_from_slice(&341_u16.to_le_bytes());
    assert_eq!(bytes(&tree().node(Node::new(341).expect("a node"))), draw(&input)[..16]);
    assert_eq!(bytes(&tree().token(255)), draw(b"hopwright/orders")[..16]);
    assert!(tree().token(255).child(false).same(&tree().token(254)));
    assert!(!tree().token(255).same(&tree().token(254)));
}

#[test]
fn a_directory_has_its_limit() {
    let many: Vec<Target> = addresses().skip(1).take(DIRECTORY + 1).map(Target::one).collect();
    assert_eq!(tree().share(Address::new(0), 0, &many).map(|_| ()), Err(DirectoryFull));
    let own = Target::one(Address::new(0));
    let share = share(Address::new(0), &[own, many[0]]);
    assert_eq!(share.directory().collect::<Vec<_>>(), [many[0]], "its own it needs no entry for");
}

/// An order is for 1 to 128 nodes, and never the first key's.
#[test]
fn an_order_that_cannot_be_is_refused() {
    let (token, key) = (tree().token(1), key(2));
    let made = |entries: u16, generation: u8| {
        let node = |number| (Node::new(number).expect("a node"), tree().token(9));
        let cover: Vec<(Node, Secret)> = (0..entries).map(|number| node(number + 1)).collect();
        let (salt, slot) = ([0; 16], Slot::new(9));
        let order = Order { generation, slot, token: &token, key: &key, salt, inner: &token };
        order.to_bytes(&tree_subkey(1), &cover).map(|bytes| bytes.len())
    };
    let most = u16::try_from(MAX_ENTRIES).expect("few");
    for entries in [0, most + 1] {
        assert_eq!(made(entries, 1), Err(OrderError::Entries(usize::from(entries))));
    }
    assert_eq!(made(1, 0), Err(OrderError::Generation));
    assert!(made(1, 1).is_ok());
    assert_eq!(made(most, 255), Ok(MAX_ORDER_BYTES));
}

/// Invariant 8: no formatter prints a secret.
#[test]
fn shares_print_nothing() {
    let share = share(Address::new(9), &[Target::one(Address::new(1))]);
    assert_eq!(
        format!("{share:?} {:?} {:?}", tree(), tree().token(1)),
        "Share(..) KeyTree(..) Secret(..)"
    );
}
