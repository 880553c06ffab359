//! The key tree against sets of addresses.

use arbitrary::{Result, Unstructured};
use hopwright_core::address::{Address, Target};
use hopwright_core::keys::{Label, NetKey, Subkey};
use hopwright_core::tree::{DIRECTORY, Node, Order, Rekey, Secret, Share};
use hopwright_core::units::Slot;
use hopwright_keytree::{KeyTree, bound, cover};
use std::collections::BTreeSet;
use std::sync::LazyLock;
use zeroize::Zeroizing;

/// What makes the tree of this target.
static TREE: LazyLock<KeyTree> = LazyLock::new(|| KeyTree::new(Zeroizing::new([0x5A; 32])));
/// The secrets of its nodes, 1 to 511.
static NODES: LazyLock<Vec<Secret>> = LazyLock::new(|| {
    let node = |number| TREE.node(Node::new(number).expect("1 to 511"));
    (1..=511).map(node).collect()
});

/// Withdrawals and calls: who can open an order, and who has the key of a call, are questions of
/// sets; the keys must give the same answers.
///
/// # Panics
/// If a cover is not exactly those who stay, an order opens for anybody else or under any other
/// circumstances, or a key of a call is had by others than those called and the caller.
pub fn differential_tree(data: &[u8]) {
    let u = &mut Unstructured::new(data);
    let _ = withdrawal(u).and_then(|()| calls(u));
}

/// The addresses below a node, by halving.
fn below(node: u16) -> BTreeSet<u8> {
    let (mut from, mut size) = (0_u16, 256_u16);
    let steps = (0..node.ilog2()).rev().map(|bit| node >> bit & 1);
    for right in steps {
        size /= 2;
        from += right * size;
    }
    (from..from + size).map(|a| u8::try_from(a).expect("below 256")).collect()
}

/// The largest whole subtrees of those who stay, found from the root down.
fn subtrees(node: u16, staying: &BTreeSet<u8>, found: &mut BTreeSet<u16>) {
    let all = below(node);
    if all.is_subset(staying) {
        found.insert(node);
    } else if !all.is_disjoint(staying) {
        subtrees(2 * node, staying, found);
        subtrees(2 * node + 1, staying, found);
    }
}

fn withdrawal(u: &mut Unstructured<'_>) -> Result<()> {
    let mut withdrawn = BTreeSet::<u8>::new();
    for _ in 0..u.int_in_range(0..=12)? {
        let from: u8 = u.arbitrary()?;
        let number = if u.ratio(1, 4)? { u.int_in_range(0..=63)? } else { 0 };
        withdrawn.extend(from..=from.saturating_add(number));
    }
    let staying: BTreeSet<u8> = (0..=255).filter(|a| !withdrawn.contains(a)).collect();
    let numbers: BTreeSet<u16> = withdrawn.iter().copied().map(u16::from).collect();
    let nodes = cover(8, &numbers);
    let mut expected = BTreeSet::new();
    subtrees(1, &staying, &mut expected);
    assert_eq!(nodes, expected.into_iter().collect::<Vec<_>>(), "{withdrawn:?}");
    assert!(nodes.len() <= bound(8, withdrawn.len()));
    // A byte each is enough to tell secrets apart, and leaves the input to what matters.
    let present = NetKey::new([u.arbitrary()?; 32]);
    let key = NetKey::new([u.arbitrary()?; 32]);
    let generation = u.arbitrary::<u8>()?;
    let order = Order {
        generation,
        slot: Slot::new(u.arbitrary()?),
        token: &TREE.token(generation),
        key: &key,
        salt: [u.arbitrary()?; 16],
        inner: &Secret::new([u.arbitrary()?; 16]),
    };
    let entry = |number: &u16| {
        let secret = NODES[usize::from(*number) - 1].clone();
        (Node::new(*number).expect("1 to 511"), secret)
    };
    let entries: Vec<(Node, Secret)> = nodes.iter().map(entry).collect();
    let tree = present.subkey(Label::Tree);
    let bytes = order.to_bytes(&tree, &entries);
    assert_eq!(bytes.is_ok(), generation > 0 && (1..=128).contains(&entries.len()));
    let Ok(bytes) = bytes else { return Ok(()) };
    for _ in 0..4 {
        let own: u8 = u.arbitrary()?;
        let any = u.int_in_range(0..=generation)?;
        let known = *u.choose(&[any, generation, generation.saturating_sub(1), 0])?;
        let share = share(own, known, &[]);
        let stays = staying.contains(&own);
        let opens = |order: &[u8]| Rekey::open(&share, &tree, Address::new(own), order);
        let opened = opens(&bytes);
        assert_eq!(opened.is_some(), stays && known < generation, "{own:02x} of {withdrawn:?}");
        if let Some(opened) = opened {
            assert!(opened.key().same(&key));
            assert_eq!((opened.slot(), opened.generation()), (order.slot, generation));
        }
        // Any bit, any length, any other net key.
        let mut changed = bytes.to_vec();
        let at = usize::from(u.arbitrary::<u16>()?) % changed.len();
        changed[at] ^= 1 << u.int_in_range(0..=7)?;
        assert!(opens(&changed).is_none(), "byte {at} was changed");
        assert!(opens(&bytes[..at]).is_none(), "cut after {at} bytes");
        let other = key.subkey(Label::Tree);
        let elsewhere = Rekey::open(&share, &other, Address::new(own), &bytes);
        assert!(elsewhere.is_none() || key.same(&present));
    }
    Ok(())
}

