//! Every seed through its target, on stable Rust.

use std::fs;
use std::path::Path;

fn replay(target: &str, body: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds").join(target);
    let mut names: Vec<_> =
        fs::read_dir(&folder).expect("seeds").map(|entry| entry.expect("a seed").path()).collect();
    names.sort();
    assert!(!names.is_empty(), "{target} has no seeds");
    for name in names {
        body(&fs::read(&name).unwrap_or_else(|error| panic!("{}: {error}", name.display())));
    }
}

#[test]
fn header_seeds() {
    replay("header", hopwright_fuzz::header);
}

#[test]
fn recording_seeds() {
    replay("recording", hopwright_fuzz::recording);
}

#[test]
fn station_seeds() {
    replay("station", |data| {
        let _ = hopwright_fuzz::station(data);
    });
}

/// A quick look beyond the seeds: every seed of `station` with bytes changed, cut and repeated by
/// a fixed rule. `cargo fuzz` looks further.
#[test]
fn station_seeds_changed() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds/station");
    let mut state = 1_u64;
    let mut next = || {
        // Marsaglia's xorshift64 (2003; shifts from memory): any spread will do.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    for entry in fs::read_dir(folder).expect("seeds") {
        let seed = fs::read(entry.expect("a seed").path()).expect("bytes");
        for _ in 0..2_000 {
            let mut bytes = seed.repeat(1 + usize::try_from(next() % 3).expect("small"));
            for _ in 0..1 + next() % 12 {
                let at = usize::try_from(next()).unwrap_or(0) % bytes.len();
                bytes[at] = next().to_le_bytes()[3];
            }
            let _ = hopwright_fuzz::station(&bytes);
        }
    }
}

/// Seeds that say in their names what they lead to must lead there.
#[test]
fn seeds_reach_what_they_are_named_for() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds/station");
    let reached = |name: &str| hopwright_fuzz::station(&fs::read(folder.join(name)).expect(name));
    assert_eq!(reached("timekeeper-changes-keys").changes, 2);
    let there = reached("modes-and-a-change-there");
    assert_eq!((there.changes, there.single > 20), (1, true), "{there:?}");
    assert_eq!(reached("orders-cut-and-made-up").changes, 0);
}