fn share(own: u8, generation: u8, directory: &[Target]) -> Share {
    let own = Address::new(own);
    let depth = |node: Node| NODES[usize::from(node.number()) - 1].clone();
    let mut depths = 0..;
    let path = std::array::from_fn(|_| depth(Node::leaf(own).at(depths.next().unwrap_or(0))));
    let mut share = Share::new(path, TREE.co_path(own), generation, TREE.token(generation));
    for target in directory {
        share.add(*target, TREE.sender(own, *target)).expect("room");
    }
    share
}

/// Any target: its address and the length of its prefix, or 9 for everyone but that one.
fn target(u: &mut Unstructured<'_>) -> Result<(Target, u8, u8)> {
    let (address, form) = (u.arbitrary::<u8>()?, u.int_in_range(0..=9_u8)?);
    if form == 9 {
        return Ok((Target::all_but(Address::new(address)), address, form));
    }
    let first = *members(address, form).first().expect("somebody");
    Ok((Target::prefix(Address::new(first), form).expect("a prefix"), address, form))
}

/// Whom a target calls.
fn members(address: u8, form: u8) -> BTreeSet<u8> {
    if form == 9 {
        return (0..=255).filter(|a| *a != address).collect();
    }
    let size = 256 >> form;
    let first = u16::from(address) / size * size;
    (first..first + size).map(|a| u8::try_from(a).expect("below 256")).collect()
}

/// What tells two keys apart.
fn print(key: &Subkey) -> [u32; 2] {
    [key.word(0, 0), key.word(0, 1)]
}

fn calls(u: &mut Unstructured<'_>) -> Result<()> {
    let tree = NetKey::new([u.arbitrary()?; 32]).subkey(Label::Tree);
    let (target_, address, form) = target(u)?;
    let called = members(address, form);
    let source: u8 = u.arbitrary()?;
    let key = print(&TREE.sender(Address::new(source), target_).traffic_key(&tree));
    for _ in 0..4 {
        let own: u8 = if u.arbitrary()? { source } else { u.arbitrary()? };
        let mut directory = BTreeSet::new();
        let mut entries = Vec::new();
        for _ in 0..u.int_in_range(0..=DIRECTORY)? {
            let other = if u.ratio(1, 4)? { target_ } else { target(u)?.0 };
            if directory.insert(format!("{other:?}")) {
                entries.push(other);
            }
        }
        let share = share(own, 0, &entries);
        let known = directory.contains(&format!("{target_:?}"));
        let (own_, source_) = (Address::new(own), Address::new(source));
        let got = share.traffic_key(&tree, own_, source_, target_).map(|key| print(&key));
        let may = called.contains(&own) || (own == source && known);
        assert_eq!(got, may.then_some(key), "{own:02x}: {source:02x} to {target_}");
        let reaches = called.contains(&own) || known;
        assert_eq!(share.reaches(own_, target_), reaches, "{own:02x} to {target_}");
        let mut written = Vec::new();
        share.write(&mut |part: &[u8]| written.extend_from_slice(part));
        let again = Share::read(&written).expect("what it wrote");
        let mut twice = Vec::new();
        again.write(&mut |part: &[u8]| twice.extend_from_slice(part));
        assert_eq!((written.len(), &written), (share.written_bytes(), &twice));
        assert_eq!(again.reaches(own_, target_), reaches);
    }
    Ok(())
}
